"""The transformers keep scikit-learn's contract and store what they learnt."""

import numpy as np
import pandas as pd
import pytest
from estimator_contract import with_checks
from sklearn.base import clone
from sklearn.pipeline import make_pipeline

from specmatch import models
from specmatch.errors import OptionError, TableError, WavelengthMismatchError
from specmatch.models import (
    Absorbance,
    MultiplicativeScatterCorrection,
    SavitzkyGolay,
    SavitzkyGolayDerivative,
    StandardNormalVariate,
    preprocessing,
)
from specmatch.public_names import NEW_NAMES

NM = np.arange(430.0, 701.0, 10.0)


@with_checks(
    Absorbance(),
    StandardNormalVariate(),
    MultiplicativeScatterCorrection(),
    MultiplicativeScatterCorrection(degree=1),
    SavitzkyGolay(),
    SavitzkyGolayDerivative(),
)
def test_keep_the_estimator_contract(estimator, check):
    check(estimator)


def spectra(n: int = 6, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.uniform(0.5, 2.0, (n, 1)) * np.exp(-(NM - 430.0) / 90.0) + rng.uniform(0, 0.3, (n, 1))


@pytest.mark.parametrize(
    "transformer",
    [
        Absorbance(),
        StandardNormalVariate(),
        MultiplicativeScatterCorrection(degree=1),
        SavitzkyGolay(),
        SavitzkyGolayDerivative(),
    ],
)
def test_a_scan_does_not_depend_on_its_company(transformer):
    fitted = clone(transformer).fit(spectra())
    new = spectra(seed=1)
    together = fitted.transform(new)
    alone = np.vstack([fitted.transform(row[None, :]) for row in new])
    # least squares over one or several right-hand sides may differ in the last digit
    np.testing.assert_allclose(alone, together, rtol=1e-12, atol=1e-12)


def test_scatter_correction_keeps_the_mean_of_the_fitted_set():
    fitted = MultiplicativeScatterCorrection().fit(spectra())
    reference = fitted.reference_.copy()
    lone = spectra(1, seed=3)
    corrected = fitted.transform(lone)
    # a lone scan with its own mean as reference would come back unchanged
    assert not np.allclose(corrected, lone)
    np.testing.assert_array_equal(fitted.reference_, reference)


def test_tables_are_matched_by_wavelength():
    table = pd.DataFrame(spectra(), columns=NM)
    fitted = SavitzkyGolayDerivative().fit(table)
    np.testing.assert_allclose(fitted.transform(table.iloc[:, ::-1]), fitted.transform(table), atol=1e-15)
    np.testing.assert_array_equal(fitted.grid_, NM)
    with pytest.raises(WavelengthMismatchError, match="430"):
        fitted.transform(table.iloc[:, 3:])


def test_windows_are_checked_against_what_is_left_after_cropping():
    cropped = spectra()[:, :5]
    for transformer in (SavitzkyGolay(window=7), SavitzkyGolayDerivative(window=7)):
        with pytest.raises(OptionError, match="an odd window from 3 to 5 points"):
            transformer.fit(cropped)
    assert SavitzkyGolay().fit(cropped).window_ == SavitzkyGolayDerivative().fit(cropped).window_ == 5
    assert SavitzkyGolayDerivative().fit(spectra()).window_ == 7


@pytest.mark.parametrize(
    ("transformer", "said"),
    [
        (SavitzkyGolay(window="5"), "window is '5'; a whole number"),
        (SavitzkyGolayDerivative(order=1.0), "order is 1.0; a whole number"),
        (MultiplicativeScatterCorrection(degree=1.0), "degree is 1.0; a whole number"),
        (Absorbance(floor="low"), "floor is 'low'; a number"),
    ],
)
def test_options_of_another_kind_are_refused(transformer, said):
    with pytest.raises(OptionError, match=said):
        transformer.fit(spectra())


def test_smoothing_wants_an_even_grid():
    with pytest.raises(TableError, match="uneven.* as numpy.interp does"):
        SavitzkyGolay().fit(pd.DataFrame(spectra()[:, :6], columns=[430, 440, 450, 470, 480, 500]).astype(float))


def test_tables_between_the_steps_of_a_pipeline_keep_their_wavelengths():
    nm = np.arange(440.0, 680.0, 4.0)
    rng = np.random.default_rng(0)
    strength = np.repeat(rng.uniform(0.5, 2.0, 15), 2)
    reflectance = 10 ** -np.outer(strength, np.exp(-(nm - 440.0) / 90.0)) + rng.normal(0.0, 1e-4, (30, nm.size))
    table = pd.DataFrame(reflectance, columns=nm)
    steps = [Absorbance(), SavitzkyGolayDerivative(), StandardNormalVariate()]
    named = make_pipeline(*(clone(step) for step in steps)).set_output(transform="pandas")
    out = named.fit_transform(table)
    assert [float(name) for name in out.columns] == nm.tolist()
    # a derivative is per nm and its window in nm: on columns taken as 1 nm apart it would be another
    by_hand = table
    for step in steps:
        by_hand = pd.DataFrame(clone(step).fit_transform(by_hand), columns=nm)
    np.testing.assert_array_equal(out.to_numpy(), by_hand.to_numpy())
    shuffled = table[rng.permutation(nm)]
    pd.testing.assert_frame_equal(named.transform(shuffled), named.transform(table))


def test_a_derivative_of_an_uneven_grid_names_the_even_one_that_it_made():
    nm = np.array([440.0, 441.0, 445.0, 450.0, 452.0, 458.0, 460.0])
    slope = SavitzkyGolayDerivative(window=3).set_output(transform="pandas").fit(pd.DataFrame([0.01 * nm], columns=nm))
    out = slope.transform(pd.DataFrame([0.01 * nm], columns=nm))
    np.testing.assert_allclose([float(name) for name in out.columns], np.linspace(440.0, 460.0, 7))
    np.testing.assert_allclose(out.to_numpy(), 0.01)


@pytest.mark.parametrize("old", sorted(NEW_NAMES))
@pytest.mark.parametrize("room", [models, preprocessing], ids=["models", "preprocessing"])
def test_old_names_lead_to_the_new_ones_and_say_so(old, room):
    new = NEW_NAMES[old]
    with pytest.warns(FutureWarning, match=f"{old} is now called {new}; the old name goes in release 0.3.0") as said:
        found = getattr(room, old)
    assert found is getattr(models, new)
    # the line to be changed is the caller's own
    assert {one.filename for one in said} == {__file__}
    with pytest.warns(FutureWarning, match=new):
        exec(f"from {room.__name__} import {old}", {})  # as users write it


@pytest.mark.parametrize("room", [models, preprocessing], ids=["models", "preprocessing"])
def test_a_name_that_never_was_is_an_attribute_error(room):
    with pytest.raises(AttributeError, match="no attribute 'Nothing'"):
        _ = room.Nothing
