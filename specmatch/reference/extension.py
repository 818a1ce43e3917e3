"""Add folders and sheets to a set, and join two sets: what is new enters, what stands against the set is asked."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from specmatch.errors import OptionError, ReferenceSetError, UnitError
from specmatch.measurement.folder.sheets import find_sheet
from specmatch.measurement.session import Session
from specmatch.reference.build import Source, folder_hash, lab_rows, source_of
from specmatch.reference.reference_set import ReferenceSet
from specmatch.reference.tending.arrivals import Arrival
from specmatch.reference.tending.choices import CONFLICT_COLUMNS, Choices

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
    folders: Sequence[str | Path | Session | Source],
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
    if not folders:
        raise ReferenceSetError("no folder was given; name at least one folder or sheet")
    arrivals, left_out = [], []
    for folder in folders:
        if isinstance(folder, Source):
            arrivals.append(_of_source(folder, folder.batches))
            continue
        if not isinstance(folder, Session) and Path(folder).is_file():
            file = Path(folder)
            arrivals.append(Arrival(lab_rows(file, date_order), name=file.name, sha256=folder_hash(file)))
            continue
        if not isinstance(folder, Session) and _is_sheet_alone(Path(folder)):
            sheet = find_sheet(Path(folder), _SHEET)
            assert sheet is not None
            arrivals.append(
                Arrival(lab_rows(sheet, date_order), name=Path(folder).resolve().name, sha256=folder_hash(sheet))
            )
            continue
        source = source_of(folder, date_order)
        _check_kind(refs, source)
        batches, told_of_sheet = _all_lab_rows(folder, source, date_order)
        left_out += [
            {"source": source.name, "name": str(row["file"]), "reason": str(row["reason"])}
            for _, row in source.left_out.iterrows()
            if str(row["file"]) not in told_of_sheet
        ]
        arrivals.append(_of_source(source, batches))
    return _extended(refs, arrivals, left_out, take, restore, {"reason": reason, "who": who, "when": when})


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
    ConflictError
        If the two differ in a fact and `take` does not say who is right; it lists both values.
    UnitError
        If the two were measured against references of different kinds.
    OptionError
        If `take` is something else.
    ReferenceSetError, ParentsError, WavelengthMismatchError
        As for `ReferenceSet.extend`.

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
    return first.merge(second, reason=reason, who=who, when=when, take=chosen)


def _extended(
    refs: ReferenceSet,
    arrivals: list[Arrival],
    left_out: list[dict[str, str]],
    take: str | Mapping[str, str] | None,
    restore: Collection[str],
    told: Mapping[str, str],
) -> Extension:
    choices = Choices(take)
    grown, growth, _ = refs._grown(arrivals, choices, frozenset(restore), told)
    rows = [*left_out, *growth.left_out]
    return Extension(
        grown,
        not growth.is_empty,
        tuple(growth.told),
        pd.DataFrame(growth.conflicts, columns=list(CONFLICT_COLUMNS), dtype=object),
        pd.DataFrame(rows, columns=["source", "name", "reason"], dtype=object),
        pd.DataFrame(growth.stays_out, columns=["source", "name", "reason"], dtype=object),
        len(growth.spectra),
        growth.n_known,
        tuple(growth.new_batches),
        tuple(growth.lab),
    )


def _of_source(source: Source, batches: pd.DataFrame) -> Arrival:
    return Arrival(batches, source.spectra, source.scans, source.beers, source.name, source.sha256)


def _is_sheet_alone(folder: Path) -> bool:
    if not folder.is_dir():
        return False
    return find_sheet(folder, _SHEET) is not None and find_sheet(folder, "scans") is None


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
