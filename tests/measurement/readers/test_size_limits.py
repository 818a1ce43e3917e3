"""Text of any size and make is answered or refused in time that grows as the text does."""

import time

import numpy as np
import pandas as pd
import pytest

from specmatch.errors import SpecmatchError
from specmatch.measurement.folder.folder import listed_scans
from specmatch.measurement.readers import files as files_room
from specmatch.measurement.readers.files import read_scans, scans_from_bytes

JCAMP = "##TITLE=x\n##JCAMP-DX=4.24\n##FIRSTX=400\n##LASTX=700\n##YFACTOR=1\n"
TABLE = "400;1\n410;2\n420;3\n"


def repeated(part: str, n: int) -> str:
    return (part * (n // len(part) + 1))[:n]


def wide(n: int) -> str:
    names = ";".join(f"s{j // 2}" for j in range(n // 240))
    rows = (f"{400 + 10 * k};" + ";".join(["0.123"] * (n // 240)) for k in range(40))
    return f"wavelength;{names}\n" + "\n".join(rows) + "\n"


TEXTS = {
    "one line of ones": lambda n: repeated("1,", n),
    "ones between blanks": lambda n: repeated("1 ", n),
    "long lines": lambda n: repeated("1," * 2000 + "\n", n),
    "a word before ones": lambda n: "x" + repeated("1,", n),
    "dots after a digit": lambda n: "x1" + repeated(".", n) + "\n" + TABLE,
    "blanks in a header": lambda n: "cm" + repeated(" ", n) + "x;y\n" + TABLE,
    "blanks in a heading": lambda n: "key" + repeated(" ", n) + "x\nwl;counts\n" + TABLE,
    "line ends": lambda n: "1" + repeated("\n", n),
    "one wavelength again and again": lambda n: repeated("400,1\n", n),
    "numbers off the axis below": lambda n: (
        "wl;counts\n" + "".join(f"{400 + k / 1000:.3f};{k}\n" for k in range(n // 26)) + "text\n9000;3\n" * (n // 26)
    ),
    "many columns, names twice": wide,
    "many headers": lambda n: repeated("wavelength;1\n", n),
    "nested blocks": lambda n: "##TITLE=a\n##DATA TYPE=LINK\n" * (n // 34) + "##END=\n" * (n // 34),
    "one long line of a block": lambda n: (
        f"{JCAMP}##NPOINTS=9\n##XYDATA=(X++(Y..Y))\n400 {repeated('1 ', n)}\n##END=\n"
    ),
}


def seconds(text: str) -> float:
    raw = text.encode()
    start = time.process_time()
    try:
        scans_from_bytes(raw, name="a.csv")
    except SpecmatchError as error:
        assert len(str(error)) < 400
    return time.process_time() - start


@pytest.mark.parametrize("kind", TEXTS)
def test_time_grows_as_the_text_does(kind, full_size, whole):
    n = 1_000_000 if full_size else 30_000 if whole else 2_000
    seconds(TEXTS[kind](1000))
    small, large = (min(seconds(TEXTS[kind](size)) for _ in range(2)) for size in (n, 4 * n))
    print(kind, f"{n / 1e6:g} MB {small:.2f} s, {4 * n / 1e6:g} MB {large:.2f} s")
    # four times the text: sixteen times the time if it grew with the square
    assert large < 9.0 * small + 0.15


def test_repeat_counts_do_not_fill_the_memory():
    text = f"{JCAMP}##XYDATA=(X++(Y..Y))\n" + "400A0Z99999\n" * 2000 + "##END=\n"
    with pytest.raises(SpecmatchError, match="points or more, which no scan has"):
        scans_from_bytes(text.encode(), name="a.jdx")


def test_a_file_far_too_large_is_refused_without_being_read(tmp_path):
    path = tmp_path / "large.csv"
    with open(path, "wb") as file:
        file.truncate(200_000_000)
    start = time.process_time()
    with pytest.raises(SpecmatchError, match="more than 64 MB, which no scan file is"):
        read_scans(path)
    assert time.process_time() - start < 1.0
    assert path.stat().st_size > files_room.LARGEST_BYTES


def test_a_long_sheet_is_read_in_time_that_grows_with_its_rows(tmp_path, full_size):
    times = []
    for n in (25_000, 100_000) if full_size else (1_000, 4_000):
        rows = pd.DataFrame({"file": [f"f{k}.csv" for k in range(n)], "role": "sample", "sample": "S"})
        rows["measured_at"] = "2024-03-12T08:04:00+01:00"
        rows.to_csv(tmp_path / "scans.csv", index=False)
        start = time.process_time()
        listed, left_out, _ = listed_scans(tmp_path / "scans.csv", [])
        times.append(time.process_time() - start)
        assert len(listed) == n and not left_out
    print(np.round(times, 2))
    assert times[1] < 9.0 * times[0] + 0.15


def test_doubts_are_those_of_the_notes_that_somebody_must_look_at():
    [plain] = scans_from_bytes(b"wavelength_nm;counts\n400;1\n410;2\n420;3\n", name="a.csv")
    assert plain.doubts == () and plain.notes
    [odd] = scans_from_bytes(b"wavelength_nm;counts\n400;1\n400;3\n410;?\n420;3\n430;5", name="a.csv")
    assert set(odd.doubts) < set(odd.notes)
    assert [doubt.split(" ")[0] for doubt in odd.doubts] == ["no", "2", "1"]
