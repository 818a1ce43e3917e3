"""A measured folder to checked reflectance."""

import numpy as np
import pandas as pd
import pytest
from tiny_folder import NM, beer, tiny_folder, write_sheet

from specmatch.errors import MissingScanError, OptionError, ParentsError, ScanFileError, SheetError, UnitError
from specmatch.measurement.folder.folder import first_reason, known_batches
from specmatch.measurement.session import claims_of, known_columns, measure


def codes(session, scan_id=None):
    checks = session.checks
    return set(checks["code"] if scan_id is None else checks.loc[checks["scan_id"] == scan_id, "code"])


def without(*files):
    return lambda rows: [row for row in rows if row["file"] not in files]


def with_cells(file, **cells):
    return lambda rows: [{**row, **cells} if row["file"] == file else row for row in rows]


def test_reflectance_of_a_plain_folder(tmp_path):
    session = measure(tiny_folder(tmp_path / "monday"))
    assert session.spectra.shape == (9, NM.size) and session.spectra.index.name == "scan_id"
    live = session.usable.to_numpy()
    assert session.band_nm[0] <= 440 and session.band_nm[1] >= 680
    for name, ebc in (("Pale", 8.0), ("Amber", 22.0), ("Dark", 60.0)):
        got = session.spectra.loc[[f"{name}-{k}.csv" for k in (1, 2, 3)]].mean().to_numpy()[live]
        # three pours with 1 % of path each, so 0.6 % of absorbance; at the band's ends 1 % of noise in the reference
        apart = np.abs(got - beer(ebc)[live])
        assert np.median(apart) < 0.006 and apart.max() < 0.04
    assert session.checks.empty and session.left_out.empty
    assert session.claims.to_dict() == {"Pale-s": "Pale", "Amber-s": "Amber", "Dark-s": "Dark"}
    assert list(session.scans.columns[:3]) == ["pour", "sample", "batch"]
    assert session.batches.loc["Amber-b", "colour"] == 22.0
    assert isinstance(session.usable, pd.Series) and session.reference_kind == ""


def test_no_such_folder(tmp_path):
    with pytest.raises(MissingScanError, match="nowhere: no such folder"):
        measure(tmp_path / "nowhere")


def test_folder_without_scans_csv(tmp_path):
    with pytest.raises(SheetError, match="no scans.csv"):
        measure(tmp_path)


def test_listed_but_missing(tmp_path):
    folder = tiny_folder(tmp_path)
    (folder / "Pale-2.csv").unlink()
    session = measure(folder)
    left_out = dict(zip(session.left_out["file"], session.left_out["reason"], strict=True))
    assert "not found in the folder; copy the file there" in left_out["Pale-2.csv"]
    assert "Pale-2.csv" not in session.spectra.index


@pytest.mark.parametrize(("file", "role"), [("dark.csv", "dark"), ("ref.csv", "reference")])
def test_sample_without_dark_or_reference(tmp_path, file, role):
    with pytest.raises(MissingScanError, match=f"has no {role} scan"):
        measure(tiny_folder(tmp_path, rows=without(file)))


def test_text_counts_among_good_ones_are_listed(tmp_path):
    folder = tiny_folder(tmp_path)
    (folder / "Pale-2.csv").write_text("wavelength_nm;counts\n400;many\n404;more\n408;most\n")
    session = measure(folder)
    assert len(session.spectra) == 8
    assert session.left_out["file"].tolist() == ["Pale-2.csv"]
    assert "'many' is not a number" in session.left_out["reason"].iloc[0]


def test_nothing_usable_left(tmp_path):
    folder = tiny_folder(tmp_path, beers={"Pale": 8.0}, pours=1)
    (folder / "Pale-1.csv").write_text("wavelength_nm;counts\n400;many\n404;more\n408;most\n")
    with pytest.raises(ScanFileError, match="nothing usable is left.*'many' is not a number"):
        measure(folder)


@pytest.mark.parametrize(
    "cells",
    [{"pour": "Pale-p1", "sample": "Pale-s"}, {"sample": "Pale-s", "beer": ""}],
    ids=["pour under two samples", "sample under two batches"],
)
def test_two_parents(tmp_path, cells):
    with pytest.raises(ParentsError, match="stands under"):
        measure(tiny_folder(tmp_path, rows=with_cells("Dark-1.csv", **{"sample": "Dark-s", **cells})))


def test_batch_under_two_beers(tmp_path):
    folder = tiny_folder(tmp_path)
    write_sheet(folder, [{"batch": "Pale-b", "beer": b, "colour": 8} for b in ("Pale", "Dark")], "batches.csv")
    with pytest.raises(ParentsError, match="'Pale-b' stands under two beers"):
        measure(folder)


def test_a_lot_of_two_beers_is_told(tmp_path):
    def rows(rows):
        return [{**row, "batch": row["batch"] and "L7"} for row in rows]

    session = measure(tiny_folder(tmp_path, rows=rows))
    told = session.notes[session.notes["note"].str.contains("a lot is of one beer")]
    assert len(told) == 1 and "'L7' is claimed to be 'Pale' and 'Amber' and 'Dark'" in told["note"].iloc[0]
    assert told["subject"].iloc[0] in session.sheets


def test_sample_claimed_as_two_beers(tmp_path):
    with pytest.raises(ParentsError, match="claimed to be"):
        measure(tiny_folder(tmp_path, rows=with_cells("Dark-2.csv", beer="Pale")))


def test_odd_pour_is_named_and_kept(tmp_path):
    def foam(file, counts):
        return np.round(counts + 0.06 * (42000 - counts) * (file == "Amber-2.csv"))

    session = measure(tiny_folder(tmp_path, change=foam))
    odd = session.checks[session.checks["code"] == "replicates_disagree"]
    assert odd["scan_id"].tolist() == ["Amber-2.csv"] and "Amber-2.csv" in session.spectra.index
    assert odd["size"].iloc[0] < 0 and "absorbs less than the 2 others" in odd["sentence"].iloc[0]


def test_saturated_scan_is_named_with_its_range(tmp_path):
    session = measure(tiny_folder(tmp_path, change=lambda f, c: np.minimum(c, 15000) if f == "Pale-1.csv" else c))
    rows = session.checks[session.checks["code"] == "saturated"]
    assert rows["scan_id"].tolist() == ["Pale-1.csv"]
    assert "stand at 15000 counts" in rows["sentence"].iloc[0]


def test_two_reference_kinds(tmp_path):
    def kinds(rows):
        return [{**row, "reference_kind": "base" if row["file"] == "ref.csv" else "water"} for row in rows]

    with pytest.raises(UnitError, match="4 %"):
        measure(tiny_folder(tmp_path, rows=kinds))


def test_the_first_file_left_out_is_named_once():
    assert first_reason([("scans/a.csv", "a.csv: the file is empty"), ("b", "c")]) == "scans/a.csv: the file is empty"
    assert first_reason([("scans/a.csv", "no such file")]) == "scans/a.csv: no such file"


def test_columns_that_say_nothing_go_and_those_that_name_stay():
    rows = pd.DataFrame({"file": ["a.csv"], "sample": [""], "cup": ["C40"], "operator": [""], "lab": [np.nan]})
    assert known_columns(rows).columns.tolist() == ["sample", "cup"]


def test_a_claim_belongs_to_its_sample_and_a_blank_is_none():
    rows = pd.DataFrame({"beer": ["Amber Lane", "", "Amber Lane"]})
    scans = pd.DataFrame({"sample": ["S-1", "S-2", "S-1"]})
    assert claims_of(rows, scans).to_dict() == {"S-1": "Amber Lane"}


@pytest.mark.parametrize(
    "option",
    [
        {"dark_age_h": "x"},
        {"reference_age_h": float("nan")},
        {"dark_age_h": float("inf")},
        {"full_scale": -5},
        {"depth_mm": -3},
        {"depth_mm": True},
        {"depth_mm": float("inf")},
    ],
)
def test_ages_and_full_scale_are_numbers_above_nothing(tmp_path, option):
    with pytest.raises(OptionError, match=f"{next(iter(option))} is .*; expected a number above 0"):
        measure(tmp_path, **option)


def test_a_claim_with_loose_accents_is_of_the_beer():
    scans = pd.DataFrame({"sample": ["S-1", "S-1"]})
    rows = pd.DataFrame({"beer": ["Ko\u0308lsch", "K\u00f6lsch"]})  # as two systems write one name
    assert claims_of(rows, scans).to_dict() == {"S-1": "K\u00f6lsch"}


def test_a_batch_with_loose_accents_has_its_lab_row():
    loose = pd.DataFrame({"beer": ["Pils"]}, index=pd.Index(["Ma\u0308-1"], name="batch"))
    scans, left_out, notes = pd.DataFrame({"batch": ["M\u00e4-1"]}), [], []
    assert known_batches(loose, scans, left_out, notes).index.tolist() == ["M\u00e4-1"]
    assert (left_out, notes) == ([], [])
