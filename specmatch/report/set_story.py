"""What happened to a reference set between two versions, on one screen."""

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from specmatch.report.text import text_table

# a screen holds some forty lines
MOST_ENTRIES, MOST_CHANGES, MOST_NAMED = 18, 18, 4
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
            table["from"] = [
                origin.get(name, "") if new else "" for name, new in zip(table["subject"], added, strict=True)
            ]
        return [*lines, text_table(table)]
    for change, rows in changes.groupby("change", sort=False):
        names = list(map(str, rows["subject"]))
        said = f"{change}: {len(names)}"
        if change == "batch added" and origin:
            by_folder = pd.Series([origin.get(name, "elsewhere") for name in names]).value_counts(sort=False)
            said += f", from {_some([f'{folder} ({n})' for folder, n in by_folder.items()])}"
        elif len(names) <= MOST_NAMED and change in ("relabelled", "colour changed", "setting"):
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
    rest = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(dict.fromkeys(names[:MOST_NAMED])) + rest
