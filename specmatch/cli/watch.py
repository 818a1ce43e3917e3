"""`specmatch watch`: verify scans as an instrument writes them."""

import argparse
import os
import secrets
import signal
import threading
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import specmatch as sm
from specmatch.cli.arguments import line_setting, shown_row
from specmatch.cli.outcome import Outcome, ring, say, screen
from specmatch.line.hand_over import handing_on
from specmatch.line.watch_folder import needs_look, watching
from specmatch.report.board.board import LOCAL
from specmatch.report.text import risks_text
from specmatch.wording import CAUTIONS


def run(args: argparse.Namespace) -> Outcome:
    """Watch until a signal, or once."""

    def complain(said: str) -> None:
        say(f"waiting: {said}", error=True, flush=True)

    show, seen, setting = _tell(args.json), [], line_setting(args)
    # beside the documents of --json, so that they stay what they are
    if risks := risks_text(setting.house.limit_risks(setting.specification)):
        say(risks, error=args.json, flush=True)
    with ExitStack() as stack:
        watcher = stack.enter_context(watching(setting, args.folder, args.journal, date_order=args.dates))
        hand_on = stack.enter_context(
            handing_on(
                Path(args.journal), args.line, on_hold=args.on_hold, folder=args.hand_over,
                complain=lambda said: say(said, error=True, flush=True),
            )
        )  # fmt: skip
        board = None
        if args.board:
            token = _token(Path(args.board_token)) if args.board_token else ""
            options = {"line": args.line, "address": args.board, "token": token, "names": args.board_names}
            board = stack.enter_context(sm.Board(args.journal, **options))

        def tell(row: dict[str, Any]) -> None:
            for one in (board.tell, hand_on, show) if board else (hand_on, show):
                one(row)
            seen.append(needs_look(row))

        if args.once:
            for row in watcher.once():
                tell(row)
            for name, reason in watcher.waiting.items():
                complain(f"{name}: {reason}")
            if not any(path.is_file() for path in Path(args.folder).iterdir()):
                complain(f"{args.folder} holds no file; name the folder that the instrument, or the sheet, stands in")
            say(f"{len(seen)} recorded, {len(watcher.waiting)} waiting", error=True)
            return Outcome(None, "", needs_look=bool(watcher.waiting) or any(seen), shown=True)
        stop = threading.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stop.set())
        if not args.json:
            say(f"{CAUTIONS}\n\nwatching {Path(args.folder)}; stop with Ctrl-C", flush=True)
        if board is not None:
            say(_of_board(board), error=True, flush=True)
        watcher.run(stop, tell, complain=complain, beat=board.beat if board else None)
    say(f"stopped: {len(seen)} recorded in {args.journal}", error=True)
    return Outcome(None, "", needs_look=any(seen), shown=True)


def _token(path: Path) -> str:
    """Return the token in a file; where there is none it is made, for its owner's eyes alone."""
    if not path.exists():
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with open(descriptor, "w", encoding="ascii") as file:
            file.write(f"{secrets.token_hex(16)}\n")
    return path.read_text(encoding="utf-8", errors="replace").strip()


def _of_board(board: sm.Board) -> str:
    who = "on this machine alone" if board.host in (LOCAL, "localhost", "::1") else "for everybody on its network"
    can = "reviews can be written with its token" if board.token else "it only shows"
    return f"board at {board.url}, {who}; {can}"


def _tell(as_json: bool) -> Callable[[dict[str, Any]], None]:
    if as_json:
        from specmatch.report.json_document import document

        def one_document(row: dict[str, Any]) -> None:
            # the contract of every command, one document a line
            left_out = [shown_row(row)] if row["kind"] == "left_out" else []
            say(document("watch", [] if left_out else [shown_row(row)], left_out), flush=True)

        return one_document

    from specmatch.report.entry_text import entry_line

    def one_line(row: dict[str, Any]) -> None:
        say(entry_line(row, width=screen()[0]), flush=True)
        if needs_look(row):
            ring()

    return one_line
