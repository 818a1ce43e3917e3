"""`BeerMatcher`: scikit-learn's contract, tables by wavelength, batches as the unit, answers that may be none."""

import numpy as np
import pandas as pd
import pytest
import sklearn
from estimator_contract import with_checks
from simulated_beers import NM, SimulatedBeers
from sklearn.model_selection import GroupKFold, cross_val_score

from specmatch.errors import (
    MissingGroupsWarning,
    OptionError,
    ParentsError,
    TableError,
    TooFewBatchesError,
    WavelengthMismatchError,
)
from specmatch.models.beer_matcher import BeerMatcher

NAMES = np.array(["Ash", "Birch", "Cedar", "Elm", "Fir", "Larch", "Oak", "Pine"])


# the checks fit without groups, on purpose: that warning is ignored here and nowhere else
@pytest.mark.filterwarnings("ignore::specmatch.errors.ImplausibleReflectanceWarning")
@pytest.mark.filterwarnings("ignore::specmatch.errors.MissingGroupsWarning")
@with_checks(BeerMatcher())
def test_keeps_the_estimator_contract(estimator, check):
    check(estimator)


@pytest.mark.whole
@pytest.mark.filterwarnings("ignore::specmatch.errors.ImplausibleReflectanceWarning")
@pytest.mark.filterwarnings("ignore::specmatch.errors.MissingGroupsWarning")
@with_checks(BeerMatcher(scale=None))
def test_keeps_the_estimator_contract_where_it_chooses_its_scale(estimator, check):
    check(estimator)


@pytest.fixture(scope="module")
def beers():
    return SimulatedBeers(seed=11)


@pytest.fixture(scope="module")
def house():
    rows, beer, batch, _ = SimulatedBeers(seed=11).house(8)
    return pd.DataFrame(rows, columns=NM), NAMES[beer], np.array([f"B{b:03d}" for b in batch])


@pytest.fixture(scope="module")
def matcher(house):
    X, y, groups = house
    return BeerMatcher().fit(X, y, groups=groups)


class TestAnswers:
    def test_true_beers_are_named_and_others_refused(self, beers, matcher):
        true = pd.DataFrame(beers.samples(3, 20, 3), columns=NM)
        open_answer = matcher.match(true, n_pours=3)
        assert (matcher.predict(true) == "Elm").all() and (open_answer["nearest_beer"] == "Elm").all()
        assert open_answer["plausible_beers"].map(lambda p: "Elm" in p).sum() >= 16
        none_of_ours = pd.DataFrame(0.3 + 0.2 * np.sin(NM / 25.0)[None, :], columns=NM)
        answer = matcher.match(none_of_ours).iloc[0]
        assert answer["plausible_beers"] == () and answer["p_value"] < 1e-6
        # a closed answer is given all the same, and is not to be taken for one of confidence
        assert matcher.predict(none_of_ours)[0] in NAMES

    def test_columns_of_the_open_answer(self, house, matcher):
        got = matcher.match(house[0].iloc[[5, 2]])
        assert list(got.columns) == [
            "nearest_beer",
            "p_value",
            "p_value_method",
            "plausible_beers",
            "nearest_batch",
            "distance",
            "too_few_batches",
        ]
        assert list(got.index) == [5, 2]
        assert (got["p_value_method"] == "f_tail").all() and not got["too_few_batches"].any()
        # a pour lies nearest to the batch that it was taken from, or to another of the same beer
        assert got["nearest_batch"].str[1:].astype(int).lt(8).all()

    def test_a_near_tie_is_said_to_be_one(self):
        beers = SimulatedBeers(seed=12)
        beers.means[6] = beers.means[2]
        rows, beer, batch, _ = beers.house(8)
        matcher = BeerMatcher().fit(rows, NAMES[beer], groups=batch)
        plausible = matcher.match(beers.samples(2, 20, 1))["plausible_beers"]
        assert plausible.map(lambda p: {"Cedar", "Oak"} <= set(p)).sum() >= 14

    def test_the_false_reject_rate_is_what_was_asked(self, beers, house):
        X, y, groups = house
        true = pd.DataFrame(beers.samples(0, 300, 3), columns=NM)
        refused = {}
        for rate in (0.01, 0.30):
            matcher = BeerMatcher(false_reject_rate=rate).fit(X, y, groups=groups)
            refused[rate] = matcher.match(true, n_pours=3)["plausible_beers"].map(lambda p: "Ash" not in p).mean()
        assert refused[0.01] < 0.08 and 0.05 < refused[0.30] < 0.45

    def test_beers_of_few_batches_stay_matchable_with_a_flag(self, beers):
        rows, beer, batch, _ = SimulatedBeers(seed=11).house([8, 8, 8, 1, 8, 8, 8, 8])
        matcher = BeerMatcher().fit(rows, NAMES[beer], groups=batch)
        got = matcher.match(beers.samples(3, 10, 3), n_pours=3)
        assert (got["nearest_beer"] == "Elm").all() and got["too_few_batches"].all()


class TestTables:
    def test_columns_in_any_order(self, house, matcher):
        X = house[0].iloc[:20]
        shuffled = X[np.random.default_rng(0).permutation(X.columns)]
        pd.testing.assert_frame_equal(matcher.match(shuffled), matcher.match(X))
        again = BeerMatcher().fit(house[0][house[0].columns[::-1]], house[1], groups=house[2])
        np.testing.assert_array_equal(again.predict(X), matcher.predict(X))
        np.testing.assert_array_equal(again.wavelengths_, NM)

    def test_a_table_that_does_not_reach_over_the_wavelengths(self, house, matcher):
        moved = house[0].set_axis(NM + 10.0, axis=1)
        with pytest.raises(WavelengthMismatchError, match="430"):
            matcher.match(moved)

    def test_an_array_is_matched_by_position(self, house, matcher):
        np.testing.assert_array_equal(matcher.predict(house[0].to_numpy()), matcher.predict(house[0]))

    def test_twice_the_same_wavelength(self, house):
        X = house[0].set_axis([*NM[:-1], NM[0]], axis=1)
        with pytest.raises(TableError, match="stands twice"):
            BeerMatcher().fit(X, house[1], groups=house[2])


class TestBatches:
    def test_rows_without_batches_warn(self, house):
        with pytest.warns(MissingGroupsWarning, match="BeerMatcher.fit got no groups"):
            matcher = BeerMatcher().fit(house[0], house[1])
        assert matcher.batches_.size == len(house[0])

    def test_pours_of_one_batch_count_once(self, matcher):
        assert matcher.typicality_.metric.dof == 8 * 7

    def test_a_batch_under_two_beers(self, house):
        X, y, groups = house
        spoiled = groups.copy()
        spoiled[-1] = groups[0]
        with pytest.raises(ParentsError, match="batch 'B000' stands under two beers, 'Ash' and 'Pine'"):
            BeerMatcher().fit(X, y, groups=spoiled)

    def test_a_row_without_its_batch(self, house):
        X, y, groups = house
        spoiled = groups.astype(object)
        spoiled[4] = None
        with pytest.raises(TableError, match="row 4 of X has no batch"):
            BeerMatcher().fit(X, y, groups=spoiled)

    def test_groups_of_another_length(self, house):
        with pytest.raises(TableError, match="one batch for each of the 192 rows"):
            BeerMatcher().fit(house[0], house[1], groups=house[2][:-1])

    def test_one_batch_in_all(self, house):
        with pytest.raises(TooFewBatchesError, match="from 1 batch"):
            BeerMatcher().fit(house[0].iloc[:3], house[1][:3], groups=house[2][:3])

    def test_groups_reach_it_in_cross_validation(self, house):
        X, y, groups = house
        with sklearn.config_context(enable_metadata_routing=True):
            matcher = BeerMatcher().set_fit_request(groups=True)
            scores = cross_val_score(matcher, X, y, params={"groups": groups}, cv=GroupKFold(4))
        assert np.mean(scores) > 0.9


@pytest.mark.parametrize("rate", [0.0, 1.0, -0.1])
def test_a_rate_that_is_none(house, rate):
    with pytest.raises(OptionError, match="false_reject_rate"):
        BeerMatcher(false_reject_rate=rate).fit(house[0], house[1], groups=house[2])


@pytest.mark.parametrize(
    "option", [{"scale": "sqrt"}, {"n_components": 0}, {"n_components": -1}, {"n_components": 2.5}]
)
def test_an_option_that_is_not_offered(house, option):
    ((name, value),) = option.items()
    with pytest.raises(OptionError, match=f"{name} is {value!r}"):
        BeerMatcher(**option).fit(house[0], house[1], groups=house[2])


def test_components_counted_by_numpy(house):
    matcher = BeerMatcher(n_components=np.int64(2)).fit(house[0], house[1], groups=house[2])
    assert matcher.typicality_.beer_means.shape[1] == 2


@pytest.mark.parametrize("gap", [None, float("nan"), pd.NA])
def test_a_row_without_a_beer_is_refused_by_its_number(house, gap):
    X, y, groups = house
    y = y.astype(object)
    y[4] = gap
    with pytest.raises(TableError, match="row 4 of X has no beer in y; name it or leave the row out"):
        BeerMatcher().fit(X, y, groups=groups)
