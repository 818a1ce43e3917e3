"""How the board is served: one page, one stream of events, one way to write a review; nothing is read from a folder."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import ipaddress
import json
import socket
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from importlib.resources import files
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from specmatch.errors import SpecmatchError, TableError
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.reviews import review
from specmatch.wording import printable

# a screen at the line, some phones, a wall of them: more than this is no brewery
MOST_CONNECTIONS = 400
LARGEST_REVIEW = 16_384
# what a wrong token costs whoever tries
GUESS_S = 0.5
# streams that are told the end let go at once; a page that does not listen is not waited for
STOP_S = 10.0
_PARTS = {"/": ("board.html", "text/html"), "/board.css": ("board.css", "text/css"),
          "/board.js": ("board.js", "text/javascript")}  # fmt: skip
# the page may fetch its own style, script and events; nothing else can run in it, and no other page can frame it
_HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "cache-control": "no-store",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
}


class Served:
    """The server in a thread of its own, and the newest of what it tells every page that listens."""

    def __init__(self, listening: socket.socket, *, host: str, journal: Path, line: str, token: str) -> None:
        self.journal, self.line, self.token = journal, line, token
        self.wake: Callable[[], None] = lambda: None  # called when a review was written
        folder = files("specmatch.report.board")
        parts = {path: (folder.joinpath(file).read_bytes(), kind) for path, (file, kind) in _PARTS.items()}
        # a page that was loaded from another version loads itself anew
        self.page = hashlib.sha256(b"".join(body for body, _ in parts.values())).hexdigest()[:12]
        self._whole: tuple[int, bytes] = (0, b"")
        self._beat = b""
        self._ended = False
        self._changed = asyncio.Event()
        routes = [Route(path, _fixed(*part)) for path, part in parts.items()]
        routes += [
            Route("/favicon.ico", _fixed(b"", "image/x-icon", 204)),
            Route("/events", self._events),
            Route("/review", self._review, methods=["POST"]),
        ]
        app = _guarded(Starlette(routes=routes), known_hosts(host))
        self._server = uvicorn.Server(
            uvicorn.Config(
                app, log_config=None, access_log=False, lifespan="off", ws="none", http="h11", loop="asyncio",
                server_header=False, limit_concurrency=MOST_CONNECTIONS, timeout_graceful_shutdown=2,
            )
        )  # fmt: skip
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._serve, args=(listening,), name="board-server", daemon=True)
        self._thread.start()

    def _serve(self, listening: socket.socket) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_until_complete(self._server.serve(sockets=[listening]))
            self._loop.run_until_complete(self._loop.shutdown_asyncgens())
            self._loop.run_until_complete(self._loop.shutdown_default_executor())
        finally:
            self._loop.close()
            listening.close()

    def publish(self, body: str, *, whole: bool) -> None:
        """Tell every page that listens: all that is shown, or only that the watch goes on."""
        with suppress(RuntimeError):  # the loop is closed: nobody listens any more
            self._loop.call_soon_threadsafe(self._tell, body, whole)

    def _tell(self, body: str, whole: bool) -> None:
        if whole:
            self._whole = (self._whole[0] + 1, body.encode())
        self._beat = body.encode()
        self._changed.set()
        self._changed = asyncio.Event()

    def stop(self) -> None:
        """End every stream after what was told last, and the server with them."""

        def end() -> None:
            self._ended = True
            self._changed.set()
            self._server.should_exit = True

        with suppress(RuntimeError):
            self._loop.call_soon_threadsafe(end)
        self._thread.join(STOP_S)

    async def _events(self, request: Request) -> Response:
        async def told() -> AsyncIterator[bytes]:
            # each page gets the newest only, however slow it is: nothing piles up for it
            yield b"retry: 1000\n" + f"event: page\ndata: {self.page}\n\n".encode()
            seen = 0
            while True:
                changed = self._changed
                number, body = self._whole
                if number != seen:
                    seen = number
                    yield b"event: state\ndata: " + body + b"\n\n"
                elif self._beat and not self._ended:
                    yield b"event: beat\ndata: " + self._beat + b"\n\n"
                if self._ended:
                    return
                await changed.wait()

        return StreamingResponse(told(), media_type="text/event-stream")

    async def _review(self, request: Request) -> Response:
        if not self.token:
            return _refused(403, "this board was started without a token: it only shows")
        own = f"{request.url.scheme}://{request.headers.get('host', '')}"
        if request.headers.get("origin", own) != own or request.headers.get("sec-fetch-site", "none") not in (
            "same-origin", "none",
        ):  # fmt: skip
            return _refused(403, "a review is written from the board's own page")
        given = request.headers.get("authorization", "").removeprefix("Bearer ")
        if not hmac.compare_digest(given.encode("utf-8", "replace"), self.token.encode()):
            await asyncio.sleep(GUESS_S)
            return _refused(401, "this token is not the board's")
        if request.headers.get("content-type", "").partition(";")[0] != "application/json":
            return _refused(415, "a review is sent as JSON")
        body = b""
        async for part in request.stream():
            body += part
            if len(body) > LARGEST_REVIEW:
                return _refused(413, "a review is a few sentences")
        try:
            entry, said = _asked(body)
            row = await run_in_threadpool(self._write, entry, said)
        except (SpecmatchError, ValueError) as error:
            return _refused(400, str(error))
        self.wake()
        return JSONResponse({"entry": row["entry"], "concerns": row["concerns"]})

    def _write(self, entry: int, said: dict[str, str]) -> Record:
        with Journal(self.journal) as journal, journal.writing():
            if (journal.entry(entry).get("line") or "") != self.line:
                raise TableError(f"entry {entry} is of another line: review it there")
            return review(journal, entry, **said, correct=False)


def _asked(body: bytes) -> tuple[int, dict[str, str]]:
    asked = json.loads(body)
    names = ("outcome", "operator", "note", "second")
    if not isinstance(asked, dict) or not {"entry"} <= set(asked) <= {"entry", *names}:
        raise ValueError("a review names its entry, outcome, operator, note and, where asked for, second")
    said = {name: asked.get(name, "") for name in names}
    if type(asked["entry"]) is not int or not all(isinstance(value, str) for value in said.values()):
        raise ValueError("an entry is a whole number, everything else text")
    return asked["entry"], said


def known_hosts(host: str) -> set[str]:
    """Return the names that a page may call this machine by; addresses in figures are let through besides."""
    return {"localhost", host.lower(), socket.gethostname().lower()}


def _fixed(body: bytes, kind: str, status: int = 200) -> Callable[[Request], Response]:
    def answer(request: Request) -> Response:
        return Response(body, status, media_type=kind)

    return answer


def _refused(status: int, said: str) -> Response:
    return JSONResponse({"error": printable(said)[:500]}, status)


def _guarded(app: ASGIApp, hosts: set[str]) -> ASGIApp:
    """Answer only those who call this machine by a name of its own, and put the headers on every answer."""

    async def guarded(scope: Scope, receive: Receive, send: Send) -> None:
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = [(name.encode(), value.encode()) for name, value in _HEADERS.items()]
                message = {**message, "headers": [*message.get("headers", []), *own]}
            await send(message)

        if scope["type"] != "http":
            return
        called = next((value.decode("latin-1") for name, value in scope["headers"] if name == b"host"), "")
        if not _is_own(called, hosts):
            # a page of another host that had its name point here would otherwise read what the board shows
            refusal = Response("this is not the host that was asked for", 421, media_type="text/plain")
            await refusal(scope, receive, with_headers)
            return
        await app(scope, receive, with_headers)

    return guarded


def _is_own(called: str, hosts: set[str]) -> bool:
    name = called.lower()
    name = name[1 : name.index("]")] if name.startswith("[") and "]" in name else name.partition(":")[0]
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return name in hosts
    return True
