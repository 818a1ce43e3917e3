"""The colour estimator keeps scikit-learn's contract and refuses what it cannot learn from."""

import numpy as np
import pandas as pd
import pytest
from estimator_contract import with_checks
from sklearn.base import clone

from specmatch.errors import MissingGroupsWarning, OptionError, TableError, TooFewBatchesError
from specmatch.models.colour_regressor import ColourRegressor

NM = np.linspace(430.0, 680.0, 51)


def invented(n_batches: int = 30, n_pours: int = 3, seed: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Invented pours: reflectance, lab colour in EBC, batch."""
    rng = np.random.default_rng(seed)
    ebc = rng.permutation(np.geomspace(5.0, 80.0, n_batches))
    batch = np.repeat(np.arange(n_batches), n_pours)
    depth = 0.064 * ebc[batch] * (1.0 + rng.normal(0, 0.012, batch.size))
    R = (
        0.015
        + 0.985 * 10 ** (-depth[:, None] * np.exp(-(NM - 430.0) / 80.0))
        + rng.normal(0, 1e-3, (batch.size, NM.size))
    )
    lab = ebc * (1.0 + rng.normal(0, 0.012, n_batches)) + rng.normal(0, 0.1, n_batches)
    return R, lab[batch], batch


@pytest.mark.filterwarnings("ignore::specmatch.errors.ImplausibleReflectanceWarning")
@pytest.mark.filterwarnings("ignore::specmatch.errors.MissingGroupsWarning")
@with_checks(ColourRegressor())
def test_keeps_the_estimator_contract(estimator, check):
    check(estimator)


@pytest.mark.whole
@pytest.mark.filterwarnings("ignore::specmatch.errors.ImplausibleReflectanceWarning")
@pytest.mark.filterwarnings("ignore::specmatch.errors.MissingGroupsWarning")
@with_checks(ColourRegressor(regression=None))
def test_keeps_the_estimator_contract_where_it_chooses_its_regression(estimator, check):
    check(estimator)


def test_intervals_cover_new_batches_and_follow_coverage():
    R, y, batch = invented()
    new, lab, _ = invented(seed=1)
    model = ColourRegressor().fit(R, y, groups=batch)
    wide, narrow = model.predict_interval(new, coverage=0.95), model.predict_interval(new, coverage=0.80)
    assert list(wide.columns) == ["colour", "colour_low", "colour_high"]
    assert np.all(wide["colour_high"] - wide["colour_low"] >= narrow["colour_high"] - narrow["colour_low"])
    inside = (lab >= wide["colour_low"]) & (lab <= wide["colour_high"])
    # 30 batches of 3 pours: the jackknife+ guarantee at nominal 95 % is 90 %, here asked loosely of one seed
    assert inside.mean() >= 0.85


def test_index_of_a_frame_is_kept():
    R, y, batch = invented()
    table = pd.DataFrame(R, index=[f"s{i}" for i in range(len(R))], columns=NM)
    model = ColourRegressor().fit(table, y, groups=batch)
    read = model.predict_interval(table.iloc[:2, ::-1])
    assert list(read.index) == ["s0", "s1"]
    # columns are matched by wavelength; sums over rows that lie otherwise in memory may differ in the last digits
    np.testing.assert_allclose(read["colour"], model.predict(table.iloc[:2]), rtol=1e-9)


def test_missing_groups_warn_and_are_recorded():
    R, y, batch = invented(n_pours=1)
    with pytest.warns(MissingGroupsWarning, match="every row counts as a batch"):
        model = ColourRegressor().fit(R, y)
    assert model.groups_missing_
    assert not clone(model).fit(R, y, groups=batch).groups_missing_


def test_single_and_double_precision_agree():
    R, y, batch = invented()
    single = R.astype(np.float32)
    one = ColourRegressor().fit(single, y, groups=batch).predict(single)
    two = ColourRegressor().fit(single.astype(np.float64), y, groups=batch).predict(single.astype(np.float64))
    # the same numbers in either type are the same numbers after conversion
    np.testing.assert_array_equal(one, two)


def test_few_batches_fall_back_to_normal_errors():
    R, y, batch = invented(n_batches=6)
    model = ColourRegressor().fit(R, y, groups=batch)
    found = model.fit_.interval(R, 1, 0.90)
    assert found.normal_errors_assumed and found.method == "normal"
    assert np.all(np.isfinite(found.low)) and np.all(found.high > found.low)


@pytest.mark.parametrize(
    ("change", "error", "match"),
    [
        (lambda y, b: (np.full_like(y, 9.0), b), TableError, "every lab colour is 9"),
        (lambda y, b: (np.where(b == 3, -2.0, y), b), TableError, "a lab colour is -2"),
        (lambda y, b: (y, np.minimum(b, 1)), TooFewBatchesError, "2 batches"),
        (
            lambda y, b: (np.where(np.arange(y.size) == 0, 3.0 * y, y), b),
            TableError,
            "lab colours of one batch run from",
        ),
        (lambda y, b: (y, b[:-1]), TableError, "one batch for each"),
        (lambda y, b: (y, b[:, None]), TableError, "one batch for each"),
        (lambda y, b: (y, "batch"), TableError, "one batch for each"),
    ],
)
def test_refuses_colours_that_teach_nothing(change, error, match):
    R, y, batch = invented()
    colour, groups = change(y, batch)
    with pytest.raises(error, match=match):
        ColourRegressor().fit(R, colour, groups=groups)


def test_refuses_options_outside_their_range():
    R, y, batch = invented()
    with pytest.raises(OptionError, match="regression is 'cube'"):
        ColourRegressor(regression="cube").fit(R, y, groups=batch)
    model = ColourRegressor().fit(R, y, groups=batch)
    with pytest.raises(OptionError, match="coverage is 1"):
        model.predict_interval(R, coverage=1.0)


def test_rows_named_in_another_order_are_refused():
    nm = [450.0, 550.0, 650.0]
    X = pd.DataFrame([[0.1, 0.2, 0.3], [0.2, 0.3, 0.4], [0.3, 0.4, 0.5]], index=["a", "b", "c"], columns=nm)
    turned = pd.Series([3.0, 2.0, 1.0], index=["c", "b", "a"])
    for known in ({"y": turned, "groups": list("abc")}, {"y": turned.to_numpy(), "groups": turned}):
        with pytest.raises(TableError, match="has the rows of X in another order, and rows go by position"):
            ColourRegressor().fit(X, **known)


def test_numbers_of_pours_may_stand_in_a_column_of_floats():
    R, y, batch = invented()
    model = ColourRegressor().fit(R, y, groups=batch)
    read = model.predict_interval(R[:3], n_pours=[1.0, 2.0, 3.0])
    pd.testing.assert_frame_equal(read, model.predict_interval(R[:3], n_pours=[1, 2, 3]))
    with pytest.raises(ValueError, match="could not be broadcast"):
        model.predict_interval(R[:1], n_pours=[1, 2, 3])
