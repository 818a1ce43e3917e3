"""Scans of one pour and pours of one sample that disagree, and which of them is the odd one."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.maths.statistics import mean_by
from specmatch.measurement.axis import fill_gaps
from specmatch.measurement.check_table import CheckRow, check_table

Floats = NDArray[np.float64]

# What good pours differ by, one standard deviation each: 1.2 % of path (a 10 mL cylinder is good to 1-2 %, ASTM E1272),
# 0.6 % of lamp, foam over 0.2 % of the cup, 0.5 % of light sent back by haze; and 0.2 % of noise in reflectance.
_USUAL = np.array([0.012, 0.006, 0.002, 0.005])
_NOISE = 0.002
# White foam over a base that reflects about half: this times the reference.
_FOAM_LEVEL = 1.2
# Chi-square of four such causes: exceeded by one good pour in 80 000, by one in thousands if their tails are long.
LARGEST_CHI_SQUARE = 28.0
# A house may pour better or worse than that: its own usual deviation counts, within these bounds.
_HOUSE_BOUNDS = (0.7, 2.0)
# median of the smallest of three differences between good pours, and of the only one between two (chi-square, 4 causes)
_MEDIAN_SMALLEST = {2: 3.36, 3: 1.79}
_DARKEST = 2e-3  # below this reflectance the logarithm tells nothing


def replicate_checks(
    spectra: pd.DataFrame, scans: pd.DataFrame, *, usable: NDArray[np.bool_] | None = None
) -> pd.DataFrame:
    """Find the scans that disagree with the other scans of their pour, and the pours with those of their sample.

    Parameters
    ----------
    spectra : DataFrame, shape (n, p)
        Reflectance as a fraction, index `scan_id`, columns in nm.
    scans : DataFrame
        The same index: `pour` and `sample`.
    usable : ndarray of bool, shape (p,), optional
        Channels to compare; by default those in which no scan is far below 0 or above 1.

    Returns
    -------
    DataFrame
        Columns `scan_id, code, size, sentence`; `size` is the relative difference in absorbance, signed: below 0 for
        a scan that is paler than its mates.

    Notes
    -----
    Each pour is held against the middle of its mates, in units of what good pours differ by. The worst is named and
    set aside until the rest agree; of two that disagree both are named, because nothing tells which is right.

    Examples
    --------
    >>> R = pd.DataFrame([[0.50, 0.70], [0.50, 0.70], [0.60, 0.78]], index=["a", "b", "c"], columns=[450.0, 550.0])
    >>> replicate_checks(R, pd.DataFrame({"pour": ["a", "b", "c"], "sample": "s"}, index=R.index))["scan_id"].tolist()
    ['c']
    """
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

    group: NDArray[np.int64]
    member: int
    relative: float
    cause: str
    paired: bool


def _causes(middle: Floats, nm: Floats) -> Floats:
    """Change of absorbance for a unit of path, lamp, foam and haze, shape (4, p)."""
    reflectance = 10.0**-middle
    per_return = -1.0 / (np.log(10.0) * reflectance)
    return np.stack([
        middle,
        np.full(middle.size, -1.0 / np.log(10.0)),
        per_return * (_FOAM_LEVEL - reflectance),
        per_return * (550.0 / nm) ** 2 * (1.0 - np.fmin(reflectance, 1.0)),
    ])  # fmt: skip


def _deviation(own: Floats, mates: Floats, nm: Floats) -> tuple[float, float, str]:
    """Return chi-square of the usual causes, relative change of absorbance, and the cause that explains most."""
    middle = np.median(mates, axis=0)
    apart = own - middle
    more = 1.0 + 1.0 / mates.shape[0]
    causes = _causes(middle, nm)
    weight = 1.0 / (more * ((_NOISE / 10.0**-middle) ** 2 + _NOISE**2))
    prior = np.diag(more * _USUAL**2)
    # the part of the departure that lies along the causes, in units of its own covariance (noise and usual sizes)
    gram = (causes * weight) @ causes.T
    shrink = np.linalg.inv(np.eye(4) + gram @ prior)
    along = shrink @ ((causes * weight) @ apart)
    chi_square = float(along @ np.linalg.pinv(shrink @ gram, rcond=1e-10) @ along)
    absorbing = middle >= min(0.1, float(np.median(middle)))
    relative = float(np.median(apart[absorbing] / np.fmax(middle[absorbing], 0.02)))
    if chi_square <= 1.0:
        return chi_square, relative, ""
    alone = ((causes * weight) @ apart) / np.fmax(np.diag(gram), 1e-300)
    left = [float(np.sum(weight * (apart - size * cause) ** 2)) for size, cause in zip(alone, causes, strict=True)]
    best = int(np.argmin(left))
    return chi_square, relative, _say_cause(best, float(alone[best]))


def _say_cause(cause: int, size: float) -> str:
    if cause == 0:
        return f"{abs(size):.0%} {'more' if size > 0 else 'less'} beer in the cup than the others"
    if cause == 1:
        return f"{abs(size):.0%} {'more' if size > 0 else 'less'} light of the lamp"
    if cause == 2:
        return f"foam or bubbles over {size:.1%} of the cup" if size > 0 else "less foam than in the others"
    return f"haze that sends back {size:.1%}" if size > 0 else "less haze than in the others"


def _odd_members(absorbance: Floats, groups: list[NDArray[np.int64]], nm: Floats) -> list[_Odd]:
    """Name the members that depart from their mates."""
    groups = [group for group in groups if group.size > 1]
    limit = LARGEST_CHI_SQUARE * _house_factor(absorbance, groups, nm)
    found = []
    for group in groups:
        left = group
        while left.size > 1:
            deviations = {int(k): _deviation(absorbance[k], absorbance[left[left != k]], nm) for k in left}
            if max(size for size, _, _ in deviations.values()) <= limit:
                break
            if left.size == 2:
                found += [_Odd(group, k, relative, cause, True) for k, (_, relative, cause) in deviations.items()]
                break
            odd = min(deviations, key=lambda k: _largest(absorbance[left[left != k]], nm))
            found.append(_Odd(group, odd, *deviations[odd][1:], False))
            left = left[left != odd]
    return found


def _largest(members: Floats, nm: Floats) -> float:
    """Return how far the worst of a group departs from its mates."""
    sizes = [_deviation(members[k], np.delete(members, k, axis=0), nm)[0] for k in range(members.shape[0])]
    return max(sizes)


def _house_factor(absorbance: Floats, groups: list[NDArray[np.int64]], nm: Floats) -> float:
    """Return the house's own usual chi-square over the expected one, from the mates that agree best in each group."""
    ratios = []
    for group in groups:
        if group.size <= 3:
            pairs = [(group[a], group[b]) for a in range(group.size) for b in range(a)]
            smallest = min(_deviation(absorbance[a], absorbance[[b]], nm)[0] for a, b in pairs)
            ratios.append(smallest / _MEDIAN_SMALLEST[group.size])
    if len(ratios) < 8:
        return 1.0
    return float(np.clip(np.median(ratios), *_HOUSE_BOUNDS))


def _sentence(level: str, name: object, parent_level: str, parent: object, odd: _Odd) -> str:
    how = "absorbs less than" if odd.relative < 0 else "absorbs more than"
    n = odd.group.size
    mates = "the other" if n == 2 or odd.paired else f"the {n - 1} others"
    said = f"{level} {name!s} of {parent_level} {parent!s} {how} {mates} by {abs(odd.relative):.1%}"
    if odd.paired:
        return f"{said}, like {odd.cause}; nothing tells which of the two is right: pour again"
    return f"{said}, like {odd.cause}: pour again"
