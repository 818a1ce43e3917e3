"""Arguments that `verify --journal` and `watch` share, and the line's setting made of them."""

import argparse
from typing import TYPE_CHECKING, Any

from specmatch.cli.numbers import number

if TYPE_CHECKING:
    from specmatch.line.judging import LineSetting


def add_line_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare who measured where, and how long a control vouches for the line."""
    parser.add_argument("--line", default="", metavar="NAME", help="packaging line, for the journal")
    parser.add_argument("--operator", default="", metavar="NAME", help="who measured (default: the sheet's)")
    parser.add_argument(
        "--control-hours",
        type=number,
        default=12.0,
        metavar="H",
        help="hours that a good control vouches for a line that measures one (default 12; 0 asks for none)",
    )


def line_setting(args: argparse.Namespace) -> "LineSetting":
    """Load the model and what lies beside it, and refuse a claim that it does not know."""
    from specmatch.line.watch_folder import load_setting

    return load_setting(
        args.model, line=args.line, operator=args.operator, claim=args.claim, control_hours=args.control_hours
    )


def shown_row(record: dict[str, Any]) -> dict[str, Any]:
    """Return a record as programs are shown it: the reading's columns beside the rest, kept scans left out."""
    reading = record.get("reading", {})
    rest = {key: value for key, value in record.items() if key not in ("reading", "kept", "alone")}
    return {**rest, **reading}
