"""The page of exports: every picture on it is read, or refused for the reason that stands beside it."""

import re
from pathlib import Path

import pytest

from specmatch import read_scans
from specmatch.errors import SpecmatchError
from specmatch.measurement.folder.folder import read_sheets

PAGE = (Path(__file__).parents[1] / "docs" / "what_your_export_may_look_like.md").read_text(encoding="utf-8")
PICTURES = re.findall(r'^```text (read|refused)=(\S+)(?: says="([^\n]*)")?\n(.*?)^```', PAGE, re.M | re.S)
SHEETS = {"scans.csv": "file,role\ndark.csv,dark\n", "batches.csv": "batch,beer,colour\nB1,Pale,8\n"}


def shown(tmp_path, form, text):
    """Read what a picture shows."""
    if form == "scan":
        (tmp_path / "scan.csv").write_text(text, encoding="utf-8")
        return read_scans(tmp_path / "scan.csv")
    for name, other in SHEETS.items():
        (tmp_path / name).write_text(text if name == form else other, encoding="utf-8")
    return read_sheets(tmp_path)


def test_ten_are_read_and_five_refused():
    assert [kind for kind, *_ in PICTURES] == ["read"] * 10 + ["refused"] * 5


@pytest.mark.parametrize(("form", "text"), [(form, text) for kind, form, _, text in PICTURES if kind == "read"])
def test_what_the_page_shows_as_read_is_read(tmp_path, form, text):
    found = shown(tmp_path, form, text)
    rows = text.strip().splitlines()
    if form == "scan":
        for scan in found:
            assert scan.wavelength_nm.tolist() == [400.0, 410.0, 420.0] and not scan.missing.any()
    elif form == "scans.csv":
        assert len(found.rows) == len(rows) - 1 and (found.rows["role"] != "").all()
        assert all(time is not None for time in found.rows["time"]) or "easured" not in rows[0]
    else:
        assert found.batches["colour"].tolist() == [7.9, 4.1]


def test_columns_of_the_house_are_named_once(tmp_path):
    text = next(text for kind, _, _, text in PICTURES if "base cleaned" in text)
    notes = [note for _, note in shown(tmp_path, "scans.csv", text).notes]
    assert [("'hour'" in note, "'note'" in note) for note in notes] == [(True, False), (False, True)]


@pytest.mark.parametrize(
    ("form", "says", "text"), [(form, says, text) for kind, form, says, text in PICTURES if kind == "refused"]
)
def test_what_the_page_shows_as_refused_is_refused_for_that_reason(tmp_path, form, says, text):
    with pytest.raises(SpecmatchError, match=re.escape(says)):
        shown(tmp_path, form, text)
