"""Headings and values that estimators are given: converted where the unit is plain, refused where not, told of."""

import warnings

import numpy as np
import pandas as pd
import pytest

from specmatch import ReferenceSet
from specmatch.errors import ImplausibleReflectanceWarning, OptionError, TableError, UnitError, WavelengthMismatchError
from specmatch.models import Absorbance, Applicability, BeerMatcher, ColourRegressor

NM = np.linspace(430.0, 700.0, 28)
N = 30
EBC = np.geomspace(5.0, 60.0, N)
BEER = np.repeat(["Pils", "Bitter", "Stout"], N // 3)


def reflectance(ebc):
    """An invented beer: absorbance falls with wavelength."""
    return 0.02 + 0.95 * 10 ** (-0.03 * np.atleast_1d(ebc)[:, None] * np.exp(-(NM - 430.0) / 80.0))


def table(ebc=EBC):
    noise = np.random.default_rng(0).normal(0.0, 1e-3, (np.size(ebc), NM.size))
    return pd.DataFrame(reflectance(ebc) + noise, columns=NM)


def headed(heads):
    return table().set_axis(heads, axis=1)


@pytest.fixture(scope="module")
def fitted():
    X, groups = table(), np.arange(N)
    return (
        ColourRegressor(regression="log_absorbance").fit(X, EBC, groups=groups),
        BeerMatcher(scale="absorbance").fit(X, BEER, groups=groups),
        Applicability().fit(X, groups=groups),
    )


@pytest.mark.parametrize("form", ["{:.17g} nm", "{:.17g}", "{:.17g}nm"])
def test_headings_in_nm_are_matched(fitted, form):
    X = headed([form.format(x) for x in NM]).iloc[:, ::-1]
    for model in fitted:
        assert np.allclose(model.wavelengths_, NM)
    assert np.allclose(fitted[0].predict(X), fitted[0].predict(table()))


@pytest.mark.parametrize(
    ("unit", "x"), [("1/cm", 1e7 / NM), ("cm-1", 1e7 / NM), ("um", NM / 1000), ("\u00b5m", NM / 1000)]
)
def test_a_plain_unit_is_converted(fitted, unit, x):
    X = headed([f"{value:.12g} {unit}" for value in x])
    assert np.allclose(fitted[0].predict(X), fitted[0].predict(table()), rtol=1e-6)
    assert fitted[1].predict(X).tolist() == fitted[1].predict(table()).tolist()
    assert np.allclose(fitted[2].check(X)["q"], fitted[2].check(table())["q"], rtol=1e-4)
    groups = np.arange(N)
    again = ColourRegressor(regression="log_absorbance").fit(X, EBC, groups=groups)
    assert np.allclose(again.wavelengths_, NM)


@pytest.mark.parametrize("x", [1e7 / NM, NM / 1000.0, NM * 10.0])
def test_numbers_in_another_unit_are_refused(fitted, x):
    for model in fitted:
        with pytest.raises(UnitError, match="no wavelengths between 200 and 1200 nm; write their unit"):
            model.predict(headed(x))
    with pytest.raises(UnitError, match="write their unit into the headings"):
        ColourRegressor().fit(headed(x), EBC, groups=np.arange(N))
    with pytest.raises(UnitError, match="write their unit into the headings"):
        Absorbance().fit(headed(x))


def test_headings_that_are_no_wavelengths_are_refused_after_a_fit_on_wavelengths(fitted):
    for model in fitted:
        with pytest.raises(TableError, match="column 'c0' of X is no wavelength, and the fit was on 430-700 nm"):
            model.predict(headed([f"c{k}" for k in range(NM.size)]))
        with pytest.raises(WavelengthMismatchError, match="export the full range"):
            model.predict(headed(NM + 20.0))


def test_an_array_and_a_table_without_headings_are_matched_by_position(fitted):
    bare = table().to_numpy()
    assert np.array_equal(fitted[0].predict(bare), fitted[0].predict(pd.DataFrame(bare)))


def test_values_that_cannot_be_reflectance_warn_once_and_check_says_so(fitted):
    colour, matcher, domain = fitted
    for change in (lambda X: 100.0 * X, lambda X: -np.log10(X)):
        X = change(table())
        for call in (colour.predict, colour.predict_interval, matcher.predict, matcher.match):
            with pytest.warns(ImplausibleReflectanceWarning, match="rows cannot be reflectance") as caught:
                call(X)
            assert len([w for w in caught if w.category is ImplausibleReflectanceWarning]) == 1
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            said = domain.check(X)
        assert said["not_reflectance"].mean() > 0.9 and said["outside"][said["not_reflectance"]].all()


def test_beers_of_every_colour_do_not_warn(fitted):
    X = table(np.geomspace(1.0, 400.0, 60))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fitted[0].predict(X)
        fitted[1].predict(X)
    assert not fitted[2].check(X)["not_reflectance"].any()


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda X: X.set_axis(1e7 / NM, axis=1), {"x_unit": "1/cm"}),
        (lambda X: X.set_axis(NM / 1000.0, axis=1), {"x_unit": "um"}),
        (lambda X: X.set_axis([f"{1e7 / x:.12g} 1/cm" for x in NM], axis=1), {}),
        (lambda X: 100.0 * X, {"quantity": "percent"}),
        (lambda X: -np.log10(X), {"quantity": "absorbance"}),
    ],
)
def test_a_set_takes_other_units_and_quantities(change, told):
    ids = [f"s{k}" for k in range(N)]
    X = pd.DataFrame(reflectance(EBC), index=ids, columns=NM)
    scans = pd.DataFrame({"sample": ids, "batch": ids}, index=ids)
    batches = pd.DataFrame({"beer": BEER, "colour": EBC}, index=ids)
    got, plain = ReferenceSet(change(X), scans, batches, **told), ReferenceSet(X, scans, batches)
    assert np.allclose(got.spectra, plain.spectra) and np.allclose(got.spectra.columns, NM)
    if told:
        with pytest.raises(OptionError, match="expected one of"):
            ReferenceSet(X, scans, batches, **dict.fromkeys(told, "other"))
