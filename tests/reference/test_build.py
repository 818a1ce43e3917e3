"""Building sets from measured folders, reflectance tables and sessions."""

import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from small_house import small_tables, write_tables
from tiny_folder import tiny_folder

from specmatch.demo.brewery import write_brewery
from specmatch.errors import ReferenceSetError, SheetError, SpecmatchError, TableError, UnitError
from specmatch.measurement.session import measure
from specmatch.reference.build import build_set
from specmatch.reference.changes import extend_set
from specmatch.reference.reference_set import ReferenceSet


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("brewery") / "year"
    write_brewery(folder, seed=4, n_batches=2)
    return folder


@pytest.fixture(scope="module")
def session(measured):
    return measure(measured)


def test_a_measured_folder_gives_the_same_bytes_again_and_as_a_session(measured, session, tmp_path):
    for name, source in (("a", measured), ("b", session)):
        refs, left_out = build_set([source], name="demo")
        refs.save(tmp_path / name)
    assert left_out.empty and len(refs.batches) == 24 and len(refs.scans) == 72
    assert refs.reference_kind == "water" and refs.band_nm is not None
    files = sorted(file.name for file in (tmp_path / "a").iterdir())
    assert files == sorted(file.name for file in (tmp_path / "b").iterdir())
    assert all((tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes() for name in files)


def test_folder_of_tables(tmp_path):
    tables = small_tables()
    refs, left_out = build_set([write_tables(tmp_path / "t", *tables)], unit="SRM")
    expected = ReferenceSet(*tables, colour_unit="SRM")
    np.testing.assert_array_equal(refs.spectra, expected.spectra)
    assert list(refs.spectra.index) == list(expected.spectra.index)
    assert list(refs.batches.index) == list(expected.batches.index)
    assert left_out.empty


def test_scans_and_pours_of_one_name_in_two_folders_stay_apart(tmp_path):
    spectra, scans, batches = small_tables()
    first = write_tables(tmp_path / "monday", spectra, scans, batches)
    again = batches.copy()
    again["colour"] += 0.2
    second = write_tables(tmp_path / "tuesday", spectra * 0.999, scans, again)
    refs, _ = build_set([first, second])
    assert len(refs.scans) == 2 * len(scans) and refs.scans["pour"].nunique() == 2 * scans["pour"].nunique()
    assert refs.scans.index[0] == "monday/0000-0.csv"
    assert len(refs.batches) == len(batches)
    np.testing.assert_allclose(refs.batches["colour"], batches["colour"] + 0.1, rtol=1e-12)
    assert set(refs.batches["colour_n"]) == {2.0}


def test_two_grids_meet_on_the_range_they_share(tmp_path):
    spectra, scans, batches = small_tables()
    first = write_tables(tmp_path / "wide", spectra, scans, batches)
    names = {name: f"b{name}" for name in batches.index}
    other = scans.assign(
        batch=scans["batch"].map(names), sample="b" + scans["sample"], pour="b" + scans["pour"]
    ).rename(index=lambda name: f"b{name}")
    narrow = spectra.iloc[:, 2:-1].set_axis(other.index, axis=0)
    second = write_tables(tmp_path / "narrow", narrow, other, batches.rename(index=names))
    refs, _ = build_set([first, second])
    assert refs.spectra.columns.tolist() == spectra.columns.tolist()[2:-1]
    assert len(refs.batches) == 2 * len(batches)


def test_what_does_not_enter_the_set_is_listed(tmp_path):
    spectra, scans, batches = small_tables()
    extra = pd.concat([batches.iloc[1:], pd.DataFrame({"beer": ["Rare"], "colour": [9.0]}, index=["never-scanned"])])
    refs, left_out = build_set([write_tables(tmp_path / "t", spectra, scans, extra)])
    assert len(refs.batches) == len(batches) - 1
    told = dict(zip(left_out["name"], left_out["reason"], strict=True))
    assert set(told) == {"0000-0.csv", "0000-1.csv", "never-scanned"}
    assert "'0000' has no row in a batches table" in told["0000-0.csv"]


def test_scans_that_a_reading_would_send_back_do_not_enter(session):
    spoilt = session.spectra.index[5]
    row = pd.DataFrame([{"scan_id": spoilt, "code": "saturated", "size": 1.0, "sentence": "flat top"}])
    checks = pd.concat([session.checks, row], ignore_index=True) if len(session.checks) else row
    refs, left_out = build_set([replace(session, checks=checks)])
    assert spoilt not in refs.spectra.index
    assert left_out.set_index("name").at[spoilt, "reason"] == "saturated: flat top"


def test_bad_folders_are_refused(tmp_path, session):
    with pytest.raises(ReferenceSetError, match="name at least one"):
        build_set([])
    with pytest.raises(SpecmatchError, match="nowhere"):
        build_set([tmp_path / "nowhere"])
    spectra, scans, batches = small_tables()
    tables = write_tables(tmp_path / "t", spectra, scans, batches)
    (tables / "batches.csv").unlink()
    with pytest.raises(SheetError, match=r"batches\.csv is missing"):
        build_set([tables])
    renamed = batches.rename(index=lambda name: f"x{name}")
    with pytest.raises(ReferenceSetError, match=r"with a beer.*the first of 18 left out: batch '0000'"):
        build_set([write_tables(tmp_path / "u", spectra, scans, renamed)])
    with pytest.raises(UnitError, match="build a set of each kind"):
        build_set([session, replace(session, reference_kind="base")])


def test_a_folder_named_twice_is_taken_once(tmp_path, caplog):
    folder = tiny_folder(tmp_path / "monday")
    once, _ = build_set([folder])
    shutil.copytree(folder, tmp_path / "copy")
    twice, _ = build_set([folder, folder, tmp_path / "copy"])
    assert twice.hash == once.hash
    assert "copy holds the same as monday" in caplog.text


def test_one_folder_may_be_given_by_itself(tmp_path):
    spectra, scans, batches = small_tables()
    refs, _ = build_set(write_tables(tmp_path / "one", spectra, scans, batches))
    assert not extend_set(refs, str(tmp_path / "one"), reason="again").is_new
    with pytest.raises(TableError, match="got a str 'sets/house'; expected a ReferenceSet"):
        extend_set("sets/house", str(tmp_path / "one"), reason="again")
    with pytest.raises(ReferenceSetError, match=r"folders is a table; of tables ReferenceSet\("):
        build_set(spectra)
