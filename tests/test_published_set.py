"""`specmatch demo` makes the published set again."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from default_tour import default_tour

from specmatch.demo.brewery import Brewery
from specmatch.reference.reference_set import ReferenceSet

PUBLISHED = Path(__file__).resolve().parents[1] / "reference_sets"
_spec = importlib.util.spec_from_file_location("publish", PUBLISHED / "publish.py")
publish = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(publish)


@pytest.fixture(scope="module")
def demo():
    """What `specmatch demo` leaves; that the command asks for this seed, test_brewery_tour.py holds."""
    return default_tour().folder


@pytest.fixture(scope="module")
def same_kind_of_machine():
    return json.loads((PUBLISHED / publish.MADE_WITH).read_text(encoding="utf-8")) == publish.this_machine()


@pytest.mark.whole
def test_demo_makes_the_published_set_again(demo, same_kind_of_machine):
    published, made = ReferenceSet.load(PUBLISHED / publish.SET), ReferenceSet.load(demo / "set")
    pd.testing.assert_frame_equal(made.scans, published.scans)
    assert list(made.batches["beer"]) == list(published.batches["beer"])
    assert list(made.batches.index) == list(published.batches.index)
    # a lab colour is rounded to 0.01 EBC, so another last digit of an exponential may move it by that much
    np.testing.assert_allclose(made.batches["colour"], published.batches["colour"], atol=0.0101, rtol=0)
    assert made.licence == published.licence == "CC0-1.0"
    assert "invented" in published.name
    if same_kind_of_machine:
        names = sorted(path.name for path in (PUBLISHED / publish.SET).iterdir() if path.name != ".lock")
        assert names
        for name in names:
            assert (demo / "set" / name).read_bytes() == (PUBLISHED / publish.SET / name).read_bytes(), name


@pytest.mark.whole
def test_demo_writes_the_published_raw_files_again(demo, same_kind_of_machine):
    if same_kind_of_machine:
        assert publish.hash_list(demo / "year") == (PUBLISHED / publish.RAW_FILES).read_text(encoding="utf-8")
    listed = [line.split("  ")[1] for line in (PUBLISHED / publish.RAW_FILES).read_text(encoding="utf-8").splitlines()]
    found = sorted(path.relative_to(demo / "year").as_posix() for path in (demo / "year").rglob("*") if path.is_file())
    assert found == listed


def test_counts_are_the_published_ones_within_one():
    published = pd.read_csv(PUBLISHED / publish.COUNTS, index_col="scan_id")
    made = publish.counts_table(Brewery(publish.DEFAULT_SEED).draw(10))
    assert list(made.index) == list(published.index)
    np.testing.assert_array_equal(made.columns, published.columns.astype(float))
    assert np.abs(made.to_numpy() - published.to_numpy()).max() <= 1


def test_published_spectra_follow_from_the_published_counts():
    published = ReferenceSet.load(PUBLISHED / publish.SET)
    counts = pd.read_csv(PUBLISHED / publish.COUNTS, index_col="scan_id").to_numpy(dtype=float)
    table = Brewery(publish.DEFAULT_SEED).draw(10).raw.table
    roles, sessions = table["role"].to_numpy(), table["session"].to_numpy()
    row = {(sessions[i], roles[i]): i for i in range(len(table)) if roles[i] in ("dark", "reference")}
    live = published.spectra.columns.to_numpy()
    band = (live > 450.0) & (live < 680.0)
    for number, scan in enumerate(np.flatnonzero(roles == "sample")[::36]):
        dark = counts[row[sessions[scan], "dark"]][band]
        reference = counts[row[sessions[scan], "reference"]][band]
        expected = (counts[scan][band] - dark) / (reference - dark)
        # the same division of whole numbers: only the order of operations may differ
        np.testing.assert_allclose(published.spectra.to_numpy()[36 * number][band], expected, rtol=1e-12)


def test_published_files_stay_small():
    assert sum(path.stat().st_size for path in PUBLISHED.rglob("*") if path.is_file()) < 5e6
