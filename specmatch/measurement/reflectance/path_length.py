"""Depth of the beer in the cup: what sheets say of it, the depth of a set, and scans brought from one to another."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.colour.double_pass import CUP_TOLERANCE_MM, FILL_TOLERANCE_ML
from specmatch.errors import TableError
from specmatch.maths.optics.path_law import Pairs, PathLaw, learn_path_law, textbook_law
from specmatch.maths.spectra.noise import fit_light_noise
from specmatch.maths.statistics.levels import mean_by

NO_FILL = "fill_ml is not stated"

# beyond a factor of two the law of a cup is extrapolated from too little light
LARGEST_RATIO = 2.0
# fillings written with other rounding
SAME_DEPTH = 1e-3
# fillings that are weighed differ a little each: those within this share of each other are one kind of filling
ONE_KIND = 0.02
FARTHEST = np.log(LARGEST_RATIO) + SAME_DEPTH
# a set is used to a filling that so many times the scans of the commonest have; fewer may only teach the law
USUAL = 0.5


def filling_depth_mm(fill_ml: Floats, cup_mm: Floats) -> Floats:
    """Return the depth of fillings in round cups."""
    # fill_ml (n,), cup_mm (n,) -> (n,)
    # fill_ml: volume, mL, > 0, or NaN
    # cup_mm: inner diameter, mm, > 0, or NaN
    return fill_ml * 1000.0 / (np.pi / 4.0 * cup_mm**2)


@dataclass(frozen=True)
class SetDepth:
    """The filling at which a set stands."""

    fill_ml: float
    cup_mm: float  # NaN where no inner diameter is stated: then all scans are of one cup
    fill_sd_ml: float  # standard uncertainty of a volume
    cups: tuple[str, ...]  # cups, cups_mm: names of the set's cups and their inner diameters, NaN where not stated
    cups_mm: tuple[float, ...]

    @cached_property
    def said(self) -> str:
        """The depth in words."""
        if np.isnan(self.cup_mm):
            return f"{self.fill_ml:g} mL in the cup of the set"
        depth = filling_depth_mm(np.array([self.fill_ml]), np.array([self.cup_mm]))[0]
        return f"{depth:.2f} mm ({self.fill_ml:g} mL in {self.cup_mm:g} mm)"


@dataclass(frozen=True)
class Fillings:
    """How scans stand to the depth of a set."""

    factor: Floats  # (n,): depth of the set over the scan's own, NaN where that is not known
    path_sd: Floats  # (n,): relative standard uncertainty of it; 0 where both are one filling of one cup
    unknown: dict[int, str]  # row -> what is not stated

    @property
    def out_of_range(self) -> Mask:
        """Scans, shape (n,), too far from the set's depth."""
        # the tolerance keeps 5 mL for 10 mL from falling out by rounding
        return np.asarray(np.abs(np.log(self.factor)) > FARTHEST)

    @property
    def elsewhere(self) -> Mask:
        """Scans, shape (n,), known to be at another depth than the set."""
        return np.asarray(np.abs(self.factor - 1.0) > SAME_DEPTH)


def depth_of_set(scans: pd.DataFrame) -> SetDepth | None:
    """Return the filling a set is to stand at, the deepest of those it is used to; None where none is stated."""
    # a deep pour of dark beer cannot be brought to a smaller depth for want of light; the other way nothing is lacking
    fill, cup, cup_mm = _columns(scans)
    if np.isnan(fill).all():
        return None
    in_mm = bool(np.isfinite(cup_mm[np.isfinite(fill)]).any())
    depth = filling_depth_mm(fill, cup_mm) if in_mm else fill
    known = np.flatnonzero(np.isfinite(depth))
    if known.size == 0:
        return None
    order = known[np.argsort(depth[known], kind="stable")]
    # a new kind begins where a depth stands clearly above the first of its kind
    kinds, first = np.zeros(order.size, int), depth[order[0]]
    for at in range(1, order.size):
        new = depth[order[at]] > first * (1.0 + ONE_KIND)
        first = depth[order[at]] if new else first
        kinds[at] = kinds[at - 1] + new
    counts, log_depth = np.bincount(kinds), np.log(depth[order])
    usual = np.flatnonzero(counts >= USUAL * counts.max())
    # how many scans can be brought there
    near = [(np.abs(log_depth - np.median(log_depth[kinds == k])) <= FARTHEST).sum() for k in usual]
    own = order[kinds == max(zip(near, usual, strict=True))[1]]
    middle = int(own[(own.size - 1) // 2])
    names = tuple(dict.fromkeys(str(name) for name in cup if name))
    if not in_mm and len(names) > 1:
        # of cups without a size only one can be compared with itself
        held = [cup[row] for row in own if cup[row]]
        names = (max(dict.fromkeys(held), key=held.count),) if held else ()
    sizes = tuple(float(cup_mm[[n == name for n in cup]][0]) for name in names)
    sd = _fill_sd(scans)[own]
    return SetDepth(float(fill[middle]), float(cup_mm[middle]) if in_mm else np.nan, float(np.median(sd)), names, sizes)


def fillings(scans: pd.DataFrame, depth: SetDepth) -> Fillings:
    """Hold the fillings of scans against the depth of a set."""
    fill, cup, cup_mm = _columns(scans, dict(zip(depth.cups, depth.cups_mm, strict=True)))
    no_fill = np.isnan(fill)
    if np.isnan(depth.cup_mm):
        other = np.array([bool(name) and bool(depth.cups) and name not in depth.cups for name in cup], bool)
        factor = np.where(other, np.nan, depth.fill_ml / fill)
        cup_mm, no_cup, one_cup = np.full(fill.size, np.nan), other, np.ones(fill.size, bool)
    else:
        # a cup without a name and a size is taken for the set's
        nameless = np.array([not name for name in cup], bool) & np.isnan(cup_mm)
        cup_mm = np.where(nameless, depth.cup_mm, cup_mm)
        no_cup = np.isnan(cup_mm)
        factor = depth.fill_ml / fill * (cup_mm / depth.cup_mm) ** 2
        one_cup = np.abs(cup_mm / depth.cup_mm - 1.0) <= SAME_DEPTH
    sd = _fill_sd(scans)
    parts = (sd / fill) ** 2 + (depth.fill_sd_ml / depth.fill_ml) ** 2
    cups = 4.0 / 3.0 * CUP_TOLERANCE_MM**2 * (1.0 / cup_mm**2 + 1.0 / depth.cup_mm**2)
    # the set's own filling: how it scatters was learnt with the set
    same = one_cup & (np.abs(fill / depth.fill_ml - 1.0) <= SAME_DEPTH) & (sd <= depth.fill_sd_ml)
    path_sd = np.where(same | ~np.isfinite(factor), 0.0, np.sqrt(parts + np.where(one_cup, 0.0, cups)))
    unknown = {
        int(i): NO_FILL if no_fill[i] else f"the inner diameter of cup {cup[i]!r} is not stated"
        for i in np.flatnonzero(no_fill | no_cup)
    }
    return Fillings(factor, path_sd, unknown)


def unfit_for_one_depth(scans: pd.DataFrame, depth: SetDepth | None) -> dict[int, str]:
    """Say which scans of a set of several fillings cannot be brought to its depth, and why."""
    if depth is None:
        return {}
    found = fillings(scans, depth)
    times = 1.0 / found.factor
    far = {
        int(i): f"{times[i]:.2f} times the set's depth of {depth.said}, too far apart to compare; pour again"
        for i in np.flatnonzero(found.out_of_range)
    }
    if not found.elsewhere.any():
        return far  # one filling is stated and no other: the blanks mean the same
    why = "and other scans have another filling or cup; fill it in scans.csv"
    return far | {i: f"{lacking} {why}" for i, lacking in found.unknown.items()}


@dataclass(frozen=True)
class OneDepth:
    """Pours of a set at one depth."""

    reflectance: Floats  # (n, p)
    # (n,): pours near the set's depth, and those of batches that have none there; the others only teach the law
    kept: Mask
    law: PathLaw


def bring_pours(
    reflectance: Floats,
    factor: Floats,
    batch: Ints,
    colour_ebc: Floats,
    wavelength_nm: Floats,
    law: PathLaw | None = None,
) -> OneDepth:
    """Learn the law of a set's cup and base, where it is not given, and bring its pours to one depth by it."""
    # reflectance (n, p), factor (n,), batch (n,), colour_ebc (K,)
    factor = np.where(np.isfinite(factor), factor, 1.0)
    near = np.abs(np.log(factor)) <= TEACHES
    kept = near | ~(np.bincount(batch[near], minlength=colour_ebc.size) > 0)[batch]
    if law is None:
        # fillings of a kind differ by what weighing shows: so near the textbook law serves
        close = textbook_law().to_depth(reflectance[near], factor[near])
        batches, code = np.unique(batch[near], return_inverse=True)
        means = mean_by(close, code)[0]
        pairs = _pairs(reflectance, factor, batch, near, dict(zip(batches.tolist(), means, strict=True)))
        light = fit_light_noise(close, code, wavelength_nm=wavelength_nm).light
        law = learn_path_law(means, colour_ebc[batches], wavelength_nm, pairs, light)
    out, moved = reflectance.copy(), np.abs(factor - 1.0) > SAME_DEPTH
    out[moved] = law.to_depth(reflectance[moved], factor[moved])
    return OneDepth(out, kept, law)


# depths nearer than this to the set's own teach nothing of a law
TEACHES = 0.10


def _pairs(reflectance: Floats, factor: Floats, batch: Ints, near: Mask, means: dict[int, Floats]) -> Pairs | None:
    far = ~near & (np.abs(np.log(factor)) <= FARTHEST)
    found = []
    for code in (code for code in np.unique(batch[far]) if code in means):
        own, n_near = far & (batch == code), int((near & (batch == code)).sum())
        for ratio in np.unique(np.round(factor[own], 2)):
            other = np.flatnonzero(own & (np.abs(factor - ratio) <= 0.005 + SAME_DEPTH))
            found.append((means[code], reflectance[other].mean(axis=0), factor[other].mean(), n_near, other.size))
    if not found:
        return None
    at_set, at_second, ratios, n_set, n_second = map(np.array, zip(*found, strict=True))
    return Pairs(at_set, at_second, ratios, n_set, n_second)


def brought_to(
    table: pd.DataFrame, scans: pd.DataFrame, wanted_mm: float
) -> tuple[pd.DataFrame, pd.DataFrame, list[tuple[str, str]], dict[str, str]]:
    """Bring scans to a wanted depth by the textbook law and state it as their filling."""
    # -> spectra and rows that are left, notes, and why the others could not be brought
    # table (n, p) -> (m, p)
    fill, _, cup_mm = _columns(scans)
    factor = wanted_mm / filling_depth_mm(fill, cup_mm)
    ids = table.index.astype(str)
    unfit = {
        ids[i]: f"{'fill_ml' if np.isnan(fill[i]) else 'cup_mm'} is not stated; fill it in scans.csv"
        for i in np.flatnonzero(np.isnan(factor))
    }
    far = np.abs(np.log(factor)) > FARTHEST
    for i in np.flatnonzero(far):
        unfit[ids[i]] = (
            f"{wanted_mm / factor[i]:.2f} mm of beer where {wanted_mm:.2f} mm are wanted, too far apart; pour again"
        )
    kept = np.isfinite(factor) & ~far
    values = textbook_law().to_depth(table.to_numpy(float)[kept], factor[kept])
    notes = [
        (ids[i], f"absorbance brought from {wanted_mm / factor[i]:.2f} to {wanted_mm:.2f} mm of beer, fill_ml with it")
        for i in np.flatnonzero(kept & (np.abs(factor - 1.0) > SAME_DEPTH))
    ]
    rows = scans[kept].assign(fill_ml=(fill * factor)[kept])
    return pd.DataFrame(values, index=table.index[kept], columns=table.columns), rows, notes, unfit


def at_one_depth(table: pd.DataFrame, scans: pd.DataFrame) -> pd.DataFrame:
    """Bring scans roughly to their commonest depth, as far as it is known: enough to hold pours against their mates."""
    depth = depth_of_set(scans)
    if depth is None:
        return table
    factor = fillings(scans, depth).factor
    factor = np.where(np.isfinite(factor), factor, 1.0)
    if (np.abs(factor - 1.0) <= SAME_DEPTH).all():
        return table
    values = textbook_law().to_depth(table.to_numpy(float), factor)
    return pd.DataFrame(values, index=table.index, columns=table.columns)


def one_depth_mm(scans: pd.DataFrame) -> float | None:
    """Return the depth at which all scans stand, mm; None where they differ or it is not known."""
    depth = depth_of_set(scans)
    if depth is None or np.isnan(depth.cup_mm):
        return None
    found = fillings(scans, depth)
    if found.elsewhere.any() or len(found.unknown) == len(scans):
        return None
    return float(filling_depth_mm(np.array([depth.fill_ml]), np.array([depth.cup_mm]))[0])


def _columns(
    scans: pd.DataFrame, sizes: Mapping[str, float] = MappingProxyType({})
) -> tuple[Floats, list[str], Floats]:
    """Return volume, name of the cup and its diameter, that which others of its name (or `sizes`) have where blank."""

    def numbers(name: str) -> Floats:
        if name not in scans:
            return np.full(len(scans), np.nan)
        values = pd.to_numeric(scans[name], errors="coerce").to_numpy(dtype=np.float64)
        wrong = ~((values > 0) & np.isfinite(values)) & (scans[name].notna() & (scans[name] != "")).to_numpy()
        if wrong.any():
            at, cell = scans.index[wrong][0], scans[name][wrong].iloc[0]
            raise TableError(f"scan {at!r} has the {name} {cell!r}; expected a number above 0, or nothing")
        return values

    cups = [""] * len(scans)
    if "cup" in scans:
        code, names = pd.factorize(scans["cup"])  # a blank has the code -1, the last of the names
        cups = np.array([*(str(name).strip() for name in names), ""], dtype=object)[code].tolist()
    return numbers("fill_ml"), cups, _of_names(cups, numbers("cup_mm"), sizes)


def _of_names(cup: list[str], cup_mm: Floats, known: Mapping[str, float]) -> Floats:
    """Give scans of a named cup the inner diameter that others of that name have."""
    out = cup_mm.copy()
    names = np.array(cup, dtype=object)
    for name in dict.fromkeys(cup):
        own = names == name
        sizes = np.unique(out[own & np.isfinite(out)])
        if sizes.size == 0 and np.isfinite(known.get(name, np.nan)):
            sizes = np.array([known[name]])
        if sizes.size == 1:
            out[own] = np.where(np.isnan(out[own]), sizes[0], out[own])
    return out


def _fill_sd(scans: pd.DataFrame) -> Floats:
    """Standard uncertainty of each volume: the one stated, or that of the cylinder's class (JCGM 100:2008, 4.3.7)."""
    usual = FILL_TOLERANCE_ML / np.sqrt(3.0)
    if "fill_sd_ml" not in scans:
        return np.full(len(scans), usual)
    stated = pd.to_numeric(scans["fill_sd_ml"], errors="coerce").to_numpy(dtype=np.float64)
    return np.where(np.isfinite(stated), stated, usual)
