"""What a file's titles, tables and layouts say, and what they do not."""

import time

import numpy as np
import pandas as pd
import pytest
from tiny_folder import tiny_folder

from specmatch.errors import AmbiguousScanFileError, ScanFileError
from specmatch.measurement.checks.disagreement import replicate_checks
from specmatch.measurement.readers.files import scans_from_bytes
from specmatch.measurement.readers.scan import ReadOptions
from specmatch.measurement.readers.units import Label, read_label
from specmatch.measurement.session import measure


def read(text, **told):
    return scans_from_bytes(text.encode(), name="a.csv", told=ReadOptions(**told))


def table(level, n=6, step=5):
    return "".join(f"{400 + step * k};{level + 7 * k % 50}\n" for k in range(n))


NAMES = (
    "Pale 5%", "Straw Blond", "Strawberry", "A", "OD", "Abs", "Pale (1)", "Ratio Ale", "Fraction 3", "R", "T",
    "Raw Ale",
    "Signal Hill", "Transmitter Stout", "Kriek 4.5 %", "5% Pale", "Hundred Percent IPA", "Count Porter", "Pale (5%)",
    "Extinction Stout", "Reflection Ale", "Lot 0-1", "A [%]",
)  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_names_of_samples_state_no_quantity(name):
    assert read_label(name).quantity == ""
    assert read_label(name) == Label() or name == "A [%]"


@pytest.mark.parametrize(
    ("title", "quantity", "scale"),
    [
        ("Reflectance", "reflectance", ""), ("Pale [%]", "", "percent"), ("%R", "reflectance", "percent"),
        ("R [%]", "reflectance", "percent"), ("counts S1", "counts", ""), ("Raw counts", "counts", ""),
        ("Signal (ADC)", "counts", ""), ("signal", "counts", ""), ("Reflectance [-]", "reflectance", "fraction"),
        ("reflectance_[fraction]_S2", "reflectance", "fraction"), ("Reflectance (0-1)", "reflectance", "fraction"),
        ("Pale [A]", "absorbance", ""), ("log(1/R)", "absorbance", ""), ("Extinktion", "absorbance", ""),
        ("R\u00e9flectance (%)", "reflectance", "percent"), ("percent", "", "percent"),
        ("Transmission", "transmittance", ""),
    ],
)  # fmt: skip
def test_units_and_whole_words_state_it(title, quantity, scale):
    assert read_label(title) == Label(quantity, scale)


def test_titles_that_disagree_are_named_and_kept_unknown():
    text = "nm;Pale [%];Amber\n" + "".join(f"{400 + k};{6 + k};{5 + k}\n" for k in range(20))
    scans = read(text)
    assert [scan.quantity for scan in scans] == ["unknown"] * 2 and scans[0].values[0] == 6
    assert any("titles disagree" in note and "'Pale [%]' (percent)" in note for note in scans[0].notes)
    assert [s.values[0] for s in read(text, quantity="reflectance", scale="percent")] == [0.06, 0.05]


def test_r_over_the_only_column_is_the_symbol_where_the_numbers_allow_it():
    body = "".join(f"{400 + k};{{}}\n" for k in range(5))
    assert read("wavelength;R\n" + body.replace("{}", "0.2"))[0].quantity == "reflectance"
    assert read("wavelength;R\n" + body.replace("{}", "20"))[0].values[0] == 0.2
    assert read("wavelength;R\n" + body.replace("{}", "920"))[0].quantity == "unknown"
    assert [s.quantity for s in read("wavelength;R;S\n" + body.replace("{}", "0.2;0.3"))] == ["unknown"] * 2


def test_several_tables_are_read_where_each_is_whole_and_named():
    head = "integration_ms;20\n\nScan: Pale 1\n"
    text = f"{head}wavelength;counts\n{table(900)}\nScan: Pale 2\nwavelength;counts\n{table(700)}"
    one, two = read(text)
    assert (one.scan_id, two.scan_id) == ("Pale 1", "Pale 2") and two.values[0] == 700
    assert one.meta["integration_ms"] == two.meta["integration_ms"] == "20"
    with pytest.raises(ScanFileError, match=r"several tables \(2\), and they do not each carry a name"):
        read(text.replace("Scan: Pale 2\n", "").replace("Scan: Pale 1\n", ""))
    with pytest.raises(ScanFileError, match=r"several tables \(3\), and 'Pale 3' has 4 points where the others have 6"):
        read(f"{text}\nScan: Pale 3\nwavelength;counts\n{table(800, 4)}")
    with pytest.raises(ScanFileError, match="several tables of numbers, 2 of them"):
        read(table(900) + "\nnext\n" + table(700))
    units = "Scan: A\nWavelength;Reflectance\nnm;%\n400;20\n410;25\n420;31\n"
    [scan] = read(units)
    assert scan.values.tolist() == [0.2, 0.25, 0.31]


def test_two_columns_that_may_be_wavelengths_are_asked_for():
    text = "".join(f"{400 + 2 * k};{900 - 5 * k}\n" for k in range(20))
    with pytest.raises(AmbiguousScanFileError, match="wavelength_column=1"):
        read(text)
    assert read(text, wavelength_column=2)[0].values[-1] == 400
    with pytest.raises(ScanFileError, match="wavelength_column=7"):
        read(text, wavelength_column=7)


def test_a_table_in_columns_that_is_refused_is_read_as_nothing_else():
    body = "".join(f"{339 + k},22;{941 - k % 9}\n" for k in range(100))
    for text in (body, "wavelength_nm;counts\n" + body):
        with pytest.raises(ScanFileError, match="cut"):
            read(text[:-4])
    with pytest.raises(ScanFileError, match="cut|damaged|fields"):
        read("400;410;420\n" + "".join(f"{401 + k};{500 + k}\n" for k in range(20)))


def test_numbers_below_that_do_not_go_on_are_no_part_of_the_table():
    [scan] = read("nm;counts\n" + table(900, 12) + "20;21\n")
    assert scan.values.size == 12 and any("left out, from line 14" in note for note in scan.notes)
    with pytest.raises(ScanFileError, match="up and down"):
        read("nm;counts\n" + table(900, 12) + "410;21\n")


def test_one_file_has_one_vote_for_the_grid(tmp_path):
    folder = tiny_folder(tmp_path / "monday")
    whole = measure(folder)
    names = "wavelength_nm;" + ";".join(f"S{k}" for k in range(300))
    lines = [names, *(f"{500 + 2 * k};" + ";".join(["900"] * 300) for k in range(12))]
    (folder / "Pale-1.csv").write_text("\n".join(lines) + "\n")
    session = measure(folder)
    assert session.spectra.columns.tolist() == whole.spectra.columns.tolist()
    assert len(session.spectra) == len(whole.spectra) - 1


def test_one_pixel_at_full_scale_is_hot_and_more_are_saturated(tmp_path):
    def lone(file, counts):
        if file == "Pale-1.csv":
            counts = counts.copy()
            counts[30] = 65535
        return counts

    def lit(file, counts):
        if file == "Pale-1.csv":
            counts = counts.copy()
            counts[40:43] = 65535
        return counts

    session = measure(tiny_folder(tmp_path / "lone", change=lone))
    rows = session.checks[session.checks["scan_id"] == "Pale-1.csv"]
    assert rows["code"].tolist() == ["hot_pixels"]
    assert np.flatnonzero(session.spectra.loc["Pale-1.csv"].isna()).tolist() == [30]
    session = measure(tiny_folder(tmp_path / "lit", change=lit))
    assert "saturated" in session.checks["code"].tolist()


def test_many_scans_of_one_sample_are_judged_in_time_that_grows_with_them():
    rng = np.random.default_rng(1)
    nm = np.linspace(420.0, 700.0, 200)
    depth = rng.lognormal(0.0, 0.5, 160)
    spectra = pd.DataFrame(
        10.0 ** -np.outer(depth, np.exp(-(nm - 420) / 90)), columns=nm, index=[f"s{k}" for k in range(160)]
    )
    scans = pd.DataFrame({"pour": spectra.index, "sample": "one"}, index=spectra.index)
    begun = time.process_time()
    found = replicate_checks(spectra, scans)
    assert time.process_time() - begun < 1.0
    assert 80 < len(found) <= 160
    alike = pd.DataFrame(np.tile(spectra.iloc[0].to_numpy(), (160, 1)), columns=nm, index=spectra.index)
    alike.iloc[7] **= 1.5
    assert replicate_checks(alike, scans)["scan_id"].tolist() == ["s7"]


def test_blocks_within_blocks_have_no_limit():
    inner = "##TITLE= x\n##XUNITS= NANOMETERS\n##NPOINTS= 2\n##XYPOINTS= (XY..XY)\n400,0.25; 500,0.5\n##END=\n"
    text = "##TITLE= a\n" * 5000 + inner + "##END=\n" * 5000
    [scan] = read(text)
    assert scan.values.tolist() == [0.25, 0.5]


def test_a_comment_among_the_numbers_says_how_it_was_measured_and_hides_no_row():
    above, below = table(0.5).replace("\n", "\n# integration_ms: 200\n", 1), table(0.5, step=5)
    [scan] = read(above)
    assert scan.meta["integration_ms"] == "200" and any("comment among the numbers" in note for note in scan.notes)
    [headed] = read("# integration_ms: 100\n" + above)
    assert headed.meta["integration_ms"] == "100"
    with pytest.raises(ScanFileError, match="'# 402 nm 0.6' is not a number"):
        read(below.replace("\n", "\n# 402 nm 0.6\n", 1))


def test_counts_without_groups_make_none_certain_beside_them():
    rows = [f"{400 + 10 * k}.5\t{{}}\t1,{100 + k}\n" for k in range(6)]
    plain, grouped = ("nm\tdark counts\tpale\n" + "".join(rows).format(*[cell] * 6) for cell in ("210", "1,210"))
    with pytest.raises(AmbiguousScanFileError, match="'1,100' may be 1100"):
        read(plain)
    assert [scan.values[0] for scan in read(grouped)] == [1210.0, 1100.0]


def test_a_table_in_the_form_of_our_own_holds_counts_or_dead_channels_as_a_whole():
    level = np.linspace(0.3, 0.9, 30)

    def own(rows):
        lines = [",".join([f"s{k}", *map("{:.3f}".format, row)]) for k, row in enumerate(rows)]
        return read("\n".join([",".join(["scan_id", *map(str, range(400, 700, 10))]), *lines, ""]))

    dead = np.stack([level, level, level])
    dead[1, 0] = 200.0  # no light in the reference of one channel
    assert [scan.quantity for scan in own(dead)] == ["reflectance"] * 3
    counts = own([level * 0.0 + 95.0, level * 900.0, level * 1500.0])  # a dark scan stays under 150
    assert not any("titles disagree" in note for scan in counts for note in scan.notes)
    assert {scan.quantity for scan in counts} == {"unknown"}
