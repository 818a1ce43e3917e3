"""Long jobs say what they are at, to whoever listens."""

import logging

import specmatch.progress as progress


def test_what_is_done_and_left_is_told_once_a_second(caplog, monkeypatch):
    clock = iter([0.0, 0.4, 1.2, 1.3, 1.4, 9.9])
    monkeypatch.setattr(progress, "monotonic", lambda: next(clock))
    with caplog.at_level(logging.INFO, logger="specmatch.progress"):
        progress.step("measuring monday")
        assert list(progress.counted_off("abcd", "files of monday", 4)) == list("abcd")
    assert caplog.messages == ["measuring monday", "files of monday: 2 done, 2 left"]
