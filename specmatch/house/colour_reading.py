"""The colour of samples: the regression with its interval, and all that speaks against taking it at its word."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

from specmatch.array_types import Floats, Ints, Mask
from specmatch.colour.double_pass import DoublePassFit, fit_double_pass, routes_disagree
from specmatch.colour.path_budget import USUAL_CUP_MM, USUAL_FILL_ML, path_sd
from specmatch.maths.beer_errors import unfit_beers
from specmatch.maths.colour_fit import ColourFit
from specmatch.maths.conformal import Interval
from specmatch.maths.statistics import mean_by

FEWEST_BEERS_FOR_OPTICS = 3

POURS, FILL_TOLERANCE = "spread of pours", "fill tolerance added"


@dataclass(frozen=True)
class ColourCautions:
    """What a set knows of its colours besides the regression.

    Attributes
    ----------
    optics : DoublePassFit or None
        The route without a regression, its path and glare from the means of the beers; None with fewer than three
        beers or spectra that do not reach the blue.
    unfit : ndarray of bool, shape (n_beers,)
        Beers whose held-out errors show that A430 cannot be read from them.
    pours_shown : bool
        Whether the set holds separate pours, so that the interval knows the spread of pouring.
    path_sd : float
        Relative uncertainty of the path from fill and cup, for a set that does not.
    """

    optics: DoublePassFit | None
    unfit: Mask
    pours_shown: bool
    path_sd: float


@dataclass(frozen=True)
class ColourReadings:
    """Colours of samples.

    Attributes
    ----------
    colour, low, high : ndarray, shape (n,)
    method : str
        `"jackknife+"` or `"normal"`, and where the spread of pouring in it comes from: `"spread of pours"` of the set,
        or `"fill tolerance added"`.
    normal_errors_assumed : bool
    codes : dict of int to list of str
        Row -> warning codes.
    """

    colour: Floats
    low: Floats
    high: Floats
    method: str
    normal_errors_assumed: bool
    codes: dict[int, list[str]]


def learn_cautions(
    fit: ColourFit,
    reflectance: Floats,
    batch: Ints,
    beer: Ints,
    n_beers: int,
    *,
    wavelength_nm: Floats,
    colour_unit: str,
    scans: pd.DataFrame,
) -> ColourCautions:
    """Learn what a set says about its colours besides the regression.

    Parameters
    ----------
    fit : ColourFit
    reflectance : ndarray, shape (n_pours, p)
        Pours of batches with a lab colour.
    batch : ndarray of int, shape (n_pours,)
        Position of each pour's batch in the fit, 0 .. K-1.
    beer : ndarray of int, shape (K,)
        Beer of each of these batches.
    n_beers : int
    wavelength_nm : ndarray, shape (p,)
    colour_unit : {"EBC", "SRM"}
    scans : DataFrame
        The set's scans; `fill_ml` and `cup_mm` are used where they stand.

    Returns
    -------
    ColourCautions

    Examples
    --------
    >>> from specmatch.house.set_pours import gather_set
    >>> pours, fit = gather_set(refs), house.fitted.colour
    >>> cautions = learn_cautions(
    ...     fit, pours.reflectance, pours.batch, pours.beer_of_batch, 3,
    ...     wavelength_nm=pours.wavelength_nm, colour_unit="EBC", scans=pours.scans,
    ... )
    >>> round(cautions.path_sd, 3), cautions.unfit.tolist()
    (0.013, [False, False, False])
    """
    present, position = np.unique(beer, return_inverse=True)
    optics = None
    if present.size >= FEWEST_BEERS_FOR_OPTICS and wavelength_nm[0] <= 440.0 and wavelength_nm[-1] >= 460.0:
        # one row a beer: batches of one beer leave the average beer in the same way, and count once
        by_beer = mean_by(mean_by(reflectance, batch)[0], position)[0]
        optics = fit_double_pass(by_beer, mean_by(fit.lab_colour, position)[0], wavelength_nm, colour_unit=colour_unit)
    return ColourCautions(
        optics=optics,
        unfit=unfit_beers(fit, beer, n_beers),
        pours_shown=fit.most_pours > 1,
        path_sd=path_sd(_usual(scans, "fill_ml", USUAL_FILL_ML), _usual(scans, "cup_mm", USUAL_CUP_MM)),
    )


def read_colours(
    fit: ColourFit,
    cautions: ColourCautions,
    reflectance: Floats,
    n_pours: Ints,
    coverage: float,
    *,
    nearest: Ints,
    known: Mask,
) -> ColourReadings:
    """Read colours, and say what speaks against them.

    Parameters
    ----------
    fit : ColourFit
    cautions : ColourCautions
    reflectance : ndarray, shape (n, p)
        Mean of each sample's pours.
    n_pours : ndarray of int, shape (n,)
    coverage : float
        In (0, 1).
    nearest : ndarray of int, shape (n,)
        Nearest beer of each sample.
    known : ndarray of bool, shape (n,)
        Whether the sample may be a beer of the set; the others promise nothing that a route could deny.

    Returns
    -------
    ColourReadings

    Examples
    --------
    >>> samples = house.fitted.identity.samples  # the first is an Amber Lane
    >>> got = read_colours(
    ...     house.fitted.colour, house.fitted.cautions, samples.reflectance[:1], np.array([3]), 0.90,
    ...     nearest=np.array([0]), known=np.array([True]),
    ... )
    >>> bool(got.low[0] < refs.batches.loc["AL-0-001", "colour"] < got.high[0]), got.codes
    (True, {})
    """
    found = fit.interval(reflectance, n_pours, coverage)
    low, high = found.low, found.high
    if cautions.pours_shown:
        method = f"{found.method}, {POURS}"
    else:
        # in logarithms, where path and colour add; the two parts of the interval add as independent errors
        extra = float(ndtri(0.5 + coverage / 2.0)) * cautions.path_sd
        low = found.colour * np.exp(-np.hypot(np.log(found.colour / low), extra))
        high = found.colour * np.exp(np.hypot(np.log(high / found.colour), extra))
        method = f"{found.method}, {FILL_TOLERANCE}"
    codes: dict[int, list[str]] = {}
    if cautions.optics is not None:
        widened = Interval(found.colour, low, high, method, found.normal_errors_assumed)
        differ = routes_disagree(widened, cautions.optics.read(reflectance, coverage))
        # beyond its reach the optical route has no say
        for row in np.flatnonzero(differ & cautions.optics.trusts(found.colour) & known):
            codes.setdefault(int(row), []).append("routes_disagree")
    for row in np.flatnonzero(cautions.unfit[nearest] & known):
        codes.setdefault(int(row), []).append("colour_not_fit")
    return ColourReadings(found.colour, low, high, method, found.normal_errors_assumed, codes)


def _usual(scans: pd.DataFrame, column: str, otherwise: float) -> float:
    if column not in scans.columns:
        return otherwise
    middle = float(pd.to_numeric(scans[column], errors="coerce").median())
    return middle if np.isfinite(middle) and middle > 0 else otherwise
