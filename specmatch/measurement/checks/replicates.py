"""Scans of one pour and pours of one sample that disagree, and which of them is the odd one."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.statistics.levels import mean_by
from specmatch.measurement.checks.check_table import CheckRow, check_table
from specmatch.measurement.checks.pour_deviation import describe_departure, pour_chi_square
from specmatch.measurement.readers.axis import fill_gaps

# Chi-square of four such causes: exceeded by one good pour in 80 000, by one in thousands if their tails are long.
LARGEST_CHI_SQUARE = 28.0
# A house may pour better or worse than that: its own usual deviation counts, within these bounds.
_HOUSE_BOUNDS = (0.7, 2.0)
# median of the smallest of three differences between good pours, and of the only one between two (chi-square, 4 causes)
_MEDIAN_SMALLEST = {2: 3.36, 3: 1.75}
# of more members than this the farthest are set aside at once, not each after a trial of all others
MANY = 12
_DARKEST = 2e-3  # below this reflectance the logarithm tells nothing


def replicate_checks(spectra: pd.DataFrame, scans: pd.DataFrame, *, usable: Mask | None = None) -> pd.DataFrame:
    """Find the scans that disagree with the other scans of their pour, and the pours with those of their sample.

    Each pour is held against the middle of its mates, in units of what good pours differ by. The worst is named and
    set aside until the rest agree; of two that disagree both are named, because nothing tells which is right.
    """
    # spectra (n, p), usable (p,)
    # spectra: reflectance as a fraction, index `scan_id`, columns in nm
    values = spectra.to_numpy(float)
    if usable is None:
        with np.errstate(invalid="ignore"):
            usable = ((values > -0.02) & (values < 1.2)).mean(axis=0) > 0.9
    if not usable.any() or values.shape[0] < 2:
        return check_table([])
    absorbance = -np.log10(np.fmax(fill_gaps(values[:, usable]), _DARKEST))
    nm = spectra.columns.to_numpy(float)[usable]
    table = scans.loc[spectra.index]
    pour_code, pour_names = pd.factorize(table["pour"].to_numpy(dtype=object))
    rows: list[CheckRow] = []
    ids = spectra.index.to_numpy(dtype=object)
    if len(pour_names) < len(ids):
        groups = [np.flatnonzero(pour_code == code) for code in range(len(pour_names))]
        for odd in _odd_members(absorbance, groups, nm):
            sentence = _sentence("scan", ids[odd.member], "pour", pour_names[pour_code[odd.member]], odd)
            rows.append(CheckRow(ids[odd.member], "replicates_disagree", odd.relative, sentence))
    means, _ = mean_by(absorbance, pour_code)
    first_scan = np.full(len(pour_names), -1)
    first_scan[pour_code[::-1]] = np.arange(len(ids))[::-1]
    sample_code, sample_names = pd.factorize(table["sample"].to_numpy(dtype=object)[first_scan])
    order = np.argsort(sample_code, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(sample_code[order])) + 1)
    for odd in _odd_members(means, groups, nm):
        sentence = _sentence("pour", pour_names[odd.member], "sample", sample_names[sample_code[odd.member]], odd)
        of_pour = np.flatnonzero(pour_code == odd.member)
        rows += [CheckRow(ids[k], "replicates_disagree", odd.relative, sentence) for k in of_pour]
    return check_table(rows)


@dataclass(frozen=True)
class _Odd:
    """A member that departs from its mates: by how much, as what, and whether it may be the other one."""

    group: Ints
    member: int
    relative: float
    cause: str
    paired: bool


def _middles(absorbance: Floats, groups: Ints) -> Floats:
    """Median of the mates of each member, shape (number of groups * size, p); all groups of one size."""
    size = groups.shape[1]
    members = absorbance[groups]
    # the median of one or two mates is their mean
    few = size <= 3
    middle = (members.sum(axis=1, keepdims=True) - members) / (size - 1) if few else _medians_of_others(members)
    return middle.reshape(-1, absorbance.shape[1])


def _odd_members(absorbance: Floats, groups: list[Ints], nm: Floats) -> list[_Odd]:
    """Name the members that depart from their mates."""
    by_size: dict[int, list[Ints]] = {}
    for group in groups:
        if group.size > 1:
            by_size.setdefault(group.size, []).append(group)
    limit = LARGEST_CHI_SQUARE * _house_factor(absorbance, by_size, nm)
    found = []
    for size, same in by_size.items():
        table = np.array(same)
        own = absorbance[table.ravel()]
        worst = pour_chi_square(own, _middles(absorbance, table), nm, size - 1).reshape(-1, size).max(axis=1)
        for group in table[worst > limit]:
            found += _name_odd(absorbance, group, limit, nm)
    return found


def _medians_of_others(members: Floats) -> Floats:
    """Median of all other members for each, shape of `members`; axis 1 counts the members, four or more."""
    size = members.shape[1]
    order = np.argsort(members, axis=1, kind="stable")
    place = np.empty_like(order)
    np.put_along_axis(place, order, np.broadcast_to(np.arange(size)[None, :, None], order.shape), axis=1)
    ranked = np.take_along_axis(members, order, axis=1)
    # without one member the ranks above it move down by one
    low, high = (size - 2) // 2, (size - 1) // 2
    below = np.where(place <= low, ranked[:, low + 1 : low + 2], ranked[:, low : low + 1])
    above = np.where(place <= high, ranked[:, high + 1 : high + 2], ranked[:, high : high + 1])
    middle: Floats = (below + above) / 2.0
    return middle


def _name_odd(absorbance: Floats, group: Ints, limit: float, nm: Floats) -> list[_Odd]:
    """Set aside members of one group, each the one without which the others agree best, until the rest agree."""
    found, left = _far_from_many(absorbance, group, limit, nm)
    while left.size > 1 and _largest(absorbance[left], nm) > limit:
        paired = left.size == 2
        without = [np.delete(left, k) for k in range(left.size)]
        rest = [0.0 if paired else _largest(absorbance[members], nm) for members in without]
        for k in range(2) if paired else [int(np.argmin(rest))]:
            middle = np.median(absorbance[without[k]], axis=0)
            found.append(_Odd(group, int(left[k]), *describe_departure(absorbance[left[k]], middle, nm), paired))
        left = without[int(np.argmin(rest))]
    return found


def _far_from_many(absorbance: Floats, group: Ints, limit: float, nm: Floats) -> tuple[list[_Odd], Ints]:
    """Set aside the farthest of a large group, some at a time, until few are left; the time grows with their number."""
    found: list[_Odd] = []
    left = group
    while left.size > MANY:
        members = absorbance[left]
        middles = _middles(members, np.arange(left.size)[None, :])
        chi_square = pour_chi_square(members, middles, nm, left.size - 1)
        far = np.flatnonzero(chi_square > limit)
        if not far.size:
            break
        most = max(1, min(left.size // 8, left.size - MANY))
        far = far[np.argsort(-chi_square[far], kind="stable")][:most]
        found += [_Odd(group, int(left[k]), *describe_departure(members[k], middles[k], nm), False) for k in far]
        left = np.delete(left, far)
    return found, left


def _largest(members: Floats, nm: Floats) -> float:
    """Return how far the worst of a group departs from its mates."""
    every = np.arange(len(members))[None, :]
    return float(pour_chi_square(members, _middles(members, every), nm, len(members) - 1).max())


def _house_factor(absorbance: Floats, by_size: dict[int, list[Ints]], nm: Floats) -> float:
    """Return the house's own usual chi-square over the expected one, from the mates that agree best in each group."""
    ratios = []
    for size, expected in _MEDIAN_SMALLEST.items():
        table = np.array(by_size.get(size, np.empty((0, size), int)))
        pairs = [(a, b) for a in range(size) for b in range(a)]
        chi = [pour_chi_square(absorbance[table[:, a]], absorbance[table[:, b]], nm, 1) for a, b in pairs]
        ratios.append(np.min(chi, axis=0) / expected)
    every = np.concatenate(ratios)
    return float(np.clip(np.median(every), *_HOUSE_BOUNDS)) if every.size >= 8 else 1.0


def _sentence(level: str, name: object, parent_level: str, parent: object, odd: _Odd) -> str:
    how = "absorbs less than" if odd.relative < 0 else "absorbs more than"
    n = odd.group.size
    mates = "the other" if n == 2 or odd.paired else f"the {n - 1} others"
    said = f"{level} {name!s} of {parent_level} {parent!s} {how} {mates} by {abs(odd.relative):.1%}"
    if odd.paired:
        return f"{said}, like {odd.cause}; nothing tells which of the two is right: pour again"
    return f"{said}, like {odd.cause}: pour again"
