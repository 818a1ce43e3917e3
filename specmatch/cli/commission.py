"""`specmatch commission`: is this module fit for use."""

import argparse
from textwrap import fill

from specmatch.cli.arguments import named_numbers
from specmatch.cli.outcome import WIDTH, Outcome, tell

COMMAND = "commission"
HELP = "is this module fit for use: wavelength, linearity, stray light, noise, drift, each with its limit"
EXAMPLE = "specmatch commission bench/ --out bench.html"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `commission`."""
    parser.add_argument("folder", nargs="?", metavar="FOLDER", help="measured folder with scans of role check")
    parser.add_argument("--out", metavar="PAGE", help="HTML page to write; replaced if it is there")
    parser.add_argument("--bench-sheet", action="store_true", help="print what to scan at the bench, and how often")
    parser.add_argument(
        "--limit",
        action="append",
        default=[],
        metavar="FIGURE=NUMBER",
        help="a limit of the house's own; may be repeated",
    )
    parser.add_argument("--certificate", metavar="FILE", help="where to write the certificate as JSON")
    parser.add_argument(
        "--correct-axis", metavar="FILE", help="where to write a corrected axis as a new version; nothing applies it"
    )


def run(args: argparse.Namespace) -> Outcome:
    """Commission, write what was asked for, and lay out the figures."""
    from specmatch.errors import OptionError
    from specmatch.measurement.commissioning.bench_sheet import bench_sheet
    from specmatch.measurement.commissioning.commission import FIT, commission
    from specmatch.report.text import beside_limits, text_table
    from specmatch.storage import write_atomic

    if args.bench_sheet:
        sheet = bench_sheet()
        return Outcome({"bench_sheet": sheet.split("\n")}, sheet)
    if args.folder is None:
        raise OptionError("name a FOLDER of scans, or ask for --bench-sheet to know what to scan")
    limits = named_numbers(args.limit, "--limit")
    if args.out:
        from specmatch.report.plots.style import need_matplotlib

        need_matplotlib()
    tell(f"reading {args.folder}")
    found = commission(args.folder, limits=limits, correct_axis=bool(args.correct_axis))
    lines = [f"{found.instrument or 'module'}: {found.verdict}", fill(found.sentence, WIDTH), ""]
    shown = beside_limits(found.figures.drop(columns=["what"])).reset_index()
    lines += [
        text_table(shown),
        "",
        f"certificate {found.certificate[:12]}: write it into the column certificate of later scans",
    ]
    if found.axis is not None:
        found.axis.save(args.correct_axis)
        lines.append(
            f"corrected axis {found.axis.version} (degree {found.axis.correction_degree}) written to "
            f"{args.correct_axis}; nothing applies it by itself"
        )
    if args.certificate:
        found.save(args.certificate)
    if args.out:
        from specmatch.report.pages import commissioning_page

        write_atomic(args.out, commissioning_page(found).encode("utf-8"))
        lines.append(f"{args.out}: the page")
    left_out = found.left_out.to_dict("records")
    results = {
        "verdict": found.verdict,
        "sentence": found.sentence,
        "instrument": found.instrument,
        "reference_kind": found.reference_kind,
        "certificate": found.certificate,
        "figures": found.figures,
        "lines": found.lines,
        "pieces": found.pieces,
        "axis": None
        if found.axis is None
        else {
            "version": found.axis.version,
            "parent": found.axis.parent,
            "coefficients": list(found.axis.coefficients),
        },
        "page": args.out,
    }
    return Outcome(results, "\n".join(lines), left_out, needs_look=found.verdict != FIT or bool(left_out))
