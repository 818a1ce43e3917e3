"""`specmatch commission`: is this module fit for use."""

import argparse
from textwrap import fill

import specmatch as sm
from specmatch.cli.arguments import named_numbers
from specmatch.cli.outcome import WIDTH, Outcome, fields_of, need_drawing, tell, written
from specmatch.errors import OptionError
from specmatch.measurement.commissioning.commission import FIT
from specmatch.measurement.commissioning.figures import bench_sheet
from specmatch.report.text import beside_limits, text_table


def run(args: argparse.Namespace) -> Outcome:
    """Commission, write what was asked for, and lay out the figures."""
    if args.bench_sheet:
        sheet = bench_sheet()
        return Outcome({"bench_sheet": sheet.split("\n")}, sheet)
    if args.folder is None:
        raise OptionError("name a FOLDER of scans, or ask for --bench-sheet to know what to scan")
    limits = named_numbers(args.limit, "--limit")
    need_drawing(args.out)
    tell(f"reading {args.folder}")
    found = sm.commission(args.folder, limits=limits, correct_axis=bool(args.correct_axis))
    lines = [
        f"{found.instrument or 'module'}: {found.verdict}",
        fill(found.sentence, WIDTH),
        "",
        text_table(beside_limits(found.figures.drop(columns=["what"])).reset_index()),
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
        lines.append(written(args.out, sm.pages.commissioning_page(found)))
    results = fields_of(
        found, "verdict", "sentence", "instrument", "reference_kind", "certificate", "figures", "lines", "pieces"
    )
    results["axis"] = None if found.axis is None else fields_of(found.axis, "version", "parent", "coefficients")
    results["page"] = args.out
    return Outcome(results, "\n".join(lines), found.left_out.to_dict("records"), needs_look=found.verdict != FIT)
