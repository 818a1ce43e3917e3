"""`specmatch measure` and `inspect`: raw counts to checked reflectance; a look inside a file without trusting it."""

import argparse
from collections import Counter
from pathlib import Path

import specmatch as sm
from specmatch.cli.arguments import STANDARD_INPUT, scans_of
from specmatch.cli.outcome import Outcome, fields_of
from specmatch.house.inspection import scan_file
from specmatch.measurement.folder.begin import begin_sheets
from specmatch.report.inspected import inspected_text
from specmatch.storage import write_atomic
from specmatch.wording import counted, guarded_cell


def run(args: argparse.Namespace) -> Outcome:
    """Measure, write the table if asked, and say what was found."""
    if args.begin_sheet:
        return _begun(Path(args.folder))
    session = sm.measure(
        args.folder, dark_age_h=args.dark_age, reference_age_h=args.reference_age, n_jobs=args.jobs,
        date_order=args.dates,
    )  # fmt: skip
    if args.out:
        write_atomic(args.out, session.spectra.rename(index=guarded_cell).to_csv(lineterminator="\n").encode("utf-8"))
    samples = session.scans["sample"].nunique()
    lines = [
        f"{args.folder}: {counted(len(session.spectra), 'scan')} of {counted(samples, 'sample')}, "
        f"{counted(len(session.controls), 'control scan')}"
    ]
    if session.band_nm is not None:
        kind = f", reference {session.reference_kind}" if session.reference_kind else ""
        lines.append("usable band {:.0f}-{:.0f} nm".format(*session.band_nm) + kind)
    lines += [f"{row.scan_id}: {row.code}: {row.sentence}" for row in session.checks.itertuples()]
    notes = session.notes[["subject", "note"]].itertuples(index=False, name=None)
    lines += [f"note: {note if note.startswith(subject) else f'{subject}: {note}'}" for subject, note in notes]
    lines.append(f"written to {args.out}" if args.out else "write the reflectance with --out FILE.csv")
    results = {
        "folder": args.folder, "scans": len(session.spectra), "samples": samples, "controls": len(session.controls),
        **fields_of(session, "band_nm", "reference_kind", "checks", "notes"), "out": args.out,
    }  # fmt: skip
    return Outcome(results, "\n".join(lines), session.left_out.to_dict("records"), needs_look=not session.checks.empty)


def _begun(folder: Path) -> Outcome:
    begun = begin_sheets(folder)
    roles = Counter(row["role"] for row in begun.scans)
    lines = [
        f"{folder / 'scans.csv'}: {', '.join(f'{roles[role]} {role}' for role in ('dark', 'reference', 'sample'))}"
    ]
    if begun.batches:
        beers = {row["beer"] for row in begun.batches} - {""}
        found = f"{counted(len(begun.batches), 'batch')} of {counted(len(beers), 'beer')}"
        lines.append(f"{folder / 'batches.csv'}: {found}; fill in the lab colours")
    blank = sum(row["role"] == "sample" and not row["batch"] for row in begun.scans)
    if blank:
        lines.append(f"no batch is told by {counted(blank, 'file name')}: fill in the column batch")
    lines += [
        f"no file is named {role}: set the role of those that are" for role in ("dark", "reference") if not roles[role]
    ]
    lines.append("guessed from the names of the files: look through each column before you use it")
    lines.append(f"next: specmatch measure {folder}")
    results = {"folder": str(folder), "begun": begun.scans, "batches": begun.batches}
    return Outcome(results, "\n".join(lines), begun.left_out, needs_look=True)


def inspect(args: argparse.Namespace) -> Outcome:
    """Find out what a file is, and say what it holds."""
    standard_input = args.file == STANDARD_INPUT
    found = {"file": args.file, **scan_file(scans_of(args.file))} if standard_input else sm.inspect_file(args.file)
    return Outcome(found, inspected_text(found), needs_look=bool(found.get("doubts")))
