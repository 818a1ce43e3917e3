"""Counts to reflectance: number types, times, darks, grids, paths; hand-made counts of known reflectance."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from tiny_folder import NM, beer, lamp, scan_text, tiny_folder, write_sheet

from specmatch.errors import MissingScanError, OptionError, ScanFileError, WavelengthMismatchError
from specmatch.maths.spectra.transforms import absorbance
from specmatch.measurement.readers.axis import fill_gaps, gap_notes, order_axis, resample
from specmatch.measurement.reflectance.path_length import filling_depth_mm
from specmatch.measurement.reflectance.raw_scans import _common_grid, _dark_already_removed, header_integration_ms
from specmatch.measurement.reflectance.reflectance import of_instrument, over_reference
from specmatch.measurement.session import measure


def test_no_light_is_no_number():
    got = over_reference(np.array([[2000.0, 5.0]]), np.array([[500.0, 0.0]]))
    assert got[0, 0] == 4.0 and np.isnan(got[0, 1])


def hand_folder(tmp_path, scans, sheet=None):
    """Files of constant or given counts; `scans` maps file -> (role, counts, header lines, more cells)."""
    rows = []
    for file, (role, counts, header, more) in scans.items():
        nm = more.pop("nm", NM)
        (tmp_path / file).write_text(scan_text(nm, np.broadcast_to(np.asarray(counts, float), nm.shape), header))
        rows.append({"file": file, "role": role, "sample": "s" if role == "sample" else "", **more})
    write_sheet(tmp_path, rows)
    return tmp_path


def test_counts_below_the_dark_stay_below(tmp_path):
    # 16-bit counts would wrap to 65532 here
    below = np.where(NM < 470.0, 996.0, 1000.0 + 0.5 * 20.0 * lamp())
    scans = {
        "d.csv": ("dark", 1000, [], {}),
        "w.csv": ("reference", 1000 + 20 * lamp(), [], {}),
        "s.csv": ("sample", below, [], {}),
    }
    session = measure(hand_folder(tmp_path, scans))
    row = session.spectra.loc["s.csv"]
    lost = (row.index < 470.0) & (20 * lamp() > 100)
    # counts are written whole: half a count in the light of each channel
    light = np.round(20 * lamp())
    np.testing.assert_allclose(row[lost], -4.0 / light[lost], rtol=0.02)
    assert (row[lost] < 0).all() and lost.any()


def expected_counts(t, signal):
    """Offset 800, 4 counts a ms of dark, and the signal per ms."""
    return 800 + 4 * t + signal * t


def test_integration_times_that_differ(tmp_path):
    light = lamp() * 0.6
    scans = {
        "d80.csv": ("dark", expected_counts(80, 0), [], {"integration_ms": 80}),
        "w25.csv": ("reference", expected_counts(25, light), [], {"integration_ms": 25}),
        "s50.csv": ("sample", expected_counts(50, 0.4 * light), [], {"integration_ms": 50}),
    }
    with pytest.raises(ScanFileError, match="nothing usable.*taken at 50 ms, its dark at 80 ms"):
        measure(hand_folder(tmp_path, scans))
    session = measure(tmp_path, dark_offset=800)
    live = session.usable.to_numpy()
    # counts are written whole, which is 0.02 % of the reference at its weakest live channel
    assert session.spectra.loc["s50.csv"].to_numpy()[live] == pytest.approx(0.4, abs=2e-3)
    scans = {**scans, "d10.csv": ("dark", expected_counts(10, 0), [], {"integration_ms": 10})}
    session = measure(hand_folder(tmp_path, scans))
    assert session.spectra.loc["s50.csv"].to_numpy()[live] == pytest.approx(0.4, abs=2e-3)
    assert any("offset and rate apart" in note for note in session.notes["note"])


def test_times_in_the_header_with_their_units(tmp_path):
    light = lamp()
    scans = {
        "d.csv": ("dark", 900, ["integration: 20000 \u00b5s"], {}),
        "w.csv": ("reference", 900 + 20 * light, ["Integration time [ms];20"], {}),
        "d2.csv": ("dark", 1800, ["integration_ms;40"], {}),
        "s.csv": ("sample", 1800 + 40 * 0.3 * light, ["exposure time (s): 0.04"], {}),
    }
    session = measure(hand_folder(tmp_path, scans))
    assert session.spectra.loc["s.csv"].to_numpy()[session.usable.to_numpy()] == pytest.approx(0.3, abs=2e-3)


def test_a_time_known_for_some_scans_only(tmp_path):
    scans = {
        "d.csv": ("dark", 900, [], {"integration_ms": 20}),
        "w.csv": ("reference", 900 + 20 * lamp(), [], {"integration_ms": 20}),
        "s.csv": ("sample", 900 + 6 * lamp(), [], {"integration_ms": ""}),
    }
    with pytest.raises(ScanFileError, match="fill integration_ms in scans.csv"):
        measure(hand_folder(tmp_path, scans))


def test_dark_already_removed_is_honoured(tmp_path):
    header = ["dark_corrected;yes"]
    scans = {
        "d.csv": ("dark", 1000, [], {}),
        "w.csv": ("reference", 20 * lamp(), header, {}),
        "s.csv": ("sample", 0.5 * lamp(), header, {}),
    }
    session = measure(hand_folder(tmp_path, scans))
    live = session.usable.to_numpy()
    assert session.spectra.loc["s.csv"].to_numpy()[live] == pytest.approx(0.025, abs=2e-3)
    assert session.checks.empty
    wrong = {**scans, "s.csv": ("sample", 0.5 * lamp(), [], {})}
    session = measure(hand_folder(tmp_path, wrong))
    said = session.checks[session.checks["scan_id"] == "s.csv"]
    assert said["code"].tolist() == ["reflectance_out_of_range"] and "below 0" in said["sentence"].iloc[0]
    assert (session.spectra.loc["s.csv"].to_numpy()[live] < 0).all()  # kept as it is, not clipped


def test_each_scan_uses_the_dark_and_reference_of_its_session_nearest_in_time(tmp_path):
    light = 20 * lamp()
    scans, truth = {}, {}
    for day, gain in ((1, 1.0), (2, 0.5)):
        for hour, drift in ((8, 1.0), (12, 1.1)):
            at = {"measured_at": f"2024-03-0{day}T{hour:02d}:00", "session": f"day {day}"}
            scans[f"d{day}{hour}.csv"] = ("dark", 1000 * drift, [], at)
            scans[f"w{day}{hour}.csv"] = ("reference", 1000 * drift + light * gain * drift, [], at)
            later = {**at, "measured_at": f"2024-03-0{day}T{hour:02d}:50", "sample": f"s{day}{hour}"}
            scans[f"s{day}{hour}.csv"] = ("sample", 1000 * drift + 0.4 * light * gain * drift, [], later)
            truth[f"s{day}{hour}.csv"] = 0.4
    session = measure(hand_folder(tmp_path, scans))
    live = session.usable.to_numpy()
    for name, value in truth.items():
        assert session.spectra.loc[name].to_numpy()[live] == pytest.approx(value, abs=2e-3)


def test_instruments_are_not_mixed(tmp_path):
    scans = {
        "d.csv": ("dark", 1000, [], {"instrument": "A"}),
        "w.csv": ("reference", 1000 + 20 * lamp(), [], {"instrument": "A"}),
        "s.csv": ("sample", 1000 + 8 * lamp(), [], {"instrument": "B"}),
    }
    with pytest.raises(MissingScanError, match="'s.csv' has no dark scan of instrument 'B'"):
        measure(hand_folder(tmp_path, scans))


def test_a_scan_of_an_instrument_without_darks_does_not_stop_the_others(tmp_path):
    own = {"instrument": "A"}
    scans = {
        "d.csv": ("dark", 1000, [], own),
        "w.csv": ("reference", 1000 + 20 * lamp(), [], own),
        "a.csv": ("sample", 1000 + 8 * lamp(), [], own | {"sample": "a"}),
        "b.csv": ("sample", 1000 + 8 * lamp(), [], {"instrument": "B", "sample": "b"}),
    }
    session = measure(hand_folder(tmp_path, scans))
    assert session.spectra.index.tolist() == ["a.csv"]
    assert session.left_out.to_numpy().tolist() == [
        ["b.csv", "no usable dark scan of instrument 'B'; take a dark scan"]
    ]


@pytest.mark.parametrize("part", ["lamp", "base"])
def test_a_reference_of_another_lamp_or_base_is_none(tmp_path, part):
    old, new, far = {part: "old-1"}, {part: "New"}, {part: "spare"}
    scans = {
        "d.csv": ("dark", 1000, [], {}),
        "w1.csv": ("reference", 1000 + 20 * lamp(), [], old),
        "s1.csv": ("sample", 1000 + 8 * lamp(), [], {part: "OLD 1", "sample": "s1"}),
        "w2.csv": ("reference", 1000 + 10 * lamp(), [], new),
        "s2.csv": ("sample", 1000 + 4 * lamp(), [], new | {"sample": "s2"}),
        "s3.csv": ("sample", 1000 + 8 * lamp(), [], old | {"sample": "s3"}),
        "s4.csv": ("sample", 1000 + 8 * lamp(), [], far | {"sample": "s4"}),
    }
    session = measure(hand_folder(tmp_path, scans))
    live = session.usable.to_numpy()
    assert "lamp_drift" not in set(session.checks["code"])  # the new one gives half the light
    # counts are written whole: half a count in the light of the weakest channel
    np.testing.assert_allclose(session.spectra.loc[["s1.csv", "s2.csv", "s3.csv"]].to_numpy()[:, live], 0.4, atol=2e-2)
    assert session.left_out.to_numpy().tolist() == [
        ["s4.csv", "no usable reference scan with its lamp and base; take a reference scan"]
    ]


def test_other_grids_are_resampled_inside_their_range_or_refused(tmp_path):
    fine, short = np.round(np.arange(398.0, 724.0, 1.0), 1), NM[20:]
    scans = {
        "d.csv": ("dark", 1000, [], {}),
        "w.csv": ("reference", 1000 + 20 * lamp(), [], {}),
        "s1.csv": ("sample", 1000 + 20 * lamp() * beer(20), [], {"sample": "s1"}),
        "s2.csv": ("sample", 1000 + 20 * lamp(fine) * beer(20, fine), [], {"sample": "s2", "nm": fine}),
        "s3.csv": ("sample", 1000 + 20 * lamp(short) * beer(20, short), [], {"sample": "s3", "nm": short}),
        "s4.csv": ("sample", 1000 + 20 * lamp(short + 1.5) * beer(20, short), [], {"sample": "s4", "nm": short + 1.5}),
        "s5.csv": ("sample", 1000 + 20 * lamp() * beer(20), [], {"sample": "s5"}),
    }
    session = measure(hand_folder(tmp_path, scans))
    live = session.usable.to_numpy()
    assert session.spectra.index.tolist() == ["s1.csv", "s2.csv", "s5.csv"]
    # a straight line between points 1 nm apart misses the lamp's sharp peak by less than 0.1 %
    assert np.abs(session.spectra.loc["s2.csv"] - session.spectra.loc["s1.csv"])[live].max() < 4e-3
    reasons = session.left_out.set_index("file")["reason"]
    assert "61 points from 480 to 720 nm where the other files have 81" in reasons["s3.csv"]
    assert "needed are 400-720 nm" in reasons["s4.csv"]


def test_resampling_takes_either_direction_and_never_leaves_the_range():
    nm, values = np.array([700.0, 600.0, 500.0, 400.0]), np.array([0.6, 0.5, 0.2, 0.1])
    grid = np.array([450.0, 550.0])
    assert (
        resample(nm, values, grid).tolist()
        == resample(nm[::-1], values[::-1], grid).tolist()
        == [pytest.approx(0.15), 0.35]
    )
    with pytest.raises(WavelengthMismatchError, match="covers 400-700 nm, needed are 390-550 nm"):
        resample(nm, values, [390.0, 550.0])
    with pytest.raises(ScanFileError, match="go up and down"):
        resample([400, 600, 500], [1, 2, 3], [450])
    with pytest.raises(WavelengthMismatchError, match="must rise strictly"):
        resample([400, 400, 500], [1, 2, 3], [450])
    assert order_axis(nm)[0].tolist() == [3, 2, 1, 0]
    assert gap_notes(np.array([400, 405, 410, 420, 425, 430.0])) and not gap_notes(
        np.array([400, 450, 500, 600.0]) * 1.0
    )


def test_values_outside_0_and_1_are_kept_and_counted(tmp_path):
    spoilt = np.where(NM > 600, 1.25, np.where(NM < 460, -0.06, 0.4))
    scans = {
        "d.csv": ("dark", 3000, [], {}),
        "w.csv": ("reference", 3000 + 20 * lamp(), [], {}),
        "s.csv": ("sample", 3000 + 20 * lamp() * spoilt, [], {}),
    }
    session = measure(hand_folder(tmp_path, scans))
    live = session.usable.to_numpy()
    assert session.spectra.loc["s.csv"].to_numpy()[live] == pytest.approx(spoilt[live], abs=2e-3)
    said = session.checks[session.checks["code"] == "reflectance_out_of_range"]["sentence"].iloc[0]
    assert "below 0 at" in said and "above 1 at" in said and "604-" in said and "it is kept as it is" in said


def test_reflectance_files_need_no_reference(tmp_path):
    (tmp_path / "r.csv").write_text(
        "wavelength_nm;reflectance [%]\n" + "".join(f"{x};{60 - 0.1 * k:.2f}\n" for k, x in enumerate(NM))
    )
    (tmp_path / "a.csv").write_text("wavelength_nm;absorbance\n" + "".join(f"{x};{0.2:.3f}\n" for x in NM))
    write_sheet(tmp_path, [{"file": f"{n}.csv", "role": "sample", "sample": n} for n in "ra"])
    session = measure(tmp_path)
    assert session.spectra.index.tolist() == ["r.csv"] and session.spectra.iloc[0, 0] == pytest.approx(0.6, abs=1e-12)
    assert session.band_nm is None and session.usable.all()
    assert "holds absorbance, expected counts or reflectance" in session.left_out["reason"].iloc[0]


def test_dead_channels_of_reflectance_files_are_no_fault(tmp_path):
    rng = np.random.default_rng(2)
    for k in range(8):
        values = beer(12) + rng.normal(0, 0.001, NM.size)
        values[:12] = rng.normal(0, 2, 12)
        text = "".join(f"{x};{v:.5f}\n" for x, v in zip(NM, values, strict=True))
        (tmp_path / f"{k}.csv").write_text("wavelength_nm;reflectance [fraction]\n" + text)
    write_sheet(tmp_path, [{"file": f"{k}.csv", "role": "sample", "sample": f"s{k // 2}"} for k in range(8)])
    session = measure(tmp_path)
    assert session.checks.empty and session.band_nm is None and not session.usable.iloc[:12].any()


def test_percent_and_fraction_are_never_mixed_on_a_guess(tmp_path):
    for name, factor in (("p", 100.0), ("q", 1.0)):
        text = "".join(f"{x};{factor * (0.9 - 0.001 * k):.4f}\n" for k, x in enumerate(NM))
        (tmp_path / f"{name}.csv").write_text("wavelength_nm;reflectance\n" + text)
    write_sheet(tmp_path, [{"file": f"{n}.csv", "role": "sample", "sample": n} for n in "pq"])
    session = measure(tmp_path)
    assert session.spectra.index.tolist() == ["p.csv"]
    assert "other files of the folder are in percent" in session.left_out["reason"].iloc[0]


def test_channels_below_nothing_are_named_before_any_logarithm(tmp_path):
    values = np.where(NM < 500, -0.03, 0.4)
    scans = {
        "d.csv": ("dark", 3000, [], {}),
        "w.csv": ("reference", 3000 + 20 * lamp(), [], {}),
        "s.csv": ("sample", 3000 + 20 * lamp() * values, [], {}),
    }
    session = measure(hand_folder(tmp_path, scans))
    live = session.usable.to_numpy()
    assert session.checks["code"].tolist() == ["reflectance_out_of_range"]
    said = session.checks["sentence"].iloc[0]
    below = NM[live & (NM < 500)]
    assert f"below 0 at {below.size} channel(s), {below[0]:.0f}-{below[-1]:.0f} nm" in said
    logarithm = absorbance(session.spectra.to_numpy()[:, live], floor=0.001)
    assert np.isfinite(logarithm).all() and logarithm.max() == 3.0


def test_columns_of_one_name_in_several_files_are_scans_of_their_own(tmp_path):
    for k in (1, 2):
        text = "".join(f"{x};0.{40 + k};0.{50 + k}\n" for x in NM)
        (tmp_path / f"{k}.csv").write_text("wavelength_nm;reflectance A;reflectance B\n" + text)
    write_sheet(tmp_path, [{"file": f"{k}.csv", "role": "sample", "sample": f"s{k}"} for k in (1, 2)])
    session = measure(tmp_path)
    assert session.spectra.index.tolist() == [
        "reflectance A",
        "reflectance B",
        "2.csv#reflectance A",
        "2.csv#reflectance B",
    ]
    assert session.left_out.empty


def test_depths_and_paths(tmp_path):
    assert filling_depth_mm(np.array([10.0]), np.array([40.0]))[0] == pytest.approx(
        7.958, abs=1e-3
    )  # 10 mL over a disc of 40 mm
    a = 0.5 * np.exp(-(NM - 430) / 80)
    cells = {"cup": "C40", "cup_mm": 40}
    scans = {
        "d.csv": ("dark", 1000, [], {}),
        "w.csv": ("reference", 1000 + 20 * lamp(), [], {}),
        "s1.csv": ("sample", 1000 + 20 * lamp() * 10**-a, [], {"sample": "s1", "fill_ml": 10, **cells}),
        "s2.csv": ("sample", 1000 + 20 * lamp() * 10**-a, [], {"sample": "s2", "fill_ml": 10, **cells}),
        "s3.csv": ("sample", 1000 + 20 * lamp() * 10 ** (-1.2 * a), [], {"sample": "s3", "fill_ml": 12, **cells}),
        "s4.csv": ("sample", 1000 + 20 * lamp() * 10 ** (-2.4 * a), [], {"sample": "s4", "fill_ml": 24, **cells}),
        "s5.csv": ("sample", 1000 + 20 * lamp() * 10**-a, [], {"sample": "s5", "fill_ml": 10, "cup": "X"}),
    }
    session = measure(hand_folder(tmp_path, scans))
    live = session.usable.to_numpy()
    # spectra stay as measured, with their fillings beside them
    assert session.spectra.index.tolist() == ["s1.csv", "s2.csv", "s3.csv", "s4.csv", "s5.csv"]
    assert (session.spectra.loc["s3.csv"] < session.spectra.loc["s1.csv"])[live].all() and session.depth_mm is None
    assert session.scans["fill_ml"].tolist() == [10, 10, 12, 24, 10] and session.left_out.empty
    with pytest.raises(OptionError, match="depth_mm is -3; expected a number above 0"):
        measure(tmp_path, depth_mm=-3)
    other = measure(tmp_path, depth_mm=8.5)
    assert (
        other.depth_mm == pytest.approx(8.5)
        and (other.spectra.loc["s1.csv"] < session.spectra.loc["s1.csv"])[live].all()
    )
    # glare of 1 % is taken for granted, and these scans have none
    assert np.abs(other.spectra.loc["s3.csv"] - other.spectra.loc["s1.csv"])[live].max() < 5e-3
    reasons = other.left_out.set_index("file")["reason"]
    assert "too far apart" in reasons["s4.csv"] and "is not stated" in reasons["s5.csv"]


def test_one_bad_file_never_stops_the_rest(tmp_path):
    folder = tiny_folder(tmp_path)
    (folder / "Pale-1.csv").write_bytes(b"")
    (folder / "Amber-2.csv").write_text("wavelength_nm;counts\n")
    (folder / "Dark-3.csv").write_bytes(b"\x00\xff\x00\xfe" * 30)
    for n_jobs in (None, 2):
        session = measure(folder, n_jobs=n_jobs)
        assert sorted(session.left_out["file"]) == ["Amber-2.csv", "Dark-3.csv", "Pale-1.csv"]
        assert len(session.spectra) == 6


def test_gaps_are_filled_along_straight_lines_and_empty_rows_stay():
    nan = np.nan
    rows = np.array([[1.0, nan, nan, 4.0], [nan, 2.0, 3.0, nan], [nan, nan, nan, nan]])
    got = fill_gaps(rows)
    assert got[:2].tolist() == [[1.0, 2.0, 3.0, 4.0], [2.0, 2.0, 3.0, 3.0]] and np.isnan(got[2]).all()
    assert np.isnan(rows[0, 1])


@pytest.mark.parametrize(
    ("meta", "ms"),
    [({"integration": "150 µs"}, 0.15), ({"integration_ms": "20,0"}, 20.0), ({"Integration time [s]": "0.5"}, 500.0)],
)
def test_an_integration_time_comes_with_its_unit(meta, ms):
    assert header_integration_ms(meta) == pytest.approx(ms)


@pytest.mark.parametrize(
    ("meta", "removed"),
    [({"dark_corrected": "yes"}, True), ({"Dark subtracted": "no"}, False), ({"operator": "yes"}, False)],
)
def test_a_header_says_whether_the_dark_is_gone(meta, removed):
    assert _dark_already_removed(meta) == removed


def test_an_instrument_without_a_name_is_not_named():
    assert of_instrument("invented-288") == " of instrument 'invented-288'"
    assert of_instrument("") == ""


def test_a_file_that_begins_with_its_dark_votes_for_the_grid_of_its_samples():
    """Three files of four scans each, one odd sample on a finer grid: each file has one vote among the samples."""
    usual, fine = np.arange(430.0, 700.0, 4.5), np.arange(430.0, 700.0, 2.7)
    roles = ["dark", "reference", "sample", "sample"]
    scans = [SimpleNamespace(wavelength_nm=usual)] * 12 + [SimpleNamespace(wavelength_nm=fine)]
    rows = pd.DataFrame({"role": [*roles * 3, "sample"], "file": [*np.repeat(["a", "b", "c"], 4), "odd"]})
    assert _common_grid(SimpleNamespace(scans=scans, rows=rows)) is usual
