"""The board as other programs meet it: what it tells and to whom, what it refuses, that it lasts and holds many."""

import json
import socket
import threading
import time
import tracemalloc
from contextlib import suppress

import pytest
from board_room import TOKEN, WICKED, Events, add, add_hold, ask, shown

import specmatch as sm
from specmatch.errors import MissingExtraError, OptionError
from specmatch.line.journal.journal import Journal
from specmatch.report.board import board as board_module
from specmatch.report.board.board import LONGEST_NAME, Board, host_and_port


@pytest.fixture
def journal(tmp_path):
    add(tmp_path / "line.db", minutes=30, lot="6")
    return tmp_path / "line.db"


@pytest.fixture
def board(journal):
    with Board(journal, line="L1", address="0", token=TOKEN) as board:
        yield board


@pytest.fixture
def events(board):
    events = Events(board.url)
    assert events.next()[0] == "page"
    yield events
    events.close()


def test_a_new_entry_is_told_at_once_and_a_review_of_another_program_soon(board, events, journal):
    kind, told = events.next()
    assert kind == "state" and told["headline"]["word"] == "Consistent" and told["watch"]["state"] == "watching"
    started = time.monotonic()
    held = add_hold(journal)
    board.tell({"entry": held})
    told = events.next("state")[1]
    while told["headline"]["word"] != "Hold":
        told = events.next("state")[1]
    assert time.monotonic() - started < 1.0
    head = told["headline"]
    assert (head["beer"], head["lot"], head["colour"], head["entry"]) == ("Saddle Pale", "7", "14.2 EBC", held)
    assert head["to_do"].startswith("Keep the packages; a person reviews")
    assert [(row["entry"], row["state"]) for row in told["waiting"]] == [(held - 1, "held")]
    assert [row["word"] for row in told["newest"]] == ["HOLD", "RESCAN", "consistent"]
    add(journal, "review", concerns=held - 1, outcome="rework", operator="Lee Moor", reason="tank 4", decision=None)
    told = events.next("state")[1]
    assert told["n_waiting"] == 0 and told["headline"]["to_do"].startswith("Reviewed: rework")


def test_a_control_that_is_due_stands_before_what_passed(journal, monkeypatch):
    add(journal, "control", minutes=13 * 60, claimed=None, lot=None)
    with Board(journal, line="L1", address="0") as board:
        told = shown(board)
        assert (told["headline"]["word"], told["headline"]["kind"]) == ("Control due", "rescan")
        assert told["headline"]["to_do"] == "Measure the control before anything else"
        assert "13.0 h old, 12 h are allowed" in told["control"]["sentence"]
        # but never before a hold that nobody settled
        add_hold(journal)
        board.tell({})
    with Board(journal, line="L1", address="0") as board:
        assert shown(board)["headline"]["word"] == "Hold"


def test_a_consistent_sample_does_not_hide_that_its_run_waits(journal):
    add(journal, decision="hold", advice="correct the claim")
    add(journal)
    with Board(journal, line="L1", address="0") as board:
        told = shown(board)
    assert told["headline"]["word"] == "Consistent" and "hold since entry 2" in told["stops"]


def test_no_names_of_people_unless_asked(journal):
    add(journal, "review", concerns=1, outcome="rework", operator="Lee Moor", second="Kim Ahlers", reason="tank 4")
    add_hold(journal)
    for names in (False, True):
        with Board(journal, line="L1", address="0", names=names) as board:
            told = json.dumps(shown(board))
        assert ("Lee Moor" in told, "Kim Ahlers" in told) == (names, names)


def watch_told(events, state):
    """What is told of the watch once it stands so."""
    while (told := events.next()[1])["watch"]["state"] != state:
        pass
    return told["watch"]["sentence"]


def test_it_says_that_the_watch_is_in_trouble_stands_still_and_was_stopped(journal, monkeypatch):
    with Board(journal, line="L1", address="0") as board, Events(board.url) as events:
        events.next("page")
        assert watch_told(events, "watching") == "Watching"
        board.beat(["p3.csv: is being written", "p4.csv: <b>"])
        assert watch_told(events, "trouble") == "P3.csv: is being written; p4.csv: <b>"
        monkeypatch.setattr(board_module, "STANDSTILL_S", 0.0)
        assert "has not looked for" in watch_told(events, "stands still")
        monkeypatch.setattr(board_module, "STANDSTILL_S", 60.0)
        board.beat()
        watch_told(events, "watching")
        board.__exit__(None, None, None)
        # it is stopped: pages are told before they are let go, and nothing keeps the program
        assert watch_told(events, "stopped") == "The watch was stopped: nothing is judged"
        assert events.next() is None
    with pytest.raises(OSError, match="refused"):
        Events(board.url)


def test_names_that_attack_are_shown_as_text_cut_and_spelled_out(board, events, journal):
    events.next("state")
    for wicked in WICKED.values():
        more = {
            "claimed": wicked,
            "lot": wicked,
            "sample": wicked,
            "advice": wicked,
            "reason": wicked,
            "material": wicked,
        }
        add_hold(journal, **more)
        add(journal, "left_out", scan_files={wicked: "a" * 64}, **more)
        board.tell({})
        told = events.next("state")[1]
        text = json.dumps(told, ensure_ascii=False)
        assert not any(ord(letter) < 32 or letter in "\u202e\u202c\u2066\u2069\u200f\u061c" for letter in text)
        assert len(text) < 20_000
        # one event stays one event, whatever stands in it
        assert set(told) >= {"headline", "newest", "waiting", "watch"}
    beer = told["headline"]["beer"]
    assert beer == "W" * LONGEST_NAME + "\u2026 (10000 letters)"


PATHS = [
    "/../../../../etc/passwd", "/..%2f..%2fetc/passwd", "/%2e%2e/%2e%2e/server.py", "/board.css/../server.py",
    "//etc/passwd", "/board.html", "/server.py", "/line.db", "/events/../line.db", "/\\..\\..\\boot.ini",
    "/board.css%00.html", "/static/x",
]  # fmt: skip


def test_only_its_own_parts_are_served_under_strict_headers(board):
    for path, kind in (("/", "text/html"), ("/board.css", "text/css"), ("/board.js", "text/javascript")):
        status, headers, body = ask(board.url, path)
        assert status == 200 and headers["content-type"].startswith(kind) and len(body) > 1000
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff" and headers["cache-control"] == "no-store"
        assert "access-control-allow-origin" not in headers and "server" not in headers
        # nothing is fetched from anywhere else: a plant's network may lead nowhere
        assert b"://" not in body.replace(b"http://www.w3.org/2000/svg", b"")
    for path in PATHS:
        assert ask(board.url, path)[0] in (400, 404), path
    assert ask(board.url, "/", method="POST", body=b"x")[0] == 405
    assert ask(board.url, "/review")[0] == 405


def test_only_who_calls_this_machine_by_its_own_name_is_answered(board):
    port = board.url.rstrip("/").rpartition(":")[2]
    for host in (f"localhost:{port}", f"127.0.0.1:{port}", "[::1]:80", socket.gethostname()):
        assert ask(board.url, "/", host=host)[0] == 200, host
    for host in ("evil.example", f"evil.example:{port}", "localhost.evil.example", "127.0.0.1.evil.example", ""):
        for path in ("/", "/events"):
            assert ask(board.url, path, host=host)[0] == 421, host


SAID = {"outcome": "rework", "operator": "KA", "note": "tank 4"}
GOOD = {"Content_Type": "application/json", "Authorization": f"Bearer {TOKEN}"}


def write(board, entry, *, said=None, **headers):
    body = json.dumps({"entry": entry, **(SAID if said is None else said)}).encode()
    status, _, answer = ask(board.url, "/review", method="POST", body=body, **{**GOOD, **headers})
    return status, json.loads(answer)


def reviews(journal):
    with Journal(journal, read_only=True) as opened:
        return opened.select("kind = 'review'")


def test_a_review_takes_the_token_the_boards_own_page_and_all_that_a_review_holds(board, journal, monkeypatch):
    monkeypatch.setattr("specmatch.report.board.server.GUESS_S", 0.01)
    held = add_hold(journal)
    own = board.url.rstrip("/")
    refused = [
        (401, write(board, held, Authorization="")),
        (401, write(board, held, Authorization=f"Bearer {TOKEN[:-1]}")),
        (401, write(board, held, Authorization="Bearer \u00e9\u00e9")),
        (403, write(board, held, Origin="http://evil.example")),
        (403, write(board, held, Origin="null")),
        (403, write(board, held, Origin=own.replace("http:", "https:"))),
        (403, write(board, held, Sec_Fetch_Site="cross-site")),
        (415, write(board, held, Content_Type="text/plain")),
        (415, write(board, held, Content_Type="application/x-www-form-urlencoded")),
        (400, write(board, held, said={**SAID, "outcome": "fine"})),
        (400, write(board, held, said={**SAID, "operator": " "})),
        (400, write(board, held, said={**SAID, "run_state": "clear"})),
        (400, write(board, held, said={**SAID, "note": ["x"]})),
        (400, write(board, True)),
        (400, write(board, "1; DROP TABLE entries")),
        (400, write(board, 999)),
        (400, write(board, 1)),
        (413, write(board, held, said={**SAID, "note": "x" * 20_000})),
    ]
    for status, (got, said) in refused:
        assert got == status and said["error"], (status, got, said)
    assert reviews(journal) == []
    # a body that is no JSON, or no object
    for body in (b"", b"{", b"[]", b"\xff", b"null"):
        assert ask(board.url, "/review", method="POST", body=body, **GOOD)[0] == 400
    assert reviews(journal) == []
    assert write(board, held, Origin=own, Sec_Fetch_Site="same-origin") == (
        200,
        {"entry": held + 1, "concerns": held - 1},
    )
    (row,) = reviews(journal)
    assert (row["outcome"], row["operator"], row["reason"]) == ("rework", "KA", "tank 4")
    with Journal(journal, read_only=True) as opened:
        assert opened.check().faults == ()


def test_an_entry_of_another_line_is_reviewed_there(board, journal):
    held = add_hold(journal, line="L2")
    status, said = write(board, held)
    assert status == 400 and "of another line" in said["error"]


def test_without_a_token_it_only_shows(journal):
    held = add_hold(journal)
    with Board(journal, line="L1", address="0") as board:
        assert shown(board)["review"] is None
        assert write(board, held)[0] == 403
        assert write(board, held, Authorization="Bearer ")[0] == 403
    assert reviews(journal) == []


def test_addresses_and_tokens(journal, monkeypatch):
    assert host_and_port("8080") == ("127.0.0.1", 8080)
    assert host_and_port("0.0.0.0:80") == ("0.0.0.0", 80)
    assert host_and_port("[::1]:80") == ("::1", 80)
    for wrong in ("", "host", "host:", "8080x", "1:99999", "a b:80"):
        with pytest.raises(OptionError, match="takes \\[HOST:\\]PORT"):
            host_and_port(wrong)
    with pytest.raises(OptionError, match="16 letters and digits"):
        Board(journal, token="short")
    with Board(journal, address="0") as board:
        port = board.url.rstrip("/").rpartition(":")[2]
        with pytest.raises(OptionError, match=f"cannot listen on 127.0.0.1 port {port}"), Board(journal, address=port):
            pass
    monkeypatch.setitem(__import__("sys").modules, "specmatch.report.board.server", None)
    with pytest.raises(MissingExtraError, match=r"pip install '.\[board\]'"), Board(journal, address="0"):
        pass


def test_fifty_pages_hear_of_a_decision_and_one_that_does_not_listen_holds_nobody_up(board, journal):
    pages = [Events(board.url) for _ in range(50)]
    deaf = Events(board.url)
    for page in pages:
        page.next("state")
    for n in range(3):
        add(journal, sample=f"S{n}")
        started = time.monotonic()
        board.tell({})
        told = [page.next("state")[1] for page in pages]
        assert {one["newest"][0]["what"] for one in told} == {"Saddle Pale, lot 7 14.2 EBC"}
        assert time.monotonic() - started < 1.0
    for page in [*pages, deaf]:
        page.close()


@pytest.mark.whole
def test_twelve_hours_of_beats_and_decisions_leave_nothing_behind(board, events, journal):
    """As many beats as a line has in twelve hours, as fast as they go: memory is as after the first tenth of them."""
    server, beats = board._server, int(12 * 3600 / board_module.BEAT_S)
    whole = json.dumps({"headline": {}, "watch": {}, "text": "x" * 5000})
    heard = []

    def listen():
        with suppress(ConnectionResetError):  # what was on its way when the page left
            heard.extend(iter(lambda: events.next() is not None, False))

    reader = threading.Thread(target=listen, daemon=True)
    reader.start()
    sizes = []
    tracemalloc.start()
    for n in range(beats):
        server.publish(whole if n % 100 == 0 else '{"watch": {}}', whole=n % 100 == 0)
        if n % 200 == 0:
            time.sleep(0.01)
        if n % (beats // 10) == 0:
            time.sleep(0.3)  # the page catches up
            heard.clear()
            sizes.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert reader.is_alive()  # it listened to the end
    events.socket.shutdown(socket.SHUT_RDWR)
    reader.join()
    # a megabyte would be 50 bytes a beat; what moves is buffers on their way
    assert max(sizes[1:]) - sizes[1] < 300_000


def test_the_public_board_and_watch_go_together(line_room, tmp_path):
    from line_room import write_pour

    line_room.house.save(tmp_path / "house.model")
    (tmp_path / "scans").mkdir()
    stop, path = threading.Event(), tmp_path / "line.db"
    with Journal(path):
        pass
    with sm.Board(path, line="L1", address="0") as board:
        options = {"journal": path, "line": "L1", "claim": "Saddle Pale", "tell": board.tell, "beat": board.beat}
        watch = threading.Thread(
            target=sm.watch, args=(tmp_path / "house.model", tmp_path / "scans"), kwargs={**options, "stop": stop}
        )
        watch.start()
        events = Events(board.url)
        assert events.next("state")[1]["headline"]["word"] == "Nothing yet"
        write_pour(tmp_path / "scans", "p.csv", line_room.pours("Saddle Pale")[0])
        while (told := events.next("state")[1])["headline"]["word"] != "Consistent":
            pass
        stop.set()
        watch.join()
        events.close()
    assert told["headline"]["beer"] == "Saddle Pale"
