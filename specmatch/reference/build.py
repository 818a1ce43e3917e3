"""Make a reference set from measured folders and from folders of tables (`spectra.csv`, `scans.csv`, `batches.csv`)."""

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.errors import (
    DateOrderError,
    DoubtfulDate,
    MissingScanError,
    ParentsError,
    ReferenceSetError,
    SheetError,
    UnitError,
)
from specmatch.measurement.folder.columns import BATCH_COLUMNS, SCAN_COLUMNS, check_sheets
from specmatch.measurement.folder.dates import one_refusal
from specmatch.measurement.folder.sheets import find_sheet, keyed_sheet
from specmatch.measurement.readers.files import read_scans
from specmatch.measurement.reflectance.path_length import depth_of_set, unfit_for_one_depth
from specmatch.measurement.session import Session, measure
from specmatch.reference.arrivals import Arrival
from specmatch.reference.disk.encoding import content_hash
from specmatch.reference.reference_set import ReferenceSet
from specmatch.reference.tables.alignment import NUMBER_COLUMNS, average_lab_values, check_beers, check_rows, joined
from specmatch.reference.upkeep import LabValues
from specmatch.spectra import check_spectra, match_wavelengths, spectra_table
from specmatch.storage import path_of, sha256_of
from specmatch.warning_codes import RESCAN, WARNING_CODES

_LOG = logging.getLogger(__name__)

SPECTRA, SCANS, BATCHES = "spectra.csv", "scans.csv", "batches.csv"


def read_tables(
    folder: str | Path, *, date_order: str | None = None
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Read the three tables of a folder; identifiers stay text."""
    folder = path_of(folder)
    if not folder.is_dir():
        raise ReferenceSetError(f"{folder} is no folder")
    for name in (SCANS, BATCHES):
        if not (folder / name).is_file():
            raise SheetError(f"{folder / name} is missing; a folder of tables holds {SPECTRA}, {SCANS} and {BATCHES}")
    with one_refusal() as doubtful:
        scans = _sheet(folder / SCANS, "scan_id", ("scan_id", *SCAN_COLUMNS), date_order, doubtful)
        batches = _sheet(folder / BATCHES, "batch", BATCH_COLUMNS, date_order, doubtful)
    check_sheets(scans, batches, scans_name=SCANS, batches_name=BATCHES)
    return _spectra(folder / SPECTRA), scans, batches


def _spectra(file: Path) -> pd.DataFrame:
    scans = read_scans(file)
    if scans[0].quantity == "counts":
        raise UnitError(f"{file} holds counts; measure the raw scans, or export reflectance")
    quantity = "absorbance" if scans[0].quantity == "absorbance" else "reflectance"
    grid = scans[0].wavelength_nm
    rows = [check_spectra(pd.Series(s.values, index=s.wavelength_nm, name=s.scan_id), quantity=quantity) for s in scans]
    values = np.vstack([match_wavelengths(row, grid) for row in rows])
    index = pd.Index([scan.scan_id for scan in scans], dtype=object, name="scan_id")
    return spectra_table(check_spectra(pd.DataFrame(values, index=index, columns=grid)))


def _sheet(
    file: Path, key: str, known: tuple[str, ...], date_order: str | None, doubtful: list[DoubtfulDate]
) -> pd.DataFrame:
    sheet, numbers = keyed_sheet(
        file, key, "its first line names the columns", doubtful, known=known, optional=("file", "role"),
        numbers=sorted(NUMBER_COLUMNS & set(known)), date_order=date_order,
        dates=("measured_at", "packaged_on", "valid_from", "valid_to"),
    )  # fmt: skip
    for note in sheet.notes:
        _LOG.warning("%s: %s", file.parent, note)
    return sheet.table.assign(**numbers).set_index(key)


# with mates in half of the samples the scatter of pours is still learnt
MOST_SINGLE_POURS = 0.5


@dataclass(frozen=True)
class Source(Arrival):
    """What one folder with scans brings, its name and hash given."""

    spectra: pd.DataFrame
    scans: pd.DataFrame
    left_out: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["file", "reason"]))
    band_nm: tuple[float, float] | None = None
    reference_kind: str | None = None

    @property
    def out(self) -> list[dict[str, str]]:
        """What was not used, with the folder's name."""
        rows = self.left_out[["file", "reason"]].itertuples(index=False, name=None)
        return [{"source": self.name, "name": str(file), "reason": str(reason)} for file, reason in rows]


def build_set(
    folders: Sequence[str | Path | Session] | str | Path | Session,
    *,
    unit: str = "EBC",
    name: str = "house",
    date_order: str | None = None,
) -> tuple[ReferenceSet, pd.DataFrame]:
    """Build one reference set from several folders.

    Parameters
    ----------
    folders : path, Session, or sequence of them
        Measured folders (raw scans with `scans.csv` and `batches.csv`), folders of tables (`spectra.csv` of
        reflectance, `scans.csv`, `batches.csv`), or sessions already measured. The order decides the order of scans.
    unit : {"EBC", "SRM"}
        Colour unit of the set; lab colours stated in the other are converted.
    name : str, default "house"
        Of the set.
    date_order : {"dmy", "mdy", "ymd"}, optional
        Order of day, month and year in dates of the sheets that can be read in two ways.

    Returns
    -------
    refs : ReferenceSet
    left_out : DataFrame
        Columns `source`, `name`, `reason`: every file, scan and batch that did not enter the set.

    Raises
    ------
    ReferenceSetError
        If no folder is given, nothing is left for the set, or the folders share no wavelengths.
    DateOrderError
        If dates can be read in two ways and `date_order` is not given; those of all folders are listed.
    UnitError
        If the folders used references of different kinds.
    SpecmatchError
        Whatever the folders are refused for.

    Examples
    --------
    >>> built, left_out = build_set(["monday"])
    >>> built, len(left_out)
    (<ReferenceSet 'house': 54 scans of 18 batches of 3 beers, 339.22-850.09 nm, EBC>, 0)
    """
    if isinstance(folders, str | Path | Session):
        folders = [folders]
    if isinstance(folders, pd.DataFrame):
        raise ReferenceSetError("folders is a table; of tables ReferenceSet(spectra, scans, batches) makes a set")
    if not folders:
        raise ReferenceSetError("no folder was given; name at least one")
    sources = sources_of(folders, date_order)
    left_out = [row for source in sources for row in source.out]
    sources = _with_names_apart(sources)
    spectra = _on_one_grid(sources)
    scans = pd.concat([source.scans for source in sources])
    rows = pd.concat([source.batches for source in sources])
    batches = average_lab_values(rows, colour_unit=unit)
    lab_values = LabValues(unit, {})
    plain = rows.assign(beer=rows["beer"].where(rows["beer"].notna() & (rows["beer"] != ""), "?"))
    averaged = lab_values.repeats(check_rows(plain, unit)) if not rows.index.is_unique else []
    known = scans["batch"].isin(batches.index).to_numpy()
    for scan_id, batch in scans.loc[~known, "batch"].items():
        reason = f"batch {batch!r} has no row in a batches table"
        left_out.append({"source": _source_of(scan_id, sources), "name": str(scan_id), "reason": reason})
    if not known.any():
        said = [f"; the first of {len(left_out)} left out: {row['reason']}" for row in left_out[:1]]
        raise ReferenceSetError(
            f"no scan is of a batch with a beer; add batches.csv with batch, beer and colour{''.join(said)}"
        )
    unfit = unfit_for_one_depth(scans[known], depth_of_set(scans[known]))
    for row, reason in unfit.items():
        scan_id = str(scans.index[known][row])
        left_out.append({"source": _source_of(scan_id, sources), "name": scan_id, "reason": reason})
    known = known & ~scans.index.isin(scans.index[known][list(unfit)])
    refs = ReferenceSet(
        spectra[known],
        scans[known],
        batches,
        name=name,
        colour_unit=unit,
        band_nm=_common_band(sources),
        reference_kind=_one_kind(sources),
        beers=_beers(sources),
        sources=[_record(source, scans[known]) for source in sources],
        determinations=lab_values.several,
    )
    for line in averaged:
        _LOG.warning("%s", line)
    left_out += refs.left_out.drop(columns="table").assign(source="batches.csv").to_dict("records")
    return refs, pd.DataFrame(left_out, columns=["source", "name", "reason"], dtype=object)


def share_of_single_pours(scans: pd.DataFrame) -> float:
    """Return the share of samples that hold one pour only."""
    return float((scans.groupby("sample", sort=False)["pour"].nunique() == 1).mean())


def sources_of(folders: Sequence[str | Path | Session], date_order: str | None) -> list[Source]:
    """Read all folders; dates in doubt are refused once, for all of them."""
    sources, doubtful = [], []
    for folder in folders:
        try:
            sources.append(source_of(folder, date_order))
        except DateOrderError as error:
            doubtful += [replace(cell, sheet=f"{folder}/{cell.sheet}") for cell in error.cells]
        except (SheetError, MissingScanError, ParentsError) as error:
            if len(folders) > 1 and str(folder) not in str(error):
                raise type(error)(f"{folder}: {error}") from error
            raise
    if doubtful:
        raise DateOrderError(cells=tuple(doubtful))
    return _each_once(sources)


def _each_once(sources: Sequence[Source]) -> list[Source]:
    """Take a folder that was named twice, or a copy of it, once: its scans would count as more pours."""
    first: dict[object, Source] = {}
    for source in sources:
        same = first.setdefault((source.sha256, source.reference_kind, *source.spectra.index), source)
        if same is not source:
            _LOG.warning("%s holds the same as %s; it is taken once", source.name, same.name)
    return list(first.values())


def source_of(folder: str | Path | Session, date_order: str | None = None) -> Source:
    """Read a folder of raw scans or of tables, or take a session that was measured already."""
    if not isinstance(folder, Session) and (path_of(folder) / SPECTRA).is_file():
        spectra, scans, batches = read_tables(folder, date_order=date_order)
        folder = path_of(folder)
        return Source(batches, spectra, scans, read_beers(folder), folder.resolve().name, folder_hash(folder))
    session = folder if isinstance(folder, Session) else measure(folder, date_order=date_order)
    for note in session.sheet_notes["note"]:
        _LOG.warning("%s: %s", session.folder, note)
    spoilt = _spoilt_scans(session.checks, session.spectra.index)
    kept = ~session.spectra.index.isin(list(spoilt))
    rows = pd.DataFrame({"file": list(spoilt), "reason": list(spoilt.values())}, dtype=object)
    place = Path(str(session.folder))
    digest = folder_hash(place) if place.is_dir() else content_hash(session.spectra, (session.scans,), ())
    return Source(
        session.batches,
        session.spectra[kept],
        session.scans.loc[session.spectra.index[kept]],
        read_beers(place) if place.is_dir() else None,
        place.resolve().name,
        digest,
        pd.concat([session.left_out[["file", "reason"]], rows], ignore_index=True),
        session.band_nm,
        session.reference_kind or None,
    )


def folder_hash(folder: Path) -> str:
    """Return one SHA-256 over the names and contents of the files of a folder; a single file is its own."""
    if folder.is_file():
        return sha256_of(folder)
    files = sorted(path for path in folder.rglob("*") if path.is_file() and not path.name.startswith("."))
    lines = [f"{path.relative_to(folder).as_posix()}\0{sha256_of(path)}\n" for path in files]
    return sha256_of("".join(lines).encode("utf-8", "surrogateescape"))


def read_beers(folder: Path) -> pd.DataFrame | None:
    """Read `beers.csv` of a folder, where there is one: `beer`, `valid_from`, `valid_to`, `recipe`."""
    file = find_sheet(folder, "beers")
    if file is None:
        return None
    with one_refusal() as doubtful:
        return _sheet(file, "beer", ("beer", "valid_from", "valid_to", "recipe"), None, doubtful)


def lab_rows(file: Path, date_order: str | None = None) -> pd.DataFrame:
    """Read a sheet of batches, index `batch`, which may repeat."""
    with one_refusal() as doubtful:
        return _sheet(file, "batch", BATCH_COLUMNS, date_order, doubtful)


def _record(source: Source, scans: pd.DataFrame) -> dict[str, object]:
    mine = scans[scans.index.isin(source.scans.index)]
    batches = list(dict.fromkeys(mine["batch"]))
    return {"name": source.name, "sha256": source.sha256, "n_scans": len(mine), "batches": batches}


def _beers(sources: list[Source]) -> pd.DataFrame | None:
    """Put the beers tables of folders together; of two rows of one beer the later folder's counts."""
    beers: pd.DataFrame | None = None
    for source in sources:
        new = check_beers(source.beers)
        if new is not None:
            beers = new if beers is None else joined(beers[~beers.index.isin(new.index)], new)
    return beers


def _spoilt_scans(checks: pd.DataFrame, scan_ids: pd.Index) -> dict[str, str]:
    """Scans that a reading would send back have no place in the set that readings are held against."""
    spoilt: dict[str, str] = {}
    for row in checks.itertuples():
        if WARNING_CODES[str(row.code)].effect == RESCAN and row.scan_id in scan_ids:
            spoilt.setdefault(str(row.scan_id), f"{row.code}: {row.sentence}")
    return spoilt


def _with_names_apart(sources: list[Source]) -> list[Source]:
    """Put the folder's name before scans and pours of one name in two folders, and samples of two batches."""
    if len(sources) == 1:
        return sources
    names = [source.name for source in sources]
    prefixes = [name if names.count(name) == 1 else f"{name}-{at + 1}" for at, name in enumerate(names)]
    shared_scans = _in_several([source.scans.index for source in sources])
    shared_pours = _in_several([pd.Index(source.scans["pour"].unique()) for source in sources])
    pairs = pd.concat([source.scans[["sample", "batch"]].drop_duplicates() for source in sources]).drop_duplicates()
    shared_samples = set(pairs["sample"][pairs["sample"].duplicated()])
    apart = []
    for source, prefix in zip(sources, prefixes, strict=True):
        ids = [f"{prefix}/{scan}" if scan in shared_scans else scan for scan in source.scans.index]
        pours = [f"{prefix}/{pour}" if pour in shared_pours else pour for pour in source.scans["pour"]]
        samples = [f"{prefix}/{name}" if name in shared_samples else name for name in source.scans["sample"]]
        scans = source.scans.assign(pour=pours, sample=samples).set_axis(pd.Index(ids, name="scan_id"), axis=0)
        spectra = source.spectra.set_axis(scans.index, axis=0)
        apart.append(replace(source, name=prefix, spectra=spectra, scans=scans))
    return apart


def _in_several(indexes: Sequence[pd.Index]) -> set[str]:
    every = pd.Series([name for index in indexes for name in index.unique()], dtype=object)
    return set(every[every.duplicated()])


def _on_one_grid(sources: list[Source]) -> pd.DataFrame:
    """Put all spectra on the grid of the first, as far as all of them reach."""
    checked = [check_spectra(source.spectra) for source in sources]
    low = max(spectra.wavelength_nm[0] for spectra in checked)
    high = min(spectra.wavelength_nm[-1] for spectra in checked)
    first = checked[0].wavelength_nm
    grid = first[(first >= low) & (first <= high)]
    if grid.size < 2:
        raise ReferenceSetError("the folders have no range of wavelengths in common; build a set of each")
    values = np.vstack([match_wavelengths(spectra, grid) for spectra in checked])
    index = pd.Index([scan for spectra in checked for scan in spectra.scan_ids], dtype=object, name="scan_id")
    return pd.DataFrame(values, index=index, columns=pd.Index(grid, name="wavelength_nm"))


def _source_of(scan_id: object, sources: list[Source]) -> str:
    return next(source.name for source in sources if scan_id in source.scans.index)


def _common_band(sources: list[Source]) -> tuple[float, float] | None:
    bands = [source.band_nm for source in sources if source.band_nm is not None]
    if not bands:
        return None
    low, high = max(band[0] for band in bands), min(band[1] for band in bands)
    if not low < high:
        raise ReferenceSetError("the folders have no usable band in common; build a set of each")
    return low, high


def _one_kind(sources: list[Source]) -> str | None:
    kinds = {source.reference_kind: source.name for source in sources if source.reference_kind}
    if len(kinds) > 1:
        (one, folder), (other, second) = list(kinds.items())[:2]
        raise UnitError(
            f"{folder} was measured against {one} and {second} against {other}, which differ by about 4 % in level; "
            "build a set of each kind"
        )
    return next(iter(kinds), None)
