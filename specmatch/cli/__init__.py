"""The command line: a file a command, or for two that belong together, and their arguments in commands.toml."""
# exit codes: 0 = done; 1 = done and someone must look; 2 = nothing usable came of it

import argparse
import atexit
import gc
import logging
import re
import sys
import tomllib
from collections.abc import Sequence
from importlib import import_module
from importlib.util import LazyLoader, find_spec, module_from_spec
from typing import Any, NoReturn

from specmatch import __version__
from specmatch.cli.arguments import declare, field_of, refuse_clashes
from specmatch.cli.outcome import let_go_of_closed_pipe, say, tell
from specmatch.errors import SpecmatchError
from specmatch.long_jobs import LOGGER
from specmatch.wording import text_beside

# what each command is called, says of itself and takes, in the order of the work
COMMANDS: dict[str, Any] = tomllib.loads(text_beside(__file__, "commands.toml"))
_SHARED = COMMANDS.pop("shared")

# commands whose answer somebody waits for at the line
QUICK = ("read", "verify", "watch", "colour")


class _OneLineParser(argparse.ArgumentParser):
    """Answers wrong arguments with one line, because a program may be reading it."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}; try {self.prog} --help\n")


def _put_off(*names: str) -> None:
    """Let modules load when something of theirs is first used."""
    # SciPy imports all that NumPy offers by name, among it the translator of Fortran and the testing tools, which no
    # command needs and which take a tenth of the time of a short one
    for name in names:
        spec = find_spec(name) if name not in sys.modules else None
        if spec is not None and spec.loader is not None:
            spec.loader = LazyLoader(spec.loader)
            module = module_from_spec(spec)
            sys.modules[name] = module
            spec.loader.exec_module(module)
            parent, _, own = name.rpartition(".")
            setattr(sys.modules[parent], own, module)


def _parser() -> argparse.ArgumentParser:
    parser = _OneLineParser(
        prog="specmatch",
        description="Match reflectance spectra of beer to a brewery's own past batches.",
        epilog="Exit codes: 0 done; 1 done and someone must look; 2 nothing usable came of it.",
    )
    parser.add_argument("--version", action="version", version=f"specmatch {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, told in COMMANDS.items():
        command = commands.add_parser(
            name, help=told["help"], description=told["help"], epilog=f"Example: {told['example']}"
        )
        declare(command, told["arguments"], _SHARED)
        command.add_argument("--json", action="store_true", help="print one JSON document and nothing else")
        command.add_argument("--debug", action="store_true", help="show the traceback of an error")
        command.set_defaults(parser=command)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    # what imports leave behind stays: searching it for garbage at the usual pace is a tenth of a short command's time
    gc.set_threshold(50_000)
    atexit.register(gc.freeze)  # ... and searching all of it once more at the very end another fifth
    logging.basicConfig(level=logging.WARNING, format="note: %(message)s")
    # names and warnings must come out on any terminal, even one that cannot show every letter
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    args = _parser().parse_args(argv)
    if args.command in QUICK:
        _put_off("numpy.f2py", "numpy.testing")
    _refuse_empty(args)
    if args.command != "watch":  # which reads a sample at a time, and says of each what came of it
        _say_progress()
    try:
        code = _run(args)
        sys.stdout.flush()
    except BrokenPipeError:
        let_go_of_closed_pipe()
        return 0
    except (SpecmatchError, OSError, MemoryError) as error:
        if args.debug:
            raise
        say(f"specmatch {args.command}: {_one_line(error)}", error=True)
        if isinstance(error, OSError) and error.filename is None:
            let_go_of_closed_pipe()  # what could not be written to a full disk is not tried again at the end
        return 2
    except KeyboardInterrupt:
        say(f"specmatch {args.command}: stopped", error=True)
        return 2
    return code


def _refuse_empty(args: argparse.Namespace) -> None:
    """Refuse values that are empty: a variable of a script that nobody set must not leave out what was asked for."""
    for flag, told in COMMANDS[args.command]["arguments"].items():
        value, default = getattr(args, name := field_of(flag, told)), args.parser.get_default(name)
        if default in (None, []) and ("" in value if isinstance(value, list) else value == ""):
            args.parser.error(f"{flag} is empty; give it a value, or leave the option out")


def _say_progress() -> None:
    """Show a person at a terminal what long jobs of the library are at."""
    handler = logging.Handler(logging.INFO)
    handler.emit = lambda record: tell(record.getMessage())  # type: ignore[method-assign]
    LOGGER.handlers, LOGGER.propagate = [handler], False
    LOGGER.setLevel(logging.INFO)


def _run(args: argparse.Namespace) -> int:
    refuse_clashes(args, COMMANDS[args.command])
    # a command's imports are paid for only by those who call it
    beside = COMMANDS[args.command].get("beside")
    module = import_module(f"specmatch.cli.{beside or args.command}")
    outcome = getattr(module, args.command if beside else "run")(args)
    if outcome.shown:
        pass
    elif args.json:
        from specmatch.report.json_document import document

        say(document(args.command, outcome.results, outcome.left_out))
    else:
        say(outcome.text)
        alike: dict[tuple[str, ...], list[list[str]]] = {}
        for row in outcome.left_out:
            values = [str(value) for value in row.values()]
            # for people alone: reasons that differ in the name within quotes are one kind
            kind = re.sub(r"'[^']*'", "''", values[-1])
            alike.setdefault((*values[:-2], kind), []).append(values)
        for rows in alike.values():
            if len(rows) > 4:
                *place, name, why = rows[0]
                rows = [[*place, f"{len(rows)} of a kind (--json lists them), the first {name}", why]]
            for values in rows:
                say(f"left out: {': '.join(values)}", error=True)
    if outcome.failed:
        say(f"specmatch {args.command}: {outcome.failed}", error=True)
        return 2
    return 1 if outcome.needs_look or outcome.left_out else 0


def _one_line(error: BaseException) -> str:
    if isinstance(error, OSError) and error.filename is not None:
        return f"{error.filename}: {error.strerror or error}"
    return re.sub(r"\s*\n\s*", " ", str(error)).strip() or type(error).__name__
