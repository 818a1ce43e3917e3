"""What a set knows of its colours besides the regression: the optical route, beers that it cannot read, the path."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.batches import COLOUR_UNITS
from specmatch.colour.double_pass import USUAL_CUP_MM, USUAL_FILL_ML, DoublePassFit, fit_double_pass, path_sd
from specmatch.maths.classification.sessions import SharedNoise
from specmatch.maths.regression.colour_model import ColourModel, beers_with_unreliable_colour
from specmatch.maths.statistics.levels import Levels, mean_by

FEWEST_BEERS_FOR_OPTICS = 3
# draws of a reference's noise: their mean square is known to a sixth, in a part of the interval that adds in squares
NOISE_DRAWS = 64
LEAST_COLOUR = 1e-6  # guard of a logarithm: no beer comes near


@dataclass(frozen=True)
class ColourWarnings:
    """What a set knows of its colours besides the regression."""

    # the route without a regression, its path and glare from the means of the beers; None with fewer than three beers
    # or spectra that do not reach the blue
    optics: DoublePassFit | None
    unfit: Mask  # (n_beers,): beers whose held-out errors show that A430 cannot be read from them
    pours_shown: bool  # whether the set holds separate pours, so that the interval knows the spread of pouring
    path_sd: float  # relative uncertainty of the path from fill and cup, for a set that does not
    transfer_sd: float  # relative uncertainty of the transfer that carried the set to this module; 0 on its own
    # (n_beers,): root mean square of the relative held-out errors of each beer, NaN without one; None for old models
    error_of_beer: Floats | None = None
    # (n_beers,): relative error by what sessions differ in, as far as held-out batches do not show it; None without
    session_sd: Floats | None = None


def learn_colour_warnings(
    fit: ColourModel,
    reflectance: Floats,
    levels: Levels,
    n_beers: int,
    *,
    wavelength_nm: Floats,
    colour_unit: str,
    scans: pd.DataFrame,
    shared: SharedNoise | None,
) -> ColourWarnings:
    """Learn what a set says about its colours besides the regression."""
    # reflectance (n_pours, p), wavelength_nm (p,)
    present, position = np.unique(levels.beer, return_inverse=True)
    optics = None
    blue = wavelength_nm[0] <= 440.0 and wavelength_nm[-1] >= 460.0
    if present.size >= FEWEST_BEERS_FOR_OPTICS and blue and colour_unit in COLOUR_UNITS:
        # one row a beer: batches of one beer leave the average beer in the same way, and count once
        by_beer = mean_by(mean_by(reflectance, levels.codes("batch"))[0], position)[0]
        optics = fit_double_pass(by_beer, mean_by(fit.lab_colour, position)[0], wavelength_nm, colour_unit=colour_unit)
    return ColourWarnings(
        optics=optics,
        unfit=beers_with_unreliable_colour(fit, levels.beer, n_beers),
        pours_shown=fit.most_pours > 1,
        path_sd=path_sd(_usual(scans, "fill_ml", USUAL_FILL_ML), _usual(scans, "cup_mm", USUAL_CUP_MM)),
        transfer_sd=0.0,
        error_of_beer=_error_of_beer(fit, levels.beer, n_beers) if fit.is_relative else None,
        session_sd=None if shared is None or not fit.is_relative else _session_sd(fit, shared),
    )


def _session_sd(fit: ColourModel, shared: SharedNoise) -> Floats:
    """Return the relative error of each beer by the part of the effect of sessions that its own batches share."""
    n_beers, _, p = shared.loading.shape
    noise = np.random.default_rng(0).standard_normal((NOISE_DRAWS, 1, p)) * np.sqrt(shared.variance)
    moved = np.concatenate([np.moveaxis(shared.loading, 1, 0), noise])

    def logs(reflectance: Floats) -> Floats:
        return np.log(np.maximum(fit.predict(reflectance.reshape(-1, p)), LEAST_COLOUR)).reshape(-1, n_beers)

    squares = ((logs(shared.base + moved) - logs(shared.base - moved)) / 2.0) ** 2
    causes = shared.loading.shape[1]
    return np.sqrt(shared.missing * (squares[:causes].sum(axis=0) + squares[causes:].mean(axis=0)))


def _error_of_beer(fit: ColourModel, beer: Ints, n_beers: int) -> Floats:
    squares = np.log(fit.held_out_colour / fit.lab_colour) ** 2
    count = np.bincount(beer, minlength=n_beers)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.sqrt(np.bincount(beer, squares, minlength=n_beers) / count), float)


def _usual(scans: pd.DataFrame, column: str, otherwise: float) -> float:
    if column not in scans.columns:
        return otherwise
    middle = float(pd.to_numeric(scans[column], errors="coerce").median())
    return middle if np.isfinite(middle) and middle > 0 else otherwise
