"""Means from scans to pours to samples, and short gaps bridged."""

import numpy as np
import pandas as pd
import pytest

from specmatch.errors import WavelengthMismatchError
from specmatch.house.fitting.averaging import average, bridge_missing, refuse_wide_gaps

NM = np.arange(500.0, 560.0, 5.0)


def test_pours_weigh_alike_however_many_scans_they_have():
    reflectance = np.array([[0.1], [0.3], [0.8]])
    pours = average(reflectance, pd.Series(["p1", "p1", "p2"]))
    assert np.allclose(pours.reflectance, [[0.2], [0.8]])
    sample = average(pours.reflectance, pd.Series(["s", "s"]))
    assert np.allclose(sample.reflectance, [[0.5]])
    assert sample.counts.tolist() == [2]


def test_the_order_of_first_appearance_is_kept():
    got = average(np.array([[0.1], [0.2], [0.3]]), pd.Series(["z", "a", "z"]))
    assert list(got.names) == ["z", "a"]
    assert np.allclose(got.reflectance, [[0.2], [0.2]])
    assert got.codes.tolist() == [0, 1, 0]


def test_a_gap_of_one_slit_width_is_bridged_and_said():
    line = 0.001 * NM
    holed = line.copy()
    holed[[0, 5, 6]] = np.nan
    bridged = bridge_missing(np.stack([line, holed]), NM)
    got = bridged.reflectance
    assert bridged.lacking.tolist() == [False, True]
    assert bridged.wide is None
    assert np.allclose(got[1, 1:], line[1:])
    assert got[1, 0] == line[1]  # nothing lies beyond the edge: the nearest value stands there
    assert np.isnan(holed[5])


def test_a_wider_gap_is_refused_by_scan_and_range():
    rows = np.stack([0.001 * NM] * 3)
    rows[1, 4:9] = np.nan
    rows[2, :4] = np.nan
    bridged = bridge_missing(rows, NM)
    assert np.flatnonzero(bridged.wide[1]).tolist() == [4, 5, 6, 7, 8]
    assert np.flatnonzero(bridged.wide[2]).tolist() == [0, 1, 2, 3]
    with pytest.raises(WavelengthMismatchError, match="scan 'holed' has no values from 520.0 to 540.0 nm"):
        refuse_wide_gaps(bridged, NM, pd.Index(["whole", "holed", "cut"]))
