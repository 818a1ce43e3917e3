"""What a command hands back: results for programs, text for people, and whether someone must look."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

# what is said in sentences runs over lines of this length
WIDTH = 116


@dataclass(frozen=True)
class Outcome:
    """The outcome of one command.

    Attributes
    ----------
    results : object
        Anything that `specmatch.report.json_document.jsonable` takes: tables, mappings, lists, numbers.
    text : str
        What a person reads on the terminal.
    left_out : sequence of mappings
        What was not used, each with its `reason`.
    needs_look : bool
        True for a hold, a rescan, a finding, something left out: exit code 1.
    shown : bool
        True where the command has shown everything while it ran: then nothing more is printed.
    """

    results: Any
    text: str
    left_out: Sequence[Mapping[str, Any]] = field(default_factory=tuple)
    needs_look: bool = False
    shown: bool = False
