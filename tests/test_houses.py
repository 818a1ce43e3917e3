"""The family of invented houses that benchmarks are shown on: reproducible, sane, and read by the library as it is."""

import ast
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from some_of import some_of

import specmatch as sm

pytest.importorskip("benchmarks.houses", reason="the benchmarks are not installed with the package")

from benchmarks.houses import SHOWN, TUNING, Fault, House, drawn_house, members, spec_of  # noqa: E402
from benchmarks.houses.blends import WATER, draw_blends
from benchmarks.houses.cups import CupSpec, depth_cm, seen, water  # noqa: E402
from benchmarks.houses.faults import KINDS  # noqa: E402
from benchmarks.houses.figures import figures  # noqa: E402
from benchmarks.houses.liquids import EBC_PER_ABSORBANCE, absorption_per_cm, brew  # noqa: E402
from benchmarks.houses.modules import FINE_NM, Module  # noqa: E402
from benchmarks.houses.planted import audit_figures, fault_figures, name_figures  # noqa: E402

ROOM = Path(__file__).parents[1] / "benchmarks" / "houses"


@pytest.fixture(scope="module")
def house():
    return House(members()["mirror_row"], seed=3)


def test_half_of_the_members_set_thresholds_and_the_others_show_figures():
    assert set(TUNING) | set(SHOWN) == set(members()) and not set(TUNING) & set(SHOWN)
    assert len(TUNING) == len(SHOWN) == 7


def test_nothing_but_public_names_of_the_library_is_used():
    """Physics taken from the library would be judged by itself."""
    for file in ROOM.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            named = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            named += [node.module] if isinstance(node, ast.ImportFrom) else []
            assert not [name for name in named if name.startswith("specmatch.")], file.name


@pytest.mark.parametrize("name", some_of(4, [*SHOWN, *TUNING]))
def test_every_member_draws_tables_that_make_a_reference_set(name):
    house = House(members()[name], seed=1)
    drawn = house.draw()
    refs = sm.ReferenceSet(drawn.spectra, drawn.scans, drawn.batches, colour_unit="EBC", band_nm=drawn.band_nm)
    assert refs.spectra.shape == drawn.spectra.shape and refs.left_out.empty
    assert list(drawn.truth.index) == list(drawn.scans.index) == list(drawn.spectra.index)
    assert set(drawn.batches["beer"]) == set(house.beers)
    least, most = members()[name].cellar.batches
    assert drawn.batches["beer"].value_counts().between(least, most).all()
    fewest, pours = members()[name].cellar.pours
    assert drawn.scans["batch"].value_counts().between(fewest, pours).all()
    # true colours lie where the member says, a season and four standard deviations of a batch aside
    low, high = members()[name].liquid.low_ebc, members()[name].liquid.high_ebc
    assert drawn.truth["colour"].between(low / 2.0, high * 2.0).all()


@pytest.mark.parametrize("seed", some_of(2, range(5)))
def test_a_drawn_house_lies_within_the_family_and_makes_a_reference_set(seed):
    spec, own = drawn_house(seed), list(members().values())
    assert spec == drawn_house(seed) == spec_of(f"drawn_{seed}")
    assert spec.liquid != drawn_house(seed + 1).liquid
    for part in ("cup", "module", "cellar", "liquid"):
        for name, value in vars(getattr(spec, part)).items():
            spans = [getattr(getattr(member, part), name) for member in own]
            if isinstance(value, float) and np.isfinite(value):
                # a thousandth for what is rounded
                assert min(spans) * 0.999 <= value <= max(spans) * 1.001, (part, name, value)
    drawn = House(spec).draw()
    refs = sm.ReferenceSet(drawn.spectra, drawn.scans, drawn.batches, colour_unit="EBC", band_nm=drawn.band_nm)
    assert refs.left_out.empty and set(drawn.batches["beer"]) == set(House(spec).beers)


def test_a_house_that_there_is_not_is_refused():
    with pytest.raises(ValueError, match="got 'white_bow', expected drawn_<number> or one of mirror_row"):
        spec_of("white_bow")


def test_the_same_seed_and_draw_give_the_same_scans_and_others_do_not(house):
    first, again = house.draw(2), House(members()["mirror_row"], seed=3).draw(2)
    assert first.spectra.equals(again.spectra) and first.scans.equals(again.scans)
    assert first.batches.equals(again.batches) and first.truth.equals(again.truth)
    assert not np.allclose(first.spectra, house.draw(2, 1).spectra, atol=1e-3)
    assert not np.allclose(first.spectra, House(members()["mirror_row"], seed=4).draw(2).spectra, atol=1e-3)


def test_a_hundred_batches_are_drawn_in_less_than_a_second():
    house = House(replace(members()["white_bowl"], name="speed"), seed=0)
    started = time.process_time()
    assert len(house.draw(10, pours=3).spectra) == 300
    # 0.1 s where it was written; the bound leaves room for a slow and busy machine
    assert time.process_time() - started < 2.0


@pytest.mark.parametrize("gloss", [0.0, 0.5, 1.0])
def test_water_gives_one_and_more_liquid_gives_less(gloss):
    cup = CupSpec(gloss=gloss)
    none = np.zeros((4, FINE_NM.size))
    depth = np.array([0.3, 0.6, 1.2, 2.4])
    assert np.allclose(seen(cup, FINE_NM, none, none, depth) / water(cup, FINE_NM), 1.0, rtol=1e-12)
    back = seen(cup, FINE_NM, none + 0.8, none, depth)
    assert (np.diff(back, axis=0) < 0.0).all() and (back > cup.glare).all()
    # haze in a beer that absorbs everything below its top returns less than haze in a clear one
    hazy = [seen(cup, FINE_NM, none + k, none + 0.3, depth) - seen(cup, FINE_NM, none + k, none, depth) for k in (0, 9)]
    assert (hazy[1] > 0.0).all() and (hazy[1] < np.abs(hazy[0])).all()


def test_a_mirror_obeys_the_law_of_the_double_path():
    cup = CupSpec(gloss=1.0, glare=0.0)
    k = np.full((1, FINE_NM.size), 1.3)
    R = seen(cup, FINE_NM, k, np.zeros_like(k), np.array([0.8])) / water(cup, FINE_NM)
    # Beer-Lambert over twice the depth; 2 % of the surface's own repeated reflection is left out of the formula
    assert np.allclose(R, np.exp(-2.0 * 1.3 * 0.8), rtol=0.03)
    assert np.isclose(depth_cm(40.0, 10.0), 0.7958, atol=1e-4)  # 10 mL over pi x 2 cm x 2 cm


def test_colour_is_25_times_the_absorbance_at_430(house):
    rng = np.random.default_rng(0)
    brews = brew(house.spec.liquid, house.recipes, np.arange(12), np.zeros(12), rng)
    A = absorption_per_cm(brews, house.palette)[:, FINE_NM == 430.0].ravel() / np.log(10.0)
    assert np.allclose(EBC_PER_ABSORBANCE * A, brews.colour, rtol=1e-9)


def test_zero_absorbance_measures_as_one(house):
    """Water poured as beer, through lamp, slit, stray light and noise."""
    module = Module(house.spec.module, np.random.default_rng(0))
    light = module.light(module.lamp * water(house.spec.cup, FINE_NM), np.zeros(1))
    counts = [module.counts(30000.0 * light / light.max(), np.random.default_rng(k)) for k in (1, 2)]
    dark = module.counts(0.0 * light, np.random.default_rng(3))
    bright = light[0] > 0.1 * light.max()
    # shot noise of 3,000 counts at 4 electrons a count, 8 averages, twice: sd 0.5 %
    assert np.allclose(((counts[0] - dark) / (counts[1] - dark))[0, bright], 1.0, atol=0.025)


def test_a_deeper_cup_and_a_darker_beer_are_darker(house):
    usual, deep, narrow = house.draw(2), house.draw(2, fill_ml=15.0), house.draw(2, cup_mm=30.0)
    for other in (deep, narrow):
        assert (other.truth["depth_mm"] > usual.truth["depth_mm"]).all()
        assert (other.spectra.iloc[:, 100] < usual.spectra.iloc[:, 100]).all()
    at_one = usual.spectra.iloc[:, 100].groupby(usual.truth["beer"]).mean().loc[list(house.beers)]
    assert at_one.iloc[0] > at_one.iloc[5] > at_one.iloc[11]


def test_foreign_beers_differ_and_lie_where_asked(house):
    own = house.draw(6)
    near = house.draw(50, foreign_over_colours=True)
    wide = house.draw(50, foreign=True)
    for drawn in (near, wide):
        assert not set(drawn.batches["beer"]) & set(house.beers)
        assert drawn.batches["beer"].is_unique and len(drawn.batches) == 50
    colours, own_colours = near.true_colour.to_numpy(), own.true_colour.to_numpy()
    assert own_colours.min() / 1.3 < colours.min() and colours.max() < own_colours.max() * 1.3
    # a foreign beer of a house beer's colour has another shape: further off than that beer's batches from each other
    channels = own.spectra.columns[(own.spectra.columns > 470) & (own.spectra.columns < 650)]
    X = np.log(own.spectra[channels].groupby(own.scans["batch"]).mean().clip(lower=1e-3))
    F = np.log(near.spectra[channels].groupby(near.scans["batch"]).mean().clip(lower=1e-3))
    beer = own.batches.loc[X.index, "beer"].to_numpy()
    to_own = np.linalg.norm(X.to_numpy()[:, None] - X.to_numpy(), axis=2) + 1e9 * np.eye(len(X))
    inside = np.where(beer[:, None] == beer, to_own, np.inf).min(axis=1)
    outside = np.linalg.norm(F.to_numpy()[:, None] - X.to_numpy(), axis=2).min(axis=1)
    assert np.median(outside) > 2.0 * np.median(inside)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_a_fault_changes_the_pours_that_it_is_planted_in_and_no_other(house, kind):
    clean, spoilt = house.draw(1), house.draw(1, faults=Fault(kind, 0.1))
    changed = (clean.spectra - spoilt.spectra).abs().max(axis=1) > 0.0
    assert changed.equals(spoilt.truth["fault"] == kind) and changed.sum() == len(clean.batches)
    assert (spoilt.truth.loc[changed, "fault_size"] == 0.1).all()
    every = house.draw(1, faults=(Fault(kind, 0.1, pours="all"),)).truth["fault"]
    assert (every == kind).all()
    if kind in ("path", "haze"):
        assert (spoilt.spectra.iloc[:, 120] < clean.spectra.iloc[:, 120])[changed].mean() > 0.9
    if kind in ("ambient", "foam"):
        assert (spoilt.spectra.iloc[:, 60] > clean.spectra.iloc[:, 60])[changed].mean() > 0.9


def test_faults_labs_pours_beers_and_sessions_as_asked():
    house = House(members()["two_labs"], seed=1)
    two = house.draw(4, faults=(Fault("path", 0.2), Fault("lamp", -0.1)), pours=2, lab="lab B", beers=house.beers[:3])
    assert set(two.truth["fault"]) == {"", "path", "lamp"} and set(two.batches["lab"]) == {"lab B"}
    assert (two.scans["batch"].value_counts() == 2).all() and set(two.batches["beer"]) == set(house.beers[:3])
    assert two.batches["colour"].div(two.true_colour).mean() == pytest.approx(1.06, abs=0.05)
    own = house.draw(4, single_session_per_beer=True)
    assert own.scans["session"].nunique() == len(house.beers)
    assert (own.scans["session"].groupby(own.truth["beer"]).nunique() == 1).all()


@pytest.mark.parametrize("module", ["mild_second", "harsh_second", "harsher_second"])
def test_another_module_sees_the_same_batches_otherwise(house, module):
    first, second = house.draw(2), house.draw(2, module=module)
    assert first.batches.equals(second.batches) and first.truth.equals(second.truth)
    assert set(first.scans["instrument"]).isdisjoint(second.scans["instrument"])
    assert np.abs(first.spectra.to_numpy() - second.spectra.to_numpy())[:, 60:150].max() > 0.002


def test_what_cannot_be_drawn_is_refused(house):
    with pytest.raises(ValueError, match="lab: got 'lab Z', expected one of lab A"):
        house.draw(1, lab="lab Z")
    with pytest.raises(ValueError, match="lamp: got 'candle'"):
        house.draw(1, lamp="candle")
    with pytest.raises(ValueError, match="module: got 'third'"):
        house.draw(1, module="third")
    with pytest.raises(ValueError, match="beers: got Nobody's"):
        house.draw(1, beers=["Nobody's"])
    with pytest.raises(ValueError, match="kind: got 'fire'"):
        Fault("fire", 1.0)
    with pytest.raises(ValueError, match="pours: got 'some'"):
        Fault("path", 1.0, pours="some")
    with pytest.raises(ValueError, match="draw: got -1"):
        house.draw(1, -1)


def test_means_and_covariances_are_those_of_new_batches(house):
    moments = house.true_means_and_covariances(60)
    drawn = house.draw(40, 1)
    means = moments.features(drawn.spectra.groupby(drawn.scans["batch"], sort=False).mean().to_numpy())
    beer = drawn.batches["beer"].to_numpy()
    for k in (0, 11):
        off = means[beer == house.beers[k]].mean(axis=0) - moments.means[k]
        sd = np.sqrt(np.diag(moments.covariances[k]))
        # two means, of 60 and of 40 batches: five standard errors
        assert (np.abs(off) < 5.0 * sd * np.sqrt(1 / 60 + 1 / 40)).all()


def test_a_folder_written_is_measured_back(house, tmp_path):
    # three references and more: with one or two, the pixels' own pattern counts as noise, and the band comes out narrow
    drawn = house.write_folder(tmp_path / "year", n_batches=3)
    session = sm.measure(tmp_path / "year")
    assert session.left_out.empty
    measured = session.spectra.loc[drawn.spectra.index]
    # counts are written to a tenth, as they were drawn: nothing is lost but the last bits of a quotient
    assert np.allclose(measured, drawn.spectra, atol=1e-9)
    assert np.allclose(measured.columns.to_numpy(float), drawn.spectra.columns.to_numpy(float))
    assert session.batches.loc[drawn.batches.index, "colour"].astype(float).equals(drawn.batches["colour"])
    assert session.band_nm == pytest.approx(drawn.band_nm, abs=5.0)


@pytest.mark.whole
@pytest.mark.slow
def test_colour_carries_over_to_two_members_that_nothing_was_tuned_on(full_size):
    """No claim about every figure: what holds today in two shown members, so that a change that breaks it is seen."""
    for name in ("four_taps", "night_cellar"):
        for seed in range(4) if full_size else range(1):
            got = figures(members()[name], seed)
            assert got["error_over_pls"] < 0.8 and got["nearest_right"] > 0.9
            # 90 % nominal; one fitted model on few batches covers 0.75 to 0.99
            assert 0.75 <= got["coverage"] <= 0.99


@pytest.mark.whole
@pytest.mark.slow
def test_planted_faults_are_named_and_clean_samples_are_not(full_size):
    for name in (*TUNING, *SHOWN) if full_size else ("long_ladder",):
        rows = pd.DataFrame(fault_figures(members()[name], seed=2))
        clean = rows[rows["fault"] == "clean"]
        # 5 % of 128 samples is 6.4; 16 or more have a chance of one in a thousand
        assert clean["named"].sum() <= 0.125 * clean["n"].sum(), name
        sure = rows[rows["fault"].isin(["path_long", "path_short"])]
        assert sure["named"].sum() >= 0.5 * sure["n"].sum(), name


@pytest.mark.whole
@pytest.mark.slow
def test_an_audit_finds_planted_pours_and_little_in_a_clean_set(full_size):
    false = []
    for name in (*TUNING, *SHOWN) if full_size else ("long_ladder",):
        rows = pd.DataFrame(audit_figures(members()[name], seed=2)).set_index("planted")
        false.append(rows.at["clean", "found"])
        if "path +20 %" in rows.index:
            assert rows.at["path +20 %", "found"] >= 0.6 * rows.at["path +20 %", "n"], name
        assert rows.at["mislabelled", "found"] >= 0.6 * rows.at["mislabelled", "n"], name
    assert np.mean(false) <= 3.0


@pytest.mark.whole
@pytest.mark.slow
def test_one_pour_has_one_name_wherever_it_is_shown():
    rows = pd.DataFrame(name_figures(members()["white_bowl"], seed=3))
    spoken = rows[(rows[["measure", "audit", "read"]] != "").all(axis=1)]
    assert len(spoken) >= 0.7 * len(rows)
    same = (spoken["measure"] == spoken["audit"]) & (spoken["audit"] == spoken["read"])
    assert same.mean() >= 0.8


def test_blends_go_from_the_beer_to_the_other_liquid():
    house = House(members()["white_bowl"], seed=2)
    fractions = np.array([[0.0, 0.3, 1.0]])
    drawn = draw_blends(house, before=WATER, after=house.beers[5], fractions=fractions, draw=1, pours=2)
    means = drawn.spectra.groupby(drawn.scans["sample"], sort=False).mean().to_numpy()
    assert drawn.truth["fraction"].tolist() == [0.0, 0.0, 0.3, 0.3, 1.0, 1.0]
    inside = (drawn.spectra.columns >= drawn.band_nm[0]) & (drawn.spectra.columns <= drawn.band_nm[1])
    # foam, lamp and noise of two pours move water by less than a tenth
    assert np.abs(means[2, inside] - 1.0).max() < 0.1
    blue = means[:, inside][:, :20].mean(axis=1)
    assert blue[0] < blue[1] < blue[2]
