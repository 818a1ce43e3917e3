"""What holds against what a folder says anew: the set's own history, a person's choices, and lab values it knows."""

import ast
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from specmatch.errors import ConflictError, OptionError
from specmatch.reference.tables.alignment import average_lab_values, enter_colour
from specmatch.spectra import tidy_name
from specmatch.wording import nearest_name

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
        for edit in map(tidy, edits_of(entry)):
            if edit["kind"] == "undo":
                now = before.get(str(edit["to"]), Upkeep()).copy()
            else:
                _apply(now, edit, str(entry.get("why") or ""))
    return now


def tidy(told: Any) -> Any:
    """Return what is kept of a set with its names in the form that tables have; older sets may hold another."""
    if isinstance(told, str):
        return tidy_name(told)
    if isinstance(told, Mapping):
        return {tidy(key): tidy(value) for key, value in told.items()}
    return [*map(tidy, told)] if isinstance(told, list | tuple) else told


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


def edits_of(entry: Mapping[str, Any]) -> tuple[Edit, ...]:
    """Return the edits of one entry as data; entries written before they were kept so are read from their words."""
    # the words of those entries are fixed for ever: no entry is written that way any more
    edit = entry.get("edit")
    if isinstance(edit, Mapping):
        return tuple(edit["edits"]) if edit.get("kind") == "sheet" else (edit,)
    return _from_words(str(entry.get("what") or ""))


_DROPPED = re.compile(r"dropped (batch|sample|pour|scan) (.+)\Z", re.DOTALL)
_RELABELLED = re.compile(r"relabelled batch (.+) from (.+) to (.+)\Z", re.DOTALL)
_COLOUR = re.compile(r"colour of batch (.+) from (none|[-+.\de]+) to (none|[-+.\de]+) (?:EBC|SRM)\Z", re.DOTALL)


def _from_words(what: str) -> tuple[Edit, ...]:
    try:
        if match := _DROPPED.match(what):
            names = ast.literal_eval(f"[{match[2]}]")
            return ({"kind": "drop", "level": match[1], "names": [str(name) for name in names]},)
        if match := _RELABELLED.match(what):
            batch, before, beer = (str(ast.literal_eval(part)) for part in match.groups())
            return ({"kind": "relabel", "batch": batch, "before": before, "beer": beer},)
        if match := _COLOUR.match(what):
            was, colour = (None if part == "none" else float(part) for part in match.groups()[1:])
            return ({"kind": "colour", "batch": str(ast.literal_eval(match[1])), "before": was, "colour": colour},)
    except (ValueError, SyntaxError):
        pass  # the words of somebody else: then there is nothing that binds
    return ()


# Who is right where a folder says something against the set: asked of a person, by kind or one by one.

SET, FOLDER, BOTH = "set", "folder", "both"
KINDS = ("beer", "colour", "record", "reflectance", "beer record")
CONFLICT_COLUMNS = ("kind", "subject", "column", "set", "folder", "source")
_SHOWN = 3


class Choices:
    """Conflicts met so far, and what is to be done about each kind and subject."""

    def __init__(self, take: str | Mapping[str, str] | None) -> None:
        self._take = {"": take} if isinstance(take, str) else dict(take or {})
        self.rows: list[tuple[object, ...]] = []
        self.open: list[tuple[object, ...]] = []
        for subject, side in self._take.items():
            if side not in (SET, FOLDER, BOTH):
                raise OptionError(
                    f"take is {side!r} for {subject or 'everything'!r}; expected 'set', 'folder' or 'both'"
                )

    def decide(self, kind: str, subject: str, column: str, of_set: object, of_folder: object, source: str) -> str:
        """Return `set`, `folder` or `both`; an open conflict is noted, and the set stands until it is decided."""
        row = (kind, subject, column, of_set, of_folder, source)
        self.rows.append(row)
        side = self._take.get(subject, self._take.get(kind, self._take.get("", "")))
        if not side or (side == BOTH and kind != "colour"):
            self.open.append(row)
            return SET
        return side

    def refuse_open(self, names: Collection[str]) -> None:
        """Raise where a conflict is undecided, or a choice is made about what is neither a kind nor among the names."""
        known = [*KINDS, *names, *(str(row[1]) for row in self.rows)]
        strange = next((name for name in self._take if name and name not in set(known)), None)
        if strange is not None:
            raise OptionError(
                f"take names {strange!r}, which is nothing of the set{nearest_name(str(strange), known)}; "
                f"expected a kind ({', '.join(KINDS)}), or a batch, beer or scan by its name"
            )
        if self.open:
            table = pd.DataFrame(self.open, columns=list(CONFLICT_COLUMNS), dtype=object)
            raise ConflictError(conflict_line(self.open), conflicts=table)


def conflict_line(rows: Sequence[tuple[object, ...]]) -> str:
    """Say in one line what stands against the set."""
    said = "; ".join(
        f"{subject} {column}: the set has {shown(ours)}, {source or 'the new table'} {shown(theirs)}"
        for _, subject, column, ours, theirs, source in rows[:_SHOWN]
    )
    more = f"; and {len(rows) - _SHOWN} more" if len(rows) > _SHOWN else ""
    return f"{said}{more}; say which to take: that of the set or of the folder, for all, a kind or a name"


def shown(value: object) -> str:
    """Return a value of a set as a person is shown it."""
    return f"{value:.6g}" if isinstance(value, float) else repr(value)


# Lab values of a batch: which are in already, which are another determination, and their mean, told.

_KNOWN = ("colour", "colour_sd", "colour_n", "lab", "colour_method")
# Two values of one batch that lie farther apart than this are no repeat of each other: somebody must say which is
# right. Between two labs a tenth is much. Common practice, no source.
FARTHEST_REPEAT = 0.10


class LabValues:
    """Lab values of the batches of a set; `several` holds those that a mean was taken of."""

    def __init__(self, unit: str, several: dict[str, list[list[Any]]]) -> None:
        self.unit = unit
        self.several = {name: [list(value) for value in values] for name, values in several.items()}

    def holds(self, own: pd.Series, row: pd.Series) -> bool:
        """Say whether a lab value is in the set already, alone or in a mean."""
        values = self.several.get(str(own.name), [_value(own)])
        return any(_same(known, _value(row)) for known in values)

    def is_repeat(self, ours: float, row: pd.Series) -> bool:
        """Say whether a value can be another determination of the same batch."""
        new = float(row["colour"])
        if min(new, ours) <= 0.0:  # no ratio tells: as far apart as the larger of them allows
            return abs(new - ours) <= FARTHEST_REPEAT * max(abs(new), abs(ours))
        return abs(float(np.log(new / ours))) <= FARTHEST_REPEAT

    def first(self, table: pd.DataFrame, row: pd.Series) -> pd.DataFrame:
        """Enter a value as the only one of its batch."""
        self.several.pop(str(row.name), None)
        return enter_colour(table, str(row.name), dict(zip(_KNOWN, _value(row), strict=True)))

    def averaged(self, table: pd.DataFrame, row: pd.Series) -> pd.DataFrame:
        """Enter a value beside those that the batch has."""
        name = str(row.name)
        values = [*self.several.get(name, [_value(table.loc[name])]), _value(row)]
        self.several[name] = values
        return enter_colour(table, name, dict(zip(_KNOWN, _value(self._mean(name, values)), strict=True)))

    def repeats(self, rows: pd.DataFrame) -> list[str]:
        """Note the values of batches that stand in several rows, and say what they come to."""
        told = []
        for name in dict.fromkeys(rows.index[rows.index.duplicated()]):
            values: list[list[Any]] = []
            for _, row in rows.loc[[name]].iterrows():
                if not (pd.isna(row["colour"]) or any(_same(known, _value(row)) for known in values)):
                    values.append(_value(row))
            if len(values) > 1:
                self.several[str(name)] = values
                listed = ", ".join(f"{value[0]:.4g}" for value in values)
                mean = self._mean(str(name), values)["colour"]
                told.append(f"batch {str(name)!r}: lab colours {listed} {self.unit} averaged to {mean:.4g}")
        return told

    def _mean(self, name: str, values: list[list[Any]]) -> dict[str, Any]:
        rows = pd.DataFrame([dict(zip(_KNOWN, value, strict=True)) for value in values])
        for column in ("colour_sd", "colour_n"):
            rows[column] = pd.to_numeric(rows[column], errors="coerce")
        rows = rows.assign(beer="?", lab=rows["lab"].fillna(""), colour_method=rows["colour_method"].fillna(""))
        merged = average_lab_values(rows.set_axis([name] * len(rows), axis=0), colour_unit=self.unit)
        return {column: merged.at[name, column] for column in _KNOWN if column in merged.columns}


def _value(row: pd.Series | Mapping[str, Any]) -> list[Any]:
    """Return colour, its standard deviation and count, lab and method; None where nothing is said."""
    cells = [row.get(name) for name in _KNOWN]
    return [None if cell is None or cell == "" or cell != cell else cell for cell in cells]


def _same(one: list[Any], two: list[Any]) -> bool:
    if one[0] is None or two[0] is None or not np.isclose(one[0], two[0], rtol=1e-9):
        return False
    return all(a is None or b is None or a == b for a, b in zip(one[3:], two[3:], strict=True))
