"""What the history of a set says that no later folder may undo: drops, edits, names, choices and settled findings."""

import ast
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

Edit = Mapping[str, Any]


@dataclass
class Upkeep:
    """What edits have laid down, as far as it still stands."""

    dropped: dict[str, dict[str, str]] = field(default_factory=dict)  # level -> name -> why
    # (name, column, value): what an edit replaced, or a choice set aside; said again, it is no news
    overruled: set[tuple[str, str, Any]] = field(default_factory=set)
    edited: set[tuple[str, str]] = field(default_factory=set)  # (batch, column) changed by hand
    renamed: dict[str, str] = field(default_factory=dict)  # beer as folders write it -> as the set does
    # beer -> ((date, name of the older recipe), ...), oldest first
    steps: dict[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)
    settled: dict[str, Edit] = field(default_factory=dict)  # finding -> how it was settled

    def copy(self) -> "Upkeep":
        """Return a copy that may be changed."""
        dropped = {level: dict(names) for level, names in self.dropped.items()}
        return Upkeep(
            dropped, set(self.overruled), set(self.edited), dict(self.renamed), dict(self.steps), dict(self.settled)
        )

    def name_of(self, beer: str) -> str:
        """Return the name that the set has for a beer as a folder writes it."""
        seen = {beer}
        while (new := self.renamed.get(beer)) is not None and new not in seen:
            seen.add(new)
            beer = new
        return beer


def upkeep_of(history: Sequence[Mapping[str, Any]]) -> Upkeep:
    """Read a history from its beginning; what was undone no longer counts."""
    now = Upkeep()
    before: dict[str, Upkeep] = {}
    for entry in history:
        before[str(entry.get("parent") or "")] = now.copy()
        for edit in edits_of(entry):
            if edit["kind"] == "undo":
                now = before.get(str(edit["to"]), Upkeep()).copy()
            else:
                _apply(now, edit, str(entry.get("why") or ""))
    return now


def _apply(now: Upkeep, edit: Edit, why: str) -> None:
    kind = edit["kind"]
    if kind == "drop":
        names = now.dropped.setdefault(edit["level"], {})
        names.update(dict.fromkeys(edit["names"], str(edit.get("why") or why)))
    elif kind in ("relabel", "colour"):
        column = "beer" if kind == "relabel" else "colour"
        now.edited.add((edit["batch"], column))
        now.overruled.add((edit["batch"], column, edit["before"]))
        now.overruled.discard((edit["batch"], column, edit[column]))
    elif kind == "rename":
        now.renamed[edit["before"]] = edit["beer"]
        now.renamed.pop(edit["beer"], None)
    elif kind == "step":
        now.steps[edit["beer"]] = (*now.steps.get(edit["beer"], ()), (edit["since"], edit["older"]))
    elif kind == "settle":
        now.settled[edit["finding"]] = edit
    elif kind == "extend":
        for level, names in (edit.get("restored") or {}).items():
            for name in names:
                now.dropped.get(level, {}).pop(name, None)
        now.overruled.update((name, column, value) for name, column, value in edit.get("set_aside") or ())
        now.overruled.difference_update((name, column, value) for name, column, value in edit.get("taken") or ())


def edits_of(entry: Mapping[str, Any]) -> Iterable[Edit]:
    """Return the edits of one entry as data; entries written before they were kept as data are read from their words.

    The words of those entries are fixed for ever: no entry is written that way any more.
    """
    edit = entry.get("edit")
    if isinstance(edit, Mapping):
        return tuple(edit["edits"]) if edit.get("kind") == "sheet" else (edit,)
    return _from_words(str(entry.get("what") or ""))


_DROPPED = re.compile(r"dropped (batch|sample|pour|scan) (.+)\Z", re.DOTALL)
_RELABELLED = re.compile(r"relabelled batch (.+) from (.+) to (.+)\Z", re.DOTALL)
_COLOUR = re.compile(r"colour of batch (.+) from (none|[-+.\de]+) to (none|[-+.\de]+) (?:EBC|SRM)\Z", re.DOTALL)


def _from_words(what: str) -> Iterable[Edit]:
    try:
        if match := _DROPPED.match(what):
            names = ast.literal_eval(f"[{match[2]}]")
            return ({"kind": "drop", "level": match[1], "names": [str(name) for name in names]},)
        if match := _RELABELLED.match(what):
            batch, before, beer = (str(ast.literal_eval(part)) for part in match.groups())
            return ({"kind": "relabel", "batch": batch, "before": before, "beer": beer},)
        if match := _COLOUR.match(what):
            before_after = [None if part == "none" else float(part) for part in match.groups()[1:]]
            batch = str(ast.literal_eval(match[1]))
            return ({"kind": "colour", "batch": batch, "before": before_after[0], "colour": before_after[1]},)
    except (ValueError, SyntaxError):
        pass  # the words of somebody else: then there is nothing that binds
    return ()
