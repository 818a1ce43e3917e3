"""From scans to samples, on the model's wavelengths and at its depth; and which part of a model reads which of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from specmatch.array_types import Floats, Ints, Mask
from specmatch.batches import check_scans
from specmatch.errors import TableError
from specmatch.house.fitting.fitted import FittedHouse, SecondModule, departures_from, not_used, plain_text
from specmatch.house.fitting.pours import Averages, average, bridge_missing
from specmatch.maths.classification.class_model import Doubts, Match
from specmatch.maths.faults.replicates import OddPours, find_outlying_replicates
from specmatch.maths.optics.path_law import SECOND_FILL, TEXTBOOK, PathLaw
from specmatch.maths.regression.conformal import widen_limits
from specmatch.maths.statistics.levels import mean_by
from specmatch.measurement.folder.stated import as_stated
from specmatch.measurement.reflectance.path_length import NO_FILL, ONE_KIND, SetDepth, fillings
from specmatch.spectra import PLAUSIBLE_NM, by_scan_id, check_spectra, match_wavelengths, spectra_table, text_ids

UNKNOWN, OUT_OF_RANGE = "depth_unknown", "path_out_of_range"
# a law taught between two depths serves a little beyond them
BEYOND = 1.15
_UNKNOWN_ONLY = (UNKNOWN,)


@dataclass(frozen=True)
class SampleSet:
    """Samples ready to be read."""

    averages: Averages  # of the pours of each sample that agree
    warnings: dict[str, list[str]]  # sample -> codes that its scans carry
    pours: Averages  # of the scans of each pour
    sample_of_pour: Ints  # (n_pours,): row of `averages` that each pour belongs to, whether it was averaged or not
    odd: OddPours | None  # none where every sample has one pour
    conditions: dict[str, list[str]]  # sample -> sentences about conditions that the set does not hold
    measured_on: list[str]  # ISO date of each sample's last scan, "" where it is not known
    missing: Mask | None  # (n_samples, p): channels that no neighbour can stand for; None when there are none
    told: dict[str, list[str]] = field(default_factory=dict)  # sample -> sentences of what its conditions cost
    depths: _SampleDepths | None = None  # what bringing them to the model's depth did; None where it knows no depth
    instruments: tuple[str, ...] = ()  # name of the module of each sample, as stated; empty where none is stated

    @property
    def partial(self) -> Mask:
        """Which samples lack a stretch of the spectrum, shape (n_samples,)."""
        none = np.zeros(len(self.averages.names), bool)
        return none if self.missing is None else np.asarray(self.missing.any(axis=1))

    @property
    def index(self) -> pd.Index:
        """Names of the samples, in the order given."""
        names = self.averages.names
        index = names.view() if names.dtype == object else names.astype(object)
        index.name = "sample"
        return index


def scans_alone(fitted: FittedHouse, spectra: pd.DataFrame, scans: pd.DataFrame) -> Floats:
    """Return each scan by itself as the model takes samples: on its wavelengths, without gaps, at its depth."""
    # -> (n, p)
    checked = check_spectra(spectra, any_wavelength=bool(fitted.wavelength_nm[-1] > PLAUSIBLE_NM[1]))
    values = bridge_missing(match_wavelengths(checked, fitted.wavelength_nm), fitted.wavelength_nm).reflectance
    brought = _bring_scans(fitted, values, scans.loc[spectra.index])
    return values if brought is None else brought.reflectance


def prepare_samples(
    fitted: FittedHouse, spectra: Any, scans: Any, checks: pd.DataFrame | None = None, *, every_pour: bool = False
) -> SampleSet:
    """Check scans, bring them to the model's wavelengths and depth, and average them over the pours that agree."""
    # checks: of the session of the scans
    far = bool(fitted.wavelength_nm[-1] > PLAUSIBLE_NM[1])
    checked = check_spectra(spectra, any_wavelength=far, copied=False)
    values = match_wavelengths(checked, fitted.wavelength_nm)
    filled = bridge_missing(values, fitted.wavelength_nm)
    values, bridged = filled.reflectance, filled.lacking
    if scans is None and checks is None:
        # each row is a sample of its own: no table to check, nothing to average
        own = Averages(checked.scan_ids, values, np.arange(len(values)), np.ones(len(values), np.int64))
        lacking = {name: ["missing_channels"] for name in checked.scan_ids[bridged]} if bridged.any() else {}
        depths = _depths_unstated(fitted, len(values))
        return SampleSet(own, lacking, own, own.codes, None, {}, [""] * len(values), filled.wide, depths=depths)
    table = check_scans(scans, checked.scan_ids)
    brought = _bring_scans(fitted, values, table)
    values = values if brought is None else brought.reflectance
    warnings: dict[str, list[str]] = {}
    of_scans = [(scan_id, "missing_channels") for scan_id in checked.scan_ids[bridged]]
    of_scans += [] if checks is None else list(zip(checks["scan_id"], checks["code"], strict=True))
    if of_scans:
        sample_of = dict(zip(checked.scan_ids, table["sample"], strict=True))
        # whether pours agree the model says by its own noise, whatever else was measured beside them
        several = set(table.index[table["pour"].duplicated(keep=False)])
        for scan_id, code in of_scans:
            if scan_id in sample_of and (code != "replicates_disagree" or scan_id in several):
                warnings.setdefault(sample_of[scan_id], []).append(code)
    pours = average(values, table["pour"])
    one_each = len(pours.names) == len(table)
    of_pour = table["sample"] if one_each else table["sample"].groupby(pours.codes, sort=True).first()
    whole = average(pours.reflectance, of_pour)
    # a filling whose depth is made good, or said not to be known, is no other condition
    compared = table if brought is None else table.drop(columns=["fill_ml", "cup_mm"], errors="ignore")
    conditions = {} if scans is None else departures_from(fitted.conditions, compared)
    told = {} if scans is None else _cost_of_temperature(fitted, table)
    for name, sentences in not_used(fitted.conditions, compared).items() if scans is not None else ():
        told[name] = [*told.get(name, ()), *sentences]
    days = _measured_on(table)
    of_scan = whole.codes[pours.codes]
    missing = None if filled.wide is None else mean_by(filled.wide, of_scan)[0] > 0.0
    depths = None if brought is None else _depths_of_samples(fitted, brought, whole.names, of_scan)
    means, odd = whole, None
    if not every_pour and len(whole.names) < len(pours.names):
        odd = find_outlying_replicates(fitted.faults, pours.reflectance, whole.codes)
        if odd.odd.any():
            codes = whole.codes[~odd.odd]
            kept, counts = mean_by(pours.reflectance[~odd.odd], codes)
            means = Averages(whole.names, kept, codes, counts)
    return SampleSet(means, warnings, pours, whole.codes, odd, conditions, days, missing, told, depths)


def _cost_of_temperature(fitted: FittedHouse, table: pd.DataFrame) -> dict[str, list[str]]:
    if fitted.temperature is None or "temperature_c" not in table:
        return {}
    means = pd.to_numeric(table["temperature_c"], errors="coerce").groupby(table["sample"]).mean().dropna()
    said = {str(name): fitted.temperature.sentence(float(value)) for name, value in means.items()}
    return {name: [sentence] for name, sentence in said.items() if sentence}


def _measured_on(table: pd.DataFrame) -> list[str]:
    if "measured_at" not in table:
        return [""] * table["sample"].nunique()
    # of its last scan, as a line's record dates it: a sample may be poured over midnight
    last: dict[str, str] = {}
    for sample, at in zip(table["sample"], table["measured_at"], strict=True):
        last[sample] = max(last.get(sample, ""), "" if pd.isna(at) else str(at)[:10])
    return list(last.values())


@dataclass(frozen=True)
class _Brought:
    measured: Floats  # measured, reflectance: (n, p): as they were and as brought
    reflectance: Floats
    factor: Floats  # (n,): what absorbance was multiplied by; 1.0 where nothing was done
    path_sd: Floats  # (n,): relative uncertainty of that
    unknown: dict[int, str]  # row -> what is not stated of it
    out_of_range: Mask  # (n,)


@dataclass(frozen=True)
class _SampleDepths:
    factor: Floats  # (n,)
    rows: Ints  # (k,): samples that were brought
    directions: Floats  # (k, r, p): how each may be wrong, a standard deviation long
    gain: Floats  # (k, p): by what its noise has grown
    codes: dict[int, tuple[str, ...]]  # row -> warning codes
    sentences: dict[int, tuple[str, ...]]
    codes_of_all: tuple[str, ...] = ()  # codes_of_all, sentences_of_all: of every row, before its own
    sentences_of_all: tuple[str, ...] = ()


def _depths_unstated(fitted: FittedHouse, n: int) -> _SampleDepths | None:
    """Return what is to be said of samples whose scans come without a table; None where the model knows no depth."""
    if fitted.depth is None or fitted.path_law is None:
        return None
    rows, p = np.zeros(0, np.int64), fitted.wavelength_nm.size
    said = (f"{NO_FILL}: {_taken_as(fitted.depth)}",)
    return _SampleDepths(np.ones(n), rows, np.zeros((0, 1, p)), np.zeros((0, p)), {}, {}, _UNKNOWN_ONLY, said)


def _taken_as(depth: SetDepth) -> str:
    return f"taken to be at the set's depth, {depth.said}; 1 % more beer reads 1 % darker"


def _bring_scans(fitted: FittedHouse, reflectance: Floats, scans: pd.DataFrame) -> _Brought | None:
    # reflectance (n, p)
    depth, law = fitted.depth, fitted.path_law
    if depth is None or law is None:
        return None
    found = fillings(scans, depth)
    factor = np.where(found.elsewhere & np.isfinite(found.factor), found.factor, 1.0)
    out_of_range, moved = found.out_of_range, factor != 1.0
    values = reflectance
    if moved.any():
        values = reflectance.copy()
        values[moved] = law.to_depth(reflectance[moved], factor[moved])
        out_of_range[moved] |= law.no_light(reflectance[moved], factor[moved])
    return _Brought(reflectance, values, factor, found.path_sd, found.unknown, out_of_range)


def _depths_of_samples(fitted: FittedHouse, brought: _Brought, names: pd.Index, sample_of_scan: Ints) -> _SampleDepths:
    # sample_of_scan (n_scans,)
    assert fitted.depth is not None and fitted.path_law is not None  # they were brought by it
    both = mean_by(np.column_stack([brought.factor, brought.path_sd]), sample_of_scan)[0]
    factor, path_sd = both[:, 0], both[:, 1]
    rows = np.flatnonzero((factor != 1.0) | (path_sd > 0.0))
    law = fitted.path_law
    # pours differ little beside what bringing does: the mean as measured stands for them
    place = np.full(len(names), -1)
    place[rows] = np.arange(rows.size)
    of_row = place[sample_of_scan]
    raw = mean_by(brought.measured[of_row >= 0], of_row[of_row >= 0])[0]
    directions = law.directions(raw, factor[rows], path_sd[rows])
    out = np.flatnonzero(np.bincount(sample_of_scan[brought.out_of_range], minlength=len(names)))
    codes: dict[int, tuple[str, ...]] = dict.fromkeys(out.tolist(), (OUT_OF_RANGE,))
    sentences: dict[int, tuple[str, ...]] = {}
    at = _taken_as(fitted.depth)
    row_of = sample_of_scan.tolist()
    # most often one thing is lacking of all scans: their rows share its words
    said = {lacking: (f"{lacking}: {at}",) for lacking in set(brought.unknown.values())}
    for scan, lacking in brought.unknown.items():
        row = row_of[scan]
        before = codes.get(row, ())
        if UNKNOWN not in before:
            codes[row] = (*before, UNKNOWN) if before else _UNKNOWN_ONLY
            sentences[row] = said[lacking]
    for row in np.flatnonzero(np.abs(np.log(factor)) > ONE_KIND).tolist():
        sentences[row] = (*sentences.get(row, ()), _how(fitted.depth, law, float(factor[row])))
    return _SampleDepths(factor, rows, directions, law.gain(raw, factor[rows]), codes, sentences)


def _how(depth: SetDepth, law: PathLaw, factor: float) -> str:
    said = f"brought to the set's depth, {depth.said}: absorbance times {factor:.3g}"
    if law.taught_by == SECOND_FILL:
        if law.lowest / BEYOND <= 1.0 / factor <= law.highest * BEYOND:
            return f"{said}, as {law.n_batches} batches at a second fill taught"
        return f"{said}, beyond the fillings that taught how ({law.lowest:.2g} to {law.highest:.2g} of the set's depth)"
    advice = "measure six batches of the set at this filling too"
    if law.taught_by == TEXTBOOK:
        return f"{said}, by the textbook law, which serves near the set's depth only: {advice}"
    return f"{said}, as its lab colours say that this cup and base go; to know better {advice}"


def widened(
    colour: Floats, low: Floats, high: Floats, depths: _SampleDepths, means: Floats,
    predict: Callable[[Floats], Floats], coverage: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Widen colour intervals by what bringing samples to the model's depth may have done to them."""
    # colour, low, high (n,), means (n, p) -> (n,), (n,)
    rows, (k, r, p) = depths.rows, depths.directions.shape
    moved = predict((means[rows][:, None, :] + depths.directions).reshape(k * r, p)).reshape(k, r)
    middle = colour[rows]
    if (middle > 0).all() and (moved > 0).all():
        sd = np.sqrt((np.log(moved / middle[:, None]) ** 2).sum(axis=1))
    else:
        apart = np.sqrt(((moved - middle[:, None]) ** 2).sum(axis=1))
        sd = apart / np.maximum(np.abs(middle), np.finfo(float).tiny)
    low, high = low.copy(), high.copy()
    low[rows], high[rows] = widen_limits(middle, low[rows], high[rows], float(ndtri(0.5 + coverage / 2.0)) * sd)
    return low, high


PARTS = ("lamp", "cup", "base")


@dataclass(frozen=True)
class Part:
    """Scans of one module of a model, with the checks of their session where there are some."""

    main: FittedHouse  # the whole model
    fitted: FittedHouse  # what reads this part
    spectra: Any
    scans: Any
    checks: Any
    rows: Ints  # (n,): where the scans stood among all of them
    every_pour: bool = False  # whether pours at odds with their mates are averaged too

    @cached_property
    def samples(self) -> SampleSet:
        """Its samples, with the name of their module and what the model does not know of it."""
        samples = prepare_samples(self.fitted, self.spectra, self.scans, self.checks, every_pour=self.every_pour)
        return _named(self, samples)

    @cached_property
    def match(self) -> Match:
        """Its samples held against the beers that were offered on their day."""
        samples, fitted = self.samples, self.fitted
        means, depths = samples.averages, samples.depths
        doubts = None
        if depths is not None and depths.rows.size:
            doubts = Doubts(depths.rows, depths.directions, depths.gain)
        match = fitted.identity.match(means.reflectance, means.counts, missing=samples.missing, doubts=doubts)
        offered = fitted.offered.on(samples.measured_on)
        if offered.all():
            return match
        p_value, distance = np.where(offered, match.p_value, np.nan), np.where(offered, match.distance, np.inf)
        return replace(match, p_value=p_value, distance=distance)

    @property
    def p_values(self) -> pd.DataFrame:
        """How typical its samples are of each beer."""
        beers = pd.Index(self.fitted.beers, name="beer")
        return pd.DataFrame(self.match.p_value, index=self.samples.index, columns=beers)

    def batches(self) -> list[str]:
        """Return the batches that its scans are stated to be of; a table of scans may hold others beside them."""
        if not isinstance(self.scans, pd.DataFrame) or "batch" not in self.scans:
            return []
        own = pd.Index([self.spectra.name]) if isinstance(self.spectra, pd.Series) else self.spectra.index
        table = self.scans.set_index("scan_id") if "scan_id" in self.scans else self.scans
        said = table.loc[text_ids(table.index, "scan_id").isin(text_ids(own, "scan_id")), "batch"]
        return [name for name in dict.fromkeys(map(plain_text, said)) if name]


def parts_by_module(fitted: FittedHouse, spectra: Any, scans: Any, *, every_pour: bool = False) -> list[Part]:
    """Part the scans of a session or table by the module of the model that reads them."""
    checks = None
    if not isinstance(spectra, pd.Series | pd.DataFrame) and hasattr(spectra, "checks") and hasattr(spectra, "spectra"):
        # its own table was held to it when the sheet was read
        scans = spectra.scans if scans is None else as_stated(scans, "scans")
        spectra, checks = spectra.spectra, spectra.checks
    else:
        spectra = by_scan_id(spectra) if isinstance(spectra, pd.DataFrame) else spectra
        scans = as_stated(scans, "scans")
    if not fitted.modules or not isinstance(scans, pd.DataFrame) or "instrument" not in scans.columns:
        return [Part(fitted, fitted, spectra, scans, checks, np.zeros(0, np.int64), every_pour)]
    checked = check_spectra(spectra, any_wavelength=bool(fitted.wavelength_nm[-1] > PLAUSIBLE_NM[1]))
    spectra = spectra_table(checked) if isinstance(spectra, pd.Series) else spectra
    table = check_scans(scans, checked.scan_ids)
    place = np.array([_place(fitted, row) for row in _rows(table)])
    split = pd.Series(place).groupby(table["sample"].to_numpy(), sort=False).nunique()
    if (split > 1).any():
        raise TableError(
            f"sample {split.index[int((split > 1).argmax())]!r} has scans of two modules of the model, which are read "
            "each by its own: give the scans of each module a sample of their own"
        )
    return [
        Part(
            fitted, fitted if k < 0 else fitted.modules[k].fitted, spectra[place == k], table[place == k],
            None if checks is None else checks[checks["scan_id"].isin(checked.scan_ids[place == k])],
            np.flatnonzero(place == k), every_pour,
        )
        for k in dict.fromkeys(place.tolist())
    ]  # fmt: skip


def joined(parts: list[Part], answer: Callable[[Part], pd.DataFrame]) -> pd.DataFrame:
    """Return one table of what is answered part by part, samples in the order given."""
    tables = [answer(part) for part in parts]
    if len(tables) == 1:
        return tables[0]
    first = np.concatenate([part.rows for part in parts])
    names = np.concatenate([part.scans["sample"].to_numpy(dtype=object) for part in parts])[np.argsort(first)]
    whole = pd.concat(tables)
    return whole.loc[pd.Index(names).drop_duplicates()].rename_axis(whole.index.name)


def _rows(table: pd.DataFrame) -> list[dict[str, str]]:
    columns = [name for name in ("instrument", *PARTS) if name in table.columns]
    cells = {name: [plain_text(value).casefold() for value in table[name]] for name in columns}
    return [dict(zip(columns, row, strict=True)) for row in zip(*cells.values(), strict=True)]


def _place(fitted: FittedHouse, row: dict[str, str]) -> int:
    fits = [k for k, one in enumerate(fitted.modules) if _is_of(one, row)]
    # the one that says most of it: a lamp of its own before the bare name
    return max(fits, key=lambda k: sum(bool(getattr(fitted.modules[k], part)) for part in PARTS), default=-1)


def _is_of(module: SecondModule, row: dict[str, str]) -> bool:
    parts = all(getattr(module, part).casefold() in ("", row.get(part, "")) for part in PARTS)
    return parts and module.instrument.casefold() == row.get("instrument", "")


def _named(part: Part, samples: SampleSet) -> SampleSet:
    table = part.scans
    if not isinstance(table, pd.DataFrame) or "instrument" not in table.columns:
        if not part.main.modules:
            return samples
        table = pd.DataFrame({"sample": list(samples.index), "instrument": ""})
    if "sample" not in table.columns:
        table = check_scans(table, table.index)
    stated = table["instrument"].map(plain_text).groupby(table["sample"], sort=False)
    names = {str(sample): tuple(dict.fromkeys(cells)) for sample, cells in stated}
    conditions = {name: list(said) for name, said in samples.conditions.items()}
    warnings = {name: list(codes) for name, codes in samples.warnings.items()}
    modules = (*part.main.conditions.instrument, *(one.instrument for one in part.main.modules))
    known = {name.casefold() for name in modules}
    for sample, cells in names.items():
        for cell in cells:
            if not known and cell:
                said = f"the set records no instrument: whether {cell} is its module cannot be told"
            elif cell and cell.casefold() not in known:
                said = f"the instrument is {cell}, the model knows {', '.join(dict.fromkeys(modules))}"
            elif not cell and len(known) > 1:
                said = f"the instrument is not stated, and the model knows {', '.join(sorted(known))}"
            else:
                continue
            conditions.setdefault(sample, []).append(said)
            if known:
                warnings.setdefault(sample, []).append("other_instrument")
    instruments = tuple(", ".join(cell for cell in names.get(str(name), ()) if cell) for name in samples.index)
    return replace(samples, warnings=warnings, conditions=conditions, instruments=instruments)
