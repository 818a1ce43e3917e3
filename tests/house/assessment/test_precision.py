"""What a gauge study tells of the method, for every layout that a lab may hand over.

z-scores and En numbers against published ones, and the robust mean against another library.
"""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.errors import OptionError, TableError, TooFewBatchesError
from specmatch.maths.statistics.robust import algorithm_a


@pytest.fixture(scope="module")
def study(small_house):
    """Six batches poured twice by each of three operators; the operator's hand changes the path."""
    house, new = small_house
    batches = list(new.batches.index[::2][:6])
    first = new.scans[new.scans["batch"].isin(batches)].groupby("batch", sort=False).head(1)
    rng = np.random.default_rng(3)
    hand = {"Ann": 0.0, "Bo": 0.03, "Cy": -0.03}
    spectra, rows = [], []
    for scan_id, row in first.iterrows():
        for operator, size in hand.items():
            for k in range(2):
                path = 1.0 + size + 0.01 * rng.standard_normal()
                values = np.clip(new.spectra.loc[scan_id], 1e-4, None) ** path
                name = f"{row['batch']}-{operator}-{k}"
                spectra.append(values.rename(name))
                rows.append({"pour": name, "sample": row["batch"], "batch": row["batch"], "operator": operator})
    table = pd.DataFrame(spectra)
    scans = pd.DataFrame(rows, index=pd.Index(table.index, name="scan_id"))
    return house, SimpleNamespace(spectra=table, scans=scans, batches=new.batches, claims=pd.Series(dtype=object))


def part(session, keep):
    return SimpleNamespace(
        spectra=session.spectra[keep], scans=session.scans[keep], batches=session.batches, claims=session.claims
    )


def test_operators_are_told_from_pours(study):
    house, session = study
    found = sm.gauge(house, session, tolerance=2.0)
    assert found.layout == "crossed" and found.factors == ("batch", "operator")
    assert list(found.components.index) == ["batch", "operator", "batch x operator", "pours"]
    sd = found.precision["sd"]
    # a path off by 3 % is a colour off by about 3 %: planted 3 % between operators, 1 % between pours
    assert 0.015 < sd["conditions"] < 0.05 and 0.005 < sd["repeatability"] < 0.015
    np.testing.assert_allclose(sd["reproducibility"], np.hypot(sd["conditions"], sd["repeatability"]), rtol=0.02)
    assert (found.precision["sd_low"] < sd).all() and (sd < found.precision["sd_high"]).all()
    assert found.figures["three_pours_sd"] < sd["reproducibility"]
    beers = found.beers
    np.testing.assert_allclose(beers["tolerance_share"], 6 / 2.8 * beers["R"] / 2.0, rtol=1e-9)
    np.testing.assert_allclose(found.components["share"].sum(), 1.0)
    assert len(found.readings) == 36 and found.left_out.empty


def test_equal_to_the_analysis_of_log_colour_by_hand(study):
    from specmatch.maths.statistics.variance_components import crossed_layout

    house, session = study
    found = sm.gauge(house, session)
    alone = house.read(session.spectra, scans=session.scans.assign(sample=session.scans["pour"]))
    codes = [pd.factorize(session.scans[name])[0] for name in ("batch", "operator")]
    by_hand = crossed_layout(np.log(alone["colour"].astype(float)), codes)
    np.testing.assert_allclose(found.components["sd"], np.sqrt(by_hand.variance), rtol=1e-12)


def test_pours_alone_say_what_they_do_not_tell(study):
    house, session = study
    found = sm.gauge(house, part(session, (session.scans["operator"] == "Ann").to_numpy()))
    assert found.factors == ("batch",) and "repeatability only" in " ".join(found.sentences)
    assert found.precision.loc["conditions", "sd"] == 0.0


def test_each_operator_with_batches_of_their_own_is_nested(study):
    house, session = study
    number = pd.factorize(session.scans["batch"])[0]
    own = pd.factorize(session.scans["operator"])[0] == number % 3
    found = sm.gauge(house, part(session, own))
    assert found.layout == "nested" and list(found.components.index) == ["pours"]
    assert np.isnan(found.precision.loc["reproducibility", "sd"])
    assert any("batches do not cross the conditions" in sentence for sentence in found.sentences)


def test_a_batch_missed_by_one_operator_is_left_out_and_named(study):
    house, session = study
    missing = session.scans["batch"].iloc[0]
    keep = ~((session.scans["batch"] == missing) & (session.scans["operator"] == "Bo")).to_numpy()
    found = sm.gauge(house, part(session, keep))
    assert found.layout == "partly crossed" and missing in found.sentences[0]


def test_conditions_that_change_together_are_one(study):
    house, session = study
    scans = session.scans.assign(session=session.scans["operator"].map({"Ann": "D1", "Bo": "D2", "Cy": "D3"}))
    found = sm.gauge(house, SimpleNamespace(**{**vars(session), "scans": scans}))
    assert found.factors == ("batch", "operator")
    assert "operator and session change together" in found.sentences[0]


def test_one_batch_by_several_operators_is_the_study_of_one_material(study):
    house, session = study
    one = (session.scans["batch"] == session.scans["batch"].iloc[0]).to_numpy()
    found = sm.gauge(house, part(session, one))
    assert found.factors == ("operator",) and np.isfinite(found.precision.loc["conditions", "sd"])


def test_one_pour_a_cell_says_so(study):
    house, session = study
    found = sm.gauge(house, part(session, session.scans["pour"].str.endswith("-0").to_numpy()))
    assert any(s.startswith("one pour a cell") for s in found.sentences)
    # what pours and interaction add together has (6 - 1) (3 - 1) degrees of freedom, and is no zero
    assert list(found.components.index) == ["batch", "operator", "pours"] and found.components.loc["pours", "df"] == 10
    assert found.precision.loc["repeatability", "sd"] == found.components.loc["pours", "sd"] > 0.003
    assert found.precision.loc["reproducibility", "sd"] > found.precision.loc["conditions", "sd"] > 0.01


def test_bad_input_is_refused_with_the_way_out(study):
    house, session = study
    with pytest.raises(TableError, match="got a str 'monday/'; expected a Session, as measure"):
        sm.gauge(house, "monday/")
    with pytest.raises(OptionError, match="tolerance is 0.0; expected the whole width"):
        sm.gauge(house, session, tolerance=0.0)
    once = ~session.scans["batch"].duplicated().to_numpy()
    with pytest.raises(TableError, match="no batch was poured twice"):
        sm.gauge(house, part(session, once))
    scans = session.scans.copy()
    scans.iloc[0, scans.columns.get_loc("operator")] = ""
    with pytest.raises(TableError, match="operator is blank in some rows"):
        sm.gauge(house, SimpleNamespace(**{**vars(session), "scans": scans}))


def test_one_batch_poured_again_is_repeatability_and_a_hand_is_one_in_any_case(study):
    house, session = study
    first = (session.scans["batch"] == session.scans["batch"].iloc[0]) & (session.scans["operator"] == "Ann")
    found = sm.gauge(house, part(session, first.to_numpy()))
    assert "one batch under one condition: this study tells repeatability only" in found.sentences
    written = session.scans.assign(
        operator=[n.upper() if k % 2 else n for k, n in enumerate(session.scans["operator"])]
    )
    same = sm.gauge(house, SimpleNamespace(**{**vars(session), "scans": written}))
    pd.testing.assert_frame_equal(same.components, sm.gauge(house, session).components)


def test_two_conditions_cross_although_one_batch_missed_a_cell(study):
    house, session = study
    days = np.where(session.scans["pour"].str.endswith("0"), "day 1", "day 2")
    scans = session.scans.assign(session=days)
    missed = scans.index != scans.index[0]
    found = sm.gauge(house, part(SimpleNamespace(**{**vars(session), "scans": scans}), missed))
    assert found.factors == ("batch", "operator", "session") and found.layout == "partly crossed"
    assert (
        f"not measured under every operator and session, so left out of the components: {scans['batch'].iloc[0]}"
        in (found.sentences)
    )


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
