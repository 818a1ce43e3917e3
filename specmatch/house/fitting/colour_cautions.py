"""What a set knows of its colours besides the regression: optical route, beers it cannot read, path, temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.batches import COLOUR_UNITS
from specmatch.colour.double_pass import USUAL_CUP_MM, USUAL_FILL_ML, DoublePassFit, fit_double_pass, path_sd
from specmatch.maths.classification.sessions import SharedNoise
from specmatch.maths.regression.colour_model import ColourModel, beers_with_unreliable_colour
from specmatch.maths.statistics.levels import Levels, mean_by

if TYPE_CHECKING:
    from specmatch.house.fitting.pours import SetPours


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
    pours: SetPours, fit: ColourModel, reflectance: Floats, levels: Levels, colour_unit: str, shared: SharedNoise | None
) -> ColourWarnings:
    """Learn what a set says about its colours besides the regression."""
    # reflectance (n_pours, p), levels: of the pours that the regression was fitted on
    wavelength_nm, scans, n_beers = pours.wavelength_nm, pours.scans, len(pours.beers)
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


# below this apart temperatures teach nothing that pouring does not hide (tuning), and so few batches nothing at all
LEAST_SPREAD_C, FEWEST_BATCHES = 5.0, 3
# a sample nearer than this to the set's usual temperature needs no word of it: rooms differ so much between seasons
NEAR_C = 3.0


@dataclass(frozen=True)
class TemperatureCost:
    """By how much the set's own scans read otherwise when they were warmer."""

    usual_c: float  # middle of the set's temperatures
    per_c: float  # per_c, sd: change of log colour with one degree, and its standard uncertainty
    sd: float
    n_batches: int  # that told it

    def sentence(self, temperature_c: float) -> str:
        """Say what a temperature costs; blank near the usual one."""
        away = temperature_c - self.usual_c
        if abs(away) <= NEAR_C:
            return ""
        middle, reach = 100.0 * np.expm1(self.per_c * away), 100.0 * 2.0 * self.sd * abs(away)
        said = f"at {temperature_c:g} deg C the set's own scans read {middle:+.1f} % +- {reach:.1f} % against those at "
        said += f"{self.usual_c:g} deg C ({self.n_batches} batches)"
        # advice from data, not from habit
        return f"{said}: warm, degas and pour again" if abs(middle) > reach else f"{said}: no cost can be seen"


def learn_temperature_cost(pours: SetPours, colour: ColourModel) -> TemperatureCost | None:
    """Compare pours of one batch at several temperatures, and batches by their held-out errors."""
    if "temperature_c" not in pours.scans.columns or not colour.is_relative:
        return None
    by_pour = pd.to_numeric(pours.scans["temperature_c"], errors="coerce").groupby(pours.scans["pour"]).mean()
    t = by_pour.reindex(pours.names).to_numpy(dtype=np.float64)
    known = np.isfinite(t)
    if known.sum() < 2 or np.ptp(t[known]) < LEAST_SPREAD_C:
        return None
    usual, batch = float(np.median(t[known])), pours.levels.codes("batch")[known]
    log_read = np.log(colour.predict(pours.reflectance[known]))
    found = [_slope(_about(t[known], batch), _about(log_read, batch), batch)]
    of_batch = np.full(len(pours.batches), np.nan)
    codes = np.unique(batch)
    of_batch[codes] = mean_by(t[known], np.searchsorted(codes, batch))[0]
    t_lab = of_batch[np.isfinite(pours.lab)]
    error = np.log(colour.held_out_colour / colour.lab_colour)
    told = np.isfinite(t_lab)
    if told.sum() > FEWEST_BATCHES:
        x = t_lab[told] - t_lab[told].mean()
        found.append(_slope(x, error[told] - error[told].mean(), np.arange(x.size)))
    used = [one for one in found if one is not None]
    if not used:
        return None
    weight = np.array([1.0 / one.sd**2 for one in used])
    slope = float(weight @ [one.per_c for one in used] / weight.sum())
    return TemperatureCost(usual, slope, float(1.0 / np.sqrt(weight.sum())), max(one.n_batches for one in used))


def _about(values: Floats, batch: np.ndarray) -> Floats:
    code = np.unique(batch, return_inverse=True)[1]
    return np.asarray(values - mean_by(values, code)[0][code], float)


def _slope(x: Floats, y: Floats, batch: np.ndarray) -> TemperatureCost | None:
    """Least squares through 0, uncertain by sums over batches (K.-Y. Liang, S. L. Zeger, Biometrika 73:13, 1986)."""
    code = np.unique(batch, return_inverse=True)[1]
    spread = np.bincount(code, x**2)
    n = int((spread > (LEAST_SPREAD_C / 2.0) ** 2).sum())
    if n < FEWEST_BATCHES:
        return None
    slope = float(x @ y / (x @ x))
    by_batch = np.bincount(code, x * (y - slope * x))
    sd = float(np.sqrt((by_batch**2).sum() * n / (n - 1)) / (x @ x))
    return TemperatureCost(0.0, slope, max(sd, 1e-6), n)
