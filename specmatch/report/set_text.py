"""A reference set on a terminal: findings of an audit by what to do about them, and what happened between versions.

A person works down a list of a few things, not of many, and reads a history on one screen.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from specmatch.reference.audit.finding import Remedy, remedy_of
from specmatch.report.text import text_table
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


# a screen holds some forty lines
MOST_ENTRIES, MOST_CHANGES, MOST_TOLD = 18, 18, 4
_WIDTH = 116


def story_lines(
    entries: Sequence[Mapping[str, Any]], changes: pd.DataFrame, sources: Sequence[Mapping[str, Any]]
) -> list[str]:
    """Lay out the history since and the differences; what is long is summed up, and nothing is left untold."""
    lines = _entry_lines(entries)
    origin = {batch: source["name"] for source in sources for batch in source["batches"]}
    if changes.empty:
        return [*lines, "the two hold the same"]
    if len(changes) <= MOST_CHANGES:
        table = changes.copy()
        added = table["change"] == "batch added"
        if added.any() and origin:
            table["from"] = table["subject"].map(origin).where(added).fillna("")
        return [*lines, text_table(table)]
    for change, rows in changes.groupby("change", sort=False):
        names = list(map(str, rows["subject"]))
        said = f"{change}: {len(names)}"
        if change == "batch added" and origin:
            by_folder = pd.Series([origin.get(name, "elsewhere") for name in names]).value_counts(sort=False)
            said += f", from {_some([f'{folder} ({n})' for folder, n in by_folder.items()])}"
        elif len(names) <= MOST_TOLD and change in ("relabelled", "colour changed", "setting"):
            rows_said = rows.itertuples(index=False)
            said += f": {'; '.join(f'{row.subject} {row.before} -> {row.after}' for row in rows_said)}"
        else:
            said += f": {_some(names)}"
        lines.append(said)
    return lines


def _entry_lines(entries: Sequence[Mapping[str, Any]]) -> list[str]:
    if len(entries) <= MOST_ENTRIES:
        return [_entry_line(entry) for entry in entries]
    groups: dict[str, list[Mapping[str, Any]]] = {}
    for entry in entries:
        groups.setdefault(str((entry.get("edit") or {}).get("kind", "change")), []).append(entry)
    lines = []
    for kind, group in groups.items():
        if kind == "extend" or len(group) > MOST_ENTRIES // 3:
            signed = sorted({str(entry.get("when"))[:10] for entry in group} - {""})
            span = f" ({signed[0]} to {signed[-1]})" if signed else ""
            lines.append(
                f"- {len(group)} times {_KINDS.get(kind, kind)}{span}: {_some([entry['why'] for entry in group])}"
            )
        else:
            lines += [_entry_line(entry) for entry in group]
    return lines


_KINDS = {
    "extend": "extended", "relabel": "relabelled", "colour": "a colour set", "drop": "dropped",
    "sheet": "edited by a sheet",
    "settle": "a finding settled", "undo": "undone",
}  # fmt: skip


def _entry_line(entry: Mapping[str, Any]) -> str:
    signed = ", ".join(entry[key] for key in ("who", "when") if entry.get(key))
    line = f"- {entry['what']}: {entry['why']}{f' ({signed})' if signed else ''}"
    return line if len(line) <= 2 * _WIDTH else f"{line[: 2 * _WIDTH - 2]} …"


def _some(names: Sequence[str]) -> str:
    rest = f" and {len(names) - MOST_TOLD} more" if len(names) > MOST_TOLD else ""
    return ", ".join(dict.fromkeys(names[:MOST_TOLD])) + rest
