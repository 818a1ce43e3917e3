"""`specmatch inspect`: look inside a file without trusting it."""

import argparse
from pathlib import Path
from typing import Any

from specmatch.cli.outcome import Outcome
from specmatch.wording import counted

COMMAND = "inspect"
HELP = "look inside a scan file, a sheet, a set or a model without trusting it"
EXAMPLE = "specmatch inspect monday/pale-1.csv"

_SHEETS = ("scans", "batches", "beers")
_ODD = ("spike", "lost", "cut", "merged", "assumed", "repeated", "missing", "jump", "are named", "does not say")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `inspect`."""
    parser.add_argument("file", metavar="FILE", help="scan file, sheet, model file, or folder of a reference set")


def run(args: argparse.Namespace) -> Outcome:
    """Find out what a file is, and say what it holds."""
    path = Path(args.file)
    if path.is_dir():
        results, lines = _folder(path)
    else:
        with open(path, "rb") as file:
            start = file.read(16)
        if start.startswith(b"SQLite format 3"):
            results, lines = (
                {"kind": "journal", "bytes": path.stat().st_size},
                ["a journal (SQLite): see specmatch history"],
            )
        elif start.startswith(b"PK") and path.suffix.lower() not in (".xlsx", ".xlsm", ".ods"):
            results, lines = _model(path)
        elif path.stem in _SHEETS or path.suffix.lower() in (".xlsx", ".xlsm", ".xls", ".ods"):
            results, lines = _sheet(path)
        else:
            results, lines = _scans(path)
    doubts = results.get("doubts", [])
    text = "\n".join([f"{path}: {results['kind']}", *lines])
    return Outcome({"file": str(path), **results}, text, needs_look=bool(doubts))


def _scans(path: Path) -> tuple[dict[str, Any], list[str]]:
    import numpy as np

    from specmatch.measurement.files import read_scans

    rows, lines, doubts = [], [], []
    for scan in read_scans(path):
        low, high = float(np.nanmin(scan.values)), float(np.nanmax(scan.values))
        first, last = float(scan.wavelength_nm[0]), float(scan.wavelength_nm[-1])
        odd = [note for note in scan.notes if any(word in note for word in _ODD)]
        doubts += [f"{scan.scan_id}: {note}" for note in odd]
        rows.append({
            "scan_id": scan.scan_id, "quantity": scan.quantity, "points": scan.values.size, "first_nm": first,
            "last_nm": last, "lowest": low, "highest": high, "missing": int(scan.missing.sum()),
            "saturated": int(scan.saturated.sum()), "notes": list(scan.notes), "meta": dict(scan.meta),
        })  # fmt: skip
        span = f"{counted(scan.values.size, 'point')}, {first:g} to {last:g} nm, {scan.quantity} {low:g} to {high:g}"
        lines += [f"{scan.scan_id}: {span}", *(f"  {note}" for note in scan.notes)]
        lines += [f"  header: {key}: {value}" for key, value in scan.meta.items()]
    return {"kind": "scan file", "scans": rows, "doubts": doubts}, lines


def _sheet(path: Path) -> tuple[dict[str, Any], list[str]]:
    from specmatch.measurement.sheets import read_sheet

    sheet = read_sheet(path)
    columns = {str(name): int((sheet.table[name] != "").sum()) for name in sheet.table}
    lines = [
        counted(len(sheet.table), "row"),
        *(f"  {name}: {filled} filled" for name, filled in columns.items()),
        *sheet.notes,
    ]
    return {"kind": "sheet", "rows": len(sheet.table), "filled": columns, "doubts": sheet.notes}, lines


def _model(path: Path) -> tuple[dict[str, Any], list[str]]:
    from specmatch.house.model_file import load_arrays

    arrays, manifest = load_arrays(path)
    shapes = {name: {"shape": list(array.shape), "dtype": str(array.dtype)} for name, array in arrays.items()}
    plain = {key: value for key, value in manifest.items() if isinstance(value, str | int | float | bool | None)}
    lines = [f"  {key}: {value}" for key, value in plain.items()] + _house_lines(manifest)
    lines.append(f"{len(arrays)} arrays, hashes and sizes as stated, no code")
    lines += [f"  {name}: {tuple(entry['shape'])} {entry['dtype']}" for name, entry in shapes.items()]
    return {"kind": "house model", "manifest": manifest, "arrays": shapes}, lines


def _house_lines(manifest: dict[str, Any]) -> list[str]:
    """Say what a person asks first; a manifest may come from anybody, so nothing is taken to be there."""
    record = manifest.get("house")
    fields = record.get("fields") if isinstance(record, dict) else None
    if not isinstance(fields, dict):
        return []
    lines = []
    for name in ("beers", "batches"):
        listed = fields.get(name)
        names = listed.get("tuple") if isinstance(listed, dict) else None
        if isinstance(names, list):
            lines.append(f"  {name}: {len(names)}" + (f": {', '.join(map(str, names))}" if name == "beers" else ""))
    for name in ("colour_unit", "lowest_colour", "highest_colour", "set_name", "set_hash"):
        if isinstance(fields.get(name), str | int | float):
            lines.append(f"  {name}: {fields[name]}")
    settings = manifest.get("settings")
    return lines + [f"  {key}: {value}" for key, value in (settings if isinstance(settings, dict) else {}).items()]


def _folder(path: Path) -> tuple[dict[str, Any], list[str]]:
    if (path / "datapackage.json").is_file():
        from specmatch.reference.package import read_package

        package = read_package(path)
        sizes = {name: len(table) for name, table in package.tables.items()}
        plain = {key: value for key, value in package.info.items() if isinstance(value, str | int | float | bool)}
        lines = [f"  {key}: {value}" for key, value in plain.items()]
        lines += [f"  {name}: {counted(rows, 'row')}" for name, rows in sizes.items()]
        beers = package.tables["batches"]["beer"].value_counts(sort=False).sort_index()
        lines.append(f"  beers: {len(beers)}: " + ", ".join(f"{beer} ({n})" for beer, n in beers.items()))
        lines.append("hashes of all files as stated")
        return {"kind": "reference set", "info": package.info, "rows": sizes}, lines
    from specmatch.measurement.folder import listed_scans
    from specmatch.measurement.folder_sheets import scans_sheet

    rows, left_out, notes = listed_scans(scans_sheet(path))
    roles = rows["role"].value_counts().to_dict()
    missing = [file for file in rows["file"] if not (path / file).is_file()]
    doubts = [f"{file}: {reason}" for file, reason in left_out] + [f"{file}: listed, not found" for file in missing]
    doubts += [note for _, note in notes]
    lines = [", ".join(f"{count} {role}" for role, count in roles.items()), *doubts, f"next: specmatch measure {path}"]
    return {"kind": "measured folder", "roles": roles, "doubts": doubts}, lines
