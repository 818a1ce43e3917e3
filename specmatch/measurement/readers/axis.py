"""The wavelength axis: order, duplicates, gaps, pixels, and moving values onto another axis."""

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import OptionError, ScanFileError, WavelengthMismatchError

# a spectrometer's axis changes its step slowly; a lost line doubles it at one place
GAP_FACTOR = 1.7


def order_axis(x: Floats, *, name: str, lines: Ints | None = None) -> tuple[Ints, list[str]]:
    """Return the order that sorts an axis, refusing one that goes up and down."""
    # x (p,), lines (p,) -> (p,)
    steps = np.diff(x)
    if (steps >= 0).all():
        return np.arange(x.size), []
    if (steps <= 0).all():
        return np.arange(x.size)[::-1], ["descending wavelengths put in ascending order"]
    falls = (steps < 0).sum() <= (steps > 0).sum()
    at = int(np.flatnonzero(steps < 0 if falls else steps > 0)[0]) + 1
    where = f", line {lines[at]}" if lines is not None else ""
    raise ScanFileError(
        f"{name}{where}: wavelengths go up and down ({x[at - 1]:g} then {x[at]:g}); lines are repeated, lost or out of "
        "order: export the file again"
    )


def merge_duplicates(x: Floats, values: Floats, saturated: Mask) -> tuple[Floats, Floats, Mask, list[str]]:
    """Merge points of equal wavelength into their mean (missing ones aside)."""
    # x, values (p,), saturated (p,) -> (m,)
    # x, values: `x` ascending
    same = np.diff(x) == 0
    if not same.any():
        return x, values, saturated, []
    unique, code = np.unique(x, return_inverse=True)
    there = np.isfinite(values)
    counts = np.bincount(code, there)
    sums = np.bincount(code, np.where(there, values, 0.0))
    merged = np.full(unique.size, np.nan)
    np.divide(sums, counts, out=merged, where=counts > 0)
    sizes = np.bincount(code)
    notes = [f"{sizes[k]} points at {unique[k]:g} nm merged into their mean" for k in np.flatnonzero(sizes > 1)]
    return unique, merged, np.bincount(code, saturated) > 0, notes


def gap_notes(x: Floats) -> list[str]:
    """Say where an ascending axis jumps, as it does where a line was lost."""
    # x (p,)
    # x: in nm, strictly ascending
    steps = np.diff(x)
    if steps.size < 3 or steps.max() <= GAP_FACTOR * steps.min():
        return []
    before, after = np.r_[steps[1], steps[:-1]], np.r_[steps[1:], steps[-2]]
    usual = np.minimum(before, after)
    wide = np.flatnonzero(
        steps > GAP_FACTOR * np.where(np.maximum(before, after) > GAP_FACTOR * usual, np.median(steps), usual)
    )
    if wide.size > steps.size // 4:  # an axis of uneven steps by nature, such as a filter instrument's
        return []
    return [
        f"the wavelengths jump from {x[k]:g} to {x[k + 1]:g} nm where the step is {usual[k]:.4g}: a line may be lost"
        for k in wide
    ]


def pixels_to_nm(pixel: ArrayLike, coefficients: ArrayLike, *, name: str = "pixel_polynomial") -> Floats:
    """Turn pixel numbers into wavelengths by a polynomial."""
    # pixel (p,), coefficients (k,) -> (p,)
    # coefficients: in nm, constant term first: `nm = c0 + c1 pixel + c2 pixel**2 + ...`
    c = np.asarray(coefficients, float).ravel()
    nm = np.polynomial.polynomial.polyval(np.asarray(pixel, float), c) if c.size else np.array([np.nan])
    steps = np.diff(nm)
    if not np.isfinite(nm).all() or nm.min() < 150 or nm.max() > 3500 or not ((steps > 0).all() or (steps < 0).all()):
        raise OptionError(
            f"{name}: coefficients {c.tolist()} do not turn pixels into rising wavelengths within 150-3500 nm; "
            "expected the constant term first, in nm"
        )
    return nm


def resample(wavelength_nm: ArrayLike, values: ArrayLike, grid_nm: ArrayLike, *, name: str = "the scan") -> Floats:
    """Interpolate linearly onto another grid, inside the range only, whatever the direction of either axis."""
    # wavelength_nm, values (p,), grid_nm (m,) -> (m,)
    # wavelength_nm, values: strictly ascending or descending wavelengths
    x, y, grid = np.asarray(wavelength_nm, float), np.asarray(values, float), np.asarray(grid_nm, float)
    order, _ = order_axis(x, name=name)
    x, y = x[order], y[order]
    if x.size < 2 or (np.diff(x) <= 0).any():
        raise WavelengthMismatchError(f"{name}: wavelengths must rise strictly; merge repeated ones first")
    # a hair outside the range is rounding of the printed wavelengths, not another range
    slack = 1e-6 * (x[-1] - x[0])
    if grid.min() < x[0] - slack or grid.max() > x[-1] + slack:
        raise WavelengthMismatchError(
            f"{name} covers {x[0]:g}-{x[-1]:g} nm, needed are {grid.min():g}-{grid.max():g} nm; export the full range"
        )
    return np.interp(grid, x, y)


def fill_gaps(values: Floats) -> Floats:
    """Fill missing values along straight lines between their neighbours; rows without any value stay as they are."""
    # values (n, p) -> (n, p)
    bad = ~np.isfinite(values)
    if not bad.any():
        return values
    out, at = values.copy(), np.arange(values.shape[1])
    for k in np.flatnonzero(bad.any(axis=1) & ~bad.all(axis=1)):
        out[k, bad[k]] = np.interp(at[bad[k]], at[~bad[k]], values[k, ~bad[k]])
    return out
