"""Atomic writes, hashes and locks."""

import hashlib
import os
import subprocess
import sys
import time

import pytest

from specmatch.errors import LockedError, StorageError
from specmatch.storage import LEFTOVER_S, locked, path_of, sha256_of, write_atomic


def test_write_replaces_whole_and_leaves_nothing_beside(tmp_path):
    file = tmp_path / "a.bin"
    write_atomic(file, b"old")
    write_atomic(file, b"new" * 1000)
    assert file.read_bytes() == b"new" * 1000
    assert os.listdir(tmp_path) == ["a.bin"]


def test_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    file = tmp_path / "a.bin"
    write_atomic(file, b"old")

    def broken(*_):
        raise OSError(28, "no space left")

    monkeypatch.setattr(os, "replace", broken)
    with pytest.raises(StorageError, match="no space left"):
        write_atomic(file, b"new")
    assert file.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["a.bin"]


def test_write_into_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(StorageError, match="cannot write"):
        write_atomic(tmp_path / "nowhere" / "a.bin", b"x")


def test_hash_of_bytes_and_of_a_file_agree_with_hashlib(tmp_path):
    data = bytes(range(256)) * 9000  # more than one chunk
    (tmp_path / "a").write_bytes(data)
    assert sha256_of(data) == sha256_of(tmp_path / "a") == hashlib.sha256(data).hexdigest()


def test_second_holder_is_told_and_first_goes_on(tmp_path):
    with locked(tmp_path / ".lock"), pytest.raises(LockedError, match="another process"), locked(tmp_path / ".lock"):
        raise AssertionError("held twice")
    with locked(tmp_path / ".lock"):
        pass
    assert os.listdir(tmp_path) == []


def test_lock_of_another_process_holds_and_dies_with_it(tmp_path):
    code = (
        "import sys, time\nfrom specmatch.storage import locked\n"
        "with locked(sys.argv[1]):\n    print('held', flush=True)\n    time.sleep(60)\n"
    )
    path = tmp_path / ".lock"
    with subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None and other.stdout.readline() == "held\n"
        with pytest.raises(LockedError, match="another process"), locked(path):
            pass
        other.kill()
        other.wait()
    with locked(path):
        pass


def test_a_lock_that_is_held_is_named_by_its_file(tmp_path):
    lock = tmp_path / ".lock"
    with locked(lock), pytest.raises(LockedError, match="being written to") as caught, locked(lock):
        pass
    assert caught.value.path == lock


def test_what_a_killed_write_left_goes_with_the_next_one(tmp_path, caplog):
    target = tmp_path / "house.model"
    killed, under_way, other = (
        tmp_path / name for name in (".house.model.aa.part", ".house.model.bb.part", ".other.model.cc.part")
    )
    for path in (killed, under_way, other):
        path.write_bytes(b"half")
    for path in (killed, other):
        os.utime(path, (time.time() - 2 * LEFTOVER_S,) * 2)
    write_atomic(target, b"whole")
    assert target.read_bytes() == b"whole" and not killed.exists()
    assert under_way.exists() and other.exists()
    assert "a write of house.model was cut off there" in caplog.text


def test_a_path_may_begin_at_home(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    write_atomic("~/kept.txt", b"x")
    assert (tmp_path / "kept.txt").read_bytes() == b"x" and path_of("a/~b").parts == ("a", "~b")
    for wrong in (None, 5, "a\0b", "", "  "):
        with pytest.raises(StorageError, match="for a path; name the file or folder in text"):
            path_of(wrong)
