"""The invented brewery's measured folder: complete, repeatable, and the same scans as in memory."""

import numpy as np
import pandas as pd
import pytest

from specmatch.demo import folders
from specmatch.demo.brewery import Brewery, write_brewery
from specmatch.errors import OptionError, StorageError


def bytes_of(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_writes_the_same_bytes_for_the_same_seed(tmp_path):
    write_brewery(tmp_path / "one", seed=4, n_batches=2)
    write_brewery(tmp_path / "two", seed=4, n_batches=2)
    write_brewery(tmp_path / "other", seed=5, n_batches=2)
    assert bytes_of(tmp_path / "one") == bytes_of(tmp_path / "two")
    assert bytes_of(tmp_path / "one") != bytes_of(tmp_path / "other")


def test_folder_is_complete_and_says_invented(tmp_path):
    write_brewery(tmp_path / "year", n_batches=3)
    sheet = pd.read_csv(tmp_path / "year" / "scans.csv")
    listed, found = set(sheet["file"]), {f"scans/{path.name}" for path in (tmp_path / "year" / "scans").iterdir()}
    assert listed == found and len(sheet) == len(listed)
    roles = sheet.groupby("session")["role"].value_counts().unstack(fill_value=0)
    assert (roles[["dark", "reference", "control"]] == 1).all(axis=None)
    assert sheet["role"].eq("sample").sum() == 12 * 3 * 3
    batches = pd.read_csv(tmp_path / "year" / "batches.csv", index_col="batch")
    assert set(batches.index) == set(sheet["batch"].dropna())
    assert "invented" in (tmp_path / "year" / "NOTE.txt").read_text(encoding="utf-8")
    assert (tmp_path / "year" / sheet["file"][0]).read_text(encoding="utf-8").startswith("data;invented\n")


def test_sessions_spread_over_months_and_the_lamp_ages(tmp_path):
    raw = Brewery(1).draw(10).raw
    at = pd.to_datetime(raw.table["measured_at"])
    assert at.is_monotonic_increasing and at.max() - at.min() > pd.Timedelta(days=120)
    assert raw.table["measured_at"].str.contains(r"\+\d\d:\d\d$").all()
    light = raw.counts[raw.table["role"] == "reference"].max(axis=1) - 900.0
    # 8 % over the time, and 0.6 % of lamp error in each scan
    assert 0.88 < light[-1] / light[0] < 0.96


def test_files_hold_the_counts_of_the_tables(tmp_path):
    house = write_brewery(tmp_path / "year", seed=2, n_batches=1)
    sheet = pd.read_csv(tmp_path / "year" / "scans.csv")
    for row, file in enumerate(sheet["file"]):
        scan = pd.read_csv(tmp_path / "year" / file, sep=";", decimal=",", skiprows=7)
        np.testing.assert_array_equal(scan["wavelength_nm"], house.spectra.columns)
        np.testing.assert_array_equal(scan["counts"], house.raw.counts[row])


@pytest.mark.parametrize("in_the_way", ["file", "full"])
def test_nothing_is_overwritten(tmp_path, in_the_way):
    folder = tmp_path / "year"
    if in_the_way == "file":
        folder.write_text("mine", encoding="utf-8")
    else:
        folder.mkdir()
        (folder / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(StorageError, match="name another or remove it first"):
        write_brewery(folder, n_batches=1)
    assert (folder if in_the_way == "file" else folder / "mine.txt").read_text(encoding="utf-8") == "mine"


def test_a_failed_write_leaves_nothing(tmp_path, monkeypatch):
    def broken(*args):
        raise OSError("disk full")

    monkeypatch.setattr(folders, "scan_text", broken)
    with pytest.raises(OSError, match="disk full"):
        write_brewery(tmp_path / "year", n_batches=1)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"n_batches": 0}, "n_batches is 0; expected a whole number, 1 or more"),
        ({"n_pours": 0}, "n_pours is 0; expected a whole number, 1 or more"),
        ({"draw": -1}, "draw is -1; expected a whole number, 0 or more"),
        ({"beers": []}, "no beer is named; expected beers among Chalk Lager"),
        ({"beers": ["Nobody"]}, "the brewery has no beer 'Nobody'"),
    ],
)
def test_what_no_brewery_can_draw_is_refused(given, said):
    with pytest.raises(OptionError, match=said):
        Brewery(seed=1).draw(**{"n_batches": 1, **given})
