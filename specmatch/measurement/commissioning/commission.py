"""Commission a module: from scans of filters, lamps, ladders and cups to figures, each against its limit."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints
from specmatch.errors import MissingScanError, OptionError, UnitError
from specmatch.measurement.commissioning.figures import (
    BEYOND,
    CUT_OFF,
    DILUTION,
    EMPTY,
    GLASSES,
    LADDER,
    LAMPS,
    LINES,
    MISSING,
    NEAR,
    OPAQUE,
    STEADY,
    WATER,
    Estimate,
    Line,
    NoiseFit,
    Piece,
    certificate_of,
    dilution_nonlinearity,
    fit_dark,
    fit_noise,
    judge,
    ladder_nonlinearity,
    level_of,
    limits_of,
    other_light,
    piece_of,
    shifts_of,
    slope_per_hour,
    spread,
    stray_light,
    tilt_of,
)
from specmatch.measurement.commissioning.wavelength import AxisFit, AxisVersion, corrected_axis, fit_glass, fit_lamp
from specmatch.measurement.folder.folder import MeasuredFolder, read_folder
from specmatch.measurement.reflectance.raw_scans import gather_raw_scans
from specmatch.measurement.reflectance.reflectance import RawScans, subtract_darks
from specmatch.measurement.session import one_reference_kind
from specmatch.storage import path_of, write_atomic
from specmatch.wording import counted

FIT, DOUBTFUL, UNFIT = "within its limits", "near a limit", "beyond a limit"
CERTIFIED_SD_NM = 0.03  # of a line that a house gives from its own certificate
_BLOCKED_NM = 40.0  # below a cut-off, where its edge and the slit are over
_FALLBACK_NOISE = (10.0, 1.0)  # read counts and shot factor where nothing was repeated


@dataclass(frozen=True)
class Commissioning:
    """What `commission` found."""

    verdict: str  # within its limits, near a limit, beyond a limit
    sentence: str
    # index `figure`: `what`, `value`, `uncertainty` (one standard deviation), `unit`, `limit`, `state` (within, near,
    # beyond, stated, not measured), `source`
    figures: pd.DataFrame
    lines: pd.DataFrame  # `piece`, `published_nm`, `found_nm`, `difference_nm`, `sd_nm`
    pieces: pd.DataFrame  # index `piece`: `scans`; for those with lines `shift_nm`, `shift_sd_nm`, `slit_nm`
    noise: pd.DataFrame  # `signal`, `variance` in counts; behind read and shot noise
    drift: pd.DataFrame  # `hours`, `level`, `tilt`, `axis_nm` of each scan of steady light
    instrument: str
    reference_kind: str
    left_out: pd.DataFrame  # `file`, `reason`
    axis: AxisVersion | None  # the corrected axis, where it was asked for
    certificate: str  # SHA-256 over all that the certificate says; its first twelve digits name it
    measured: tuple[str, ...] = ()  # the first and the last moment that the scans state

    def save(self, path: str | Path) -> None:
        """Write the certificate as a JSON document."""
        content = {"certificate": self.certificate, "format": 1, **_content(self.figures, self.lines, self.instrument)}
        write_atomic(Path(path), (json.dumps(content, sort_keys=True, indent=2, allow_nan=False) + "\n").encode())


def commission(
    folder: str | Path,
    *,
    limits: Mapping[str, float] | None = None,
    lines_nm: Mapping[str, Sequence[float]] | None = None,
    correct_axis: bool = False,
    **reading: Any,
) -> Commissioning:
    """Say whether a module is fit for use, from scans of what a lab has.

    Parameters
    ----------
    folder : str or Path
        A measured folder of one module. Scans of role `check` name their piece in `material`: holmium glass, didymium
        glass, mercury lamp, fluorescent tube, cut-off filter (with its nm), opaque cup, integration ladder, dilution
        (with the share), steady light, empty cup, refilled water. Darks and references are used too.
    limits : mapping, optional
        Figure -> limit of the house, above 0, in the unit of the figure; the defaults are this library's own.
    lines_nm : mapping, optional
        `holmium glass` (or another piece with lines) -> wavelengths of its own certificate, nm in air.
    correct_axis : bool, default False
        Also make a corrected wavelength axis, as a new version. Nothing applies it.
    **reading
        Keywords of `read_scans`, for every file of the folder.

    Returns
    -------
    Commissioning
        A figure is `within` or `beyond` its limit where its 95 % bound is, else `near` it.

    Raises
    ------
    MissingScanError
        If the folder holds no check scan that can be used.
    UnitError
        If it holds several modules, or two kinds of reference.
    OptionError
        If a limit or a line is not a number in its range.

    Notes
    -----
    The wavelengths of lines and bands are published ones, from memory: those of a filter's own certificate go before
    them. An opaque cup finds light from elsewhere; stray light inside the module needs a cut-off filter. Local rules
    and licensed practice come first where glass, mercury lamps and lab chemicals are handled.

    Examples
    --------
    >>> found = sm.commission("bench")
    >>> found.verdict, found.figures.loc["axis_shift_nm", "state"]
    ('within its limits', 'within')
    """
    wanted = limits_of(limits)
    known_lines = _lines(lines_nm)
    bench = _Bench.of(read_folder(path_of(folder), n_jobs=None, reading=reading), str(folder))
    noise = _noise(bench)
    lines, pieces = _axis(bench, noise, known_lines)
    _light_paths(bench, noise)
    _darks(bench)
    drift = _steady(bench)
    figures = judge(bench.found, wanted)
    verdict, sentence = _verdict(figures)
    return Commissioning(
        verdict, sentence, figures, lines, pieces,
        noise=pd.DataFrame({"signal": noise.signal, "variance": noise.variance}),
        drift=drift, instrument=bench.instrument, reference_kind=bench.reference_kind,
        left_out=pd.DataFrame(bench.left_out, columns=["file", "reason"], dtype=object),
        axis=corrected_axis(bench.raw.wavelength_nm, lines) if correct_axis else None,
        certificate=certificate_of(_content(figures, lines, bench.instrument)),
        measured=bench.measured,
    )  # fmt: skip


def _lines(own: Mapping[str, Sequence[float]] | None) -> dict[str, tuple[Line, ...]]:
    lines = dict(LINES)
    for piece, wavelengths in (own or {}).items():
        if piece not in lines:
            raise OptionError(f"lines_nm: {piece!r} has no lines; use some of {', '.join(lines)}")
        values = np.asarray(list(wavelengths), float)
        if values.size < 2 or not ((values > 300.0) & (values < 1200.0)).all():
            raise OptionError(f"lines_nm: {piece} needs two wavelengths or more between 300 and 1200 nm")
        width = {line.nm: line.width_nm for line in lines[piece]}
        lines[piece] = tuple(
            Line(float(nm), width[min(width, key=lambda known: abs(known - nm))], CERTIFIED_SD_NM) for nm in values
        )
    return lines


@dataclass(frozen=True)
class _Bench:
    """The scans of one module at the bench, counts per ms above the dark."""

    raw: RawScans
    net: Floats
    temperature_c: Floats
    piece: list[Piece | None]
    instrument: str
    reference_kind: str
    left_out: list[tuple[str, str]] = field(default_factory=list)
    measured: tuple[str, ...] = ()
    found: dict[str, tuple[Estimate, str]] = field(default_factory=dict)  # figure -> estimate, and what it comes from

    @classmethod
    def of(cls, found: MeasuredFolder, folder: str) -> _Bench:
        """Gather the scans and tell the pieces; what cannot be used is listed with its reason."""
        left_out = list(found.left_out)
        kind = one_reference_kind(found.rows)
        raw, _ = gather_raw_scans(found, left_out, [])
        rows = found.rows.loc[raw.scan_ids]
        modules = sorted({str(name) for name in raw.instrument if name})
        if len(modules) > 1:
            raise UnitError(
                f"{folder}: scans of {', '.join(modules)}; a commissioning is of one module, in a folder each"
            )
        net = subtract_darks(raw)
        values, counts = net.values.copy(), raw.counts
        values[raw.saturated | (counts >= _clip_level(counts))] = np.nan
        pieces: list[Piece | None] = []
        for i, (_, row) in enumerate(rows.iterrows()):
            piece = piece_of(str(row["material"] or "")) if row["role"] == "check" else None
            reason = piece if isinstance(piece, str) else net.reasons.get(i, "") if row["role"] != "dark" else ""
            if not reason and row["role"] != "dark" and not np.isfinite(values[i]).any():
                reason = "no channel carries a count that can be used"
            if reason:
                left_out.append((str(row["file"]), reason))
                values[i] = np.nan
            pieces.append(None if isinstance(piece, str) or reason else piece)
        if not any(pieces):
            first = f"; the first left out: {left_out[0][0]}: {left_out[0][1]}" if left_out else ""
            raise MissingScanError(
                f"{folder}: no check scan can be used{first}; specmatch commission --bench-sheet says what to scan"
            )
        if not (raw.role == "reference").any():
            left_out.append((folder, "no reference scan: pieces that are held against one count as not measured"))
        temperature = rows["temperature_c"].to_numpy(float)
        moments = sorted(filter(None, rows["measured_at"].fillna("").astype(str))) if "measured_at" in rows else []
        return cls(
            raw, values, temperature, pieces, next(iter(modules), ""), kind, left_out, tuple(moments[:1] + moments[-1:])
        )

    def keep(self, name: str, estimate: Estimate | None, source: str, why: str = "") -> None:
        """Take a figure in, of several pieces the worst; where there is none, list why."""
        if estimate is None:
            self.left_out.append((source or name, why))
        elif name not in self.found or abs(estimate.value) > abs(self.found[name][0].value):
            self.found[name] = estimate, source

    def rows(self, *kinds: str) -> Ints:
        """Rows of pieces of some kinds."""
        return np.array([i for i, piece in enumerate(self.piece) if piece and piece.kind in kinds], np.int64)

    def role(self, role: str) -> Ints:
        """Rows of a role that can be used."""
        of_role = self.raw.role == role
        return np.flatnonzero(of_role if role == "dark" else of_role & np.isfinite(self.net).any(axis=1))

    def milliseconds(self, rows: Ints) -> Floats:
        """Integration times, 1 where none is stated."""
        return np.nan_to_num(self.raw.integration_ms[rows], nan=1.0)

    def light(self) -> Floats:
        """Mean light of the references, counts per ms."""
        return np.nan_to_num(np.nanmean(self.net[self.role("reference")], axis=0))

    def count_noise(self, rows: Ints, noise: NoiseFit) -> Floats:
        """Standard deviation of the mean of scans, counts per ms, its dark's included."""
        time = self.milliseconds(rows)
        counts = np.maximum(self.net[rows] * time[:, None], 0.0)
        variance = (2.0 * noise.read_counts**2 + noise.shot * np.nan_to_num(counts)) / time[:, None] ** 2
        sd: Floats = np.sqrt(variance.mean(axis=0) / rows.size)
        return sd


def _clip_level(counts: Floats) -> float:
    """Return the count at which the converter is full: one that three channels of a scan share as their largest."""
    top = float(np.nanmax(counts, initial=0.0))
    return top if (np.sum(counts >= top * (1.0 - 1e-6), axis=1) >= 3).any() else float("inf")


def _noise(bench: _Bench) -> NoiseFit:
    groups: dict[tuple[str, float], list[int]] = {}
    for i in (*bench.role("reference"), *bench.rows(*GLASSES, *LAMPS, LADDER, STEADY)):
        piece = bench.piece[i]
        groups.setdefault((piece.name if piece else "reference", bench.raw.integration_ms[i]), []).append(int(i))
    repeats = []
    for rows in groups.values():
        counts = bench.net[rows] * bench.milliseconds(np.array(rows))[:, None]
        repeats.append(counts[:, np.isfinite(counts).all(axis=0)])
    darks = [bench.raw.counts[rows] for rows in _by_time(bench, bench.role("dark"))]
    most = max(darks, key=len, default=np.empty((0, 0)))
    fit = fit_noise([part for part in repeats if part.shape[1] >= 20], most)
    if fit is None:
        return NoiseFit(*_FALLBACK_NOISE, np.empty(0), np.empty(0))
    references = bench.role("reference")
    if references.size and any(len(part) >= 2 for part in repeats):
        counts = np.nanmax(np.nanmean(bench.net[references] * bench.milliseconds(references)[:, None], axis=0))
        share = float(np.sqrt(fit.read_counts**2 + fit.shot * counts) / counts)
        n = sum(len(part) - 1 for part in repeats)
        said = f"read {fit.read_counts:.3g} counts, shot variance {fit.shot:.3g} x counts"
        bench.keep("noise", Estimate(share, share / float(np.sqrt(2.0 * max(n, 1) * 20))), said)
    return fit


def _by_time(bench: _Bench, rows: Ints) -> list[Ints]:
    times = bench.raw.integration_ms[rows]
    return [rows[np.isnan(times)], *(rows[times == t] for t in np.unique(times[np.isfinite(times)]))]


def _axis(bench: _Bench, noise: NoiseFit, lines: Mapping[str, tuple[Line, ...]]) -> tuple[pd.DataFrame, pd.DataFrame]:
    nm = bench.raw.wavelength_nm
    fits: dict[str, AxisFit] = {}
    counts: dict[str, int] = {}
    for kind in (*GLASSES, *LAMPS):
        rows = bench.rows(kind)
        if not rows.size:
            continue
        net, sd = np.nan_to_num(bench.net[rows].mean(axis=0)), bench.count_noise(rows, noise)
        fit, counts[kind] = None, rows.size
        if kind in LAMPS:
            fit = fit_lamp(net, sd, nm, lines[kind])
        elif (references := bench.role("reference")).size:
            light = bench.light()
            safe = np.where(light > 0, light, np.inf)
            fit = fit_glass(net, light, np.hypot(sd, bench.count_noise(references, noise)) / safe, nm, lines[kind])
        if fit is None:
            bench.left_out.append((kind, "fewer than two of its lines lie where the module has light, or no reference"))
        else:
            fits[kind] = fit
    tables = [fit.lines.assign(piece=kind) for kind, fit in fits.items()]
    columns = ["piece", "published_nm", "found_nm", "difference_nm", "sd_nm"]
    table = pd.concat(tables, ignore_index=True)[columns] if tables else pd.DataFrame(columns=columns)
    columns = ["shift_nm", "shift_sd_nm", "slit_nm"]
    pieces = pd.DataFrame({"scans": pd.Series(counts, dtype=int)}).rename_axis("piece")
    for column in columns:
        pieces[column] = pd.Series({kind: getattr(fit, column) for kind, fit in fits.items()}, dtype=float)
    if fits:
        shift = np.array([fit.shift_nm for fit in fits.values()])
        weight = np.array([fit.shift_sd_nm for fit in fits.values()]) ** -2
        mean, sd_mean = float(weight @ shift / weight.sum()), float(weight.sum() ** -0.5)
        # pieces that disagree are known no better than they agree
        disagree = float(weight @ (shift - mean) ** 2) / max(shift.size - 1, 1)
        said = ", ".join(f"{kind} {fit.shift_nm:+.3f} ± {fit.shift_sd_nm:.3f}" for kind, fit in fits.items())
        bench.keep("axis_shift_nm", Estimate(mean, sd_mean * float(np.sqrt(max(1.0, disagree)))), said)
        slit = np.array([fit.slit_nm for fit in fits.values()])
        best = int(np.argmax(weight))
        bench.keep(
            "slit_nm", Estimate(float(slit[best]), float(slit.std()) if slit.size > 1 else np.nan), list(fits)[best]
        )
    return table, pieces


def _light_paths(bench: _Bench, noise: NoiseFit) -> None:
    """Linearity by ladder and dilutions, stray light by cut-off filters, other light by an opaque cup."""
    nm = bench.raw.wavelength_nm
    ladder = bench.rows(LADDER)
    if ladder.size:
        counts = bench.net[ladder] * bench.milliseconds(ladder)[:, None]
        floor = np.maximum(np.nan_to_num(counts), 1e-9)
        of_log = np.sqrt(2.0 * noise.read_counts**2 + noise.shot * floor) / floor
        estimate = ladder_nonlinearity(counts, bench.net[ladder], of_log)
        bench.keep("nonlinearity", estimate, f"{ladder.size} scans of the ladder",
                   "the ladder needs counts that differ by a factor of 2 or more between its ends")  # fmt: skip
    light = bench.light() if bench.role("reference").size else None
    dilutions = bench.rows(DILUTION)
    if dilutions.size and light is not None:
        share = np.array([piece.number for i in dilutions if (piece := bench.piece[i])], float)
        passed = np.nan_to_num(bench.net[dilutions]) / np.where(light > 0, light, np.inf)
        absorbance = -np.log10(np.maximum(passed, 1e-6))
        full = absorbance[share == share.max()].mean(axis=0)
        usable = (light > 0.1 * light.max()) & (full < 1.2) & (full > 0.1)
        if usable.any():
            top = usable & (full > 0.8 * full[usable].max())
            a = absorbance[:, top].mean(axis=1)
            estimate = dilution_nonlinearity(share, a, np.full(a.size, 0.01 * a.max()))
            bench.keep("nonlinearity_dilution", estimate, counted(dilutions.size, "scan"),
                       "dilutions need three shares or more, 1 among them")  # fmt: skip
    for i in sorted({piece.name: i for i, piece in enumerate(bench.piece) if piece and piece.kind == CUT_OFF}.values()):
        piece = bench.piece[i]
        rows = np.array([k for k in bench.rows(CUT_OFF) if bench.piece[k] == piece])
        blocked = nm < float(piece.number if piece and piece.number else 0.0) - _BLOCKED_NM
        estimate = stray_light(np.nan_to_num(bench.net[rows].mean(axis=0)), bench.count_noise(rows, noise), blocked)
        bench.keep("stray_light", estimate, piece.name if piece else "",
                   "too few channels lie 40 nm below where the filter begins to pass")  # fmt: skip
    opaque = bench.rows(OPAQUE)
    if opaque.size and light is not None:
        net = np.nan_to_num(bench.net[opaque].mean(axis=0))
        bench.keep(
            "other_light", other_light(net, light, bench.count_noise(opaque, noise)), counted(opaque.size, "scan")
        )


def _darks(bench: _Bench) -> None:
    rows, references = bench.role("dark"), bench.role("reference")
    if not rows.size or not references.size:
        return
    level = np.nanmean(bench.raw.counts[rows], axis=1)
    time = bench.milliseconds(references)
    mean_light = float(np.nanmean(bench.net[references] * time[:, None]))
    brightest = float(np.nanmax(bench.net[references] * time[:, None]))
    bench.keep("dark_share", Estimate(float(level.max()) / brightest, 0.0), counted(rows.size, "dark"))
    fit = fit_dark(level, bench.raw.integration_ms[rows], bench.raw.hours[rows], bench.temperature_c[rows])
    for name, cause in (("dark_drift", "per_hour"), ("dark_per_degree", "per_degree")):
        estimate = fit.get(cause)
        if estimate is not None and np.isfinite(estimate.value) and np.isfinite(estimate.sd):
            bench.keep(
                name, Estimate(estimate.value / mean_light, estimate.sd / mean_light), counted(rows.size, "dark")
            )


def _steady(bench: _Bench) -> pd.DataFrame:
    """Drift of light left alone, and repeats of cups."""
    nm = bench.raw.wavelength_nm
    drift = pd.DataFrame(columns=["hours", "level", "tilt", "axis_nm"], dtype=float)
    rows = bench.rows(STEADY)
    if rows.size >= 2:
        net = np.nan_to_num(bench.net[rows])
        drift = pd.DataFrame({"hours": bench.raw.hours[rows], "level": level_of(net), "tilt": tilt_of(net, nm),
                              "axis_nm": shifts_of(net, nm)})  # fmt: skip
        for name, column in (("level_drift", "level"), ("tilt_drift", "tilt"), ("axis_drift_nm", "axis_nm")):
            estimate = slope_per_hour(drift[column].to_numpy(), drift["hours"].to_numpy())
            bench.keep(name, estimate, f"{rows.size} scans of steady light",
                       "drift needs four scans or more, and measured_at of each")  # fmt: skip
    for name, kind in (("empty_cup_spread", EMPTY), ("water_spread", WATER)):
        rows = bench.rows(kind)
        if rows.size >= 3:
            bench.keep(name, spread(level_of(np.nan_to_num(bench.net[rows]))), counted(rows.size, "scan"))
        elif rows.size:
            bench.left_out.append((kind, "a spread needs three scans or more"))
    water, references = bench.rows(WATER), bench.role("reference")
    if water.size and references.size and bench.reference_kind == "water":
        both = level_of(np.nan_to_num(bench.net[np.concatenate([water, references])]))
        apart, rest = both[: water.size], both[water.size :]
        sd = np.sqrt(sum(part.var(ddof=1) / part.size if part.size > 1 else 1e-4 for part in (apart, rest)))
        bench.keep(
            "reference_level", Estimate(float(apart.mean() - rest.mean()), float(sd)), counted(water.size, "scan")
        )
    return drift


def _verdict(figures: pd.DataFrame) -> tuple[str, str]:
    by = {state: list(figures.index[figures["state"] == state]) for state in (BEYOND, NEAR, MISSING)}
    verdict = UNFIT if by[BEYOND] else DOUBTFUL if by[NEAR] else FIT
    said = [f"{state}: {', '.join(names)}" for state, names in by.items() if names]
    return verdict, "; ".join(said) if said else "every figure is within its limit"


def _content(figures: pd.DataFrame, lines: pd.DataFrame, instrument: str) -> dict[str, object]:
    def plain(value: Any) -> Any:
        if isinstance(value, float):
            return float(f"{value:.9g}") if np.isfinite(value) else None
        return value

    figure_rows, line_rows = (
        [{k: plain(v) for k, v in row.items()} for row in table.to_dict("records")]
        for table in (figures.reset_index(), lines)
    )
    return {"instrument": instrument, "figures": figure_rows, "lines": line_rows}
