"""Scans of one pour and pours of one sample that disagree, and which of them is the odd one."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.measurement.check_table import CheckRow, check_table

Floats = NDArray[np.float64]

# What good pours differ by: 1.5 % of absorbance (a 10 mL cylinder is good to 1-2 %; ASTM E1272), 0.004 in absorbance
# from the lamp, and 0.0035 in reflectance from haze and a trace of foam.
POUR_SHARE, LAMP_ABSORBANCE, RETURN_REFLECTANCE = 0.015, 0.004, 0.0035
# Four such deviations: one false alarm in some ten thousand good pours.
LARGEST_DEVIATION = 4.0
# A house may pour better or worse than that: its own usual deviation counts, within these bounds.
_HOUSE_BOUNDS = (0.6, 2.0)
# the median size of a good pour, which differs from the middle of two others by sqrt(3/2) standard deviations
_MEDIAN_GOOD = 0.67 * 1.5**0.5
_DARKEST = 1e-3  # below this reflectance the logarithm tells nothing


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
    absorbance = -np.log10(np.fmax(values[:, usable], _DARKEST))
    table = scans.loc[spectra.index]
    pour_code, pour_names = pd.factorize(table["pour"].to_numpy(dtype=object))
    rows: list[CheckRow] = []
    ids = spectra.index.to_numpy(dtype=object)
    if len(pour_names) < len(ids):
        groups = [np.flatnonzero(pour_code == code) for code in range(len(pour_names))]
        for members, odd, size, paired in _odd_members(absorbance, groups):
            name = pour_names[pour_code[members[0]]]
            rows.append(
                CheckRow(
                    ids[odd],
                    "replicates_disagree",
                    size,
                    _sentence("scan", ids[odd], "pour", name, len(members), size, paired),
                )
            )
    counts = np.bincount(pour_code)
    means = np.zeros((len(pour_names), absorbance.shape[1]))
    np.add.at(means, pour_code, absorbance)
    means /= counts[:, None]
    first_scan = np.full(len(pour_names), -1)
    first_scan[pour_code[::-1]] = np.arange(len(ids))[::-1]
    sample_code, sample_names = pd.factorize(table["sample"].to_numpy(dtype=object)[first_scan])
    order = np.argsort(sample_code, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(sample_code[order])) + 1)
    for members, odd, size, paired in _odd_members(means, groups):
        name = sample_names[sample_code[members[0]]]
        sentence = _sentence("pour", pour_names[odd], "sample", name, len(members), size, paired)
        rows += [CheckRow(ids[k], "replicates_disagree", size, sentence) for k in np.flatnonzero(pour_code == odd)]
    return check_table(rows)


def _expected(absorbance: Floats) -> Floats:
    """Standard deviation of absorbance between good pours."""
    haze = RETURN_REFLECTANCE * 10.0**absorbance / np.log(10.0)
    return np.sqrt((POUR_SHARE * absorbance) ** 2 + LAMP_ABSORBANCE**2 + haze**2)


def _deviation(own: Floats, mates: Floats) -> tuple[float, float]:
    """Return by how much one member departs from the middle of its mates: in usual deviations, and relative."""
    middle = np.median(mates, axis=0)
    apart = own - middle
    there = np.isfinite(apart)
    if not there.any():
        return 0.0, 0.0
    apart, middle = apart[there], middle[there]
    absorbing = middle >= min(0.1, float(np.median(middle)))
    relative = float(np.median(apart[absorbing] / np.fmax(middle[absorbing], 0.02)))
    return float(np.median(np.abs(apart) / _expected(middle))), relative


def _odd_members(
    absorbance: Floats, groups: list[NDArray[np.int64]]
) -> list[tuple[NDArray[np.int64], int, float, bool]]:
    """Return (group, odd member, relative difference, whether it is one of two that only disagree with each other)."""
    groups = [group for group in groups if group.size > 1]
    found = []
    first = {
        tuple(group): [_deviation(absorbance[k], absorbance[group[group != k]]) for k in group] for group in groups
    }
    sizes = np.array([size for deviations in first.values() for size, _ in deviations])
    usual = 1.0
    if sizes.size >= 12:
        usual = float(np.clip(np.median(sizes) / _MEDIAN_GOOD, *_HOUSE_BOUNDS))
    for group in groups:
        left, deviations = group, first[tuple(group)]
        while left.size > 1:
            worst = int(np.argmax([size for size, _ in deviations]))
            if deviations[worst][0] <= LARGEST_DEVIATION * usual:
                break
            if left.size == 2:
                found += [(group, int(k), deviations[j][1], True) for j, k in enumerate(left)]
                break
            found.append((group, int(left[worst]), deviations[worst][1], False))
            left = np.delete(left, worst)
            deviations = [_deviation(absorbance[k], absorbance[left[left != k]]) for k in left]
    return found


def _sentence(level: str, name: object, parent_level: str, parent: object, n: int, size: float, paired: bool) -> str:
    how = "absorbs less than" if size < 0 else "absorbs more than"
    likely = "foam, bubbles or too little beer" if size < 0 else "too much beer, or a cup not rinsed"
    mates = "the other" if n == 2 or paired else f"the {n - 1} others"
    which = "; nothing tells which of the two is right, pour again" if paired else f": {likely}; pour again"
    return f"{level} {name!s} of {parent_level} {parent!s} {how} {mates} by {abs(size):.1%}{which}"
