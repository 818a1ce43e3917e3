"""Long jobs say what they are at, to whoever listens."""

import logging
import subprocess
import sys

from joblib import parallel_config

import specmatch.long_jobs as long_jobs


def test_what_is_done_and_left_is_told_once_a_second(caplog, monkeypatch):
    clock = iter([0.0, 0.4, 1.2, 1.3, 1.4, 9.9])
    monkeypatch.setattr(long_jobs, "monotonic", lambda: next(clock))
    with caplog.at_level(logging.INFO, logger="specmatch.progress"):
        long_jobs.step("measuring monday")
        assert list(long_jobs.counted_off("abcd", "files of monday", 4)) == list("abcd")
    assert caplog.messages == ["measuring monday", "files of monday: 2 done, 2 left"]


def test_work_is_spread_as_joblib_is_told_and_without_it_where_nobody_asks():
    arguments = [(2, 3), (3, 2)]
    assert list(long_jobs.each_of(pow, arguments, None)) == [8, 9]
    with parallel_config(backend="threading"):
        assert list(long_jobs.each_of(pow, arguments, 2)) == [8, 9]
    with parallel_config(backend="multiprocessing"):  # which hands everything back at once
        assert list(long_jobs.each_of(pow, arguments, 2)) == [8, 9]
    alone = (
        "import sys; from specmatch.long_jobs import each_of\n"
        "print(*each_of(pow, [(2, 3)], None), 'joblib' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", alone], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["8", "False"]
