"""Lab colours in the other unit than is said: a factor of 1.97 between EBC and SRM, held against the spectra."""

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.array_types import Floats, Mask
from specmatch.colour import ebc_from_srm
from specmatch.reference.audit.finding import Finding, found
from specmatch.reference.tables.pours import Pours

# EBC is 1.97 SRM (ASBC Beer-10 and EBC 9.6, factor 25 over 12.7): on a log scale a shift that no beer's scatter has
LOG_FACTOR = float(np.log(ebc_from_srm(1.0)))
# EBC 9.6: colour is 25 times the absorbance of 1 cm at 430 nm
EBC_OF_A430 = 25.0
# bands whose absorbance tells colour to 3-13 % over the tuning houses, nm; the first starts where there is light
_BLUE_NM, _BLUE_WIDTH_NM, _OTHERS_NM = 430.0, 15.0, ((500.0, 540.0), (600.0, 640.0))
# the shift must stand so many scatters out, and a batch that far from where it stands and near where it would
LARGEST_SCATTER, LEAST_T, FITTING_T = LOG_FACTOR / 5.0, 4.5, 3.0
FEWEST = 12
# the part of who is off that the bands do not tell: a line that bends at one end of the colours looks like a factor
LEAST_APART = 0.5
# a lab is named as a whole where nearly all of its batches are off, and they are several
LAB_SHARE, FEWEST_OF_A_LAB = 0.8, 3
# lab colour over 25 A430 / path is 0.617 to 1.24 over the tuning houses, whose cups and bases differ
LOWEST_RATIO, HIGHEST_RATIO = 0.61, 1.5
# where absorbance is neither noise nor drowned in stray light
_TRUSTED_A = (0.15, 1.0)
FEWEST_FOR_DEPTH = 6
COMMON_FACTOR = (
    "fill_ml and cup_mm are not recorded (or no beer is pale enough), so a factor common to all lab colours, such as "
    "SRM said to be EBC, cannot be told"
)
_ITERATIONS, _STARTS = 30, 8


def unit_findings(
    pours: Pours, lab_colour: Floats, labs: NDArray[np.str_], scans: pd.DataFrame, colour_unit: str
) -> tuple[list[Finding], bool]:
    """Return `unit_doubtful` findings, and whether a factor common to the whole set could be told."""
    # lab_colour, labs (n_batches,)
    rows = np.flatnonzero(np.isfinite(lab_colour))
    names = np.array(pours.batch_names, dtype=object)
    absorbance = -np.log10(np.clip(pours.batch_means(), 1e-3, None))
    ratio = _absolute(pours, absorbance, lab_colour, scans, colour_unit)
    told = int(np.isfinite(ratio).sum()) >= FEWEST_FOR_DEPTH
    higher = np.zeros(lab_colour.size, dtype=bool)
    if rows.size >= FEWEST:
        higher[rows] = _split(
            _design(absorbance[rows], pours.wavelength_nm), np.log(lab_colour[rows]), pours.levels.beer[rows]
        )
    wrong, off = _wrong_group(higher, rows, ratio, told, colour_unit)
    if told and not wrong.any():
        level = float(np.nanmedian(ratio))
        if not LOWEST_RATIO <= level <= HIGHEST_RATIO:
            return [_of_the_set(level, int(np.isfinite(ratio).sum()), colour_unit)], True
    return list(_of_batches(names, wrong, labs, rows, off, colour_unit)), told


def _design(absorbance: Floats, nm: Floats) -> Floats:
    start = max(_BLUE_NM, float(nm[0]))
    bands = [(start, start + _BLUE_WIDTH_NM), *_OTHERS_NM]
    inside = [(nm >= low) & (nm <= high) for low, high in bands]
    x = [np.log(np.clip(absorbance[:, where].mean(axis=1), 1e-3, None)) for where in inside if where.any()]
    return np.column_stack([np.ones(len(absorbance)), *x, x[0] ** 2])


def _split(design: Floats, log_colour: Floats, beer: NDArray[np.int64]) -> Mask:
    """Return which batches stand a factor of 1.97 above the others on the spectra; none where all are of one unit."""
    # design (m, k), log_colour (m,), beer (m,) -> (m,)
    m, k = design.shape
    nobody = np.zeros(m, dtype=bool)
    if m <= 2 * k:
        return nobody
    rng = np.random.default_rng(0)
    rest = log_colour - design[:, 1]
    gapped = nobody.copy()
    for code in np.unique(beer):
        own = beer == code
        if np.ptp(rest[own]) > 0.66 * LOG_FACTOR:
            gapped[own] = rest[own] > (rest[own].min() + rest[own].max()) / 2.0
    usual = _robust_residual(design, log_colour)
    starts: list[Mask] = [nobody, gapped, usual > LOG_FACTOR / 2.0, usual > -LOG_FACTOR / 2.0]
    starts += [np.asarray(rng.random(m) < 0.5) for _ in range(_STARTS)]
    higher, square = min((_settle(design, log_colour, start) for start in starts), key=lambda pair: pair[1])
    scatter = float(np.sqrt(square / (m - k)))
    if not higher.any() or higher.all() or scatter > LARGEST_SCATTER:
        return nobody
    side = higher.astype(np.float64)
    apart = side - design @ np.linalg.lstsq(design, side, rcond=None)[0]
    if float(apart @ apart) < LEAST_APART * side.sum() * (1.0 - side.mean()):
        return nobody
    coefficients = np.linalg.lstsq(design, log_colour - LOG_FACTOR * higher, rcond=None)[0]
    residual = log_colour - design @ coefficients
    clear = np.where(higher, residual > LEAST_T * scatter, residual < LOG_FACTOR - LEAST_T * scatter)
    near = np.abs(residual - LOG_FACTOR * higher) < FITTING_T * scatter
    # a beer that stands off as a whole may be of another kind: only beers with batches on both sides show a unit
    both = np.array([0 < higher[beer == code].sum() < (beer == code).sum() for code in beer])
    if not both.any():
        return nobody
    fits, sides = clear & near, [both & side for side in (higher, ~higher)]
    # ... and a stray batch is off by some other factor, which the many on the other side must not cover
    return higher if fits[both].mean() > 0.9 and all(fits[side].mean() > 0.5 for side in sides) else nobody


def _robust_residual(design: Floats, log_colour: Floats) -> Floats:
    """Return residuals of a fit that few batches off the line do not bend (least absolute deviations, reweighted)."""
    weight = np.ones(len(log_colour))
    residual = log_colour
    for _ in range(_ITERATIONS):
        root = np.sqrt(weight)
        coefficients = np.linalg.lstsq(design * root[:, None], log_colour * root, rcond=None)[0]
        residual = log_colour - design @ coefficients
        weight = 1.0 / np.maximum(np.abs(residual), 1e-3)
    return residual


def _settle(design: Floats, log_colour: Floats, higher: Mask) -> tuple[Mask, float]:
    """Take fit and sides in turn until they agree, from one start; return the sides and the sum of squares."""
    square = np.inf
    for _ in range(_ITERATIONS):
        coefficients = np.linalg.lstsq(design, log_colour - LOG_FACTOR * higher, rcond=None)[0]
        residual = log_colour - design @ coefficients
        now = residual > LOG_FACTOR / 2.0
        square = float(np.sum((residual - LOG_FACTOR * now) ** 2))
        if (now == higher).all():
            break
        higher = now
    return higher, square


def _absolute(pours: Pours, absorbance: Floats, lab_colour: Floats, scans: pd.DataFrame, colour_unit: str) -> Floats:
    """Return lab colour over 25 times absorbance at 430 nm over the path, down and up through the beer."""
    nothing = np.full(lab_colour.size, np.nan)
    at = int(np.abs(pours.wavelength_nm - _BLUE_NM).argmin())
    if not {"fill_ml", "cup_mm"} <= set(scans.columns) or abs(pours.wavelength_nm[at] - _BLUE_NM) > 5.0:
        return nothing
    depth = 4.0 * scans["fill_ml"].astype(float) / (np.pi * (scans["cup_mm"].astype(float) / 10.0) ** 2)
    depth_cm = depth.groupby(scans["batch"]).mean().reindex(list(pours.batch_names)).to_numpy(dtype=float)
    a430 = absorbance[:, at]
    trusted = (a430 > _TRUSTED_A[0]) & (a430 < _TRUSTED_A[1]) & (depth_cm > 0)
    path = 2.0 * np.where(trusted, depth_cm, np.nan)
    in_ebc = lab_colour * (1.0 if colour_unit == "EBC" else np.exp(LOG_FACTOR))
    return np.where(trusted, in_ebc * path / (EBC_OF_A430 * np.where(trusted, a430, np.nan)), np.nan)


def _wrong_group(
    higher: Mask, rows: NDArray[np.int64], ratio: Floats, told: bool, colour_unit: str
) -> tuple[Mask, str]:
    """Return the batches that are in the other unit, and that unit: by depth where known, else the fewer."""
    lower = np.zeros_like(higher)
    lower[rows] = ~higher[rows]
    if not higher.any():
        return higher, ""
    other = "SRM" if colour_unit == "EBC" else "EBC"
    if told and np.isfinite(ratio[higher]).any() and np.isfinite(ratio[lower]).any():
        level = [float(np.nanmedian(ratio[group])) for group in (lower, higher)]
        low_is_wrong = abs(np.log(level[0])) > abs(np.log(level[1]))
        many, usual = (lower if low_is_wrong else higher).sum(), level[0 if low_is_wrong else 1]
        # most of a set are not called wrong for a few: only by a depth that is not theirs
        if 2 * many > rows.size and LOWEST_RATIO <= usual <= HIGHEST_RATIO:
            low_is_wrong = not low_is_wrong
    elif lower.sum() != higher.sum():
        low_is_wrong = bool(lower.sum() < higher.sum())
    else:
        low_is_wrong = colour_unit == "EBC"
    return (lower, other) if low_is_wrong else (higher, other)


def _of_batches(
    names: NDArray[np.object_], wrong: Mask, labs: NDArray[np.str_], rows: NDArray[np.int64], off: str, unit: str
) -> Iterator[Finding]:
    if not wrong.any():
        return
    factor = float(np.exp(LOG_FACTOR))
    rest = wrong.copy()
    for lab in np.unique(labs[rows]):
        own = rows[labs[rows] == lab]
        if lab and own.size >= FEWEST_OF_A_LAB and wrong[own].mean() >= LAB_SHARE and not wrong[rows].all():
            rest[own] = False
            n_off = int(wrong[own].sum())
            of_lab = {"lab": lab, "n_off": n_off, "n": own.size, "factor": factor, "off": off, "unit": unit}
            yield found("unit of a lab", str(lab), factor, off, **of_lab)
    for row in np.flatnonzero(rest):
        batch = str(names[row])
        yield found("unit of a batch", batch, factor, off, batch=batch, factor=factor, off=off, unit=unit)


def _of_the_set(level: float, n: int, unit: str) -> Finding:
    other = "SRM" if unit == "EBC" else "EBC"
    usual = {"lowest": LOWEST_RATIO, "highest": HIGHEST_RATIO}
    size = max(level, 1.0 / level)
    return found("unit of the set", "colour_unit", size, other, level=level, n=n, other=other, unit=unit, **usual)
