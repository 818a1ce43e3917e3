"""z-scores and En numbers against published ones, and the robust mean against another library."""

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.errors import OptionError, TableError, TooFewBatchesError
from specmatch.maths.statistics.robust import algorithm_a

# first batch of the gear data (NIST/SEMATECH e-Handbook, GEAR.DAT), whose scores the Dataplot reference manual prints
# under ISO 13528 ZSCORE, ZPRIME SCORE, ZETA SCORE and EN SCORE for an assigned value of 1
GEARS = [1.006, 0.996, 0.998, 1.000, 0.992, 0.993, 1.002, 0.999, 0.994, 1.000]
ALL_SD = 0.00628  # of the hundred gears; 0.006 / 0.955 as printed


def gears(assigned_sd: float) -> pd.DataFrame:
    results = pd.DataFrame(
        {
            "material": "gear",
            "participant": [f"lab {i}" for i in range(10)],
            "value": GEARS,
            "value_sd": np.std(GEARS, ddof=1),
        }
    )
    assigned = pd.DataFrame({"value": [1.0], "value_sd": [assigned_sd]}, index=["gear"])
    return sm.proficiency(results, assigned, relative_sd=ALL_SD)


def test_scores_in_print():
    # printed to three digits, the standard deviation known to three
    assert gears(0.0)["z"][:6].tolist() == pytest.approx([0.955, -0.637, -0.318, 0.0, -1.274, -1.114], abs=2e-3)
    found = gears(ALL_SD)
    assert found["zeta"][:5].tolist() == pytest.approx([0.785, -0.523, -0.261, 0.0, -1.047], abs=2e-3)
    assert found["en"][:4].tolist() == pytest.approx([0.393, -0.262, -0.131, 0.0], abs=1e-3)
    # with an assigned value so unsure both are in the denominator
    assert found["z"][0] == pytest.approx(0.006 / np.hypot(ALL_SD, ALL_SD))
    assert set(found["judged"]) == set(found["judged_en"]) == {"satisfactory"}


def test_the_robust_mean_is_hubers():
    huber = pytest.importorskip("statsmodels.robust.scale").Huber(c=1.5)
    values = np.random.default_rng(0).standard_t(3, 400)
    mean, spread = huber(values)
    # Algorithm A draws values in and takes its consistency from a rounded 1.134; the same fixed point otherwise
    assert algorithm_a(values) == pytest.approx((float(mean), float(spread)), abs=0.01)
    # a lab that is far off moves neither by more than its place among the ten
    assert algorithm_a(np.array([*GEARS[:9], 2.0]))[0] == pytest.approx(np.mean(GEARS), abs=0.003)
    assert algorithm_a(np.array([5.0, 5.0, 5.0, 5.0, 6.0])) == pytest.approx((5.2, np.std([5, 5, 5, 5, 6], ddof=1)))


def test_labs_among_themselves_and_what_is_refused():
    rng = np.random.default_rng(1)
    rows = [(m, f"lab {i}", 20.0 + rng.normal(0, 0.4) + 3.0 * (i == 6)) for m in ("A", "B") for i in range(7)]
    results = pd.DataFrame(rows, columns=["material", "participant", "value"])
    found = sm.proficiency(results)
    assert (found.loc[found["participant"] == "lab 6", "judged"] == "unsatisfactory").all()
    assert (found.loc[found["participant"] != "lab 6", "z"].abs() < 2.5).all()
    assert found["zeta"].isna().all() and (found["judged_en"] == "").all()
    with pytest.raises(TooFewBatchesError, match="'A' has 2 results"):
        sm.proficiency(results.groupby("material").head(2))
    with pytest.raises(OptionError, match="relative_sd is 0"):
        sm.proficiency(results, relative_sd=0)
    with pytest.raises(TableError, match="lacks value"):
        sm.proficiency(results.drop(columns="value"))
    with pytest.raises(TableError, match="no row for material 'B'"):
        sm.proficiency(results, pd.DataFrame({"value": [20.0]}, index=["A"]), relative_sd=0.04)
    with pytest.raises(TableError, match="row 3: a value is no number"):
        sm.proficiency(results.assign(value=[*results["value"][:3], "x", *results["value"][4:]]))
    with pytest.raises(OptionError, match="relative_sd is '4 %'"):
        sm.proficiency(results, relative_sd="4 %")
    with pytest.raises(TableError, match="participant 'lab 0' has two results of material 'A'"):
        sm.proficiency(results.replace({"participant": {"lab 1": "lab 0"}}))
    with pytest.raises(TableError, match="row 0: material is blank"):
        sm.proficiency(results.assign(material=[None, *results["material"][1:]]))
    with pytest.raises(TableError, match="assigned has a column or a material twice"):
        sm.proficiency(results, pd.DataFrame({"value": [20.0, 20.0]}, index=["A", "A"]), relative_sd=0.04)
    agreed = sm.proficiency(results.assign(value=20.0))  # no spread at all judges nobody
    assert agreed["z"].isna().all() and (agreed["judged"] == "").all()
    with pytest.raises(TableError, match="results is a list"):
        sm.proficiency([1.0])
