"""What a command hands back: results for programs, text for people, and whether someone must look.

What a command is at, for a person who waits; programs and log files are told nothing.
"""

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

# what is said in sentences runs over lines of this length
WIDTH = 116


@dataclass(frozen=True)
class Outcome:
    """The outcome of one command."""

    results: Any  # anything that `specmatch.report.json_document.jsonable` takes: tables, mappings, lists, numbers
    text: str  # what a person reads on the terminal
    left_out: Sequence[Mapping[str, Any]] = field(default_factory=tuple)  # what was not used, each with its `reason`
    needs_look: bool = False  # true for a hold, a rescan, a finding, something left out: exit code 1
    failed: str = ""  # why nothing came of it, for stderr: exit code 2
    shown: bool = False  # true where the command has shown everything while it ran: then nothing more is printed


def tell(step: str) -> None:
    """Print a line on what is being done, on stderr, where that is a terminal."""
    if sys.stderr.isatty():
        print(f"... {step}", file=sys.stderr, flush=True)
