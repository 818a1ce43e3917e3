"""From one reference set to the next: extended by folders and sheets, joined with another, made anew, compared."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from specmatch.batches import must_be
from specmatch.errors import OptionError, ReferenceSetError, UnitError, WavelengthMismatchError
from specmatch.measurement.folder.sheets import find_sheet
from specmatch.measurement.session import Session
from specmatch.reference.arrivals import Arrival
from specmatch.reference.build import Source, build_set, folder_hash, lab_rows, source_of
from specmatch.reference.disk.package import DIGITS, VERSIONS
from specmatch.reference.reference_set import ReferenceSet
from specmatch.reference.upkeep import CONFLICT_COLUMNS, FOLDER, SET, Choices, edits_of
from specmatch.storage import path_of

_SHEET = "batches"


@dataclass(frozen=True)
class Extension:
    """What came of adding folders to a set.

    Attributes
    ----------
    refs : ReferenceSet
        The set afterwards; the same one where nothing was new.
    is_new : bool
        Whether anything was new.
    told : tuple of str
        What was averaged, and what edits of the set decided.
    conflicts : DataFrame
        Columns `kind, subject, column, set, folder, source`: what stood against the set and was decided by `take`.
    left_out : DataFrame
        Columns `source, name, reason`.
    stays_out : DataFrame
        The same columns: scans of the folders that were dropped from the set before.
    n_new, n_known : int
        Scans that are new, and scans that the set had already.
    new_batches, lab : tuple of str
        Batches that are new, and batches of the set whose lab colour came or changed.

    Examples
    --------
    >>> built, _ = sm.build_set(["monday"])
    >>> extend_set(built, ["tuesday"], reason="new ones").n_known
    0
    """

    refs: ReferenceSet
    is_new: bool
    told: tuple[str, ...]
    conflicts: pd.DataFrame
    left_out: pd.DataFrame
    stays_out: pd.DataFrame
    n_new: int
    n_known: int
    new_batches: tuple[str, ...]
    lab: tuple[str, ...]


def extend_set(
    refs: ReferenceSet,
    folders: Sequence[str | Path | Session | Source] | str | Path | Session,
    *,
    reason: str,
    who: str = "",
    when: str = "",
    take: str | Mapping[str, str] | None = None,
    restore: Collection[str] = (),
    date_order: str | None = None,
) -> Extension:
    """Add measured folders, folders of tables and sheets of lab values to a set; every earlier edit stands.

    Parameters
    ----------
    refs : ReferenceSet
    folders : sequence of paths or Sessions
        Measured folders, folders of tables, sheets of batches (`batches.csv` by itself, or under another name), or
        sessions. Scans that the set has already are skipped.
    reason, who, when : str
    take : {"set", "folder", "both"} or mapping, optional
        As for `ReferenceSet.extend`.
    restore : collection of str
        Batches, samples, pours and scans that were dropped and are to come back.
    date_order : {"dmy", "mdy", "ymd"}, optional
        Order of day, month and year in dates of the sheets that can be read in two ways.

    Returns
    -------
    Extension

    Raises
    ------
    ConflictError
        If a folder says something against the set and `take` does not say who is right.
    UnitError
        If a folder was measured against a reference of another kind.
    ReferenceSetError
        If no folder is given.
    SpecmatchError
        Whatever the folders are refused for.

    Examples
    --------
    >>> built, _ = sm.build_set(["monday"])
    >>> extend_set(built, ["monday"], reason="the same folder once more").is_new
    False
    """
    must_be("set", refs)
    if isinstance(folders, str | Path | Session):
        folders = [folders]
    if not folders:
        raise ReferenceSetError("no folder was given; name at least one folder or sheet")
    arrivals: list[Arrival] = []
    left_out: list[dict[str, str]] = []
    for folder in folders:
        if isinstance(folder, Source):
            arrivals.append(folder)
            continue
        sheet = None if isinstance(folder, Session) else _lab_sheet(path_of(folder))
        if sheet is not None:
            rows, place = lab_rows(sheet, date_order), path_of(folder)
            if sheet == place and {"scan_id", "file", "pour"} & set(rows):
                raise ReferenceSetError(f"{sheet.name} lists scans; name its folder, or a sheet of batches")
            name = sheet.name if sheet == place else place.resolve().name
            arrivals.append(Arrival(rows, name=name, sha256=folder_hash(sheet)))
            continue
        source = source_of(folder, date_order)
        _check_kind(refs, source)
        batches, told_of_sheet = _all_lab_rows(folder, source, date_order)
        left_out += [row for row in source.out if row["name"] not in told_of_sheet]
        arrivals.append(replace(source, batches=batches))
    told = {"reason": reason, "who": who, "when": when}
    choices = Choices(take)
    grown, growth = refs._grown(arrivals, choices, frozenset(restore), told)
    out_columns = ["source", "name", "reason"]
    return Extension(
        grown,
        not growth.is_empty,
        tuple(growth.told),
        pd.DataFrame(choices.rows, columns=list(CONFLICT_COLUMNS), dtype=object),
        pd.DataFrame([*left_out, *growth.left_out], columns=out_columns, dtype=object),
        pd.DataFrame(growth.stays_out, columns=out_columns, dtype=object),
        len(growth.spectra),
        growth.n_known,
        tuple(growth.new_batches),
        tuple(growth.lab),
    )


def merge_sets(
    first: ReferenceSet,
    second: ReferenceSet,
    *,
    reason: str = "two sets as one",
    who: str = "",
    when: str = "",
    take: str | Mapping[str, str] | None = None,
) -> ReferenceSet:
    """Join two sets, such as those of two sites or lines of one house.

    Parameters
    ----------
    first, second : ReferenceSet
        Scans, batches and beers are matched by name. The history of the first goes on.
    reason, who, when : str
    take : {"first", "second", "both"} or mapping, optional
        Who is right where the two say different things: for everything, or by kind or name as for
        `ReferenceSet.extend`. `both` averages colours.

    Returns
    -------
    ReferenceSet

    Raises
    ------
    OptionError
        If `take` is something else.
    TableError
        If one of the two is no reference set.
    ConflictError, UnitError, ReferenceSetError, ParentsError, WavelengthMismatchError
        As for `ReferenceSet.merge`.

    Examples
    --------
    >>> winter, spring = refs.select(until="2025-02-01"), refs.select(since="2025-02-01")
    >>> len(merge_sets(winter, spring).batches) == len(refs.batches)
    True
    """
    sides = {"first": "set", "second": "folder", "both": "both"}
    asked = {"": take} if isinstance(take, str) else dict(take or {})
    wrong = next((side for side in asked.values() if side not in sides), None)
    if wrong is not None:
        raise OptionError(f"take is {wrong!r}; expected 'first', 'second' or 'both'")
    chosen = {subject: sides[side] for subject, side in asked.items()}
    must_be("set", first, second)
    try:
        return first.merge(second, reason=reason, who=who, when=when, take=chosen)
    except WavelengthMismatchError as error:
        way = "or name the other set first: of two ranges the first set's is kept"
        raise WavelengthMismatchError(f"{error}; {way}") from error


def _lab_sheet(place: Path) -> Path | None:
    """Return the sheet of batches that a place is, or holds without one of scans."""
    if place.is_file():
        return place
    return find_sheet(place, _SHEET) if place.is_dir() and find_sheet(place, "scans") is None else None


def _all_lab_rows(
    folder: str | Path | Session, source: Source, date_order: str | None
) -> tuple[pd.DataFrame, set[str]]:
    """Return the lab rows of a folder, also of batches that have no scan in it, and the sheets that they came from."""
    place = Path(str(folder.folder)) if isinstance(folder, Session) else Path(folder)
    sheet = find_sheet(place, _SHEET) if place.is_dir() else None
    return (source.batches, set()) if sheet is None else (lab_rows(sheet, date_order), {sheet.name, "batches.csv"})


def _check_kind(refs: ReferenceSet, source: Source) -> None:
    if source.reference_kind and refs.reference_kind and source.reference_kind != refs.reference_kind:
        raise UnitError(
            f"{source.name} was measured against {source.reference_kind} and the set against {refs.reference_kind}, "
            "which differ by about 4 % in level; build a set of each kind"
        )


def rebuild_set(place: str | Path, folders: Sequence[str | Path | Session]) -> ReferenceSet:
    """Build a set from its folders and repeat every change of its history; a lost folder is taken from the set itself.

    Parameters
    ----------
    place : str or Path
        Folder of the set, with its kept versions.
    folders : sequence of paths or Sessions
        Those that are left of the folders and sheets that it was made from.

    Returns
    -------
    ReferenceSet
        With the same history; its hash is that of the set if the folders are unchanged.

    Raises
    ------
    ReferenceSetError
        If a folder is lost and the version that holds its scans is not kept either.

    Examples
    --------
    >>> sm.build_set(["monday"])[0].save("sets/anew")
    >>> sm.ReferenceSet.load("sets/anew").relabel("MP-0-001", "Amber Lane", reason="mixed up").save("sets/anew")
    >>> rebuild_set("sets/anew", ["monday"]).hash == sm.ReferenceSet.load("sets/anew").hash
    True
    """
    wanted, place = ReferenceSet.load(place), Path(place)
    at_hand = {Path(str(one.folder if isinstance(one, Session) else one)).resolve().name: one for one in folders}
    history = list(wanted.history)
    first = wanted if not history else _kept(place, str(history[0]["parent"]))
    names = [str(source["name"]) for source in (first or wanted).sources]
    if first is not None and (not names or any(name not in at_hand for name in names)):
        refs = first
    else:
        refs, _ = build_set([at_hand[name] for name in names], unit=wanted.colour_unit, name=wanted.name)
    been = {refs.hash: refs}
    for number, entry in enumerate(history):
        after = str(history[number + 1]["parent"]) if number + 1 < len(history) else wanted.hash
        refs = _repeated(refs, entry, at_hand, place, after, been)
        been[refs.hash] = refs
    return refs


def _kept(place: Path, digest: str) -> ReferenceSet | None:
    """Return a version that a set's folder keeps, or None."""
    folder = place / VERSIONS / digest[:DIGITS]
    if folder.is_dir():
        return ReferenceSet.load(folder)
    now = ReferenceSet.load(place)
    return now if now.hash == digest else None


def _repeated(
    refs: ReferenceSet,
    entry: Mapping[str, Any],
    at_hand: Mapping[str, str | Path | Session],
    place: Path,
    after: str,
    been: Mapping[str, ReferenceSet],
) -> ReferenceSet:
    edit = entry["edit"]
    why = {"reason": entry["why"], "who": entry["who"], "when": entry["when"]}
    if edit["kind"] == "extend":
        sources = [at_hand.get(name) or _stand_in(name, refs, place, after) for name in edit.get("sources") or ()]
        take = {str(name): SET for name, _, _ in edit.get("set_aside") or ()}
        take |= {str(name): FOLDER for name, _, _ in edit.get("taken") or ()}
        restore = [name for names in (edit.get("restored") or {}).values() for name in names]
        return extend_set(refs, sources, take=take, restore=restore, **why).refs
    if edit["kind"] == "undo":
        earlier = been[str(edit["to"])]
        kept_too: dict[str, Any] = {"sources": earlier.sources, "determinations": earlier.determinations}
        return refs._changed((earlier._tables, entry["what"], dict(edit)), *why.values(), **kept_too)
    edits, made = edits_of(entry), refs
    if edits[0]["kind"] != "settle":
        made = refs.edit_from(pd.DataFrame([_row(one) for one in edits], dtype=object), **why)
    return refs._changed((made._tables, entry["what"], dict(edit)), *why.values())


def _row(edit: Mapping[str, Any]) -> dict[str, str]:
    """Return an edit as a row of a sheet of edits."""
    kind = edit["kind"]
    if kind == "drop":
        name, what, value = edit["names"], f"drop {edit['level']}", ""
    elif kind == "colour":
        name, what, value = edit["batch"], "colour", "none" if edit["colour"] is None else repr(edit["colour"])
    elif kind == "rename":
        name, what, value = edit["before"], "rename", edit["beer"]
    elif kind == "step":
        name, what, value = edit["beer"], "recipe", edit["since"]
    else:
        name, what, value = edit["batch"], "beer", edit["beer"]
    return {"batch": name, "what": what, "value": value, "reason": str(edit.get("why") or "")}


def _stand_in(name: str, refs: ReferenceSet, place: Path, after: str) -> Source:
    """Return what a lost folder brought, from the version that holds it."""
    version = _kept(place, after)
    if version is None:
        raise ReferenceSetError(
            f"folder {name!r} is not at hand, and version {after[:12]}, which holds its scans, is not kept"
        )
    source = next(one for one in reversed(version.sources) if one["name"] == name)
    new = version.spectra.index.difference(refs.spectra.index, sort=False)
    scans = version.scans.loc[new]
    scans = scans[scans["batch"].isin(source["batches"])]
    batches = version.batches.loc[[batch for batch in source["batches"] if batch in version.batches.index]]
    return Source(batches, version.spectra.loc[scans.index], scans, None, name, str(source["sha256"]))


# What changed from one reference set to another: batches, labels, lab values, scans, and settings.

CHANGE_COLUMNS = ("change", "subject", "before", "after")
_SETTINGS = ("name", "colour_unit", "band_nm", "reference_kind", "licence")
_Row = tuple[str, str, object, object]


def compare_sets(before: ReferenceSet, after: ReferenceSet) -> pd.DataFrame:
    """List what differs between two sets.

    Parameters
    ----------
    before, after : ReferenceSet
        Of one house; batches and scans are matched by name.

    Returns
    -------
    DataFrame
        Columns `change, subject, before, after`; empty where the sets hold the same. `change` is one of `setting`,
        `batch added`, `batch removed`, `relabelled`, `colour changed`, `batch record`, `beer record`, `scan added`,
        `scan removed`, `scan record`, `reflectance changed` (before and after: largest difference).

    Examples
    --------
    >>> compare_sets(refs, refs.relabel("MP-0-001", "Amber Lane", reason="mixed up at sampling")).values.tolist()
    [['relabelled', 'MP-0-001', 'Meadow Pils', 'Amber Lane']]
    """
    must_be("set", before, after)
    rows = [*_settings(before, after), *_batches(before, after), *_beers(before, after), *_scans(before, after)]
    return pd.DataFrame(rows, columns=list(CHANGE_COLUMNS), dtype=object)


def history_since(before: ReferenceSet, after: ReferenceSet) -> list[dict[str, Any]]:
    """Return the entries of a history that came after an earlier version; none where that is no earlier version."""
    if list(after.history[: len(before.history)]) == list(before.history):
        later = list(after.history[len(before.history) :])
        if later and later[0].get("parent") == before.hash:
            return later
    parents = [entry.get("parent") for entry in after.history]
    return list(after.history[parents.index(before.hash) :]) if before.hash in parents else []


def _settings(before: ReferenceSet, after: ReferenceSet) -> Iterator[_Row]:
    for name in _SETTINGS:
        one, two = getattr(before, name), getattr(after, name)
        if one != two:
            yield "setting", name, one, two


def _batches(before: ReferenceSet, after: ReferenceSet) -> Iterator[_Row]:
    one, two = before.batches, after.batches
    yield from _come_and_gone("batch", one["beer"], two["beer"])
    shared = one.index.intersection(two.index, sort=False)
    for name in shared:
        if one.at[name, "beer"] != two.at[name, "beer"]:
            yield "relabelled", name, one.at[name, "beer"], two.at[name, "beer"]
        if not _same(one.at[name, "colour"], two.at[name, "colour"]) and before.colour_unit == after.colour_unit:
            yield "colour changed", name, one.at[name, "colour"], two.at[name, "colour"]
    yield from _records("batch record", one, two, shared, ("beer", "colour", "colour_unit"))


def _beers(before: ReferenceSet, after: ReferenceSet) -> Iterator[_Row]:
    one = before.beers if before.beers is not None else pd.DataFrame()
    two = after.beers if after.beers is not None else pd.DataFrame()
    for name in two.index.difference(one.index, sort=False):
        yield "beer record", name, None, "added"
    for name in one.index.difference(two.index, sort=False):
        yield "beer record", name, "removed", None
    yield from _records("beer record", one, two, one.index.intersection(two.index, sort=False), ())


def _scans(before: ReferenceSet, after: ReferenceSet) -> Iterator[_Row]:
    one, two = before.spectra, after.spectra
    yield from _come_and_gone("scan", before.scans["batch"], after.scans["batch"])
    shared = one.index.intersection(two.index, sort=False)
    yield from _records("scan record", before.scans, after.scans, shared, ())
    if not np.array_equal(one.columns, two.columns):
        first_nm, second_nm = (f"{len(nm)} channels, {nm[0]:g}-{nm[-1]:g} nm" for nm in (one.columns, two.columns))
        yield "setting", "wavelength_nm", first_nm, second_nm
        return
    first, second = one.loc[shared].to_numpy(), two.loc[shared].to_numpy()
    for row in np.flatnonzero(~((first == second) | (np.isnan(first) & np.isnan(second))).all(axis=1)):
        apart = np.abs(first[row] - second[row])
        yield "reflectance changed", str(shared[row]), 0.0, float(np.nanmax(np.nan_to_num(apart, nan=np.inf)))


def _come_and_gone(what: str, one: pd.Series, two: pd.Series) -> Iterator[_Row]:
    for name in two.index.difference(one.index, sort=False):
        yield f"{what} added", name, None, two[name]
    for name in one.index.difference(two.index, sort=False):
        yield f"{what} removed", name, one[name], None


def _records(
    change: str, one: pd.DataFrame, two: pd.DataFrame, shared: pd.Index, told: tuple[str, ...]
) -> Iterator[_Row]:
    for column in [*one.columns, *[name for name in two.columns if name not in one.columns]]:
        if column in told:
            continue
        first, second = (table[column] if column in table.columns else None for table in (one, two))
        for name in shared:
            before, after = (None if cells is None else cells[name] for cells in (first, second))
            if not _same(before, after):
                yield change, f"{name}: {column}", before, after


def _same(one: object, two: object) -> bool:
    """A column that a set does not have is as good as blank."""
    blank = [cell is None or cell == "" or cell != cell for cell in (one, two)]
    return all(blank) if any(blank) else bool(one == two)
