"""`specmatch watch`: verify scans as an instrument writes them."""

import argparse
import signal
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from specmatch.cli.arguments import add_dates_argument, add_line_arguments, line_setting, shown_row
from specmatch.cli.outcome import Outcome
from specmatch.cli.terminal import say
from specmatch.report.entry_text import entry_line

COMMAND = "watch"
HELP = "verify scans as they land in a folder, and record every decision"
EXAMPLE = "specmatch watch house.model scans/ --journal line1.db --line L1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `watch`."""
    parser.add_argument("model", metavar="MODEL", help="model file")
    parser.add_argument("folder", metavar="FOLDER", help="folder that the instrument writes to")
    parser.add_argument(
        "--journal", required=True, metavar="DB", help="journal to record in, on a disk of this machine"
    )
    parser.add_argument("--once", action="store_true", help="judge what is there and stop, for a scheduler")
    parser.add_argument("--claim", metavar="BEER", help="beer or label that every sample is said to be")
    add_line_arguments(parser)
    add_dates_argument(parser)


def run(args: argparse.Namespace) -> Outcome:
    """Watch until a signal, or once."""
    from specmatch.line.watch_folder import needs_look, watching
    from specmatch.report.text import risks_text
    from specmatch.wording import CAUTIONS

    tell = _tell(args.json)
    setting = line_setting(args)
    # beside the documents of --json, so that they stay what they are
    if risks := risks_text(setting.house.limit_risks(setting.specification)):
        say(risks, error=args.json, flush=True)
    with watching(setting, args.folder, args.journal, date_order=args.dates) as watcher:
        if args.once:
            rows = watcher.once()
            for row in rows:
                tell(row)
            for name, reason in watcher.waiting.items():
                say(f"waiting: {name}: {reason}", error=True)
            say(f"{len(rows)} recorded, {len(watcher.waiting)} waiting", error=True)
            look = bool(watcher.waiting) or any(needs_look(row) for row in rows)
            return Outcome(None, "", needs_look=look, shown=True)
        stop = threading.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stop.set())
        if not args.json:
            say(f"{CAUTIONS}\n\nwatching {Path(args.folder)}; stop with Ctrl-C", flush=True)
        seen: list[bool] = []

        def tell_and_note(row: dict[str, Any]) -> None:
            tell(row)
            seen.append(needs_look(row))

        watcher.run(stop, tell_and_note, complain=lambda said: say(f"waiting: {said}", error=True, flush=True))
    say(f"stopped: {len(seen)} recorded in {args.journal}", error=True)
    return Outcome(None, "", needs_look=any(seen), shown=True)


def _tell(as_json: bool) -> Callable[[dict[str, Any]], None]:
    if as_json:
        from specmatch.report.json_document import document

        def one_document(row: dict[str, Any]) -> None:
            # the contract of every command, one document a line
            left_out = [shown_row(row)] if row["kind"] == "left_out" else []
            say(document("watch", [] if left_out else [shown_row(row)], left_out), flush=True)

        return one_document

    def one_line(row: dict[str, Any]) -> None:
        say(entry_line(row), flush=True)

    return one_line
