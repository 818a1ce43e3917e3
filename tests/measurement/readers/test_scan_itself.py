"""A `Scan` is checked when it is made, whoever makes it, and keeps its own arrays."""

from dataclasses import replace

import numpy as np
import pytest

from specmatch.errors import TableError
from specmatch.measurement.readers.files import read_scans
from specmatch.measurement.readers.scan import Scan

NM, VALUES = np.array([400.0, 500.0, 600.0]), np.array([0.3, np.nan, 0.6])


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"values": VALUES[:2]}, r"scan 'a': 2 values on 3 wavelengths"),
        ({"wavelength_nm": NM[None]}, r"scan 'a': .*one spectrum is expected"),
        ({"wavelength_nm": NM[::-1]}, r"wavelengths .* strictly increasing"),
        ({"wavelength_nm": np.array([400.0, np.nan, 600.0])}, r"wavelengths .* strictly increasing"),
        ({"wavelength_nm": NM[:0], "values": NM[:0]}, r"0 values on 0 wavelengths"),
        ({"values": np.array([0.3, np.inf, 0.6])}, r"scan 'a' holds inf at 500 nm; .* NaN where it is missing"),
        ({"values": np.array(["0.3", "x", "0.6"])}, r"scan 'a': wavelengths and values are numbers"),
        ({"quantity": "transmission"}, r"quantity 'transmission'; expected one of counts, reflectance"),
        ({"saturated": np.zeros(2, bool)}, r"saturated of 2 points on 3 wavelengths"),
    ],
)
def test_what_is_no_spectrum_is_refused(given, said):
    with pytest.raises(TableError, match=said):
        Scan(**{"scan_id": "a", "wavelength_nm": NM, "values": VALUES, **given})


def test_it_keeps_arrays_of_its_own():
    nm, values = NM.copy(), [1, 2, 3]
    scan = Scan("a", nm, values, "counts")
    nm[0] = 410.0  # still the caller's, and still writeable
    assert scan.wavelength_nm[0] == 400.0 and scan.values.dtype == np.float64
    assert not scan.wavelength_nm.flags.writeable and not scan.missing.any()
    assert Scan("a", NM, VALUES).missing.tolist() == [False, True, False]
    assert replace(scan, quantity="unknown").values is not values


def test_a_number_too_large_for_any_float_is_a_missing_value(tmp_path):
    lines = [f"{nm},{'1e309' if nm == 450 else 0.1}" for nm in range(400, 720, 10)]
    (tmp_path / "big.csv").write_text("\n".join(["wavelength_nm,absorbance", *lines]))
    (scan,) = read_scans(tmp_path / "big.csv")
    assert scan.wavelength_nm[scan.missing].tolist() == scan.wavelength_nm[np.isnan(scan.values)].tolist() == [450.0]
