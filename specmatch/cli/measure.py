"""`specmatch measure`: raw counts to checked reflectance."""

import argparse

import specmatch as sm
from specmatch.cli.arguments import add_dates_argument, number
from specmatch.cli.outcome import Outcome, fields_of
from specmatch.storage import write_atomic
from specmatch.wording import counted, guarded_cell

COMMAND = "measure"
HELP = "turn a folder of raw scans into checked reflectance"
EXAMPLE = "specmatch measure monday/ --out monday.csv"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `measure`."""
    parser.add_argument("folder", metavar="FOLDER", help="scan files with scans.csv")
    parser.add_argument("--out", metavar="CSV", help="write the reflectance here, a row a scan")
    parser.add_argument("--dark-age", type=number, default=12.0, metavar="H", help="hours until a dark is stale (12)")
    parser.add_argument(
        "--reference-age", type=number, default=12.0, metavar="H", help="hours until a reference is stale (12)"
    )
    parser.add_argument("--jobs", type=int, metavar="N", help="workers that read files (one by one unless given)")
    add_dates_argument(parser)


def run(args: argparse.Namespace) -> Outcome:
    """Measure, write the table if asked, and say what was found."""
    session = sm.measure(
        args.folder, dark_age_h=args.dark_age, reference_age_h=args.reference_age, n_jobs=args.jobs,
        date_order=args.dates,
    )  # fmt: skip
    if args.out:
        write_atomic(args.out, session.spectra.rename(index=guarded_cell).to_csv(lineterminator="\n").encode("utf-8"))
    left_out = session.left_out.to_dict("records")
    samples = session.scans["sample"].nunique()
    lines = [
        f"{args.folder}: {counted(len(session.spectra), 'scan')} of {counted(samples, 'sample')}, "
        f"{counted(len(session.controls), 'control scan')}"
    ]
    if session.band_nm is not None:
        kind = f", reference {session.reference_kind}" if session.reference_kind else ""
        lines.append("usable band {:.0f}-{:.0f} nm".format(*session.band_nm) + kind)
    lines += [f"{row.scan_id}: {row.code}: {row.sentence}" for row in session.checks.itertuples()]
    lines += [f"note: {row.subject}: {row.note}" for row in session.notes.itertuples()]
    lines.append(f"written to {args.out}" if args.out else "write the reflectance with --out FILE.csv")
    results = {
        "folder": args.folder, "scans": len(session.spectra), "samples": samples, "controls": len(session.controls),
        **fields_of(session, "band_nm", "reference_kind", "checks", "notes"), "out": args.out,
    }  # fmt: skip
    return Outcome(results, "\n".join(lines), left_out, needs_look=bool(left_out) or not session.checks.empty)
