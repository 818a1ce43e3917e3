"""The wavelength axis: which column it is and how far its table goes; order, gaps, pixels, moving values to another."""

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import OptionError, ScanFileError, WavelengthMismatchError
from specmatch.measurement.readers.cells import APOSTROPHES, BLANKS, Row, is_value, looks_numeric
from specmatch.measurement.readers.scan import told_of
from specmatch.measurement.readers.units import names_wavelength, stated_x_unit

# a spectrometer's axis changes its step slowly; a lost line doubles it at one place
GAP_FACTOR = 1.7
FEWEST_POINTS = 2
# lines of numbers so many steps outside the axis and farther are no part of it
FAR_STEPS = 20.0
# of a column's numbers, how many in the range of visible wavelengths make it one that a wavelength column could be
_MOSTLY = 0.9


def order_axis(x: Floats, *, lines: Ints | None = None) -> tuple[Ints, list[str]]:
    """Return the order that sorts an axis, refusing one that goes up and down."""
    # x (p,), lines (p,) -> (p,)
    steps = np.diff(x)
    if (steps >= 0).all():
        return np.arange(x.size), []
    if (steps <= 0).all():
        return np.arange(x.size)[::-1], ["descending wavelengths put in ascending order"]
    falls = (steps < 0).sum() <= (steps > 0).sum()
    at = int(np.flatnonzero(steps < 0 if falls else steps > 0)[0]) + 1
    where = f"line {lines[at]}: " if lines is not None else ""
    raise ScanFileError(
        f"{where}wavelengths go up and down ({x[at - 1]:g} then {x[at]:g}); lines are repeated, lost or out of order: "
        "export the file again"
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


def pixels_to_nm(pixel: ArrayLike, coefficients: ArrayLike) -> Floats:
    """Turn pixel numbers into wavelengths by a polynomial."""
    # pixel (p,), coefficients (k,) -> (p,)
    # coefficients: in nm, constant term first: `nm = c0 + c1 pixel + c2 pixel**2 + ...`
    c = np.asarray(coefficients, float).ravel()
    nm = np.polynomial.polynomial.polyval(np.asarray(pixel, float), c) if c.size else np.array([np.nan])
    steps = np.diff(nm)
    if not np.isfinite(nm).all() or nm.min() < 150 or nm.max() > 3500 or not ((steps > 0).all() or (steps < 0).all()):
        raise OptionError(
            f"coefficients {c.tolist()} do not turn pixels into rising wavelengths within 150-3500 nm; expected the "
            "constant term first, in nm"
        )
    return nm


def resample(wavelength_nm: ArrayLike, values: ArrayLike, grid_nm: ArrayLike, *, name: str = "the scan") -> Floats:
    """Interpolate linearly onto another grid, inside the range only, whatever the direction of either axis."""
    # wavelength_nm, values (p,), grid_nm (m,) -> (m,)
    # wavelength_nm, values: strictly ascending or descending wavelengths
    x, y, grid = np.asarray(wavelength_nm, float), np.asarray(values, float), np.asarray(grid_nm, float)
    with told_of(name):
        order, _ = order_axis(x)
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


def loose_number(cell: str) -> float:
    """Return a number under the marks that it most likely has, NaN where there is none; for comparisons only."""
    if not looks_numeric(cell):
        return float("nan")
    text = re.sub(f"[{BLANKS}{APOSTROPHES}]", "", cell).replace("\u2212", "-").replace("D", "E").replace("d", "e")
    at = max(text.rfind("."), text.rfind(","))
    if at >= 0:
        text = re.sub("[.,]", "", text[:at]) + "." + text[at + 1 :]
    try:
        return float(text)
    except ValueError:
        return float("nan")


def numbering(column: Floats, *, any_start: bool = False) -> bool:
    """True for a column that counts its lines from 0 or 1, or from anywhere if it is long enough to be sure."""
    started = column.size >= 10 if any_start else False
    return bool(
        column.size >= 2
        and (started or column[0] in (0.0, 1.0))
        and np.array_equal(np.diff(column), np.ones(column.size - 1))
    )


def steady(column: Floats) -> bool:
    """True for a column that rises or falls in steps which change slowly, as a spectrometer's wavelengths do."""
    x = column[np.isfinite(column)]
    steps = np.abs(np.diff(x))
    if x.size < 4 or not one_way(x):
        return False
    at = np.arange(x.size) / x.size
    bend = np.abs(x - np.polyval(np.polyfit(at, x, 3), at)).max()
    return bool(bend <= 0.6 * np.median(steps) and steps.max() <= 3.0 * max(np.median(steps), 1e-300))


def one_way(x: Floats) -> bool:
    """True if numbers rise throughout or fall throughout; neighbours may be equal."""
    steps = np.diff(x)
    return bool(x.size >= 2 and x[0] != x[-1] and ((steps >= 0).all() or (steps <= 0).all()))


def like_wavelengths(column: Floats) -> bool:
    """True for a column that could be wavelengths in nm: one way, 200 to 1200."""
    x = column[np.isfinite(column)]
    return bool(x.size >= 2 and x.min() >= 200 and x.max() <= 1200 and one_way(x))


def named_axes(words: Sequence[str], columns: Sequence[int]) -> list[int]:
    """Return the columns whose names say that they hold wavelengths; pixel numbers are none."""
    return [j for j in columns if words[j] and names_wavelength(words[j]) and stated_x_unit(words[j]) != "pixel"]


def likely_axes(values: Floats, columns: Sequence[int]) -> list[int]:
    """Return the columns that may hold the wavelengths of a table whose names do not tell: more than one is a doubt."""
    usable = [j for j in columns if not numbering(values[:, j])]
    likely = [j for j in usable if like_wavelengths(values[:, j])]
    even = [j for j in usable if steady(values[:, j])]
    if not likely:
        return even[:1]
    sure = [j for j in likely if j in even]
    if sure:
        return sure if len(sure) == 1 else likely
    # an uneven column in the range of nm beside an even one in that of 1/cm or angstrom
    others = [j for j in even if np.nanmin(values[:, j]) >= 2000 and np.nanmax(values[:, j]) <= 50000]
    return sorted({*likely, *others})


def loose_axis(rows: Sequence[Row], words: Sequence[str]) -> tuple[int, Floats]:
    """Return the column that most likely holds the wavelengths of a block of lines, and its numbers."""
    width = len(rows[0])
    values = np.array([[loose_number(cell) for cell in (row + [""] * width)[:width]] for row in rows], dtype=float)
    named = named_axes(words, range(min(width, len(words))))
    if named:
        return named[0], values[:, named[0]]
    # footers may stand below: the upper three quarters tell
    upper = values[: max(2, 3 * len(values) // 4)]
    likely = likely_axes(upper, range(width))
    column = likely[0] if likely else 0
    return column, values[:, column]


def reach(axis: Floats) -> tuple[float, float]:
    """Return the range beyond which a number lies far off an axis, so that its line is no part of the table."""
    # axis (p,)
    known = axis[np.isfinite(axis)]
    if known.size < 2:
        return -np.inf, np.inf
    room = FAR_STEPS * float(np.median(np.abs(np.diff(known))))
    return float(known.min()) - room, float(known.max()) + room


def goes_on(x: float, within: tuple[float, float]) -> bool:
    """True unless a number lies outside what `reach` gives."""
    return not np.isfinite(x) or within[0] <= x <= within[1]


def table_in_columns(rows: Sequence[Row]) -> bool:
    """True if some column of the rows lies in the range of visible wavelengths nearly throughout."""
    usual = max((len(row) for row in rows), default=0)
    values = np.array([[loose_number(cell) for cell in row] for row in rows if len(row) == usual], dtype=float)
    if values.size == 0:
        return False
    with np.errstate(invalid="ignore"):
        inside = ((values >= 200) & (values <= 1200)).mean(axis=0)
    return bool((inside >= _MOSTLY).any())


def longest_run(numeric: list[bool], filled: list[bool]) -> tuple[int, int]:
    """First and last index of the longest run of numeric lines; blank lines inside do not break it."""
    best, start, last, count = (0, -1, 0), -1, -1, 0
    for i, (data, text) in enumerate(zip(numeric, filled, strict=True)):
        if data:
            if start < 0:
                start, count = i, 0
            last, count = i, count + 1
            if count > best[2]:
                best = (start, last, count)
        elif text:
            start = -1
    return best[0], best[1]


def is_footer(i: int, split: list[Row], last: int, column: int, within: tuple[float, float]) -> bool:
    """True for numbers below the table that are no part of it: without a wavelength, or far off the others."""
    cells = split[i]
    if not any(map(looks_numeric, cells)) or not all(map(is_value, cells)):
        return False
    apart = i > last + 1
    if column >= len(cells) or not cells[column]:
        x = loose_number(next(cell for cell in cells if looks_numeric(cell)))
        return apart or (i < len(split) - 1 and not goes_on(x, within))
    # the last line, right under the table and without a line end, may be one that was cut
    return (apart or i < len(split) - 1) and not goes_on(loose_number(cells[column]), within)


def grown_upwards(split: list[Row], filled: list[bool], first: int, column: int, width: int) -> int:
    """Take in the lines above a block whose first values are missing, where the wavelengths stand further right."""
    while column > 0 and first > 0 and filled[first - 1]:
        cells = split[first - 1]
        if len(cells) != width or not looks_numeric(cells[column]) or not all(map(is_value, cells)):
            break
        first -= 1
    return first


def footer_cut(block: list[int], split: list[Row], column: int, axis: Floats) -> tuple[int, list[int]]:
    """Return the last line of a block without the numbers below that lie far off its wavelengths, and these lines."""
    body, most = len(block), min(6, len(block) // 3)
    k = body
    if np.isfinite(axis[: body - most]).sum() < FEWEST_POINTS:
        return block[-1], []
    while k > body - most and k > FEWEST_POINTS:
        cells = split[block[k - 1]]
        x = loose_number(cells[column]) if column < len(cells) else float("nan")
        if not np.isfinite(x) and any(map(looks_numeric, cells)) and column > 0 and len(cells) <= column:
            x = loose_number(next(cell for cell in cells if looks_numeric(cell)))
        upper = axis[: max(FEWEST_POINTS, min(k - 1, 3 * body // 4))]
        span = float(np.nanmax(axis[: k - 1]) - np.nanmin(axis[: k - 1])) if k > FEWEST_POINTS else 0.0
        within = np.nanmin(axis[: k - 1]) <= x <= np.nanmax(axis[: k - 1]) if span else True
        if within or goes_on(x, reach(np.r_[upper, axis[: k - 1][-1:]])):
            break
        k -= 1
    return block[k - 1], block[k:]


def refuse_several(
    split: list[Row],
    numeric: list[bool],
    filled: list[bool],
    ends: tuple[int, int],
    column: int,
    axis: Floats,
) -> None:
    """Refuse a text in which a second run of numbers begins again on the same wavelengths."""
    begins, count = [], 0
    for i in range(len(split) + 1):
        inside = i < len(split) and numeric[i] and not ends[0] <= i <= ends[1]
        if inside:
            count += 1
        elif i == len(split) or filled[i]:
            if count > FEWEST_POINTS:
                begins.append(
                    next(k for k in range(i - 1, -1, -1) if k == 0 or not (numeric[k - 1] or not filled[k - 1]))
                )
            count = 0
    low, high = np.nanmin(axis), np.nanmax(axis)
    again = [
        k for k in begins
        if column < len(split[k]) and low <= loose_number(split[k][column]) <= high
    ]  # fmt: skip
    if again:
        raise ScanFileError(
            f"holds several tables of numbers, {len(again) + 1} of them, one more from line {again[0] + 1}; save one "
            "table a file, or write a header with its name over each"
        )
