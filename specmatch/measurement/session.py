"""A measured folder to a session: checked reflectance with everything that is known of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.batches import check_scans
from specmatch.errors import MissingScanError, ParentsError, ScanFileError, UnitError
from specmatch.measurement.check_table import CheckRow, check_table
from specmatch.measurement.folder import MeasuredFolder, read_folder
from specmatch.measurement.pairing import live_of_session, of_instrument, pair_references
from specmatch.measurement.raw_scans import gather_raw_scans
from specmatch.measurement.reflectance import Net, RawScans, over_reference, subtract_darks
from specmatch.measurement.replicates import replicate_checks
from specmatch.measurement.scan_checks import raw_checks, reflectance_checks

Floats = NDArray[np.float64]
_OWN = ("file", "role", "time", "order", "beer")


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
    folder : str
    """

    spectra: pd.DataFrame
    scans: pd.DataFrame
    batches: pd.DataFrame
    claims: pd.Series
    controls: pd.DataFrame
    control_scans: pd.DataFrame
    checks: pd.DataFrame
    left_out: pd.DataFrame
    notes: pd.DataFrame
    band_nm: tuple[float, float] | None
    usable: pd.Series
    reference_kind: str
    folder: str


def measure(
    folder: str | Path,
    *,
    dark_age_h: float = 12.0,
    reference_age_h: float = 12.0,
    dark_offset: float | None = None,
    full_scale: float | None = None,
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
        If a sheet is missing or damaged.
    ParentsError
        If a pour, sample or batch stands under two parents.
    ScanFileError
        If nothing usable is left.

    Examples
    --------
    >>> import specmatch as sm
    >>> session = sm.measure("monday/")  # doctest: +SKIP
    >>> session.spectra, session.checks  # doctest: +SKIP
    """
    folder = Path(folder)
    found = read_folder(folder, n_jobs=n_jobs, reading=reading)
    kind = _one_kind(found.rows)
    left_out, notes = list(found.left_out), list(found.notes)
    raw, direct = gather_raw_scans(found, left_out, notes)
    checks: list[CheckRow] = []
    net = subtract_darks(raw, dark_offset=dark_offset)
    notes += [("dark", note) for note in net.notes]
    reference, reasons = pair_references(raw, net)
    _refuse_unlisted(raw, net, reasons, found)
    usable = live_of_session(raw, net)
    values = np.full(raw.counts.shape, np.nan)
    paired = np.flatnonzero(reference >= 0)
    values[paired] = over_reference(net.values[paired], net.values[reference[paired]])
    checks += raw_checks(
        raw, net, reference, usable, full_scale=full_scale, dark_age_h=dark_age_h, reference_age_h=reference_age_h
    )
    for i in np.flatnonzero(np.isin(raw.role, ("sample", "control")) & (reference < 0)):
        left_out.append((str(found.rows.loc[raw.scan_ids[i], "file"]), reasons[int(i)]))
    table = pd.DataFrame(
        values, index=pd.Index(raw.scan_ids, name="scan_id"), columns=pd.Index(raw.wavelength_nm, name="wavelength_nm")
    )
    table = table[(reference >= 0) & np.isin(raw.role, ("sample", "control"))]
    if direct is not None:
        table = pd.concat([table, direct])
    keep, too_bright = _within_reason(table, usable)
    left_out += [(str(found.rows.loc[name, "file"]), reason) for name, reason in too_bright]
    table = table[keep]
    if table.empty:
        first = f"; the first: {left_out[0][0]}: {left_out[0][1]}" if left_out else ""
        raise ScanFileError(f"{folder}: nothing usable is left of {len(found.rows) + len(found.left_out)} scans{first}")
    rows = found.rows.loc[table.index]
    sample, control = table[(rows["role"] == "sample").to_numpy()], table[(rows["role"] == "control").to_numpy()]
    scans = check_scans(_scan_table(found.rows.loc[sample.index]), sample.index)
    live = usable if usable.any() else np.ones(usable.size, bool)
    checks += reflectance_checks(table, rows["role"].to_numpy(dtype=object), live, raw.wavelength_nm)
    listed = pd.concat([check_table(checks), replicate_checks(sample, scans, usable=live)], ignore_index=True)
    batches = _known_batches(found.batches, scans, left_out, notes)
    nm = raw.wavelength_nm
    return Session(
        spectra=sample,
        scans=scans,
        batches=batches,
        claims=_claims(found.rows.loc[sample.index], scans),
        controls=control,
        control_scans=_scan_table(found.rows.loc[control.index]),
        checks=listed,
        left_out=pd.DataFrame(left_out, columns=["file", "reason"], dtype=object),
        notes=pd.DataFrame(notes, columns=["subject", "note"], dtype=object),
        band_nm=(float(nm[usable][0]), float(nm[usable][-1])) if usable.any() else None,
        usable=pd.Series(usable, index=table.columns, name="usable"),
        reference_kind=kind,
        folder=str(folder),
    )


def _one_kind(rows: pd.DataFrame) -> str:
    kinds: dict[str, str] = {}
    for scan_id, kind in rows["reference_kind"].items():
        if kind:
            kinds.setdefault(kind.lower(), str(scan_id))
    if len(kinds) > 1:
        (one, first), (other, second) = list(kinds.items())[:2]
        raise UnitError(
            f"reference_kind is {one!r} for {first} and {other!r} for {second}; the two differ by about 4 % in level: "
            "measure a folder of each"
        )
    return next(iter(kinds), "")


def _refuse_unlisted(raw: RawScans, net: Net, reasons: dict[int, str], found: MeasuredFolder) -> None:
    """Refuse a folder in which the sheet itself gives a scan no dark or no reference: that is mended in the sheet."""
    listed = {(row.instrument, row.role) for row in found.rows[["instrument", "role"]].itertuples()} | set(
        found.unread_roles
    )
    for i in np.flatnonzero(np.isin(raw.role, ("sample", "control"))):
        instrument = raw.instrument[i]
        for role, needed in (("dark", not raw.dark_removed[i]), ("reference", True)):
            if needed and (instrument, role) not in listed:
                raise MissingScanError(
                    f"scan {raw.scan_ids[i]!r} has no {role} scan{of_instrument(instrument)}: scans.csv lists none; "
                    "take one, or list "
                    f"its file with role {role}"
                )


def _within_reason(table: pd.DataFrame, usable: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], list[tuple[str, str]]]:
    """Leave out scans that nothing can be made of: no value at all, or far brighter than their reference."""
    values = table.to_numpy(float)
    live = usable if usable.any() else np.ones(values.shape[1], bool)
    keep = np.ones(len(table), bool)
    reasons = []
    empty = ~np.isfinite(values[:, live]).any(axis=1)
    level = np.full(len(table), np.nan)
    level[~empty] = np.nanmedian(values[~empty][:, live], axis=1)
    for k in np.flatnonzero(empty | (level > 1.5)):
        keep[k] = False
        said = (
            "no channel carries light"
            if empty[k]
            else f"reflects {level[k]:.2f} times its reference, which no beer does"
        )
        reasons.append(
            (str(table.index[k]), f"{said}: wrong reference, wrong dark or wrong integration time; measure again")
        )
    return keep, reasons


def _scan_table(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows of the sheet without the columns of the folder's own, and without columns that say nothing."""
    table = rows.drop(columns=[column for column in _OWN if column in rows])
    blank = [c for c in table if c not in ("pour", "sample", "batch") and (table[c].isna() | (table[c] == "")).all()]
    return table.drop(columns=blank)


def _claims(rows: pd.DataFrame, scans: pd.DataFrame) -> pd.Series:
    pairs = pd.DataFrame({"sample": scans["sample"].to_numpy(), "beer": rows["beer"].to_numpy()})
    pairs = pairs[pairs["beer"] != ""].drop_duplicates()
    twice = pairs["sample"].duplicated(keep=False)
    if twice.any():
        name = pairs.loc[twice, "sample"].iloc[0]
        one, other = pairs.loc[pairs["sample"] == name, "beer"].iloc[:2]
        raise ParentsError(
            f"sample {name!r} is claimed to be {one!r} and {other!r}; a sample is of one beer: correct scans.csv"
        )
    return pd.Series(
        pairs["beer"].to_numpy(dtype=object), index=pd.Index(pairs["sample"], name="sample", dtype=object), name="beer"
    )


def _known_batches(
    batches: pd.DataFrame, scans: pd.DataFrame, left_out: list[tuple[str, str]], notes: list[tuple[str, str]]
) -> pd.DataFrame:
    """Keep the lab rows of batches that were measured; list those that match no scan, and batches without a row."""
    if batches.empty:
        return batches
    measured = list(dict.fromkeys(scans["batch"]))
    known = set(batches.index)
    bare = {_bare(name): name for name in measured}
    for name in batches.index:
        if name not in measured:
            near = bare.get(_bare(name))
            hint = f"; {near!r} differs from it only in marks or case" if near and near not in known else ""
            left_out.append(("batches.csv", f"batch {name!r} has no scan in this folder{hint}"))
    for name in measured:
        if name not in known:
            notes.append(
                (name, f"batch {name!r} has no usable row in batches.csv: neither beer nor lab colour is known")
            )
    return batches[batches.index.isin(measured)]


def _bare(name: str) -> str:
    return "".join(letter for letter in name.lower() if letter.isalnum())


__all__: Sequence[str] = ("Session", "measure")
