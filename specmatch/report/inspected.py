"""Lines for a terminal on what a file holds."""

from collections.abc import Callable
from typing import Any

from specmatch.house.inspection import FOLDER, JOURNAL, MODEL, SCAN_FILE, SET, SHEET
from specmatch.wording import counted, listed

_MOST_NAMED = 6
_Found = dict[str, Any]


def inspected_text(found: _Found) -> str:
    """Lay out what `inspect_file` found."""
    return "\n".join([f"{found['file']}: {found['kind']}", *_LINES[found["kind"]](found)])


def _scan_lines(found: _Found) -> list[str]:
    lines: list[str] = []
    for row in found["scans"]:
        span = f"{counted(row['points'], 'point')}, {row['first_nm']:g} to {row['last_nm']:g} nm"
        lines.append(f"{row['scan_id']}: {span}, {row['quantity']} {row['lowest']:g} to {row['highest']:g}")
        if row["saturated"]:
            lines.append(f"  {counted(row['saturated'], 'channel')} saturated: scan again with a shorter integration")
        lines += [f"  {note}" for note in row["notes"]]
        lines += [f"  header: {key}: {value}" for key, value in row["meta"].items()]
    return lines


def _sheet_lines(found: _Found) -> list[str]:
    filled = [f"  {name}: {count} filled" for name, count in found["filled"].items()]
    return [counted(found["rows"], "row"), *filled, *found["doubts"]]


def _model_lines(found: _Found) -> list[str]:
    manifest, arrays = found["manifest"], found["arrays"]
    plain = {key: value for key, value in manifest.items() if isinstance(value, str | int | float | bool | None)}
    lines = [f"  {key}: {value}" for key, value in plain.items()] + _house_lines(manifest)
    lines.append(f"{len(arrays)} arrays, hashes and sizes as stated, no code")
    return lines + [f"  {name}: {tuple(entry['shape'])} {entry['dtype']}" for name, entry in arrays.items()]


def _at(record: Any, kind: type, *keys: str) -> Any:
    """Return what a manifest holds at a path; a manifest may come from anybody: empty where it is made otherwise."""
    for key in keys:
        record = record.get(key) if isinstance(record, dict) else None
    return record if isinstance(record, kind) else kind()


def _house_lines(manifest: _Found) -> list[str]:
    fields = _at(manifest, dict, "house", "fields")
    if not fields:
        return []
    beers, batches = (_at(fields, list, name, "tuple") for name in ("beers", "batches"))
    lines = [f"  beers: {len(beers)}: {', '.join(map(str, beers))}", f"  batches: {len(batches)}"]
    for name in ("colour_unit", "lowest_colour", "highest_colour", "set_name", "set_hash"):
        if isinstance(fields.get(name), str | int | float):
            lines.append(f"  {name}: {fields[name]}")
    if instruments := _at(fields, list, "conditions", "fields", "instrument", "tuple"):
        lines.append(f"  instruments of the set: {', '.join(map(str, instruments))}")
    for module in _at(fields, list, "modules", "tuple"):
        one = _at(module, dict, "fields")
        parts = [f"{part} {one[part]}" for part in ("lamp", "cup", "base") if one.get(part)]
        taught = f"by {counted(len(_at(one, list, 'shared', 'tuple')), 'batch')}, {one.get('route')}"
        lines.append(f"  second module: {', '.join([str(one.get('instrument')), *parts])}, taught {taught}")
    return lines + [f"  {key}: {value}" for key, value in _at(manifest, dict, "settings").items()]


def _set_lines(found: _Found) -> list[str]:
    plain = {key: value for key, value in found["info"].items() if isinstance(value, str | int | float | bool)}
    lines = [f"  {key}: {value}" for key, value in plain.items()]
    lines += [f"  {name}: {counted(rows, 'row')}" for name, rows in found["rows"].items()]
    beers = found["beers"]
    lines.append(f"  beers: {len(beers)}: " + ", ".join(f"{beer} ({n})" for beer, n in beers.items()))
    for source in found["info"].get("sources") or ():
        head = f"  from {source['name']} ({source['sha256'][:12]}): {counted(source['n_scans'], 'scan')}"
        lines.append(f"{head}: {listed(source['batches'], _MOST_NAMED)}")
    for version in found["info"].get("versions") or ():
        lines.append(f"  earlier version kept: {version}")
    return [*lines, "hashes of all files as stated"]


def _folder_lines(found: _Found) -> list[str]:
    roles = ", ".join(f"{count} {role}" for role, count in found["roles"].items())
    return [roles, *found["doubts"], f"next: specmatch measure {found['file']}"]


_LINES: dict[str, Callable[[_Found], list[str]]] = {
    SCAN_FILE: _scan_lines,
    SHEET: _sheet_lines,
    MODEL: _model_lines,
    SET: _set_lines,
    FOLDER: _folder_lines,
    JOURNAL: lambda _: ["a journal (SQLite): see specmatch history"],
}
