"""Findings of an audit by what to do about them: a person works down a list of a few things, not of many."""

from collections.abc import Sequence
from typing import Any

import pandas as pd

from specmatch.reference.audit.remedies import Remedy, remedy_of
from specmatch.wording import listed

_MOST_SHOWN, _MOST_NAMED = 8, 12
# what many findings of one code come to; {n} how many, {names} which
_TOGETHER = {
    "missing_lab": "{n} batches wait for the lab: {names}; they serve identity only",
    "thin_beer": "{n} beers have too few batches to tell their own scatter: {names}",
    "colour_gap": "{n} gaps in colour: {names}; colours in between rest on interpolation",
    "mislabelled": "{n} labels do not fit",
    "lab_value": "{n} lab values do not fit what their spectra read",
    "swapped_lab_values": "{n} lab values that fit if they change places",
    "duplicate_scans": "{n} scans are copies of others",
    "odd_pour": "{n} pours or batches are unlike those beside them",
    "mixed_conditions": "the set mixes {n} conditions",
}
# these need no word on each
_ALIKE = ("missing_lab", "thin_beer", "colour_gap")


def grouped(findings: pd.DataFrame, scans: pd.DataFrame, batches: pd.DataFrame, place: str) -> list[dict[str, Any]]:
    """Return findings by code and by what carries out their advice, in the order of the audit."""
    groups: dict[tuple[str, str], list[tuple[dict[str, Any], Remedy]]] = {}
    for row in findings.to_dict("records"):
        remedy = remedy_of(row["code"], row["level"], row["subject"], row["suggestion"], scans, batches)
        level = row["level"] if row["code"] == "mislabelled" else ""
        groups.setdefault((row["code"], level), []).append((row, remedy))
    return [_group(code, rows, place) for (code, _), rows in groups.items()]


def _group(code: str, rows: list[tuple[dict[str, Any], Remedy]], place: str) -> dict[str, Any]:
    findings, sentences, subjects = ([row[name] for row, _ in rows] for name in ("finding", "sentence", "subject"))
    together = _TOGETHER.get(code, f"{{n}} findings of {code}").format(n=len(rows), names=listed(subjects, _MOST_NAMED))
    commands = [remedy.command(place, row["finding"]) for row, remedy in rows]
    edits = [(remedy.row(), row["sentence"]) for row, remedy in rows]
    return {
        "code": code, "sentence": together if len(rows) > 1 else sentences[0], "action": rows[0][0]["action"],
        "findings": findings, "sentences": sentences,
        "commands": list(dict.fromkeys(commands)) if code in _ALIKE else commands, "subjects": subjects,
        "edits": [edit | {"reason": reason} for edit, reason in edits if edit is not None],
    }  # fmt: skip


def group_lines(groups: Sequence[dict[str, Any]]) -> list[str]:
    """Lay the groups out for a terminal."""
    lines = []
    for place, group in enumerate(groups, start=1):
        lines.append(f"{place}. {group['sentence']} [{group['code']}]")
        lines.append(f"   do: {group['action']}")
        one_by_one = len(group["commands"]) > 1
        for sentence, command in list(zip(group["sentences"], group["commands"], strict=False))[:_MOST_SHOWN]:
            if one_by_one:
                lines.append(f"   - {sentence}")
            lines.append(f"   {'  ' if one_by_one else ''}{command}")
        if len(group["commands"]) > _MOST_SHOWN:
            lines.append(f"   and {len(group['commands']) - _MOST_SHOWN} more: see --json, or edit them by a sheet")
        alone = sum(other["code"] == group["code"] for other in groups) == 1
        name = group["code"] if len(group["findings"]) > 1 and alone else group["findings"][0]
        lines.append(f"   if it is as it should be, settle it: --settle {name!r}")
    return lines
