"""A measured folder to a session: checked reflectance with everything that is known of it."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask, is_number
from specmatch.batches import check_scans
from specmatch.errors import MissingScanError, OptionError, ParentsError, ScanFileError, TableError, UnitError
from specmatch.long_jobs import step
from specmatch.maths.spectra.channels import usable_band
from specmatch.measurement.checks.counts import CheckRow, check_table, jumps, mask_hot_pixels, mask_lone_full_pixels
from specmatch.measurement.checks.disagreement import header_rows, replicate_checks
from specmatch.measurement.checks.paired_scans import check_paired_scans, reflectance_range_rows
from specmatch.measurement.folder.columns import MOST_NAMED
from specmatch.measurement.folder.folder import MeasuredFolder, first_reason, known_batches, no_materials, read_folder
from specmatch.measurement.reflectance.path_length import at_one_depth, brought_to, one_depth_mm
from specmatch.measurement.reflectance.raw_scans import gather_raw_scans
from specmatch.measurement.reflectance.reflectance import Paired, RawScans, of_instrument, pair, subtract_darks
from specmatch.spectra import tidy_name
from specmatch.storage import path_of
from specmatch.wording import counted, in_ten_lines, listed

_OWN = ("file", "role", "time", "order", "beer")


def one_reference_kind(rows: pd.DataFrame) -> str:
    """Return the one kind of reference that a folder states."""
    kinds = rows["reference_kind"].str.lower()
    kinds = kinds[kinds != ""].drop_duplicates()
    if len(kinds) > 1:
        (first, one), (second, other) = list(kinds.items())[:2]
        raise UnitError(
            f"reference_kind is {one!r} for {first} and {other!r} for {second}; the two differ by about 4 % in level: "
            "measure a folder of each"
        )
    return str(kinds.iloc[0]) if len(kinds) else ""


def known_columns(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the sheet without the columns of the folder's own, and without columns that say nothing."""
    table = rows.drop(columns=[column for column in _OWN if column in rows])
    cells = table.to_numpy(dtype=object)  # at once: column by column it takes a fifth of the time of measuring a folder
    said = ~(pd.isna(cells) | (cells == "")).all(axis=0)
    return table.loc[:, said | table.columns.isin(("pour", "sample", "batch"))]


def claims_of(rows: pd.DataFrame, scans: pd.DataFrame) -> pd.Series:
    """Return the beer that the sheet says each sample is."""
    # rows (n, k), scans (n, m)
    claims: dict[str, str] = {}
    for sample, beer in zip(scans["sample"], map(tidy_name, rows["beer"]), strict=True):
        if beer and (first := claims.setdefault(sample, beer)) != beer:
            raise ParentsError(
                f"sample {sample!r} is claimed to be {first!r} and {beer!r}; a sample is of one beer: correct scans.csv"
            )
    return pd.Series([*claims.values()], pd.Index(claims, dtype=object, name="sample"), dtype=object, name="beer")


@dataclass(frozen=True, eq=False)
class Session:
    """What was measured, as reflectance, and what is to be said about it.

    Attributes
    ----------
    spectra : DataFrame, shape (n, p)
        Reflectance of the sample scans, index `scan_id`, columns wavelength in nm; NaN marks a masked channel.
    scans : DataFrame
        The same index: `pour`, `sample`, `batch`, and what the sheet says besides.
    batches : DataFrame
        Index `batch`: `beer`, `colour` and more; empty where the folder has none.
    claims : Series
        Sample -> the beer that the sheet says it is; samples without a claim are absent.
    controls, control_scans : DataFrame
        Reflectance of the control scans, and their rows of the sheet.
    check_scans : DataFrame
        Index `scan_id`: rows of the sheet of role `check`, pieces that only a commissioning looks at.
    sheets : tuple of str
        Names of those sheets of which something is to be known; `sheet_notes` has it.
    materials : DataFrame
        `material, material_lot, colour, colour_unit, colour_sd` of `materials.csv`: what the controls are known to be.
    references : DataFrame
        Light of the reference scans, counts per ms above the dark; those without a dark are absent.
    reference_scans : DataFrame
        The same index: their rows of the sheet.
    checks : DataFrame
        `scan_id, code, size, sentence`: codes of `specmatch.WARNING_CODES`.
    left_out : DataFrame
        `file, reason`: everything that was not used.
    notes : DataFrame
        `subject, note`: decisions and oddities that change nothing but should be known.
    band_nm : tuple of float, or None
        Lowest and highest wavelength in which the references carry signal.
    usable : Series of bool
        Whether each channel lies in that band and is not masked; index wavelength in nm.
    reference_kind : str
        `water`, `base` or "" where not stated.
    depth_mm : float or None
        Depth of beer that all samples stand at; None where they differ or no filling is stated.
    folder : str
    """

    spectra: pd.DataFrame
    scans: pd.DataFrame
    batches: pd.DataFrame
    claims: pd.Series
    controls: pd.DataFrame
    control_scans: pd.DataFrame
    references: pd.DataFrame
    reference_scans: pd.DataFrame
    checks: pd.DataFrame
    left_out: pd.DataFrame
    notes: pd.DataFrame
    band_nm: tuple[float, float] | None
    usable: pd.Series
    reference_kind: str
    depth_mm: float | None
    folder: str
    sheets: tuple[str, ...] = ()
    check_scans: pd.DataFrame = field(default_factory=pd.DataFrame)
    materials: pd.DataFrame = field(default_factory=no_materials)

    def __repr__(self) -> str:
        samples = counted(self.scans["sample"].nunique(), "sample") if "sample" in self.scans else "no sample"
        return f"<Session {self.folder!r}: {counted(len(self.scans), 'scan')} of {samples}>"

    def _repr_html_(self) -> str:
        """Show the session in a notebook: the line above and what is to be known of it, in ten lines at most."""
        codes = self.checks["code"].value_counts() if len(self.checks) else {}
        lines = [
            f"{counted(len(self.batches), 'batch')} with a beer or a lab colour, {counted(len(self.claims), 'claim')}",
            f"{counted(len(self.references), 'reference scan')}, {counted(len(self.controls), 'control scan')}",
            f"band {self.band_nm[0]:.0f} to {self.band_nm[1]:.0f} nm" if self.band_nm else "band not known",
            f"{counted(len(self.left_out), 'file')} left out (.left_out)" if len(self.left_out) else "nothing left out",
            f"{counted(len(self.notes), 'note')} (.notes)" if len(self.notes) else "no notes",
            *(f"{code}: {counted(int(n), 'scan')} (.checks)" for code, n in codes.items()),
        ]
        return in_ten_lines(repr(self), lines)

    @property
    def sheet_notes(self) -> pd.DataFrame:
        """Those of `notes` that speak of the folder's sheets."""
        return self.notes[self.notes["subject"].isin(self.sheets)]


def measure(
    folder: str | Path,
    *,
    dark_age_h: float = 12.0,
    reference_age_h: float = 12.0,
    dark_offset: float | None = None,
    full_scale: float | None = None,
    depth_mm: float | None = None,
    date_order: str | None = None,
    n_jobs: int | None = None,
    **reading: Any,
) -> Session:
    """Turn a measured folder into checked reflectance.

    Parameters
    ----------
    folder : str or Path
        Scan files, `scans.csv` with at least the columns `file` and `role`, and `batches.csv` where there are lab
        colours.
    dark_age_h, reference_age_h : float, default 12
        Hours between a scan and its dark or reference beyond which it is called stale.
    dark_offset : float, optional
        Counts of the dark at 0 ms, for folders whose darks were taken at one other integration time.
    full_scale : float, optional
        Largest count of the converter, where it is not one of the usual ones.
    depth_mm : float, optional
        Depth of beer in mm to bring all samples to, by `fill_ml` and `cup_mm`, which then state it; unless given,
        spectra stay as measured, and whoever reads them brings each to the depth of its model.
    date_order : {"dmy", "mdy", "ymd"}, optional
        Order of day, month and year in dates of the sheets that can be read in two ways (`03/04/2024`).
    n_jobs : int, optional
        Workers that read files; one by one unless given. No joblib back end is named: `joblib.parallel_config` may.
    **reading
        Keywords of `read_scans`, for every file of the folder.

    Returns
    -------
    Session

    Raises
    ------
    MissingScanError
        If the folder, a file listed, or every dark or reference for a scan is missing.
    SheetError
        If a sheet is missing or damaged, a column is likely misnamed, or one fact is stated in two ways.
    DateOrderError
        If dates can be read in two ways and `date_order` is not given; all of them are listed.
    OptionError
        If `depth_mm`, an age or `full_scale` is not above 0.
    ParentsError
        If a pour, sample or batch stands under two parents.
    ScanFileError
        If nothing usable is left.

    Examples
    --------
    >>> import specmatch as sm
    >>> session = sm.measure("monday/")
    >>> session.spectra.shape[0], len(session.batches), len(session.left_out)
    (54, 18, 0)
    """
    stated = {"dark_age_h": dark_age_h, "reference_age_h": reference_age_h, "full_scale": full_scale}
    for name, number in (stated | {"depth_mm": depth_mm}).items():
        if number is not None and not (is_number(number) and 0 < number < np.inf):
            raise OptionError(f"{name} is {number!r}; expected a number above 0")
    step(f"measuring {folder}")
    found = read_folder(path_of(folder), n_jobs=n_jobs, reading=reading, date_order=date_order)
    return session_of(
        found, folder=str(folder), dark_age_h=dark_age_h, reference_age_h=reference_age_h, dark_offset=dark_offset,
        full_scale=full_scale, depth_mm=depth_mm,
    )  # fmt: skip


def session_of(
    found: MeasuredFolder,
    *,
    folder: str = "",
    dark_age_h: float = 12.0,
    reference_age_h: float = 12.0,
    dark_offset: float | None = None,
    full_scale: float | None = None,
    depth_mm: float | None = None,
) -> Session:
    """Turn what was read of a folder, or of a part of it, into checked reflectance."""
    kind = one_reference_kind(found.rows)
    left_out, notes = list(found.left_out), list(found.notes)
    raw, direct = gather_raw_scans(found, left_out, notes)
    checks = _without_bad_pixels(raw, full_scale)
    net = subtract_darks(raw, dark_offset=dark_offset)
    notes += [("dark", note) for note in net.notes]
    paired = pair(raw, net)
    _refuse_unlisted(paired, found)
    checks += check_paired_scans(paired, full_scale=full_scale, dark_age_h=dark_age_h, reference_age_h=reference_age_h)
    checks += header_rows(found, paired)
    wanted = paired.rows("sample", "control")
    for i in wanted[paired.reference[wanted] < 0]:
        left_out.append((str(found.rows.loc[raw.scan_ids[i], "file"]), paired.reasons[int(i)]))
    table, usable = _scan_table(raw, paired.values, wanted[paired.reference[wanted] >= 0]), paired.live()
    if direct is not None:
        if not paired.banded:
            usable = _live_of_pours(direct, found.rows)
        values, nm = direct.to_numpy()[:, usable], raw.wavelength_nm[usable]
        checks += reflectance_range_rows(direct.index.to_numpy(dtype=object), values, nm)
        table = pd.concat([table, direct]) if len(table) else direct
        table = table.loc[found.rows.index[found.rows.index.isin(table.index)]]
    table = _usable_rows(table, usable, found, left_out, folder)
    sample, control = (table[found.rows.loc[table.index, "role"].to_numpy() == role] for role in ("sample", "control"))
    sample, known = _at_depth(sample, found, depth_mm, left_out, notes)
    scans = check_scans(known, sample.index)
    disagreeing = replicate_checks(at_one_depth(sample, scans), scans, usable=usable)
    batches = known_batches(found.batches, scans, left_out, notes)
    nm, references = raw.wavelength_nm, _light(paired)
    return Session(
        spectra=sample,
        scans=scans,
        batches=batches,
        claims=claims_of(found.rows.loc[sample.index], scans),
        controls=control,
        control_scans=known_columns(found.rows.loc[control.index]),
        references=references,
        reference_scans=known_columns(found.rows.loc[references.index]),
        checks=pd.concat([check_table(checks), disagreeing], ignore_index=True),
        left_out=pd.DataFrame(left_out, columns=["file", "reason"], dtype=object),
        notes=pd.DataFrame(notes, columns=["subject", "note"], dtype=object),
        band_nm=(float(nm[usable][0]), float(nm[usable][-1])) if paired.banded else None,
        usable=pd.Series(usable, index=table.columns, name="usable"),
        reference_kind=kind,
        depth_mm=one_depth_mm(scans),
        folder=str(folder),
        sheets=tuple(dict.fromkeys(subject for subject, _ in found.notes)),
        check_scans=known_columns(found.rows[(found.rows["role"] == "check").to_numpy()]),
        materials=found.materials,
    )


def _without_bad_pixels(raw: RawScans, full_scale: float | None) -> list[CheckRow]:
    hot, checks = mask_hot_pixels(raw)
    raw.counts[hot] = np.nan
    lone, full = mask_lone_full_pixels(raw, full_scale=full_scale)
    raw.counts[lone], raw.saturated[hot | lone] = np.nan, False
    return checks + full


def _scan_table(raw: RawScans, values: Floats, rows: Ints) -> pd.DataFrame:
    ids = pd.Index(raw.scan_ids[rows], name="scan_id", dtype=object)
    return pd.DataFrame(values[rows], index=ids, columns=pd.Index(raw.wavelength_nm, name="wavelength_nm"))


def _light(paired: Paired) -> pd.DataFrame:
    rows, values = paired.rows("reference"), paired.net.values
    return _scan_table(paired.raw, values, rows[np.isfinite(values[rows]).any(axis=1)])


def _at_depth(
    sample: pd.DataFrame,
    found: MeasuredFolder,
    depth_mm: float | None,
    left_out: list[tuple[str, str]],
    notes: list[tuple[str, str]],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return sample scans and what is known of them, at the depth that was asked for, else as they were measured."""
    known = known_columns(found.rows.loc[sample.index])
    if depth_mm is None or sample.empty:
        return sample, known
    sample, known, brought, unfit = brought_to(sample, known, depth_mm)
    notes += brought
    left_out += [(str(found.rows.loc[name, "file"]), reason) for name, reason in unfit.items()]
    return sample, known


def _usable_rows(
    table: pd.DataFrame, usable: Mask, found: MeasuredFolder, left_out: list[tuple[str, str]], folder: str
) -> pd.DataFrame:
    """Leave out scans without a value, or far brighter than their reference; refuse a folder of which none is left."""
    values = table.to_numpy(float)
    empty = ~np.isfinite(values[:, usable]).any(axis=1)
    level = np.full(len(table), np.nan)
    level[~empty] = np.nanmedian(values[~empty][:, usable], axis=1)
    beyond = empty | (level > 1.5)
    for k in np.flatnonzero(beyond):
        bright = f"reflects {level[k]:.2f} times its reference, which no beer does"
        said = "no channel carries light" if empty[k] else bright
        reason = f"{said}: wrong reference, wrong dark or wrong integration time; measure again"
        left_out.append((str(found.rows.loc[table.index[k], "file"]), reason))
    if beyond.all():
        first = f"; the first: {first_reason(left_out)}" if left_out else ""
        raise ScanFileError(f"{folder}: nothing usable is left of {len(found.rows) + len(found.left_out)} scans{first}")
    return table[~beyond]


def _refuse_unlisted(paired: Paired, found: MeasuredFolder) -> None:
    """Refuse a folder in which the sheet itself gives no scan a dark and a reference: that is mended in the sheet."""
    known = found.unread_roles | set(zip(found.rows["instrument"], found.rows["role"], strict=True))
    raw = paired.raw
    if (paired.reference >= 0).any():
        return  # the others are left out, each with its reason
    for i in paired.rows("sample", "control"):
        instrument = raw.instrument[i]
        for role, needed in (("dark", not raw.dark_removed[i]), ("reference", True)):
            if needed and not known & {(instrument, role), ("", role)}:
                lies = listed(found.unlisted, MOST_NAMED)
                raise MissingScanError(
                    f"scan {raw.scan_ids[i]!r} has no {role} scan{of_instrument(instrument)}: scans.csv lists none; "
                    f"take one, or list its file with role {role}" + (f". Not listed: {lies}" if lies else "")
                )


def _live_of_pours(direct: pd.DataFrame, rows: pd.DataFrame) -> Mask:
    """Channels that carry signal in scans that came as reflectance; all of them where there are too few to tell."""
    every = np.ones(direct.shape[1], bool)
    if len(direct) < 6 or direct.shape[1] < 30:
        return every
    try:
        return usable_band(direct.to_numpy(), pd.factorize(rows.loc[direct.index, "sample"])[0])
    except TableError:
        return every


# How the light of reference scans went on over time, across folders measured at different times.

WEAK, DRIFTED = "low_light", "lamp_drift"
_TEXT = ("folder", "measured_at", "instrument", "session")


def reference_history(sessions: Sequence[Session]) -> pd.DataFrame:
    """Return the level of every reference scan as a share of the first of its instrument, in the order of time."""
    # A level is the median of the quotient over the wavelengths that are usable in every folder, so that folders with
    # other masked channels, or a slightly narrower band, stay comparable. The first that carries light is what the
    # others are held against; where none does, levels are NaN. The rule for `lamp_drift` is that of `measure`, held
    # over all folders: a lamp may be changed between two of them.
    parts = [_rows(session) for session in sessions]
    history = pd.concat(parts) if parts else pd.DataFrame(columns=[*_TEXT, "level", "code"])
    # one way of sorting for all instruments: an order by date with undated scans in it would be made up
    times = reference_times(history)
    order = np.argsort(times.to_numpy(), kind="stable") if times is not None else np.arange(len(history))
    light = [
        (row, session.references.columns.to_numpy(float), session.usable.to_numpy(bool))
        for session in sessions
        for row in session.references.to_numpy(float)
    ]
    level, instrument = np.full(len(history), np.nan), history["instrument"].to_numpy()
    code = history["code"].to_numpy(dtype=object, copy=True)
    carries = code != WEAK
    for name in dict.fromkeys(instrument):
        own = [i for i in order if instrument[i] == name]
        lit = next((i for i in own if carries[i]), None)
        if lit is not None:
            level[own] = _levels([light[i] for i in own], own.index(lit))
            lit_ones = [i for i in own if carries[i]]
            for place in jumps(level[lit_ones]):
                code[lit_ones[place]] = DRIFTED
    return history.assign(level=level, code=code).iloc[order]


def reference_times(history: pd.DataFrame) -> pd.Series | None:
    """Return the times of a history in UTC, or None where any reference has none."""
    times = pd.to_datetime(history["measured_at"].replace("", None), utc=True, errors="coerce", format="ISO8601")
    return times if len(times) and times.notna().all() else None


def _rows(session: Session) -> pd.DataFrame:
    rows, checks = session.reference_scans, session.checks
    weak = rows.index.isin(checks.loc[checks["code"] == WEAK, "scan_id"])
    code = pd.Series(np.where(weak, WEAK, ""), rows.index, dtype=object)
    known = {column: rows[column].fillna("").astype(str) if column in rows else "" for column in _TEXT[1:]}
    return pd.DataFrame({"folder": session.folder, **known, "code": code}, index=rows.index)


def _levels(light: Sequence[tuple[Floats, Floats, Mask]], first: int) -> Floats:
    """Return the median quotient of each to the first, over the wavelengths where all can be used."""
    # light: of each scan its light, its wavelengths, and which of them are usable
    seen = []
    for y, nm, usable in light:
        known = np.isfinite(y)
        # where nothing of a scan is usable (no light at all), whatever was measured still has a level
        keep = known & usable if (known & usable).any() else known
        seen.append((nm[keep], y[keep]))
    low, high = max(x[0] for x, _ in seen), min(x[-1] for x, _ in seen)
    grid = seen[first][0]
    grid = grid[(grid >= low) & (grid <= high)]
    if grid.size == 0:
        raise TableError(
            "the reference scans of one instrument share no usable wavelength; make a history of each folder"
        )
    on_grid = [np.interp(grid, x, y) for x, y in seen]
    return np.array([float(np.median(values / on_grid[first])) for values in on_grid])
