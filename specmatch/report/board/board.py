"""The board: a page at an address of this machine that shows a line as it stands, and hears at once what changes."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from specmatch.errors import MissingExtraError, OptionError, SpecmatchError
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.now import line_now
from specmatch.report.board.shown import board_shown, sentence
from specmatch.storage import path_of

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
    MissingExtraError
        If starlette and uvicorn, the extra `board`, are not installed.
    OptionError
        If the address cannot be listened on, or the token is too short.

    Examples
    --------
    >>> import threading
    >>> stop = threading.Event()
    >>> with Board("line1.db", line="1", address="0") as board:
    ...     board.url.startswith("http://127.0.0.1:")
    ...     # sm.watch(..., tell=board.tell, beat=board.beat, stop=stop)
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
        """Say how the watch itself stands."""
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
                    state = board_shown(line_now(journal, self.line), names=self.names, writes=bool(self.token))
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
