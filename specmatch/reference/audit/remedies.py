"""What carries out the advice of a finding: one edit of the set, as a Python line and as a command."""

import shlex
from dataclasses import dataclass
from typing import Any

import pandas as pd

from specmatch.reference.tables.edits import batch_days

WHY = "WHY"  # stands where a person writes the reason


@dataclass(frozen=True)
class Remedy:
    """What to do about a finding."""

    # relabel, rename, colour, recipe, drop, extend: an edit or a command; settle: nothing but a decision is left
    kind: str
    names: tuple[Any, ...] = ()

    def python(self, finding: str) -> str:
        """Return the line of Python that carries it out."""
        if self.kind == "drop":
            level = "" if self.names[0] == "batch" else f", level={self.names[0]!r}"
            return f"refs = refs.drop({self.names[1]!r}{level}, reason={WHY!r})"
        if self.kind == "colour" and self.names[1] is None:
            return f"refs = refs.set_colour({self.names[0]!r}, float('nan'), reason={WHY!r})"
        if self.kind == "extend":
            return f"refs = refs.extend(spectra, scans, batches, reason={WHY!r})"
        if self.kind == "lab":
            return f"refs = refs.extend(batches=batches, reason={WHY!r})"
        if self.kind == "settle":
            return f"refs = refs.settle({finding!r}, reason={WHY!r})"
        method = {"relabel": "relabel", "rename": "rename_beer", "colour": "set_colour", "recipe": "recipe_step"}
        listed = ", ".join(repr(name) for name in self.names)
        return f"refs = refs.{method[self.kind]}({listed}, reason={WHY!r})"

    def command(self, place: str, finding: str) -> str:
        """Return the command that carries it out."""
        if self.kind in ("extend", "lab"):
            return shlex.join(["specmatch", "extend", place, "FOLDER" if self.kind == "extend" else "SHEET"])
        if self.kind == "settle":
            return shlex.join(["specmatch", "audit", place, "--settle", finding, "--reason", WHY])
        option = f"--{self.kind}"
        names = [*self.names]
        if self.kind == "drop":
            option, names = ("--drop" if names[0] == "batch" else f"--drop-{names[0]}"), names[1:]
        words = ["none" if name is None else f"{name:.4g}" if isinstance(name, float) else str(name) for name in names]
        return shlex.join(["specmatch", "edit", place, option, *words, "--reason", WHY])

    def row(self) -> dict[str, str] | None:
        """Return it as a row of a sheet of edits, or None where it is no edit."""
        what = {"relabel": "beer", "colour": "colour", "rename": "rename", "recipe": "recipe"}.get(self.kind)
        if self.kind == "drop":
            return {"batch": self.names[1], "what": f"drop {self.names[0]}", "value": ""}
        if what is None:
            return None
        name, value = self.names
        text = "none" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)
        return {"batch": name, "what": what, "value": text}


def remedy_of(
    code: str, level: str, subject: str, suggestion: str, scans: pd.DataFrame, batches: pd.DataFrame
) -> Remedy:
    """Return the edit that a finding advises, or that only a decision is left."""
    if code == "mislabelled" and level == "beer":
        return Remedy("rename", (subject, suggestion))
    if code == "mislabelled" and suggestion:
        return Remedy("relabel", (subject, suggestion))
    if code == "swapped_lab_values" and suggestion in batches.index:
        return Remedy("colour", (subject, float(batches.at[suggestion, "colour"])))
    if code == "lab_value" and level == "batch":
        return Remedy("colour", (subject, None))
    if code == "recipe_change" and suggestion in batches.index:
        day = str(batch_days(scans, batches.loc[[suggestion]]).iloc[0])
        return Remedy("recipe", (subject, day)) if day else Remedy("settle")
    if code in ("mislabelled", "duplicate_scans", "odd_pour", "drifted_reference") and level != "set":
        return Remedy("drop", (level, subject))
    if code == "missing_lab":
        return Remedy("lab")
    return Remedy("extend") if code in ("thin_beer", "colour_gap", "few_sessions") else Remedy("settle")
