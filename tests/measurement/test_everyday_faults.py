"""Everyday faults of measured folders: each is answered rightly, or refused with its way out."""

import numpy as np
import pytest
from tiny_folder import bare_folder as folder

import specmatch as sm
from specmatch.errors import ScanFileError, SpecmatchError
from specmatch.measurement.folder.sheets import read_sheet

NM = (420, 460, 500, 540, 580, 620)


def scan(counts, head="", tail=""):
    return head + "wavelength_nm;counts\n" + "".join(f"{x};{y}\n" for x, y in zip(NM, counts, strict=True)) + tail


SHEET = "file,role,sample\nempty.csv,dark,\nlight.csv,reference,\nbeer.csv,sample,S1\n"


def test_counts_below_the_dark_stay_negative_and_do_not_wrap(tmp_path):
    session = sm.measure(
        folder(tmp_path / "f", SHEET, empty=scan([1010] * 6), light=scan([41010] * 6),
               beer=scan([1006, 1008, 5010, 9010, 21010, 31010]))
    )  # fmt: skip
    assert np.allclose(session.spectra.iloc[0], [-0.0001, -0.00005, 0.1, 0.2, 0.5, 0.75], rtol=1e-9)


def test_a_dark_that_the_recorder_has_removed_is_not_removed_again(tmp_path):
    done = "dark_corrected;yes\n"
    session = sm.measure(
        folder(tmp_path / "f", SHEET, empty=scan([900] * 6), light=scan([30000] * 6, done), beer=scan([600] * 6, done))
    )
    assert np.allclose(session.spectra.iloc[0], 0.02, rtol=1e-9)


def test_other_integration_times_are_refused_without_the_offset_and_right_with_it(tmp_path):
    # counts = 800 + 4 a ms of dark + light a ms: 900 from the reference, 270 from the beer
    path = folder(
        tmp_path / "f", SHEET, empty=scan([800 + 4 * 80] * 6, "integration_ms;80\n"),
        light=scan([800 + 904 * 25] * 6, "integration_ms;25\n"), beer=scan([800 + 274 * 50] * 6, "integration_ms;50\n"),
    )  # fmt: skip
    with pytest.raises(ScanFileError, match="does not tell its offset from its rate; take a dark at 50 ms, or in"):
        sm.measure(path)
    session = sm.measure(path, dark_offset=800.0)
    assert np.allclose(session.spectra.iloc[0], 0.3, rtol=1e-9)


@pytest.mark.parametrize("top", [65535, 59000])
def test_a_flat_top_of_the_reference_is_said_with_its_range(tmp_path, top):
    light = [30000, 58000, top, top, top, 40000]
    session = sm.measure(
        folder(tmp_path / "f", SHEET, empty=scan([1000] * 6), light=scan(light), beer=scan([9000] * 6))
    )
    full = session.checks[session.checks["code"] == "saturated"]
    assert list(full["scan_id"]) == ["light.csv", "beer.csv"]
    assert full["sentence"].str.contains(f"500-580 nm stand at {top} counts").all()


def test_reflectance_outside_0_to_1_is_kept_and_counted(tmp_path):
    values = ["-0.03", "0.1", "0.4", "1.02", "1.2", "1.3"]
    text = scan(values).replace("counts", "reflectance (fraction)")
    session = sm.measure(folder(tmp_path / "f", "file,role,sample\na.csv,sample,S1\n", a=text))
    assert np.allclose(session.spectra.iloc[0], list(map(float, values)))
    [row] = session.checks.itertuples()
    assert row.code == "reflectance_out_of_range"
    assert "below 0 at 1 channel(s), 420 nm and above 1 at 3 channel(s), 540-620 nm" in row.sentence


def test_odd_files_are_left_out_with_their_reasons_and_the_good_one_is_used(tmp_path):
    good = scan(["0.1", "0.2", "0.3", "0.4", "0.5", "0.6"]).replace("counts", "reflectance (fraction)")
    names = ("nothing", "blank", "head", "good")
    sheet = "file,role,sample\n" + "".join(f"{name}.csv,sample,{name}\n" for name in names)
    files = {"nothing": "", "blank": "\n\r\n \n", "head": "wavelength_nm;counts\n", "good": good}
    session = sm.measure(folder(tmp_path / "f", sheet, **files))
    assert list(session.scans["sample"]) == ["good"]
    reasons = dict(session.left_out.itertuples(index=False))
    assert "the file is empty" in reasons["nothing.csv"] and "the file is empty" in reasons["blank.csv"]
    assert "a header but no table" in reasons["head.csv"]


def test_names_of_batches_stay_text(tmp_path):
    names = ["007", "7", "3E4", "30000", "1E400", "2_000", "2000"]
    path = tmp_path / "batches.csv"
    rows = "".join(f"{name},House Pils,8.1\n" for name in names)
    path.write_text('\ufeff"batch","beer","colour"\r\n' + rows + "\u00a0 L-9 ,House Pils,8.1\n", encoding="utf-8")
    sheet = read_sheet(path)
    assert list(sheet.table.columns) == ["batch", "beer", "colour"]
    assert list(sheet.table["batch"]) == [*names, "L-9"]


def test_a_text_shorter_than_it_declares_is_refused(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(scan([1, 2, 3, 4, 5, 6], "points;7\n")[:-1], encoding="utf-8")
    with pytest.raises(SpecmatchError, match="truncated: 7 points declared, 6 found, no line end"):
        sm.read_scans(path)
