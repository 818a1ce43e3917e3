"""`specmatch inspect`: look inside a file without trusting it."""

import argparse

import specmatch as sm
from specmatch.cli.arguments import STANDARD_INPUT, scans_of
from specmatch.cli.outcome import Outcome
from specmatch.house.inspection import scan_file
from specmatch.report.inspected import inspected_text


def run(args: argparse.Namespace) -> Outcome:
    """Find out what a file is, and say what it holds."""
    standard_input = args.file == STANDARD_INPUT
    found = {"file": args.file, **scan_file(scans_of(args.file))} if standard_input else sm.inspect_file(args.file)
    return Outcome(found, inspected_text(found), needs_look=bool(found.get("doubts")))
