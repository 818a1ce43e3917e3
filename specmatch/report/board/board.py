"""The board: a page at an address of this machine that shows a line as it stands, and hears at once what changes."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from specmatch.errors import MissingExtraError, OptionError, SpecmatchError
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.journal.queries import when
from specmatch.line.now import GOOD, NONE, LineNow, line_now
from specmatch.line.reviews import OUTCOMES
from specmatch.report.entry_text import decision_word, short_time, shown_colour, subject, whose
from specmatch.storage import path_of
from specmatch.warning_codes import CONSISTENT, HOLD, RESCAN
from specmatch.wording import cut, cut_sentence, printable

if TYPE_CHECKING:
    from specmatch.report.board.server import Served


LOCAL = "127.0.0.1"
# how soon an entry of another program is seen; one of this watch is told at once
LOOK_S = 0.25
# a page that hears nothing for three of these says so
BEAT_S = 2.0
# ages and what falls due with time are worked out anew so often
AGE_S = 20.0
# a look takes a tenth of a second and a sample less than one: a watch that is silent for so long stands still
STANDSTILL_S = 15.0
WATCHING, TROUBLE, STANDS_STILL, STOPPED = "watching", "trouble", "stands still", "stopped"
# letters of a token that cannot be guessed through a network
SHORTEST_TOKEN = 16


class Board:
    """A page that stays on a screen at the line, served while the block runs.

    Parameters
    ----------
    journal : str or Path
        Journal of the line; read only, but for reviews.
    line : str
        The line that is shown.
    address : str, default "8080"
        `[HOST:]PORT`; on this machine alone unless a host is named. Port 0 takes a free one.
    token : str, optional
        At least 16 letters or digits, with which a review can be written from the page; without it nothing can.
    names : bool, default False
        Show names of people in the list of the newest entries.

    Attributes
    ----------
    url : str
        Where the page is, while the block runs.

    Raises
    ------
    MissingExtraError, OptionError
        If the extra `board` is not installed; if the address cannot be listened on, or the token is too short.

    Examples
    --------
    >>> with Board("line1.db", line="1", address="0") as board:
    ...     board.url.startswith("http://127.0.0.1:")  # sm.watch(..., tell=board.tell, beat=board.beat)
    True
    """

    def __init__(
        self, journal: str | Path, *, line: str = "", address: str = "8080", token: str = "", names: bool = False
    ) -> None:
        self.journal, self.line, self.names, self.token = path_of(journal), line, names, token
        self.host, self.port = host_and_port(address)
        if token and (len(token) < SHORTEST_TOKEN or not token.isascii() or not token.isalnum()):
            raise OptionError(
                f"a token is {SHORTEST_TOKEN} letters and digits of ASCII or more, got {len(token)} of any"
            )
        self.url = ""
        self._wake, self._closing = threading.Event(), threading.Event()
        self._beaten, self._trouble = time.monotonic(), ""
        self._server: Served | None = None

    def tell(self, row: Record) -> None:
        """Hear that there is a new entry, which is read from the journal.

        Parameters
        ----------
        row : dict

        Examples
        --------
        >>> Board("line1.db").tell({"entry": 5})
        """
        self._beaten = time.monotonic()
        self._wake.set()

    def beat(self, trouble: Sequence[str] = ()) -> None:
        """Hear that the watch has looked at its folder, and what it could not use.

        Parameters
        ----------
        trouble : sequence of str
            Sentences; none where all is well.

        Examples
        --------
        >>> Board("line1.db").beat(["p3.csv: is being written"])
        """
        self._beaten = time.monotonic()
        said = "; ".join(trouble)
        if said != self._trouble:
            self._trouble = said
            self._wake.set()

    def __enter__(self) -> Board:
        try:
            from specmatch.report.board.server import Served
        except ImportError as error:
            raise MissingExtraError(
                "the board needs starlette and uvicorn, which are not installed; install them from the project's "
                "folder with pip install '.[board]'"
            ) from error
        try:
            family = socket.AF_INET6 if ":" in self.host else socket.AF_INET
            listening = socket.create_server((self.host, self.port), family=family, backlog=256)
        except OSError as error:
            raise OptionError(
                f"the board cannot listen on {self.host} port {self.port} ({error.strerror or error}); choose another"
            ) from error
        port = listening.getsockname()[1]
        self.url = f"http://{f'[{self.host}]' if ':' in self.host else self.host}:{port}/"
        self._server = Served(listening, host=self.host, journal=self.journal, line=self.line, token=self.token)
        self._server.wake = self._wake.set
        self._follower = threading.Thread(target=self._follow, name="board", daemon=True)
        self._follower.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closing.set()
        self._wake.set()
        self._follower.join(5.0)
        if self._server is not None:
            self._server.stop()

    def _watch(self) -> dict[str, str]:
        silent_s = time.monotonic() - self._beaten
        if self._closing.is_set():
            return {"state": STOPPED, "sentence": "The watch was stopped: nothing is judged"}
        if silent_s > STANDSTILL_S:
            return {"state": STANDS_STILL, "sentence": f"The watch has not looked for {silent_s:.0f} s"}
        if self._trouble:
            return {"state": TROUBLE, "sentence": sentence(self._trouble)}
        return {"state": WATCHING, "sentence": "Watching"}

    def _follow(self) -> None:
        """Read the journal whenever it changes, and hand on what is to be shown."""
        assert self._server is not None
        journal: Journal | None = None
        seen, made, beaten = None, 0.0, 0.0
        state: dict[str, Any] = {}
        watch: dict[str, str] = {}
        while True:
            closing, now = self._closing.is_set(), time.monotonic()
            before = watch
            watch = self._watch()
            try:
                journal = journal or Journal(self.journal, read_only=True)
                # SQLite counts what other connections have written
                version = journal.query("PRAGMA data_version")[0][0]
                if version != seen or now - made > AGE_S or not state:
                    state = _board_shown(line_now(journal, self.line), names=self.names, writes=bool(self.token))
                    seen, made, before = version, now, {}
            except SpecmatchError as error:
                watch = {"state": TROUBLE, "sentence": sentence(f"the journal cannot be read: {error}")}
            # what a silence lasts is no change worth telling between two beats
            if before.get("state") != watch["state"] or closing or now - beaten > BEAT_S:
                whole = before == {} or closing
                self._server.publish(json.dumps({**(state if whole else {}), "watch": watch}), whole=whole)
                beaten = now
            if closing:
                break
            self._wake.wait(LOOK_S)
            self._wake.clear()
        if journal is not None:
            with suppress(SpecmatchError):
                journal.close()


def host_and_port(address: str) -> tuple[str, int]:
    """Return host and port of `[HOST:]PORT`; this machine alone where no host is named."""
    host, _, port = address.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not port.isdecimal() or not int(port) < 65536 or (host != "" and " " in host):
        raise OptionError(f"--board takes [HOST:]PORT, such as 8080 or 0.0.0.0:8080; got {address!r}")
    return host or LOCAL, int(port)


# letters of a name, and of a sentence, that a board has room for; the record holds the rest
LONGEST_NAME, LONGEST_SENTENCE = 48, 220
MOST_WAITING = 8
READING_ONLY, LEFT_OUT, NOTHING = "reading", "left_out", "nothing"
_WORDS = {
    CONSISTENT: "Consistent", HOLD: "Hold", RESCAN: "Rescan", READING_ONLY: "Reading only", LEFT_OUT: "Not judged",
    NOTHING: "Nothing yet",
}  # fmt: skip
_CONTROL_FIRST = "measure the control before anything else"


def _board_shown(now: LineNow, *, names: bool = False, writes: bool = False) -> dict[str, Any]:
    # names: of people too. writes: whether a review can be written
    at = datetime.fromisoformat(now.at)
    control = now.control.state not in (GOOD, NONE)
    headline = _headline(now, at, control)
    contradicts = now.stops and not control and headline["kind"] in (CONSISTENT, READING_ONLY)
    return {
        "line": name(now.line),
        "headline": headline,
        "stops": sentence(now.sentence) if contradicts else "",
        "state": sentence(now.sentence),
        "control": {"state": now.control.state, "sentence": sentence(now.control.sentence)},
        "newest": [_listed(row, at, names) for row in now.newest],
        "waiting": [_waits(row, at) for row in now.waiting[-MOST_WAITING:][::-1]],
        "n_waiting": len(now.waiting),
        "review": {"outcomes": list(OUTCOMES), "second": now.second_name} if writes else None,
    }


def name(value: object) -> str:
    """Return a name with what would steer a screen spelled out, cut where it is long."""
    return printable(cut(value, LONGEST_NAME))


def sentence(value: object) -> str:
    """Return a sentence likewise, with a capital."""
    return printable(cut_sentence(value, LONGEST_SENTENCE))


_NO_ROW = {"beer": "", "lot": "", "colour": "", "time": "", "age_s": None, "entry": None, "review": ""}


def _headline(now: LineNow, at: datetime, control: bool) -> dict[str, Any]:
    row = now.last
    held = row is not None and row.get("decision") == HOLD and now.review is None
    if control and not held:
        word = "Control out" if now.control.state == "control out" else "Control due"
        said = {"to_do": sentence(_CONTROL_FIRST), "why": sentence(now.control.sentence)}
        return {**_NO_ROW, "kind": RESCAN, "word": word, **said}
    if row is None:
        said = {"to_do": "The first decision will stand here", "why": ""}
        return {**_NO_ROW, "kind": NOTHING, "word": _WORDS[NOTHING], **said}
    kind = _kind(row)
    reading = row["kind"] in ("reading", "retest")
    reviewed = "" if now.review is None else f"{now.review.get('outcome') or 'seen'} ({short_time(now.review, now=at)})"
    to_do = row.get("advice") or ("mend the file or its row in the sheet" if kind == LEFT_OUT else "")
    return {
        "kind": kind,
        "word": _WORDS[kind] if row["kind"] != "control" else "Control out",
        "beer": name(row.get("claimed") or ("no claim" if reading else subject(row))),
        "lot": name(row.get("lot") or (row.get("sample") if reading else "")),
        "colour": name(shown_colour(row)) if reading else "",
        "time": short_time(row, now=at),
        "age_s": at.timestamp() - when(row),
        "entry": row["entry"],
        "to_do": f"Reviewed: {reviewed}" if reviewed else sentence(to_do),
        "why": sentence(row.get("reason")),
        "review": reviewed,
    }


def _kind(row: Record) -> str:
    return LEFT_OUT if row["kind"] == "left_out" else str(row.get("decision") or READING_ONLY)


def _listed(row: Record, at: datetime, names: bool) -> dict[str, Any]:
    return {
        "entry": row["entry"],
        "kind": _kind(row) if row["kind"] in ("reading", "retest", "left_out", "control") else row["kind"],
        "word": decision_word(row),
        "what": printable(cut(subject(row, names=names), 2 * LONGEST_NAME)),
        "time": short_time(row, now=at),
    }


def _waits(row: Record, at: datetime) -> dict[str, Any]:
    return {
        "entry": row["entry"],
        "state": row["run_state"],
        "what": printable(cut(whose(row), 2 * LONGEST_NAME)),
        "to_do": printable(cut(row["to_do"], LONGEST_SENTENCE)),
        "time": short_time(row, now=at) if row["measured_at"] else "",
    }
