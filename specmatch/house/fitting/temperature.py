"""What the temperature of a sample costs, where a set was measured at more than one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.maths.regression.colour_model import ColourModel
from specmatch.maths.statistics.levels import mean_by

if TYPE_CHECKING:
    from specmatch.house.fitting.set_pours import SetPours

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
