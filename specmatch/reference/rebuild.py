"""Make a set anew from its folders and its history: the proof that the history says all that was done."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from specmatch.errors import ReferenceSetError
from specmatch.measurement.session import Session
from specmatch.reference.build import Source, build_set
from specmatch.reference.disk.versions import VERSIONS, version_name
from specmatch.reference.extension import extend_set
from specmatch.reference.reference_set import ReferenceSet
from specmatch.reference.tending.choices import FOLDER, SET


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
    kept = _Kept(place)
    history = list(wanted.history)
    first = wanted if not history else kept.find(str(history[0]["parent"]))
    names = [str(source["name"]) for source in (first or wanted).sources]
    if first is not None and (not names or any(name not in at_hand for name in names)):
        refs = first
    else:
        refs, _ = build_set([at_hand[name] for name in names], unit=wanted.colour_unit, name=wanted.name)
    been = {refs.hash: refs}
    for number, entry in enumerate(history):
        after = str(history[number + 1]["parent"]) if number + 1 < len(history) else wanted.hash
        refs = _repeated(refs, entry, at_hand, kept, after, been)
        been[refs.hash] = refs
    return refs


class _Kept:
    """Versions that a set's folder keeps, by hash."""

    def __init__(self, place: Path) -> None:
        self.place = place

    def find(self, digest: str) -> ReferenceSet | None:
        """Return a version, or None where it is not kept."""
        folder = self.place / VERSIONS / version_name(digest)
        if folder.is_dir():
            return ReferenceSet.load(folder)
        now = ReferenceSet.load(self.place)
        return now if now.hash == digest else None


def _repeated(
    refs: ReferenceSet,
    entry: Mapping[str, Any],
    at_hand: Mapping[str, str | Path | Session],
    kept: _Kept,
    after: str,
    been: Mapping[str, ReferenceSet],
) -> ReferenceSet:
    edit = entry["edit"]
    why = {"reason": entry["why"], "who": entry["who"], "when": entry["when"]}
    if edit["kind"] == "extend":
        sources = [at_hand.get(name) or _stand_in(name, refs, kept, after) for name in edit.get("sources") or ()]
        take = {str(name): SET for name, _, _ in edit.get("set_aside") or ()}
        take |= {str(name): FOLDER for name, _, _ in edit.get("taken") or ()}
        restore = [name for names in (edit.get("restored") or {}).values() for name in names]
        return extend_set(refs, sources, take=take, restore=restore, **why).refs
    if edit["kind"] == "undo":
        earlier = been[str(edit["to"])]
        kept_too: dict[str, Any] = {"sources": earlier.sources, "determinations": earlier.determinations}
        return refs._changed((earlier._tables, entry["what"], dict(edit)), *why.values(), **kept_too)
    if edit["kind"] == "settle" or (edit["kind"] == "sheet" and edit["edits"][0]["kind"] == "settle"):
        return refs._changed((refs._tables, entry["what"], dict(edit)), *why.values())
    if edit["kind"] == "sheet":
        sheet = pd.DataFrame([_row(one) for one in edit["edits"]], dtype=object)
        made = refs.edit_from(sheet, **why)
    else:
        made = refs.edit_from(pd.DataFrame([_row(edit)], dtype=object), **why)
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


def _stand_in(name: str, refs: ReferenceSet, kept: _Kept, after: str) -> Source:
    """Return what a lost folder brought, from the version that holds it."""
    version = kept.find(after)
    if version is None:
        raise ReferenceSetError(
            f"folder {name!r} is not at hand, and version {after[:12]}, which holds its scans, is not kept"
        )
    source = next(one for one in reversed(version.sources) if one["name"] == name)
    new = version.spectra.index.difference(refs.spectra.index, sort=False)
    scans = version.scans.loc[new]
    scans = scans[scans["batch"].isin(source["batches"])]
    batches = version.batches.loc[[batch for batch in source["batches"] if batch in version.batches.index]]
    nothing = pd.DataFrame(columns=["file", "reason"])
    return Source(name, version.spectra.loc[scans.index], scans, batches, nothing, sha256=str(source["sha256"]))
