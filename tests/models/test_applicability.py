"""`Applicability`: scikit-learn's contract, limits at their stated rate, reasons."""

import numpy as np
import pandas as pd
import pytest
from estimator_contract import with_checks
from simulated_beers import NM, SimulatedBeers

from specmatch.errors import MissingGroupsWarning, OptionError, TooFewBatchesError, WavelengthMismatchError
from specmatch.models.applicability import Applicability


# the checks fit without groups, on purpose: that warning is ignored here and nowhere else
@pytest.mark.filterwarnings("ignore::specmatch.errors.MissingGroupsWarning")
@with_checks(Applicability())
def test_keeps_the_estimator_contract(estimator, check):
    check(estimator)


@pytest.fixture(scope="module")
def house():
    rows, _, batch, _ = SimulatedBeers(seed=11).house(8)
    return pd.DataFrame(rows, columns=NM), batch


@pytest.fixture(scope="module")
def domain(house):
    return Applicability().fit(house[0], groups=house[1])


def test_reasons(house, domain):
    usual = house[0].iloc[[0]]
    spiked = usual + 0.2 * (np.arange(NM.size) == 12)
    far = usual - 0.3
    got = domain.check(pd.concat([usual, spiked, far]))
    assert got["reason"].iloc[0] == "" and not got["outside"].iloc[0]
    assert "Q" in got["reason"].iloc[1] and "T2" in got["reason"].iloc[2]
    assert domain.predict(pd.concat([usual, spiked, far])).tolist() == [1, -1, -1]
    assert np.isfinite(got.drop(columns=["reason", "outside"]).to_numpy(float)).all()


def test_score_and_decision_agree_with_the_prediction(house, domain):
    rows = pd.concat([house[0], house[0] + 0.01 * np.cos(NM / 5.0)])
    outside = domain.check(rows)["outside"].to_numpy()
    np.testing.assert_array_equal(domain.decision_function(rows) < 0, outside)
    np.testing.assert_array_equal(domain.score_samples(rows) < domain.offset_, outside)
    assert outside.any() and not outside.all()


def test_more_pours_are_held_to_a_closer_limit(house, domain):
    row = house[0].iloc[[0]]
    limits = [domain.check(row, n_pours=n)["q_limit"].iloc[0] for n in (1, 3, 10)]
    assert limits == sorted(limits, reverse=True) and limits[0] > limits[2]


def test_limits_rest_on_batches_not_rows(house):
    X, batch = house
    by_batch = Applicability().fit(X, groups=batch).check(X.iloc[[0]])
    with pytest.warns(MissingGroupsWarning, match="Applicability.fit got no groups"):
        by_row = Applicability().fit(X).check(X.iloc[[0]])
    assert by_row["t2_limit"].iloc[0] < by_batch["t2_limit"].iloc[0]


def test_wavelengths_in_any_order_and_none_beyond(house, domain):
    X = house[0].iloc[:5]
    pd.testing.assert_frame_equal(domain.check(X[X.columns[::-1]]), domain.check(X))
    with pytest.raises(WavelengthMismatchError, match="430"):
        domain.check(X.set_axis(NM + 10.0, axis=1))


def test_two_batches_are_too_few(house):
    with pytest.raises(TooFewBatchesError, match="three or more"):
        Applicability().fit(house[0].iloc[:6], groups=house[1][:6])


@pytest.mark.parametrize("rate", [0.0, 1.0])
def test_a_rate_that_is_none(house, rate):
    with pytest.raises(OptionError, match="false_alarm_rate"):
        Applicability(false_alarm_rate=rate).fit(house[0], groups=house[1])


def test_a_scale_that_is_not_offered(house):
    with pytest.raises(OptionError, match="scale is 'sqrt'; log_absorbance, absorbance, reflectance or None"):
        Applicability(scale="sqrt").fit(house[0], groups=house[1])
