"""What is scanned to commission a module, the figures that come of it, and where they stand against their limits."""

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Mask, is_number
from specmatch.errors import OptionError
from specmatch.maths.statistics.levels import mean_by
from specmatch.measurement.checks.paired_scans import wavelength_shift
from specmatch.wording import rows_beside, text_beside

# groups of channels of like light, in which the noise of counts is told
BINS = 12


@dataclass(frozen=True)
class Estimate:
    """A figure and its standard uncertainty."""

    value: float
    sd: float


def ladder_nonlinearity(counts: Floats, net: Floats, noise: Floats) -> Estimate | None:
    """Return by how much the response changes from the dimmest to the brightest counts, as a share."""
    # Scans of one light at several integration times: log rate = pixel + scan + bend x counts. A lamp that drifts moves
    # whole scans and falls out; only a response that depends on the counts of each pixel is left.
    # counts above the dark, net per ms, noise of log net: (n, p)
    used = np.isfinite(net).all(axis=0) & (noise < 0.05).all(axis=0) & (net > 0).all(axis=0)
    if net.shape[0] < 2 or used.sum() < 20 or counts[:, used].max() < 2.0 * counts[:, used].min():
        return None
    rate, x, weight = np.log(net[:, used]), counts[:, used], 1.0 / noise[:, used] ** 2
    span = float(x.max() - x.min())
    x = (x - x.min()) / span
    # taking out pixels and scans, weighted, by turns
    left_y, left_x = _without_rows_and_columns(rate, weight), _without_rows_and_columns(x, weight)
    information = float(np.sum(weight * left_x**2))
    if information < 1.0:
        return None
    bend = float(np.sum(weight * left_x * left_y)) / information
    free = max(1, left_y.size - sum(left_y.shape))
    misfit = max(1.0, float(np.sum(weight * (left_y - bend * left_x) ** 2)) / free)
    return Estimate(bend, float(np.sqrt(misfit / information)))


def _without_rows_and_columns(values: Floats, weight: Floats) -> Floats:
    left = values.copy()
    for _ in range(200):
        before = left
        left = left - (np.sum(weight * left, axis=1) / weight.sum(axis=1))[:, None]
        left = left - np.sum(weight * left, axis=0) / weight.sum(axis=0)
        if np.abs(left - before).max() < 1e-10:
            break
    return left


def dilution_nonlinearity(share: Floats, absorbance: Floats, sd: Floats) -> Estimate | None:
    """Return by how much absorbance departs from a straight line through the dilutions, as a share of the largest."""
    # a = slope x share + bend x share x (1 - share), at the channel given: the bend over the slope, and 0 at full share
    # share, absorbance, sd (n,)
    if np.unique(share).size < 3:
        return None
    design = np.column_stack([share, 4.0 * share * (1.0 - share)]) / sd[:, None]
    found, _, rank, _ = np.linalg.lstsq(design, absorbance / sd, rcond=None)
    if rank < 2 or found[0] <= 0:
        return None
    left = absorbance / sd - design @ found
    free = share.size - 2
    misfit = max(1.0, float(left @ left) / free) if free else 1.0
    covariance = np.linalg.inv(design.T @ design) * misfit
    return Estimate(float(found[1] / found[0]), float(np.sqrt(covariance[1, 1]) / found[0]))


def stray_light(net: Floats, noise: Floats, blocked: Mask) -> Estimate | None:
    """Return what a channel counts where a cut-off filter lets nothing pass, over the mean of all channels."""
    # stray light of a grating is taken to fall on all pixels alike: a share of the mean
    # net, noise (p,)
    if blocked.sum() < 10:
        return None
    mean = float(net.mean())
    values = net[blocked]
    spread = float(values.std(ddof=1)) / np.sqrt(values.size)
    return Estimate(
        float(values.mean()) / mean, float(np.hypot(spread, noise[blocked].mean() / values.size**0.5)) / mean
    )


def other_light(net: Floats, light: Floats, noise: Floats) -> Estimate:
    """Return what is counted over an opaque cup, a share of the reference light: room light, glare, a leaking lamp."""
    mean = float(light.mean())
    return Estimate(float(net.mean()) / mean, float(noise.mean() / np.sqrt(net.size)) / mean)


def fit_dark(counts: Floats, integration_ms: Floats, hours: Floats, temperature_c: Floats) -> dict[str, Estimate]:
    """Fit the mean dark of scans: its `offset` at 0 ms, and what it gains `per_ms`, `per_hour`, `per_degree`."""
    # counts (n,): means over the pixels
    known = [("offset", np.ones(counts.size))]
    for name, values in (("per_ms", integration_ms), ("per_hour", hours), ("per_degree", temperature_c)):
        if np.isfinite(values).all() and np.ptp(values) > 0:
            tried = np.column_stack([*(v for _, v in known), values])
            # one that goes along with those before it tells nothing of its own
            if np.linalg.matrix_rank(tried / np.linalg.norm(tried, axis=0), tol=1e-3) == tried.shape[1] < counts.size:
                known.append((name, values))
    design = np.column_stack([values for _, values in known])
    found = np.linalg.lstsq(design, counts, rcond=None)[0]
    free = counts.size - len(known)
    left = counts - design @ found
    variance = float(left @ left) / free if free else np.nan
    sd = np.sqrt(variance * np.diag(np.linalg.inv(design.T @ design)))
    return {name: Estimate(float(v), float(s)) for (name, _), v, s in zip(known, found, sd, strict=True)}


@dataclass(frozen=True)
class NoiseFit:
    """variance of a channel's counts = read_counts^2 + shot x counts."""

    read_counts: float
    shot: float
    signal: Floats  # (b,): counts above the dark, and variance beside it, in bins of channels
    variance: Floats


def fit_noise(groups: list[Floats], darks: Floats) -> NoiseFit | None:
    """Fit read and shot noise from repeats of scans of one light at one integration time, and repeated darks."""
    # a repeat is brought to the level of its mates first: a lamp that flickers is drift, not noise
    # groups: counts above the dark (n, p) each; darks (m, p)
    signal, variance, free = [], [], []
    if darks.shape[0] >= 2:
        level = darks - np.median(darks - darks.mean(axis=0), axis=1)[:, None]
        signal.append(np.zeros(darks.shape[1]))
        variance.append(level.var(axis=0, ddof=1))
        free.append(np.full(darks.shape[1], darks.shape[0] - 1.0))
    for net in groups:
        if net.shape[0] < 2:
            continue
        mean = net.mean(axis=0)
        bright = mean > 0.2 * mean.max()
        level = np.median(net[:, bright] / mean[bright], axis=1)
        signal.append(mean)
        variance.append((net / level[:, None]).var(axis=0, ddof=1))
        free.append(np.full(mean.size, net.shape[0] - 1.0))
    if not signal:
        return None
    x, v, n = (np.concatenate(part) for part in (signal, variance, free))
    order = np.argsort(x, kind="stable")
    code = np.empty(x.size, np.int64)
    code[order] = np.minimum(np.arange(x.size) * BINS // x.size, BINS - 1)
    x, v, n = mean_by(x, code)[0], mean_by(v, code)[0], np.bincount(code, n)
    found = np.array([max(v.min(), 1e-6), 0.0])
    for _ in range(20):  # the spread of a variance is in proportion to itself
        expected = np.maximum(found[0] + found[1] * x, 1e-9)
        weight = np.sqrt(n) / expected
        design = np.column_stack([np.ones(x.size), x]) * weight[:, None]
        found = np.maximum(np.linalg.lstsq(design, v * weight, rcond=None)[0], 0.0)
    return NoiseFit(float(np.sqrt(found[0])), float(found[1]), x, v)


FEWEST_FOR_A_SLOPE = 4


def slope_per_hour(values: Floats, hours: Floats) -> Estimate | None:
    """Fit a straight line over time; its uncertainty allows for neighbours in time that go together."""
    # values, hours (n,)
    n = values.size
    if n < FEWEST_FOR_A_SLOPE or not np.isfinite(hours).all() or np.ptp(hours) <= 0:
        return None
    order = np.argsort(hours, kind="stable")
    t, y = hours[order] - hours.mean(), values[order]
    slope = float(t @ y) / float(t @ t)
    left = y - y.mean() - slope * t
    variance = float(left @ left) / (n - 2)
    # neighbours that go together tell less than their number (first-order autoregression)
    rho = float(np.clip(left[1:] @ left[:-1] / max(left @ left, 1e-300), 0.0, 0.8))
    return Estimate(slope, float(np.sqrt(variance / (t @ t) * (1.0 + rho) / (1.0 - rho))))


def level_of(net: Floats) -> Floats:
    """Return the log level of each scan over its mates, channels of more light weighing more."""
    # net (n, p) -> (n,)
    mean = net.mean(axis=0)
    bright = mean > 0.1 * mean.max()
    share: Floats = np.log(net[:, bright].clip(min=1e-12)) - np.log(mean[bright])
    return np.asarray(share @ (mean[bright] / mean[bright].sum()))


def tilt_of(net: Floats, nm: Floats) -> Floats:
    """Return the log level of the blue half of the light less that of the red half."""
    # net (n, p) -> (n,)
    mean = net.mean(axis=0)
    middle = nm[np.searchsorted(np.cumsum(mean) / mean.sum(), 0.5)]
    return level_of(net[:, nm < middle]) - level_of(net[:, nm >= middle])


def shifts_of(net: Floats, nm: Floats) -> Floats:
    """Return how far the axis of each scan has moved against their mean, on the flanks of the lamp, nm."""
    # net (n, p) -> (n,)
    mean = net.mean(axis=0)
    bright = mean > 0.05 * mean.max()
    return wavelength_shift(net[:, bright] / mean[bright], mean[bright], nm[bright])


def spread(values: Floats) -> Estimate:
    """Return the standard deviation of repeats with its own."""
    # values (n,)
    sd = float(values.std(ddof=1))
    return Estimate(sd, sd / float(np.sqrt(2.0 * (values.size - 1))))


# Figures of a commissioning against their limits: within, near or beyond, and the certificate over them.

WITHIN, NEAR, BEYOND, STATED, MISSING = "within", "near", "beyond", "stated", "not measured"
# one-sided 95 %: a figure is within, or beyond, only where chance leaves no doubt; between them it is near
SURE = 1.645
FORMAT = 1


@dataclass(frozen=True)
class FigureKind:
    """What a figure is, its unit, its default limit, and what to scan for it."""

    what: str
    unit: str
    limit: float | None
    scan: str


# The limits are defaults of this library's own, no standard's: chosen so that each alone moves a colour by no more than
# about 1 %. A house sets its own.
KINDS = {
    name: FigureKind(what, unit, float(limit) if limit else None, scan)
    for name, what, unit, limit, scan in rows_beside(__file__, "figure_kinds.csv")
}


def limits_of(own: Mapping[str, float] | None) -> dict[str, float]:
    """Return the limit of each figure that has one, the house's own before the defaults."""
    limits = {name: kind.limit for name, kind in KINDS.items() if kind.limit is not None}
    if own is not None and not isinstance(own, Mapping):
        raise OptionError(f"limits is {own!r}; expected figure -> limit, such as {{'noise': {limits['noise']:g}}}")
    for name, limit in (own or {}).items():
        if name not in limits:
            raise OptionError(f"limits: {name!r} is no figure with a limit; use some of {', '.join(limits)}")
        if not (is_number(limit) and 0 < limit < np.inf):
            raise OptionError(f"limits: {name} is {limit!r}; expected a number above 0, such as {limits[name]:g}")
        limits[name] = float(limit)
    return limits


def judge(found: Mapping[str, tuple[Estimate, str]], limits: Mapping[str, float]) -> pd.DataFrame:
    """Lay out every figure with its uncertainty, its limit and where it stands."""
    # found: name -> (estimate, what it was found from)
    rows = []
    for name, kind in KINDS.items():
        estimate, source = found.get(name, (Estimate(np.nan, np.nan), f"scan {kind.scan}"))
        limit = limits.get(name, np.nan)
        rows.append((name, kind.what, estimate.value, estimate.sd, kind.unit, limit, _state(estimate, limit), source))
    columns = ["figure", "what", "value", "uncertainty", "unit", "limit", "state", "source"]
    return pd.DataFrame(rows, columns=columns).set_index("figure")


def _state(estimate: Estimate, limit: float) -> str:
    if not np.isfinite(estimate.value):
        return MISSING
    if not np.isfinite(limit):
        return STATED
    doubt = SURE * estimate.sd if np.isfinite(estimate.sd) else 0.0
    if abs(estimate.value) - doubt > limit:
        return BEYOND
    return WITHIN if abs(estimate.value) + doubt <= limit else NEAR


def certificate_of(content: Mapping[str, object]) -> str:
    """Return the SHA-256 over what a certificate says."""
    text = json.dumps({"format": FORMAT, **content}, sort_keys=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


# What a lab puts under a module to commission it: pieces, published lines of filters and lamps, the bench's sheet.

HOLMIUM, DIDYMIUM = "holmium glass", "didymium glass"
MERCURY, TUBE = "mercury lamp", "fluorescent tube"
CUT_OFF, OPAQUE = "cut-off filter", "opaque cup"
LADDER, DILUTION = "integration ladder", "dilution"
STEADY, EMPTY, WATER = "steady light", "empty cup", "refilled water"
PIECES = (HOLMIUM, DIDYMIUM, MERCURY, TUBE, CUT_OFF, OPAQUE, LADDER, DILUTION, STEADY, EMPTY, WATER)
GLASSES, LAMPS = (HOLMIUM, DIDYMIUM), (MERCURY, TUBE)


@dataclass(frozen=True)
class Line:
    """A line of a lamp or a band of a glass: where, how wide by itself, and how well its place is known, nm."""

    nm: float
    width_nm: float = 0.0  # full width at half height
    sd_nm: float = 0.001
    counts: bool = True  # whether the axis is judged by it; others only help to describe the spectrum


# In air. Bands of two melts of one glass differ by about 0.1 nm (common practice, no source); terbium and europium in
# tubes vary with their phosphors, so they count for nothing. All values and widths from memory: those of a filter's own
# certificate go before them.
LINES: dict[str, tuple[Line, ...]] = {}
for _piece, _nm, _width, _sd, _counts, _ in rows_beside(__file__, "lines.csv"):
    _line = Line(float(_nm), float(_width), float(_sd), _counts == "yes")
    LINES[_piece] = (*LINES.get(_piece, ()), _line)
LINES_SOURCE = (
    "published lines (mercury: NIST Atomic Spectra Database; holmium glass: as filter makers state after NBS; didymium "
    "glass: NBS SRM 2009), values from memory; lines of your own certificate go before them"
)


@dataclass(frozen=True)
class Piece:
    """One piece, as the sheet names it, and the number that its name states: cut in nm, share of a dilution."""

    name: str
    kind: str
    number: float | None = None


def piece_of(material: str) -> Piece | str:
    """Return the piece that a material names, or why it names none."""
    plain = re.sub(r"[\s_]+", " ", material.strip().lower()).replace("cutoff", "cut-off").replace("cut off", "cut-off")
    if not plain:
        return f"a check scan without a material; write one of {', '.join(PIECES)}"
    kind = next((kind for kind in PIECES if plain.startswith(kind)), None)
    if kind is None:
        return f"material {material!r} names no piece that is known; write one of {', '.join(PIECES)}"
    rest = plain[len(kind) :].strip()
    found = re.fullmatch(r"([0-9]+(?:[.][0-9]+)?)\s*(nm|%)?", rest)
    number = float(found.group(1)) / (100.0 if found.group(2) == "%" else 1.0) if found else None
    if kind == CUT_OFF and (number is None or not 300.0 <= number <= 1200.0):
        return f"material {material!r} does not say where the filter begins to pass; write 'cut-off filter 550'"
    if kind == DILUTION and (number is None or not 0.0 < number <= 1.0):
        return f"material {material!r} does not say the share of the liquid; write 'dilution 0.5' for one half"
    return Piece(plain, kind, number)


CAUTIONS = (
    "Local rules and licensed practice come first. Glass filters break: handle them by the rim, off the line's floor. "
    "A mercury lamp or fluorescent tube holds mercury, shines in the ultraviolet and gets hot: never open one, "
    "shield the eyes, follow the site's rules for hazardous waste. Holmium and didymium are used here as sealed glass; "
    "solutions of them, and dyes, are lab chemicals: only by those trained for them, with the maker's safety sheet. "
    "What was in a cup of a bench test is never drunk or put back."
)


def bench_sheet() -> str:
    """Return the sheet for the bench as text."""
    return f"{text_beside(__file__, 'bench_sheet.txt')}\nLines: {LINES_SOURCE}.\n\nCautions: {CAUTIONS}"
