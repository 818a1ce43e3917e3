"""Arguments that several commands take, and what is made of them: numbers, a line's setting, what is read."""

import argparse
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from specmatch.cli.outcome import say
from specmatch.errors import OptionError, SheetError

if TYPE_CHECKING:
    import pandas as pd

    from specmatch.line.rules.judging import LineSetting
    from specmatch.measurement.readers.scan import Scan

STANDARD_INPUT = "-"


def number(text: str) -> float:
    """Return a number that was typed with a decimal point."""
    try:
        value = float(text)
    except ValueError:
        pass
    else:
        if math.isfinite(value):
            return value
        raise argparse.ArgumentTypeError(f"{text!r} is no finite number; write one such as 0.5")
    try:
        meant = f"{float(text.replace(',', '.', 1)):g}"
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no number; write one such as 0.5") from None
    raise argparse.ArgumentTypeError(f"{text!r} has a decimal comma; write {meant}")


def _jobs(text: str) -> int:
    if not text.strip().lstrip("-").isdecimal() or int(text) == 0:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of processes; write 1 or more, or -1 for all cores")
    return int(text)


def named_numbers(given: list[str], option: str) -> dict[str, float]:
    """Return settings that were typed as NAME=NUMBER."""
    out = {}
    for text in given:
        name, _, value = text.partition("=")
        try:
            out[name.strip()] = number(value.strip())
        except argparse.ArgumentTypeError as error:
            raise OptionError(f"{option} {text}: {error}; write it as {name.strip()}=0.02") from None
    return out


# arguments that several commands take, by the name that a command asks for them
_SHARED: dict[str, tuple[str, dict[str, Any]]] = {
    "set": ("set", {"metavar": "SET", "help": "folder of a reference set"}),
    "set to change": ("set", {"metavar": "SET", "help": "folder of a reference set; replaced by the new version"}),
    "model": ("model", {"metavar": "MODEL", "help": "model file"}),
    "source": ("source", {"metavar": "FOLDER|FILE", "help": "folder, or file of reflectance (- for standard input)"}),
    "page": ("--out", {"metavar": "PAGE", "help": "HTML page to write; replaced if it is there"}),
    "unit": ("--unit", {"choices": ("EBC", "SRM"), "help": "colour unit to show (default: the set's)"}),
    "coverage": ("--coverage", {"type": number, "default": 0.90,
                 "help": "share of lab values to cover (default 0.90)"}),
    "false rejects": ("--false-reject-rate", {"type": number, "default": 0.05,
                      "help": "share of right claims that may be held (default 0.05)"}),
    "jobs": ("--jobs", {"type": _jobs, "metavar": "N", "help": "processes (one unless given; -1 for all cores)"}),
    "lab": ("--lab", {"metavar": "NAME",
            "help": "lab of the set whose values colours and intervals stand for (default: its main one)"}),
    "dates": ("--dates", {"choices": ("dmy", "mdy", "ymd"),
              "help": "order of day, month and year in sheets, where it is in doubt"}),
    "line": ("--line", {"default": "", "metavar": "NAME", "help": "packaging line, for the journal"}),
    "operator": ("--operator", {"default": "", "metavar": "NAME",
                 "help": "who measured, where the sheet does not say it"}),
    "control hours": ("--control-hours", {"type": number, "default": 12.0, "metavar": "H", "help": "hours for which a "
                      "good control stands for a line that measures one (default 12; 0 asks for none)"}),
}  # fmt: skip


def share(parser: argparse.ArgumentParser, *names: str) -> None:
    """Declare arguments that several commands take."""
    for name in names:
        flag, options = _SHARED[name]
        parser.add_argument(flag, **options)


def add_signature(
    parser: argparse.ArgumentParser, did: str, *, reason: str | None = "", why: str = "why, for the history"
) -> None:
    """Declare why, by whom and when a set is changed."""
    # reason: what stands for one that is not given; None where it must be
    parser.add_argument("--reason", default=reason, required=reason is None, help=why)
    parser.add_argument("--who", default="", help=f"who {did}")
    parser.add_argument("--when", default="", help="when, as 2026-01-31 or with time and offset")


def signature(args: argparse.Namespace) -> dict[str, str]:
    """Return why, by whom and when a set is changed."""
    return {"reason": args.reason, "who": args.who, "when": args.when}


def line_setting(args: argparse.Namespace) -> "LineSetting":
    """Load the model and what lies beside it, and refuse a claim that it does not know."""
    from specmatch.line.watch_folder import load_setting

    if args.control_hours < 0:
        raise OptionError(
            f"--control-hours is {args.control_hours:g}; expected hours, or 0 where no control is asked for"
        )
    return load_setting(
        args.model, line=args.line, operator=args.operator, claim=args.claim, control_hours=args.control_hours
    )


def shown_row(record: dict[str, Any]) -> dict[str, Any]:
    """Return a record as programs are shown it: the reading's columns beside the rest, kept scans left out."""
    reading = record.get("reading", {})
    rest = {key: value for key, value in record.items() if key not in ("reading", "kept", "alone")}
    return {**rest, **reading}


def load_source(source: str, *, dates: str | None = None) -> tuple[Any, list[dict[str, Any]]]:
    """Return the session of a measured folder, or the spectra of a file of reflectance, and what could not be used."""
    from specmatch.line.acquisition import bare_spectra, measure_source, spectra_of

    if source == STANDARD_INPUT:
        return spectra_of(scans_of(source), "standard input"), []
    if Path(source).is_file():
        return bare_spectra(Path(source)), []
    session = measure_source(source, date_order=dates).session
    from specmatch.measurement.folder.folder import first_reason

    tell_sheet_notes(session)
    if session.scans.empty:
        left = list(session.left_out.itertuples(index=False, name=None))
        first = f"; the first of {len(left)} left out: {first_reason(left)}" if left else ""
        raise SheetError(
            f"{source}: its sheet lists no scan of role sample that could be used: there is nothing to read{first}"
        )
    return session, session.left_out.to_dict("records")


def scans_of(path: str) -> "list[Scan]":
    """Read the scans of a file, or of standard input where the name is `-`."""
    from specmatch.measurement.readers.files import LARGEST_BYTES, read_scans, scans_from_bytes

    if path != STANDARD_INPUT:
        return read_scans(path)
    return scans_from_bytes(sys.stdin.buffer.read(LARGEST_BYTES + 1), name="standard input")


def tell_sheet_notes(session: Any) -> None:
    """Print on stderr what is to be known of a folder's sheets."""
    for row in session.sheet_notes.itertuples():
        say(f"note: {row.note}", error=True)


def in_unit(readings: "pd.DataFrame", unit: str | None) -> "pd.DataFrame":
    """Return readings with their colours in another unit; the readings themselves when it is None or their own."""
    if unit is None or readings.empty:
        return readings
    from specmatch.batches import in_colour_unit

    shown = readings.copy()
    own = readings["colour_unit"].iloc[0]
    for column in ("colour", "colour_low", "colour_high", "colour_without_fault"):
        shown[column] = in_colour_unit(readings[column].to_numpy(), own, unit)
    shown["colour_unit"] = unit
    return shown
