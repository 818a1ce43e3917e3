"""What a set knows of its colours besides the regression: the optical route, beers that it cannot read, the path."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.colour.double_pass import DoublePassFit, fit_double_pass
from specmatch.colour.path_budget import USUAL_CUP_MM, USUAL_FILL_ML, path_sd
from specmatch.maths.beer_errors import unfit_beers
from specmatch.maths.colour_fit import ColourFit
from specmatch.maths.statistics import mean_by

FEWEST_BEERS_FOR_OPTICS = 3


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


def _usual(scans: pd.DataFrame, column: str, otherwise: float) -> float:
    if column not in scans.columns:
        return otherwise
    middle = float(pd.to_numeric(scans[column], errors="coerce").median())
    return middle if np.isfinite(middle) and middle > 0 else otherwise
