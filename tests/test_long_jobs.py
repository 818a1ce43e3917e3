"""Long jobs say what they are at, to whoever listens."""

import logging

import specmatch.long_jobs as long_jobs


def test_what_is_done_and_left_is_told_once_a_second(caplog, monkeypatch):
    clock = iter([0.0, 0.4, 1.2, 1.3, 1.4, 9.9])
    monkeypatch.setattr(long_jobs, "monotonic", lambda: next(clock))
    with caplog.at_level(logging.INFO, logger="specmatch.progress"):
        long_jobs.step("measuring monday")
        assert list(long_jobs.counted_off("abcd", "files of monday", 4)) == list("abcd")
    assert caplog.messages == ["measuring monday", "files of monday: 2 done, 2 left"]
