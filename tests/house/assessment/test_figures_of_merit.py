"""Figures of merit on tables: what is left out, what is refused, what the layout shows."""

import numpy as np
import pandas as pd
import pytest

from specmatch.errors import TableError
from specmatch.house.assessment.figures_of_merit import components_of_variance, figures_of_merit


def test_bias_and_sep_make_up_the_error():
    lab = pd.Series([7.0, 10.0, 14.0, 20.0, 31.0], index=list("abcde"))
    colour = pd.Series([31.8, 7.5, 10.2, 14.9, 20.1], index=list("eabcd"))
    found = figures_of_merit(lab, colour)
    assert (found["n"], found["bias"]) == (5, pytest.approx(0.5))
    assert found["sep"] == pytest.approx(0.353553, abs=1e-6)
    assert found["rmsep"] == pytest.approx(0.591608, abs=1e-6)
    assert found["rmsep"] ** 2 == pytest.approx(found["bias"] ** 2 + found["sep"] ** 2 * 4 / 5)


def test_batches_without_a_pair_are_left_out_and_few_give_no_figures():
    lab = pd.Series([7.0, np.nan, 14.0, 20.0], index=list("abcd"))
    colour = pd.Series([7.5, 10.2, 14.9, 20.2, 30.0], index=list("abcde"))
    assert figures_of_merit(lab, colour)["n"] == 3
    few = figures_of_merit(lab.iloc[:2], colour)
    assert few["n"] == 1 and np.isnan(few["sep"]) and np.isnan(few["relative_error"])


def layout(n_batches: int, n_pours: int, n_scans: int, seed: int = 0) -> tuple[pd.Series, pd.DataFrame, pd.Series]:
    rng = np.random.default_rng(seed)
    rows, values = [], []
    for b in range(n_batches):
        level = 2.0 + (b % 3) + rng.normal(0, 0.05)
        for p in range(n_pours):
            pour = level + rng.normal(0, 0.012)
            for s in range(n_scans):
                rows.append({"scan_id": f"{b}-{p}-{s}", "pour": f"{b}-{p}", "batch": f"B{b}"})
                values.append(pour + rng.normal(0, 0.004))
    scans = pd.DataFrame(rows).set_index("scan_id")
    beer = pd.Series({f"B{b}": f"beer {b % 3}" for b in range(n_batches)})
    return pd.Series(values, index=scans.index), scans, beer


def test_components_of_a_known_layout():
    values, scans, beer = layout(90, 3, 3)
    found = components_of_variance(values, scans, beer)["sd"]
    # sd of 87, 180 and 540 degrees of freedom: 8 %, 5 % and 3 %; three standard errors
    np.testing.assert_allclose(found, [0.05, 0.012, 0.004], rtol=0.24)
    table = components_of_variance(values, scans, beer)
    assert ((table["sd_low"] < table["sd"]) & (table["sd"] < table["sd_high"])).all()
    assert table["df"].tolist() == [87, 180, 540]
    # without the beers, what lies between them counts as between batches
    assert components_of_variance(values, scans)["sd"]["between_batch"] > 0.5


def test_a_layer_that_is_not_repeated_says_nothing():
    values, scans, beer = layout(12, 3, 1)
    found = components_of_variance(values, scans, beer)
    assert np.isnan(found.loc["between_scan", "sd"]) and found.loc["between_scan", "df"] == 0
    assert found.loc["between_pour", "sd"] > 0
    with pytest.raises(TableError, match="no row in the scans table"):
        components_of_variance(values, scans.iloc[1:])
