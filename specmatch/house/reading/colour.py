"""The colour of samples: regression and interval, what speaks against it, its budget of uncertainty (JCGM 100)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import hypot
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from specmatch.array_types import Floats, Ints, Mask, is_number
from specmatch.batches import by_sample
from specmatch.colour.double_pass import rows_that_disagree
from specmatch.errors import OptionError, TableError, TooFewBatchesError
from specmatch.house.fitting.colour_cautions import ColourWarnings
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.maths.faults.normal_variation import CAUSES
from specmatch.maths.regression.colour_model import ColourModel
from specmatch.maths.regression.conformal import Interval, widen_limits

POURS, FILL_TOLERANCE = "spread of pours", "fill tolerance added"
TRANSFER, SESSIONS = "transfer added", "few sessions added"


@dataclass(frozen=True)
class ColourReadings:
    """Colours of samples."""

    colour: Floats  # colour, low, high: (n,)
    low: Floats
    high: Floats
    # `"jackknife+"` or `"normal"`, and where the spread of pouring in it comes from: `"spread of pours"` of the set, or
    # `"fill tolerance added"`; `"transfer added"` on a module that the set was carried to, `"few sessions added"` where
    # beers were measured in sessions of their own
    method: str | NDArray[np.object_]
    normal_errors_assumed: bool
    codes: dict[int, list[str]]  # row -> warning codes


def asked_labs(lab: Any) -> Any:
    """Return the lab that is asked for: one for all, or by the names of samples."""
    if lab is None or isinstance(lab, str):
        return lab
    if not isinstance(lab, Mapping | pd.Series):
        raise OptionError(f"lab is {lab!r:.60}; expected the name of a lab, or a Series or mapping sample -> lab")
    return by_sample(lab)


def refuse_unread(labs: Any, samples: pd.Index) -> None:
    """Refuse a lab that is asked for a sample which was not read."""
    strange = set(labs).difference(samples) if isinstance(labs, Mapping) else ()
    if strange:
        raise TableError(f"a lab is named for sample {min(strange)!r}, which has no scan; samples match as text")


def as_lab_reports(
    fit: ColourModel | None, got: ColourReadings, names: pd.Index, lab: str | Mapping[str, str] | None, coverage: float
) -> tuple[ColourReadings, Floats | float]:
    """Return colours as a lab would report them, by default the reference lab of the set, and by what it multiplies."""
    # lab: one for all, or sample -> lab; samples without one are given as the reference lab reports them
    labs = None if fit is None else fit.labs
    if labs is None or not labs.labs:
        if lab is not None and fit is not None:
            raise OptionError(
                f"lab is {lab!r:.60}, but the set tells no labs apart; it needs two of three batches or more"
            )
        return got, 1.0
    cells = [lab] * len(names) if isinstance(lab, str) else [(lab or {}).get(str(name)) for name in names]
    asked = [labs.place(cell) if cell else 0 for cell in cells]
    times, reach = np.exp(labs.effect[asked]), float(ndtri(0.5 + coverage / 2.0)) * labs.sd[asked]
    low, high = widen_limits(got.colour, got.low, got.high, reach)
    method = np.array([f"{got.method}, as {labs.labs[place]} reports" for place in asked], dtype=object)
    return replace(got, colour=got.colour * times, low=low * times, high=high * times, method=method), times


def read_colours(
    fit: ColourModel,
    cautions: ColourWarnings,
    reflectance: Floats,
    n_pours: Ints,
    coverage: float,
    *,
    nearest: Ints,
    known: Mask,
) -> ColourReadings:
    """Read colours, and say what speaks against them."""
    # reflectance (n, p), n_pours (n,), nearest (n,), known (n,)
    # known: whether the sample may be a beer of the set; the others promise nothing that a route could deny
    found = fit.interval(reflectance, n_pours, coverage)
    low, high = found.low, found.high
    method = f"{found.method}, {POURS if cautions.pours_shown else FILL_TOLERANCE}"
    more: Floats | float = hypot(0.0 if cautions.pours_shown else cautions.path_sd, cautions.transfer_sd)
    if cautions.transfer_sd:
        method = f"{method}, {TRANSFER}"
    if cautions.session_sd is not None:
        more, method = np.hypot(more, cautions.session_sd[nearest]), f"{method}, {SESSIONS}"
    if cautions.session_sd is not None or more:
        # in logarithms, where path and colour add; the parts of the interval add as independent errors
        extra = np.full(found.colour.shape, float(ndtri(0.5 + coverage / 2.0)) * more)
        low, high = widen_limits(found.colour, low, high, extra)
    codes: dict[int, list[str]] = {}
    if cautions.optics is not None:
        # beyond its reach the optical route has no say
        asked = np.flatnonzero(cautions.optics.trusts(found.colour) & known)
        widened = Interval(found.colour[asked], low[asked], high[asked], method, found.normal_errors_assumed)
        for row in rows_that_disagree(cautions.optics, widened, reflectance, asked, coverage).tolist():
            codes.setdefault(row, []).append("routes_disagree")
    for row in np.flatnonzero(cautions.unfit[nearest] & known):
        codes.setdefault(int(row), []).append("colour_not_fit")
    return ColourReadings(found.colour, low, high, method, found.normal_errors_assumed, codes)


READING, NEW_BATCHES = "reading", "new batches"
_NOT_MEASURED = ("regression", "lab")  # of a reading against the lab, no scatter of the readings themselves
# causes of the scatter of pours -> the component that a house knows them by
_OF_CAUSE = {
    "strength": "fill", "lamp": "lamp", "lamp_tilt": "lamp", "white": "cup", "haze": "cup",
    "haze_inside": "cup", "axis_nm": "axis", "shift_nm": "axis",
}  # fmt: skip
ADVICE = {
    "fill": "pour by a class A cylinder or pipette, or weigh; four pours for one halve it",
    "cup": "degas, pour down the wall, wait and look: foam, bubbles and haze differ from pour to pour",
    "noise": "average four times the readouts, or light longer without saturating",
    "lamp": "warm the lamp up, and take a reference each hour and before the samples",
    "axis": "commission the module, and keep its temperature",
    "session": "measure the next batches of the beer in other sessions, beers mixed",
    "regression": "more batches of such beers with lab values: the model misses what they would show",
    "lab": "two or more lab determinations a batch; one lab for all",
    "between batch": "no error: the beer itself; look to malt and brewhouse",
}
_STEP = 0.25  # of a standard deviation, for the slope of the regression
_PRIOR_BATCHES = 4.0  # of the pooled spread between batches, beside a beer's own


def budget_table(fitted: FittedHouse, *, n_pours: int | None = None, lab_sd: float | None = None) -> pd.DataFrame:
    """Return the budget; see `HouseModel.budget`."""
    fit = fitted.colour
    if fit is None:
        raise TooFewBatchesError("the model reads no colour: its set holds too few lab values for a budget")
    fit.check_relative("a budget of uncertainty")
    usual = int(np.clip(round(1.0 / fitted.faults.scatter.per_pour), 1, None))
    pours = usual if n_pours is None else n_pours
    if not (is_number(pours, whole=True) and pours >= 1):
        raise OptionError(f"n_pours is {n_pours!r}; expected a whole number of pours, 1 or more")
    if lab_sd is not None and not (is_number(lab_sd) and 0 < lab_sd < np.inf):
        raise OptionError(f"lab_sd is {lab_sd!r}; expected the standard deviation of one lab colour, above 0")
    spread = _between_batches(fitted, fit)
    rows = []
    for k, beer in enumerate(fitted.beers):
        mean = fitted.faults.beer_means[k]
        colour = float(fit.predict(mean[None])[0])
        lab = None if lab_sd is None else (lab_sd / colour) ** 2
        parts, then = _parts(fitted, fit, mean, colour, pours, lab)
        if fitted.cautions is not None and fitted.cautions.session_sd is not None:
            parts["session"] = float(fitted.cautions.session_sd[k] ** 2)
        total = float(sum(parts.values()))
        measured = sum(parts[name] for name in parts if name not in _NOT_MEASURED)
        between = max(float(spread[k]) - sum(then.values()), 0.1 * float(spread[k]))
        for name, variance in parts.items():
            halved = float(np.sqrt(max(total - 0.75 * variance, 0.0)))
            rows.append((beer, name, colour, variance, variance / total, halved, ADVICE[name]))
        top = max(parts, key=lambda name: parts[name])
        rows.append((beer, READING, colour, total, 1.0, np.nan, f"mostly {top}: {ADVICE[top]}"))
        rows.append((beer, "between batch", colour, between, np.nan, np.nan, ADVICE["between batch"]))
        said = "what readings of new batches of the beer scatter by"
        rows.append((beer, NEW_BATCHES, colour, measured + between, np.nan, np.nan, said))
    columns = ["beer", "component", "colour", "sd", "share", "reading_sd_if_halved", "advice"]
    table = pd.DataFrame(rows, columns=columns).set_index(["beer", "component"])
    table["sd"] = np.sqrt(table["sd"])
    table.insert(2, "sd_in_unit", table["sd"] * table["colour"])
    return table


def _parts(
    fitted: FittedHouse, fit: ColourModel, mean: Floats, colour: float, n_pours: int, lab: float | None
) -> tuple[dict[str, float], dict[str, float]]:
    """Return the variance of log colour that each component adds to a reading of so many pours, and as in the set."""
    faults, scatter = fitted.faults, fitted.faults.scatter
    base, counting = faults.pool(mean[None])[0], replace(faults.noise, misfit=0.0)
    names = CAUSES[: scatter.pour.size - len(scatter.shapes)]
    directions = scatter.directions(base, faults.optics)[: len(names), faults.bins]
    slope = _slopes(fit, mean, directions, np.sqrt(scatter.pour[: len(names)]))
    # channels of one bin share its noise
    channels = np.equal.outer(np.arange(int(faults.bins.max()) + 1), faults.bins).astype(float)
    of_noise = _slopes(fit, mean, channels, np.sqrt(counting.variance(base)))
    now: dict[str, float] = {}
    then: dict[str, float] = {}
    for share, found in ((1.0 / n_pours, now), (scatter.per_pour, then)):
        for name, one, variance in zip(names, slope, scatter.pour, strict=False):
            component = _OF_CAUSE[name]
            found[component] = found.get(component, 0.0) + float(one**2 * variance) * share
        found["noise"] = float(of_noise**2 @ counting.sample_variance(base, 1.0 / share))
    total = float(fit.error.relative_variance(colour))
    # what held-out batches missed by beyond what pours and noise explain
    rest = max(total - sum(then.values()), 0.05 * total)
    if lab is None:
        return {**now, "regression": rest}, then
    own = min(lab, 0.95 * rest)
    return {**now, "regression": rest - own, "lab": own}, then


def _slopes(fit: ColourModel, mean: Floats, directions: Floats, sd: Floats) -> Floats:
    """Return what one unit of each cause changes log colour by."""
    step = _STEP * np.maximum(sd, 1e-6)
    up, down = mean + step[:, None] * directions, mean - step[:, None] * directions
    slopes: Floats = (np.log(fit.predict(up)) - np.log(fit.predict(down))) / (2.0 * step)
    return slopes


def _between_batches(fitted: FittedHouse, fit: ColourModel) -> Floats:
    """Return the variance of log colours read of held-out batches of each beer, drawn to that of all beers."""
    # -> (n_beers,)
    n = len(fitted.beers)
    if fit.held_out_colour.size != fitted.beer_of_batch.size:
        # which beer a batch with a lab colour is of is not kept where others have none: one spread for all
        return np.full(n, float(fitted.faults.scatter.batch[0]))
    beer, y = fitted.beer_of_batch, np.log(fit.held_out_colour)
    count = np.bincount(beer, minlength=n)
    centre = np.bincount(beer, y, minlength=n) / np.maximum(count, 1)
    squares, free = np.bincount(beer, (y - centre[beer]) ** 2, minlength=n), np.maximum(count - 1, 0)
    pooled = float(squares.sum()) / max(float(free.sum()), 1.0)
    own: Floats = (squares + _PRIOR_BATCHES * pooled) / (free + _PRIOR_BATCHES)
    return own
