"""Rows added to a large set: nothing of what is there is read or written again, and the hash is that of the whole."""

import unicodedata

import numpy as np
import pandas as pd
import pytest
from small_house import small_tables

from specmatch.errors import ParentsError, ReferenceSetError
from specmatch.reference.disk import encoding, large_block
from specmatch.reference.reference_set import ReferenceSet

WHY = {"reason": "because"}


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch):
    """Make sets of a few rows large ones, of blocks of eight rows."""
    monkeypatch.setattr(large_block, "LARGE_CELLS", 50)
    monkeypatch.setattr(large_block, "BLOCK_ROWS", 8)
    monkeypatch.setattr(encoding, "BLOCK_ROWS", 8)


def rows(start, stop):
    numbers = range(start, stop)
    nm = np.arange(420.0, 700.0, 20.0)
    index = [f"s{n}" for n in numbers]
    spectra = pd.DataFrame([np.exp(-(720 - nm) / (90.0 + n)) for n in numbers], index=index, columns=nm)
    scans = pd.DataFrame({"pour": [f"p{n}" for n in numbers], "sample": [f"m{n // 2}" for n in numbers]}, index=index)
    scans = scans.assign(batch=[f"b{n // 4}" for n in numbers], fill_ml=10.0, operator="JD")
    names = list(dict.fromkeys(scans["batch"]))
    count = [int(name[1:]) for name in names]
    batches = pd.DataFrame({"beer": [f"Beer {n % 3}" for n in count], "colour": [5.0 + n for n in count]}, index=names)
    return spectra, scans, batches


# within a block, over its end, over several, from a full one
MORE = [(20, 4), (8, 4), *(pytest.param(*one, marks=pytest.mark.whole) for one in ((16, 12), (20, 28), (24, 40)))]


def files(folder):
    return {path.name: path.stat().st_mtime_ns for path in folder.iterdir() if path.is_file()}


@pytest.mark.parametrize(("n", "more"), MORE)
def test_added_rows_make_the_set_that_one_save_would_make(tmp_path, n, more):
    ReferenceSet(*rows(0, n)).save(tmp_path / "set")
    before = files(tmp_path / "set")
    opened = ReferenceSet.load(tmp_path / "set")
    grown = opened.extend(*rows(n, n + more), **WHY)
    assert "_spectra" not in vars(opened) and "_spectra" not in vars(grown)
    grown.save(tmp_path / "set")
    assert "_scans" not in vars(grown)
    whole = ReferenceSet(*rows(0, n + more))
    again = ReferenceSet.load(tmp_path / "set")
    for refs in (grown, again):
        assert refs.hash == whole.hash
        pd.testing.assert_frame_equal(refs.spectra, whole.spectra, check_exact=True)
        pd.testing.assert_frame_equal(refs.scans, whole.scans)
        pd.testing.assert_frame_equal(refs.batches, whole.batches)
    # full blocks stand in the files that they stood in
    after = files(tmp_path / "set")
    untouched = [name for name in before if name.endswith(".npy") and after.get(name) == before[name]]
    assert bool(untouched) == (n >= 8)
    last = ReferenceSet.load(tmp_path / "set" / "versions" / opened.hash[:12])
    pd.testing.assert_frame_equal(last.spectra, ReferenceSet(*rows(0, n)).spectra, check_exact=True)
    assert ReferenceSet.load(tmp_path / "set").undo(**WHY).hash == opened.hash


@pytest.mark.whole
def test_rows_are_added_again_and_again_and_the_set_is_edited(tmp_path):
    ReferenceSet(*rows(0, 20)).save(tmp_path)
    for start in range(20, 60, 8):
        ReferenceSet.load(tmp_path).extend(*rows(start, start + 8), **WHY).save(tmp_path)
    refs = ReferenceSet.load(tmp_path)
    assert refs.hash == ReferenceSet(*rows(0, 60)).hash and len(refs.history) == 5
    less = refs.drop("b3", **WHY)
    less.save(tmp_path)
    assert len(ReferenceSet.load(tmp_path).spectra) == 56
    again = ReferenceSet.load(tmp_path).extend(
        batches=pd.DataFrame({"colour": [5.1], "lab": ["B"]}, index=["b0"]), **WHY
    )
    assert "_spectra" not in vars(again)
    again.save(tmp_path / "elsewhere")
    assert ReferenceSet.load(tmp_path / "elsewhere").batches.at["b0", "colour"] == pytest.approx(5.05)


def test_names_that_are_taken_are_seen_without_reading_the_scans(tmp_path):
    ReferenceSet(*rows(0, 20)).save(tmp_path)
    opened = ReferenceSet.load(tmp_path)
    with pytest.raises(ReferenceSetError, match="are in the set already"):
        opened.extend(*rows(12, 16), **WHY)
    spectra, scans, batches = rows(20, 24)
    scans = scans.assign(sample="m1")  # a sample of batch b0
    with pytest.raises(ParentsError, match="'m1' stands under batch"):
        ReferenceSet.load(tmp_path).extend(spectra, scans, batches, **WHY)
    # a column that the set lacks: everything is read, and nothing is lost
    grown = ReferenceSet.load(tmp_path).extend(rows(20, 24)[0], rows(20, 24)[1].assign(site="north"), batches, **WHY)
    assert grown.scans["site"].tolist() == [""] * 20 + ["north"] * 4


def test_a_large_set_saved_with_loose_accents_takes_no_scan_twice(tmp_path, monkeypatch):
    def loosely(name):
        return unicodedata.normalize("NFD", str(name).strip())

    spectra, scans, batches = small_tables()
    named = "\u00e4{}".format
    scans = scans.rename(named).assign(
        **{name: scans[name].map(named).to_numpy() for name in ("pour", "sample", "batch")}
    )
    tables = spectra.rename(named), scans, batches.rename(named)
    with monkeypatch.context() as of_before:
        of_before.setattr("specmatch.spectra.tidy_name", loosely)
        of_before.setattr("specmatch.batches.tidy_name", loosely)
        ReferenceSet(*tables, colour_unit="EBC").save(tmp_path / "set")
    refs = ReferenceSet.load(tmp_path / "set")
    with pytest.raises(ReferenceSetError, match="nothing is new: 18 scans are in the set already"):
        refs.extend(*tables, reason="again")
    assert refs.scans.index.equals(tables[0].index)
