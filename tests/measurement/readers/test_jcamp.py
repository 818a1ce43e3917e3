"""JCAMP-DX: hand-decoded examples, every form against every other, a reader library where it is right, refusals."""

import contextlib
import io

import numpy as np
import pytest
from jcamp_writer import FORMS, jcamp_text

from specmatch.errors import AmbiguousScanFileError, ScanFileError
from specmatch.measurement.readers.files import scans_from_bytes
from specmatch.measurement.readers.jcamp_dx import decode_ordinates, decode_pairs, plain_label

HEADER = (
    "##TITLE= t\n##JCAMP-DX= 4.24\n##DATA TYPE= UV/VIS SPECTRUM\n##XUNITS= NANOMETERS\n##YUNITS= REFLECTANCE\n"
    "##XFACTOR= 1\n##YFACTOR= {f}\n##FIRSTX= {a}\n##LASTX= {b}\n##NPOINTS= {n}\n##FIRSTY= {y}\n"
)


def read(text, **told):
    return scans_from_bytes(text.encode(), name="a.jdx", **told)


# Decoded by hand with the pseudo-digit tables of McDonald and Wilks, Applied Spectroscopy 42:151, 1988 (tables from
# memory): @ABCDEFGHI = +0..+9, a..i = -1..-9; %JKLMNOPQR = 0..+9, j..r = -1..-9 as differences; STUVWXYZs = 1..9 times.
HAND = [
    ("1 2 3 3 2 1 0 -1 -2 -3", "0 1 2 3 3 2 1 0 -1 -2 -3", False),
    ("1 2 3 3 2 1 0 -1 -2 -3", "0+1+2+3+3+2+1+0-1-2-3", False),
    ("1 2 3 3 2 1 0 -1 -2 -3", "0ABCCBA@abc", True),
    ("1 2 3 3 2 1 0 -1 -2 -3", "0AJJ%jjjjjj", True),
    ("1 2 3 3 2 1 0 -1 -2 -3", "0AJT%jX", True),
    ("50 50 50 50 50 50 50 50 50 50 50 50", "0E0S2", True),
    ("50 50 50 50 50 50 50 50 50 50 50 50", "0 50S2", True),
    ("10 13 16 19 22 25 28 31 34 37 40 43 46 49", "0A0L3", None),
    ("105 95 85 75", "0A05j0U", True),
    ("-120 -120 -20", "0a20TJ00", True),
]


@pytest.mark.parametrize(("values", "line", "packed"), HAND)
def test_lines_decoded_by_hand(values, line, packed):
    if packed is None:  # L3 is one difference of 33, not three of 3: the repeat count is a letter of its own
        assert decode_ordinates([(1, line)], packed=True).values == [10.0, 43.0]
        return
    assert decode_ordinates([(1, line)], packed=packed).values == [float(v) for v in values.split()]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize(
    ("y", "first", "last"),
    [
        ([62, 118, 247, 435, 561, 612, 630, 630, 630, 630, 630, 641, 5, -3, -3, 0, 12, 12], 400.0, 570.0),
        ([40 + 7 * k for k in range(37)], 380.0, 740.0),
        ([250] * 45 + [251, 249] * 3, 700.25, 690.25),
        (list(np.round(300 + 200 * np.sin(np.arange(120) / 9)).astype(int)), 400.5, 519.5),
    ],
    ids=["steps and signs", "straight line, long repeats", "descending", "many lines"],
)
def test_every_form_gives_the_same_numbers(form, y, first, last):
    [scan] = read(jcamp_text(y, first_x=first, last_x=last, form=form, y_factor="0.0005"))
    x = np.linspace(first, last, len(y))
    order = np.argsort(x)
    assert np.allclose(scan.wavelength_nm, x[order], rtol=0, atol=1e-9)  # rounding of linspace
    assert np.allclose(scan.values, np.array(y)[order] * 0.0005, rtol=0, atol=1e-12)
    assert scan.quantity == "reflectance" and scan.meta["TITLE"] == "one"


def test_against_the_reader_library():
    """Where the library gives the right numbers they are ours; where it fails or falls short it is not asked."""
    import jcamp

    rng = np.random.default_rng(3)
    agreed = 0
    for _ in range(20):
        y = np.cumsum(rng.integers(-30, 40, 50)) + 400
        for form in ("AFFN", "PAC", "SQZ", "DIF"):
            text = jcamp_text(y.tolist(), first_x=400.0, last_x=694.0, form=form, x_digits=0)
            [ours] = read(text)
            assert np.allclose(ours.values, y * 0.001, rtol=0, atol=1e-12)
            try:
                with contextlib.redirect_stdout(io.StringIO()):
                    theirs = jcamp.read(io.BytesIO(text.encode()))
            except (IndexError, ValueError):
                continue
            if len(theirs["y"]) == 50 and np.allclose(theirs["y"], y * 0.001):
                assert np.allclose(theirs["x"], ours.wavelength_nm)
                agreed += 1
    assert agreed >= 60


@pytest.mark.parametrize(
    ("label", "plain"),
    [("DATA TYPE", "DATATYPE"), ("data-type", "DATATYPE"), ("DATA_TYPE", "DATATYPE"), ("JCAMP/DX", "JCAMPDX")],
)
def test_labels_are_compared_without_marks(label, plain):
    assert plain_label(label) == plain


def test_spellings_comments_and_continuations():
    text = (
        "$$ written by hand\n##Title= pale=ale/3 $$ a remark\n##jcamp_dx= 5.01\n##DataType= UV/VIS SPECTRUM\n"
        "##ORIGIN= one line\n  and another\n##x-units= nanometers\n##Y_UNITS= reflectance\n##X FACTOR= 1\n"
        "##Y/FACTOR= 0.01\n##FIRSTX= 500\n##LASTX= 520\n##DELTAX= 10\n##NPOINTS= 3\n##FIRSTY= 0.2\n"
        "##XYDATA= (X++(Y..Y))\n500 20 31 $$ half\n520 44\n##END= $$ done\n"
    )
    [scan] = read(text)
    assert scan.values.tolist() == pytest.approx([0.2, 0.31, 0.44], abs=1e-12)
    assert scan.meta["TITLE"] == "pale=ale/3" and scan.meta["ORIGIN"] == "one line\nand another"


def test_missing_ordinates_keep_their_place():
    text = HEADER.format(f="0.01", a=400, b=440, n=5, y=0.2) + "##XYDATA= (X++(Y..Y))\n400 20 ? 24\n430 ? 31\n##END=\n"
    [scan] = read(text)
    assert scan.missing.tolist() == [False, True, False, True, False]
    assert scan.values[[0, 2, 4]].tolist() == pytest.approx([0.20, 0.24, 0.31], abs=1e-12)
    assert "2 value(s) missing" in scan.notes


def test_decimal_commas_throughout():
    header = HEADER.format(f="1,0", a="500,5", b="502,0", n=4, y="0,3512").replace("XFACTOR= 1", "XFACTOR= 1,0")
    [scan] = read(header + "##XYDATA= (X++(Y..Y))\n500,5 0,3512 0,3530\n501,5 0,3561 0,3588\n##END=\n")
    assert scan.wavelength_nm.tolist() == [500.5, 501.0, 501.5, 502.0]
    assert scan.values.tolist() == [0.3512, 0.3530, 0.3561, 0.3588]


def test_decimal_comma_beside_a_point_is_refused():
    header = HEADER.format(f="1.0", a="500,5", b="502,0", n=4, y="0,3512")
    with pytest.raises(ScanFileError, match="a decimal comma, ##YFACTOR a decimal point"):
        read(header + "##XYDATA= (X++(Y..Y))\n500,5 0,3512 0,3530\n501,5 0,3561 0,3588\n##END=\n")


def test_axis_comes_from_the_labels_not_from_rounded_line_heads():
    header = HEADER.format(f="1E-4", a=690.5, b=689.0, n=6, y=0.5)
    [scan] = read(header + "##XYDATA= (X++(Y..Y))\n690 5000 5100 5200 5300\n689 5400 5500\n##END=\n")
    assert scan.wavelength_nm.tolist() == pytest.approx([689.0, 689.3, 689.6, 689.9, 690.2, 690.5], abs=1e-9)
    assert scan.values.tolist() == pytest.approx([0.55, 0.54, 0.53, 0.52, 0.51, 0.50], abs=1e-12)
    assert any("descending" in note for note in scan.notes)


def test_linked_blocks_are_spectra_of_their_own():
    one = jcamp_text([30, 40, 50], first_x=400, last_x=500, title="first")
    two = jcamp_text([31, 42, 53, 60], first_x=410, last_x=510, title="second", form="SQZ")
    link = f"##TITLE= both\n##JCAMP-DX= 4.24\n##DATA TYPE= LINK\n##BLOCKS= 7\n{one}{two}##END=\n"
    scans = read(link)
    assert [scan.scan_id for scan in scans] == ["first", "second"]
    assert [scan.values.size for scan in scans] == [3, 4]
    assert any("##BLOCKS=7 but 2 blocks" in note for note in scans[0].notes)
    same = link.replace("second", "first")
    assert [scan.scan_id for scan in read(same)] == ["a.jdx#1", "a.jdx#2"]


@pytest.mark.parametrize("line", ["400,0.1; 450,0.2; 500,0.4", "400 0.1 450 0.2 500 0.4", "400,0.1 450,0.2\n500,0.4"])
def test_pairs(line):
    head = HEADER.format(f=1, a=400, b=500, n=3, y=0.1)
    [scan] = read(f"{head}##XYPOINTS= (XY..XY)\n{line}\n##END=\n")
    assert scan.wavelength_nm.tolist() == [400, 450, 500] and scan.values.tolist() == [0.1, 0.2, 0.4]
    with pytest.raises(ScanFileError, match="where pairs are expected"):
        decode_pairs([(1, "400 0.1 450")], decimal_comma=False)


@pytest.mark.parametrize(("unit", "first", "last"), [("1/CM", 25000.0, 15000.0), ("MICROMETERS", 0.4, 0.7)])
def test_other_x_units(unit, first, last):
    [scan] = read(jcamp_text([100, 200, 300, 400], first_x=first, last_x=last, x_units=unit, x_digits=4))
    x = np.linspace(first, last, 4)
    nm = 1e7 / x if unit == "1/CM" else x * 1000
    assert np.allclose(scan.wavelength_nm, np.sort(nm), rtol=1e-12)


def test_absorbance_stays_absorbance_until_asked():
    [scan] = read(jcamp_text([1000, 301, 0], first_x=400, last_x=600, y_units="ABSORBANCE"))
    assert scan.quantity == "absorbance" and scan.values.tolist() == [1.0, 0.301, 0.0]
    assert scan.as_reflectance().values.tolist() == pytest.approx([0.1, 10**-0.301, 1.0], abs=1e-12)


Y = [62, 118, 247, 435, 561, 612, 630, 640, 641, 650, 655]


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda t: t[: t.index("##END")], "no ##END"),
        (lambda t: t[: t.index("435") + 2], "truncated: 11 points declared, 4 found"),
        (lambda t: t.replace("NPOINTS= 11", "NPOINTS= 12"), "12 points declared, 11 found"),
        (lambda t: t.replace("NPOINTS= 11", "NPOINTS= 10"), "10 points declared, 11 found"),
        (lambda t: t.replace("YFACTOR= 0.001", "YFACTOR= 0.01"), "FIRSTY"),
        (lambda t: t.replace("##YFACTOR", "#YFACTOR"), "lost a mark"),
        (lambda t: t.replace("##FIRSTX=", "##FIRSTX"), "lost a mark"),
        (lambda t: t.replace("LASTX= 500.0000", "LASTX= 5000000"), "DELTAX"),
        (lambda t: t.replace("DELTAX= 10.000000", "DELTAX= 11.000000"), "DELTAX"),
        (lambda t: t.replace("FIRSTX= 400.0000", "FIRSTX= 4OO"), "is no number"),
        (lambda t: t.replace("480.00", "460.00"), "x check failed"),
        (lambda t: t.replace("247", "24x7"), "is no ordinate"),
        (lambda t: t.replace(" 655\n", " 955\n"), "MAXY"),
        (lambda t: t.replace("(X++(Y..Y))", "(XA++)"), "form"),
        (lambda t: t.replace("##TITLE= one\n", ""), "before any ##TITLE"),
        (lambda t: t.replace("##LASTX= 500.0000\n", "").replace("##DELTAX= 10.000000\n", ""), "needed to place"),
        (lambda t: t.replace("##XYDATA= (X++(Y..Y))", "##PEAK TABLE= (XY..XY)"), "no spectrum of one beer"),
        (lambda t: t.replace("XUNITS= NANOMETERS", "XUNITS= 1/CM"), "expected 150-3500 nm"),
        (lambda t: t.replace("##OWNER", "##FIRSTX= 390\n##OWNER"), "stands twice"),
        (lambda t: t.replace("400.00 62", "62"), "truncated: 11 points declared, 10 found"),
    ],
)  # fmt: skip
def test_damage_is_refused_by_name(change, match):
    text = jcamp_text(Y, first_x=400, last_x=500)
    assert read(text)[0].values.size == 11
    damaged = change(text)
    assert damaged != text
    with pytest.raises(ScanFileError, match=match):
        read(damaged)


def test_failed_y_check_names_the_line():
    text = jcamp_text(list(range(100, 140)), first_x=400, last_x=790, form="DIF")
    lines = text.split("\n")
    k = next(i for i, line in enumerate(lines) if line.startswith("480.00"))
    lines[k] = lines[k].replace("A08", "A07", 1)
    with pytest.raises(ScanFileError, match=rf"line {k + 1}: y check failed: the line before ends at 108, .* with 107"):
        read("\n".join(lines))


def test_forms_of_drawn_ordinates():
    rng = np.random.default_rng(11)
    for _ in range(80):
        size = int(rng.integers(5, 60))
        y = np.repeat(rng.integers(-20, 600, size), rng.integers(1, 14, size))[: 40 + size].tolist()
        y[0] = abs(y[0])
        for form in FORMS:
            text = jcamp_text(
                y, first_x=400, last_x=400.0 + 2 * (len(y) - 1), form=form, per_line=int(rng.integers(2, 25))
            )
            [scan] = read(text)
            assert np.allclose(scan.values, np.array(y) * 0.001, rtol=0, atol=1e-12), (form, y)


def test_ordinates_that_all_begin_with_five():
    """Squeezed, each of them begins with an E, the only pseudo-digit that is a power of ten in plain numbers."""
    y = [500 + k for k in range(20)]
    [scan] = read(jcamp_text(y, first_x=400, last_x=590, form="SQZ"))
    assert scan.values.tolist() == pytest.approx([v / 1000 for v in y], abs=1e-12)


def test_an_e_that_may_be_a_digit_or_a_power():
    head = HEADER.format(f="1", a=400, b=410, n=2, y=0.2).replace("##NPOINTS= 2\n", "##DELTAX= 10\n")
    text = head.replace("##FIRSTY= 0.2\n", "") + "##XYDATA= (X++(Y..Y))\n400 2E2 3E2\n##END=\n"
    with pytest.raises((AmbiguousScanFileError, ScanFileError), match="power of ten or a packed digit"):
        read(text)


def test_an_axis_of_time_is_refused_also_where_all_points_stand_on_one_line():
    header = HEADER.format(f="0.01", a=400, b=440, n=5, y=0.2)
    text = header + "##XYDATA= (X++(Y..Y))\n400 20 21 22 23 24\n##END=\n"
    assert read(text)[0].wavelength_nm[-1] == 440.0
    with pytest.raises(ScanFileError, match="headed 'SECONDS', expected wavelengths"):
        read(text.replace("NANOMETERS", "SECONDS"))
