"""One finding of an audit: whether it is told, what it rests on, and the edit that carries out its advice."""

import hashlib
import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.reference.disk.encoding import encode_table, plain_bytes
from specmatch.reference.tables.edits import Tables, batch_days
from specmatch.wording import rows_beside

# Each kind of finding: its code, level, evidence and advice; codes stand from what makes a set wrong to what only makes
# it thin, and findings of one code by their size.
_KINDS = {kind: told for kind, *told in rows_beside(__file__, "findings.csv")}
CODES = tuple(dict.fromkeys(code for code, *_ in _KINDS.values()))
LEVELS = ("scan", "pour", "sample", "batch", "beer", "session", "set")
FINDING_COLUMNS = ("code", "level", "subject", "size", "sentence", "action", "suggestion", "finding", "python")


@dataclass(frozen=True)
class Finding:
    """What an audit found."""

    code: str  # code, level: from `CODES` and `LEVELS`
    level: str
    subject: str  # name of the scan, pour, sample, batch, beer, session or set
    size: float  # how large, in the unit that the sentence names
    sentence: str  # the evidence
    action: str  # what to do
    suggestion: str = ""  # what the set should say instead, where the audit can tell: a beer, a batch, a scan, a colour

    @property
    def name(self) -> str:
        """Return the name by which it is known for as long as the set lives."""
        return f"{self.code}:{self.subject}"


def found(kind: str, subject: str, size: float, suggestion: str = "", **said: Any) -> Finding:
    """Return a finding of a kind of findings.csv, its words filled with what is said."""
    code, level, sentence, action = _KINDS[kind]
    return Finding(code, level, subject, size, sentence.format(**said), action.format(**said), suggestion)


def findings_table(findings: Iterable[Finding], scans: pd.DataFrame, batches: pd.DataFrame) -> pd.DataFrame:
    """Return findings as a table, worst first, each with its lasting name and what carries out its advice."""
    ranked = sorted(findings, key=lambda finding: (CODES.index(finding.code), -finding.size, finding.subject))
    rows = []
    for finding in ranked:
        remedy = remedy_of(finding.code, finding.level, finding.subject, finding.suggestion, scans, batches)
        rows.append({**asdict(finding), "finding": finding.name, "python": remedy.python(finding.name)})
    table = pd.DataFrame(rows, columns=list(FINDING_COLUMNS))
    return table.astype({name: object for name in FINDING_COLUMNS if name != "size"} | {"size": float})


# The levels of an audit: how sure it is of a finding, however many subjects it looks at.
# An audit makes hundreds of tests of a few kinds: of pours, labels, lab values, sessions, and of beers for a step and
# for two groups. Of each kind it tells what a false-discovery rule lets through (Benjamini, Hochberg, J. R. Stat.
# Soc. B 57:289, 1995): where nothing is off, one set in so many brings any, and where much is, few of what is told
# are false.

# Share of clean sets in which chance may bring a finding of one kind.
FALSE_RATE = 0.05


def told_up_to(p_value: Floats, n: int) -> float:
    """Return up to which p-value subjects are told, of the `n` that were tested."""
    # p_value (m,): of those that could be told at all
    ordered = np.sort(p_value)
    passed = np.flatnonzero(ordered <= FALSE_RATE * np.arange(1, ordered.size + 1) / max(n, 1))
    return FALSE_RATE * (float(passed[-1]) + 1.0 if passed.size else 1.0) / max(n, 1)


def told(tested: Iterable[tuple[Finding, float]]) -> list[Finding]:
    """Return which findings to tell, of one for each test, with its p-value."""
    tested = list(tested)
    limit = told_up_to(np.array([p_value for _, p_value in tested]), len(tested))
    return [finding for finding, p_value in tested if p_value <= limit]


# What a settled finding rests on: it comes back only where that has changed.

_OF_SCANS = ("scan", "pour", "sample", "session")
# what one of these says instead is the name of a beer: another name is another finding
_NAMED = ("mislabelled", "duplicate_scans")


def evidence_of(finding: Mapping[str, Any], tables: Tables, known: Sequence[str] | None = None) -> dict[str, Any]:
    """Return what a finding rests on: batches of a beer known by now, and a hash of spectra, labels and lab colours."""
    # known: batches that a beer had when its finding was settled; later ones do not bring it back
    spectra, scans, batches = tables.spectra, tables.scans, tables.batches
    level, subject = str(finding["level"]), str(finding["subject"])
    said = str(finding["suggestion"]) if finding["code"] in _NAMED else ""
    listed: list[str] = []
    if level == "set":
        content = _kinds(subject, scans)
    elif level in _OF_SCANS:
        of_scan = scans.index if level == "scan" else scans[level]
        content = _bytes_of(np.asarray(of_scan == subject), spectra, batches.iloc[:0])
    else:
        listed = [subject] if level == "batch" else list(batches.index[batches["beer"] == subject])
        listed = listed if known is None else [name for name in known if name in batches.index]
        content = _bytes_of(scans["batch"].isin(listed).to_numpy(), spectra, batches.loc[listed, ["beer", "colour"]])
    digest = hashlib.sha256(b"\0".join([said.encode(), content])).hexdigest()
    return {"digest": digest} | ({"batches": listed} if level == "beer" else {})


def still_settled(finding: Mapping[str, Any], settled: Mapping[str, Any], tables: Tables) -> bool:
    """Say whether a settled finding rests on what it rested on then."""
    known = settled.get("batches")
    if known is not None and str(finding["suggestion"]) in tables.batches.index and finding["suggestion"] not in known:
        return False  # it is about a batch that came later
    return bool(evidence_of(finding, tables, known)["digest"] == settled.get("digest"))


def _kinds(column: str, scans: pd.DataFrame) -> bytes:
    if column not in scans.columns:
        return column.encode()
    return "\0".join([column, *sorted({str(cell) for cell in scans[column].dropna()})]).encode()


def _bytes_of(rows: np.ndarray, spectra: pd.DataFrame, batches: pd.DataFrame) -> bytes:
    mine = spectra[rows].sort_index()
    ids = "\0".join(map(str, mine.index)).encode()
    return b"\0".join([ids, plain_bytes(mine.to_numpy()), encode_table(batches)])


# What carries out the advice of a finding: one edit of the set, as a Python line and as a command.

WHY = "WHY"  # stands where a person writes the reason
# what the set's method and a sheet's edit of a remedy are called, where not as the remedy
METHODS = {"rename": "rename_beer", "colour": "set_colour", "recipe": "recipe_step", "lab": "extend"}
_OF_A_SHEET = {"relabel": "beer", "colour": "colour", "rename": "rename", "recipe": "recipe"}


@dataclass(frozen=True)
class Remedy:
    """What to do about a finding."""

    # relabel, rename, colour, recipe, drop, extend: an edit or a command; settle: nothing but a decision is left
    kind: str
    names: tuple[Any, ...] = ()

    def python(self, finding: str) -> str:
        """Return the line of Python that carries it out."""
        names = ["float('nan')" if name is None else repr(name) for name in self.names]
        if self.kind == "drop":
            names = names[1:] if self.names[0] == "batch" else [names[1], f"level={names[0]}"]
        given = {"extend": ["spectra", "scans", "batches"], "lab": ["batches=batches"], "settle": [repr(finding)]}
        listed = ", ".join([*given.get(self.kind, names), f"reason={WHY!r}"])
        return f"refs = refs.{METHODS.get(self.kind, self.kind)}({listed})"

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
        if self.kind == "drop":
            return {"batch": self.names[1], "what": f"drop {self.names[0]}", "value": ""}
        if self.kind not in _OF_A_SHEET:
            return None
        name, value = self.names
        text = "none" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)
        return {"batch": name, "what": _OF_A_SHEET[self.kind], "value": text}


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
