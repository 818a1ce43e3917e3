"""A board for tests: a journal written by hand, names that attack, a reader of the stream of events."""

import http.client
import json
import socket
from datetime import UTC, datetime, timedelta

from specmatch.line.journal.journal import Journal

TOKEN = "0123456789abcdef" * 2
MARKUP = "<img src=x onerror=alert(1)><script>document.title='owned'</script>&lt;b&gt;"
# zero bytes are refused by the readers of sheets and scans
CONTROL = "Pale\x1b[31m\x07 \r\nevent: state\ndata: {}\n\n"
TURNED = "lot \u202e12\u202c \u2066x\u2069 \u200f\u061c3"
LONG = "W" * 10_000
WICKED = {"markup": MARKUP, "control": CONTROL, "turned": TURNED, "long": LONG}


def add(path, kind="reading", *, minutes=0.0, **more):
    """Write a row by hand, as old as so many minutes."""
    at = datetime.now(UTC) - timedelta(minutes=minutes)
    record = {
        "kind": kind, "line": "L1", "claimed": "Saddle Pale", "lot": "7", "sample": "S1", "decision": "consistent",
        "reason": "typical of it (p = 0.40)", "advice": "go on", "run_state": "clear",
        "measured_at": at.isoformat(timespec="seconds"), "measured_unix": at.timestamp(), "operator": "Kim Ahlers",
        "reading": {"colour": 14.2, "colour_unit": "EBC", "warnings": [], "n_pours": 3},
    }  # fmt: skip
    with Journal(path) as journal, journal.writing():
        return journal.append({**record, **more})["entry"]


def add_hold(path, **more):
    """Write a run that departs and is held; return the entry of the hold."""
    advice = "keep the packages of this run apart and pour again, from a fresh package"
    first = add(path, **{"decision": "rescan", "run_state": "open", "advice": advice, **more})
    advice = "keep the packages; a person reviews the run before anything else happens to it"
    said = {"concerns": first, "decision": "hold", "run_state": "held", "advice": advice, **more}
    return add(path, "retest", **said)


def ask(url, path, *, method="GET", body=None, host=None, **headers):
    """Send one request as it stands, whatever a tidy client would make of it; return status, headers and body."""
    where = url.removeprefix("http://").rstrip("/")
    connection = http.client.HTTPConnection(where, timeout=10)
    connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
    connection.putheader("Host", where if host is None else host)
    if body is not None:
        connection.putheader("Content-Length", str(len(body)))
    for name, value in headers.items():
        connection.putheader(name.replace("_", "-"), value)
    connection.endheaders(body)
    answer = connection.getresponse()
    got = answer.status, {name.lower(): value for name, value in answer.getheaders()}, answer.read()
    connection.close()
    return got


class Events:
    """One page that listens."""

    def __init__(self, url):
        host, _, port = url.removeprefix("http://").rstrip("/").rpartition(":")
        self.socket = socket.create_connection((host, int(port)), timeout=10)
        self.socket.sendall(f"GET /events HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
        self.file = self.socket.makefile("rb")
        while self.file.readline().strip():
            pass

    def next(self, kind=None):
        """The next event of a kind: its kind and what it says; None at the end of the stream."""
        said = {}
        for line in self.file:
            name, _, value = line.decode("utf-8").rstrip("\r\n").partition(": ")
            if name in ("event", "data"):
                said[name] = value
            if len(said) == 2 and not value:
                if kind in (None, said["event"]):
                    return said["event"], said["data"] if said["event"] == "page" else json.loads(said["data"])
                said = {}
        return None

    def __enter__(self):
        return self

    def __exit__(self, *error):
        self.close()

    def close(self):
        self.file.close()
        self.socket.close()


def shown(board):
    """What a page that is opened now is shown first."""
    with Events(board.url) as events:
        return events.next("state")[1]
