"""Handing entries on, never delaying a decision: a command that is run for each hold, a folder of JSON files."""
# Each works in a thread of its own, after the entry is in the journal. What a scan file says reaches a command on its
# standard input alone: no shell reads it, and no argument is made of it.

import json
import os
import queue
import shlex
import shutil
import signal
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path

from specmatch.errors import OptionError, SpecmatchError, StorageError
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.journal.queries import entries_document
from specmatch.storage import sha256_of, write_atomic
from specmatch.warning_codes import HOLD

# a command that rings a bell or sends a message takes a second; after so many it hangs
COMMAND_S = 10.0
# holds that may wait for a slow command: more than a line has in a night
MOST_WAITING = 100
# how soon an entry that another program wrote (a review, say) is handed on
LOOK_S = 1.0
Complain = Callable[[str], None]


@contextmanager
def handing_on(
    journal: Path, line: str, *, on_hold: str | None = None, folder: str | Path | None = None, complain: Complain,
) -> Iterator[Callable[[Record], None]]:  # fmt: skip
    """Give what is to be called with each row, and see all of them handed on before the block ends."""
    with ExitStack() as stack:
        each: list[OnHold | HandOver] = []
        if on_hold is not None:
            each.append(stack.enter_context(closing(OnHold(on_hold, journal, complain=complain))))
        if folder is not None:
            each.append(stack.enter_context(closing(HandOver(journal, line, folder, complain=complain))))

        def tell(row: Record) -> None:
            for one in each:
                one.tell(row)

        yield tell


class OnHold:
    """Runs a command for each entry that is a hold, one after the other, for a limited time each."""

    def __init__(self, command: str, journal: Path, *, complain: Complain, limit_s: float = COMMAND_S) -> None:
        self.journal, self.complain, self.limit_s = journal, complain, limit_s
        try:
            words = shlex.split(command, posix=os.name == "posix")
        except ValueError as error:
            raise OptionError(f"--on-hold {command!r}: {error}; write it as on a command line") from None
        found = shutil.which(words[0]) if words else None
        if found is None:
            raise OptionError(
                f"--on-hold {command!r}: no such command; name a program that can be run, and its options"
            )
        self.words = [os.path.abspath(found), *words[1:]]
        self._rows: queue.Queue[Record | None] = queue.Queue(MOST_WAITING)
        self._thread = threading.Thread(target=self._work, name="on-hold", daemon=True)
        self._thread.start()

    def tell(self, row: Record) -> None:
        """Take an entry in hand; those that are no hold are let go."""
        if row.get("decision") != HOLD:
            return
        try:
            self._rows.put_nowait(row)
        except queue.Full:
            self.complain(f"--on-hold: {MOST_WAITING} holds wait for the command; not run for entry {row['entry']}")

    def close(self) -> None:
        """Let the command run for what still waits, for as long as two runs may take."""
        with suppress(queue.Full):
            self._rows.put(None, timeout=self.limit_s)
        self._thread.join(2.0 * self.limit_s)
        left = [row["entry"] for row in self._rows.queue if row is not None] if self._thread.is_alive() else []
        if left:
            self.complain(f"--on-hold: not run for entries {', '.join(map(str, left))}: the command is too slow")

    def _work(self) -> None:
        while (row := self._rows.get()) is not None:
            trouble = self._run(row)
            if trouble:
                self.complain(f"--on-hold for entry {row['entry']}: {trouble}")

    def _run(self, row: Record) -> str:
        body = json.dumps(entries_document([{"journal": str(self.journal), **row}]), ensure_ascii=False)
        try:
            # what it prints is thrown away: a flood fills no disk and holds nobody up
            process = subprocess.Popen(
                self.words, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                start_new_session=True,
            )  # fmt: skip
        except OSError as error:
            return f"{self.words[0]} cannot be run ({error.strerror or error})"
        try:
            process.communicate(body.encode(), timeout=self.limit_s)
        except subprocess.TimeoutExpired:
            _end(process)
            return f"ended after {self.limit_s:g} s, its time limit"
        return f"it failed with exit code {process.returncode}" if process.returncode else ""


def _end(process: "subprocess.Popen[bytes]") -> None:
    """End a process, and those that it started where the system can."""
    if os.name == "posix":
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    process.kill()
    process.wait()


class HandOver:
    """Writes each entry of a line to a folder, as a JSON file of its own; where the folder is away, once it is back."""

    # How far it has come stands in a small file beside the journal: what was recorded while nobody handed it on is made
    # up for. The first time it begins with the entries from then on; `history --export` has those before.

    def __init__(self, journal: Path, line: str, folder: str | Path, *, complain: Complain) -> None:
        self.journal, self.line, self.folder, self.complain = journal, line, Path(folder), complain
        if not self.folder.is_dir():
            raise OptionError(f"--hand-over {folder}: no such folder; make it, or name the one that is read")
        mark = sha256_of(f"{self.folder.resolve()}\n{line}".encode())[:12]
        self._mark = journal.with_name(f".{journal.name}.{mark}.handed")
        self._wake, self._closing = threading.Event(), threading.Event()
        self._said = ""
        self._done = self._begin()
        self._thread = threading.Thread(target=self._work, name="hand-over", daemon=True)
        self._thread.start()

    def tell(self, row: Record) -> None:
        """Hear that there is an entry: it is read from the journal."""
        self._wake.set()

    def close(self) -> None:
        """Hand on what is there, and stop."""
        self._closing.set()
        self._wake.set()
        self._thread.join(COMMAND_S)
        if self._thread.is_alive():
            self.complain(f"--hand-over {self.folder}: it does not answer; the rest is handed on by the next watch")

    def _begin(self) -> int:
        if self._mark.is_file():
            said = self._mark.read_text(encoding="ascii", errors="replace")
            if not said.isdecimal():
                raise StorageError(f"{self._mark} is damaged: write the number of the entry handed over last into it")
            return int(said)
        with Journal(self.journal, read_only=True) as journal:
            last = int(journal.query("SELECT coalesce(max(entry), 0) FROM entries")[0][0])
        write_atomic(self._mark, str(last).encode())
        return last

    def _work(self) -> None:
        with Journal(self.journal, read_only=True) as journal:
            closing = False
            while not closing:
                self._wake.wait(LOOK_S)
                self._wake.clear()
                closing = self._closing.is_set()
                try:
                    self._hand_on(journal)
                    self._said = ""
                except (SpecmatchError, OSError) as error:
                    if str(error) != self._said:
                        self._said = str(error)
                        self.complain(f"--hand-over: {error}; it is tried again")

    def _hand_on(self, journal: Journal) -> None:
        for row in journal.select("entry > ? AND line = ?", (self._done, self.line)):
            body = json.dumps(entries_document([{"journal": str(self.journal), **row}]), ensure_ascii=False, indent=1)
            write_atomic(self.folder / f"{self.journal.stem}-{row['entry']:08d}.json", body.encode())
            write_atomic(self._mark, str(row["entry"]).encode())
            self._done = row["entry"]
