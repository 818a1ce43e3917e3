"""What speaks against a colour: another route, a beer whose A430 is not to be had, a path that nobody poured twice.

The uncertainty budget: its parts add up, halving does what the table says, and it foretells new batches.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from some_of import some_of

import specmatch as sm
from benchmarks.houses import SHOWN, House, members
from specmatch.demo.brewery import Brewery
from specmatch.errors import OptionError, SpecmatchError
from specmatch.house.reading.colour import _OF_CAUSE, ADVICE
from specmatch.maths.classification.sessions import USUAL_SD
from specmatch.maths.faults.normal_variation import CAUSES


def fitted(past, scans=None, spectra=None, batches=None):
    """Fit; unless told otherwise nothing is known of sessions."""
    refs = sm.ReferenceSet(
        past.spectra if spectra is None else spectra,
        past.scans.drop(columns="session") if scans is None else scans,
        past.batches if batches is None else batches,
    )
    return sm.HouseModel().fit(refs)


BEERS = Brewery.beers[::2]


@pytest.fixture(scope="module")
def past():
    return Brewery(seed=5).draw(5, beers=BEERS)


@pytest.fixture(scope="module")
def house(past):
    return fitted(past)


@pytest.fixture(scope="module")
def new():
    return Brewery(seed=5).draw(2, draw=1, beers=BEERS)


def test_good_samples_carry_no_caution(house, new):
    readings = house.read(new.spectra, scans=new.scans)
    codes = {code for cell in readings["warnings"] for code in cell}
    assert not codes & {"routes_disagree", "colour_not_fit"}
    assert (readings["interval_method"] == "jackknife+, spread of pours").all()


def test_cautions_travel_with_the_model(house, new, tmp_path):
    house.save(tmp_path / "m.model")
    loaded = sm.HouseModel.load(tmp_path / "m.model")
    assert loaded.fitted.cautions.optics.trusted_to == house.fitted.cautions.optics.trusted_to
    pd.testing.assert_frame_equal(loaded.read(new.spectra, scans=new.scans), house.read(new.spectra, scans=new.scans))


def test_a_cup_of_another_path_makes_the_routes_disagree(house, new):
    # path set in a wider cup than the one that is read from: every number of that route is too high by a third
    cautions = house.fitted.cautions
    other = replace(cautions, optics=replace(cautions.optics, path_cm=cautions.optics.path_cm / 1.33))
    moved = house.with_fitted(replace(house.fitted, cautions=other))
    readings = moved.read(new.spectra, scans=new.scans)
    disagree = readings["warnings"].map(lambda cell: "routes_disagree" in cell)
    unknown = readings["warnings"].map(lambda cell: "interval_not_covered" in cell)
    reached = readings["colour"].astype(float) <= cautions.optics.trusted_to
    assert disagree[reached & ~unknown].mean() > 0.8
    # what promises nothing cannot be denied
    assert not disagree[unknown].any()


@pytest.mark.whole
def test_a_cloudy_beer_keeps_its_identity_and_loses_its_colour(past, new):
    rng = np.random.default_rng(1)
    beer = past.batches["beer"] == "Saddle Pale"
    noise = np.where(beer, np.exp(rng.normal(0, 0.2, len(beer))), 1.0)
    model = fitted(past, batches=past.batches.assign(colour=past.batches["colour"] * noise))
    readings = model.read(new.spectra, scans=new.scans)
    named = readings[readings["plausible_beers"].map(lambda cell: cell == ("Saddle Pale",))]
    assert len(named) and named["warnings"].map(lambda cell: "colour_not_fit" in cell).all()
    others = readings[readings["nearest_beer"] != "Saddle Pale"]
    assert not others["warnings"].map(lambda cell: "colour_not_fit" in cell).any()


def test_pours_that_nobody_repeated_get_the_fill_tolerance(past, house, new):
    first = past.scans.drop(columns="session").groupby("sample").head(1)
    lone = fitted(past, scans=first, spectra=past.spectra.loc[first.index])
    readings = lone.read(new.spectra, scans=new.scans)
    assert (readings["interval_method"] == "jackknife+, fill tolerance added").all()
    plain = lone.fitted.colour.interval(new.spectra[lone.wavelengths_].to_numpy()[:5], 1, 0.90)
    alone = lone.read(new.spectra.iloc[:5])
    assert np.all(alone["colour_high"].to_numpy() > plain.high) and np.all(alone["colour_low"].to_numpy() < plain.low)
    np.testing.assert_allclose(alone["colour"].to_numpy(dtype=float), plain.colour, rtol=1e-6)
    # a set with separate pours knows their spread
    assert house.fitted.cautions.pours_shown and not lone.fitted.cautions.pours_shown


def sd_of_new_sessions(colour, base, draws=400):
    """Return the relative error of each beer's colour by an axis, a lamp, its tilt and a reference drawn anew."""
    nm = np.array(base.columns, float)
    rng = np.random.default_rng(4)
    tilt = (nm - nm.mean()) / 100.0
    out = []
    for row in base.to_numpy():
        axis, lamp, slope = rng.standard_normal((3, draws, 1)) * USUAL_SD[:, None, None]
        seen = row + axis * np.gradient(row, nm) + row * (lamp + slope * tilt)
        out.append(np.log(colour.predict(seen)).std())
    return np.array(out)


def test_beers_of_one_session_each_get_what_sessions_differ_by(past, house, new):
    own = past.scans.assign(session=past.scans["batch"].map(past.batches["beer"]))
    archive = fitted(past, scans=own)
    assert house.fitted.cautions.session_sd is None
    sd = archive.fitted.cautions.session_sd
    by_beer = past.spectra.groupby(past.scans["batch"].map(past.batches["beer"])).mean()
    drawn = sd_of_new_sessions(archive.fitted.colour, by_beer.loc[list(archive.beers_), archive.wavelengths_])
    # the missing share of beers of five batches is 2 / (1 + 1/5); 400 draws know an sd to 4 %, and the reference's own
    # noise, which is not drawn here, adds some more
    ratio = sd / (drawn * np.sqrt(2.0 / 1.2))
    assert np.all(ratio > 0.9) and np.median(ratio) < 1.5
    readings, plain = (model.read(new.spectra, scans=new.scans) for model in (archive, house))
    assert readings["interval_method"].str.endswith("few sessions added").all()
    np.testing.assert_allclose(readings["colour"], plain["colour"])
    wide, narrow = (np.log(each["colour_high"] / each["colour_low"]) for each in (readings, plain))
    assert (wide > narrow).all()


@pytest.mark.whole
@pytest.mark.slow
def test_colours_of_an_archive_are_covered_in_later_sessions(full_size, claim):
    spec = members()["own_day"]
    inside = []
    for seed in range(70, 86 if full_size else 73):
        house = House(spec, seed)
        past, new = house.draw(), house.draw(16, 1, single_session_per_beer=False)
        refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, band_nm=past.band_nm)
        readings = sm.HouseModel().fit(refs).read(new.spectra, scans=new.scans)
        lab = new.batches["colour"].set_axis([f"{name}-S1" for name in new.batches.index])[readings.index]
        inside += ((readings["colour_low"] <= lab) & (lab <= readings["colour_high"])).tolist()
    assert np.mean(inside) >= 0.87
    claim("archive_covered", np.mean(inside), len(inside))


@pytest.mark.whole
def test_batches_without_a_lab_value_serve_identity_only(past, new):
    blank = past.batches.copy()
    blank.loc[blank["beer"] == "Chalk Lager", "colour"] = np.nan
    model = fitted(past, batches=blank)
    assert model.fitted.colour.n_batches == 5 * (len(BEERS) - 1) and "Chalk Lager" in model.beers_
    readings = model.read(new.spectra, scans=new.scans)
    assert (readings["nearest_beer"] == "Chalk Lager").sum() >= 1


def worthless(readings, lowest, highest):
    """Colours that are missing, cut at zero, without limits, or known no better than the whole range of a set."""
    low, high = readings["colour_low"], readings["colour_high"]
    known = np.isfinite(readings["colour"]) & np.isfinite(high) & (low > 0.0) & (high - low < highest - lowest)
    return ~known.to_numpy(dtype=bool)


# what cannot be true of one scan together
EXCLUSIVE = ({"path_long", "path_short"}, {"unlike_any_beer", "ambiguous_beer"}, {"depth_unknown", "path_out_of_range"})


def random_spectra(past, kind, n, rng):
    """Random spectra; those between a beer of the set and noise look like a beer long after their colour is lost."""
    spectra = rng.uniform(0.0, 1.0, (n, past.spectra.shape[1]))
    if kind == "smooth":
        knots = rng.uniform(0.0, 1.0, (n, 5))
        across = np.linspace(0.0, 4.0, spectra.shape[1])
        spectra = np.array([np.interp(across, np.arange(5), row) for row in knots])
    if kind.startswith("between"):
        rows = past.spectra.to_numpy()[rng.integers(0, len(past.spectra), n)]
        spectra = rows + rng.uniform(0.0, 1.0, (n, 1)) ** 2 * (spectra - rows)
    return pd.DataFrame(spectra, index=[f"r{i}" for i in range(n)], columns=past.spectra.columns)


KINDS = ("between a beer and noise", "noise", "smooth")


def passed_though_lost(house, lab, spectra, claimed, scans=None):
    """Return how many claims passed on a lost colour, how many colours are lost, and how many of these look right."""
    readings = house.verify(spectra, claimed=claimed, scans=scans)
    lost = worthless(readings, lab.min(), lab.max())
    told = readings["warnings"].map(lambda codes: "colour_unknown" in codes).to_numpy(dtype=bool)
    assert (told == lost).all()
    assert not any(pair <= set(codes) for codes in readings["warnings"] for pair in EXCLUSIVE)
    typical = (readings["plausible_beers"].map(len) == 1).to_numpy()
    return int((readings["decision"][lost] == "consistent").sum()), int(lost.sum()), int((lost & typical).sum())


@pytest.mark.slow
@pytest.mark.parametrize("kind", some_of(1, KINDS))
def test_no_claim_passes_on_a_colour_that_nobody_knows(house, past, kind, full_size, whole, claim):
    n = 10_000 if full_size else 600 if whole else 250
    table = random_spectra(past, kind, n, np.random.default_rng(0))
    nearest = house.read(table)["nearest_beer"]
    passed, lost, _ = passed_though_lost(house, past.batches["colour"], table, nearest)
    assert 0 < lost < n and passed == 0
    claim("worthless_passed", passed / lost, lost)


@pytest.mark.slow
@pytest.mark.whole
def test_none_passes_in_the_family_though_it_is_the_beer(full_size, claim):
    """Of sets with three lab values: new batches that truly are what is claimed, of which only the colour is lost."""
    passed = lost = right = 0
    for name in SHOWN if full_size else ("four_taps",):
        drawn = House(members()[name], 7)
        past, new = drawn.draw(), drawn.draw(6, 1)
        lab = past.batches["colour"].astype(float)
        lab.iloc[np.random.default_rng(3).permutation(len(lab))[3:]] = np.nan
        refs = sm.ReferenceSet(
            past.spectra, past.scans, past.batches.assign(colour=lab), colour_unit="EBC", band_nm=past.band_nm
        )
        beer = new.scans.groupby("sample", sort=False)["batch"].first().map(new.batches["beer"])
        found = passed_though_lost(sm.HouseModel().fit(refs), lab, new.spectra, beer, new.scans)
        passed, lost, right = np.add((passed, lost, right), found)
    assert passed == 0 and right > 0
    claim("lost_passed", passed / lost, lost)


def test_a_set_without_lab_colours_passes_no_claim_and_says_why(past, new):
    nothing = fitted(past, batches=past.batches.assign(colour=np.nan))
    beer = new.scans.groupby("sample", sort=False)["batch"].first().map(new.batches["beer"])
    readings = nothing.verify(new.spectra, claimed=beer, scans=new.scans)
    assert readings["colour"].isna().all() and (readings["nearest_beer"] != "").all()
    assert readings["interval_method"].str.contains("too few lab colours").all()
    assert readings["warnings"].map(lambda codes: "colour_unknown" in codes).all()
    assert not (readings["decision"] == "consistent").any()
    assert readings["reason"].str.contains("the colour is missing, without limits").any()


def test_good_colours_are_known(house, new):
    readings = house.read(new.spectra, scans=new.scans)
    assert not readings["warnings"].map(lambda codes: "colour_unknown" in codes).any()


PARTS = ["fill", "lamp", "cup", "axis", "noise", "regression"]


@pytest.fixture(scope="module")
def table(small_house):
    return small_house[0].budget()


def test_variances_add_up_to_the_reading(small_house, table):
    for beer in small_house[0].beers_:
        sd, share = table.loc[beer, "sd"], table.loc[beer, "share"]
        np.testing.assert_allclose(sd["reading"] ** 2, np.sum(sd[PARTS] ** 2), rtol=1e-12)
        np.testing.assert_allclose(share[PARTS].sum(), 1.0)
        assert sd["new batches"] > sd["between batch"] > 0


def test_halving_a_component_does_what_the_table_says(small_house, table):
    for beer in small_house[0].beers_:
        rows = table.loc[beer]
        for part in PARTS:
            halved = rows["sd"][PARTS].copy()
            halved[part] /= 2.0
            np.testing.assert_allclose(rows.loc[part, "reading_sd_if_halved"], np.sqrt(np.sum(halved**2)), rtol=1e-9)


def test_four_pours_for_one_halve_the_fill(small_house):
    one, four = (small_house[0].budget(n_pours=n)["sd"].xs("fill", level="component") for n in (1, 4))
    np.testing.assert_allclose(four, one / 2.0, rtol=1e-9)


def test_a_stated_lab_is_told_apart_from_the_regression(small_house, table):
    stated = small_house[0].budget(lab_sd=0.1)
    np.testing.assert_allclose(
        stated["sd"].xs("reading", level="component"), table["sd"].xs("reading", level="component"), rtol=1e-12
    )
    rest = table["sd"].xs("regression", level="component") ** 2
    parts = stated["sd"].xs("regression", level="component") ** 2 + stated["sd"].xs("lab", level="component") ** 2
    np.testing.assert_allclose(parts, rest, rtol=1e-12)


def test_the_fill_planted_is_the_fill_found(small_house):
    """A pour 1 % deeper reads about 1 % darker: the slope of the fill is 1, and the brewery plants 1.0 to 1.5 %."""
    house, new = small_house
    deeper = np.clip(new.spectra, 1e-4, None)
    base, more = (house.read(table, scans=new.scans)["colour"].astype(float) for table in (deeper, deeper**1.01))
    slope = np.log(more / base) / np.log(1.01)
    assert 0.8 < slope.median() < 1.2
    fill = house.budget(n_pours=1)["sd"].xs("fill", level="component")
    assert 0.006 < fill.median() < 0.025


@pytest.mark.whole
@pytest.mark.slow
def test_it_foretells_the_scatter_of_new_batches(full_size):
    past, new = (sm.Brewery(seed=3).draw(n, draw=draw) for n, draw in ((8, 0), (12 if full_size else 6, 1)))
    house = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC"))
    read = house.read(new.spectra, scans=new.scans)["colour"].astype(float)
    batch = new.scans.groupby("sample")["batch"].first().loc[read.index]
    beer = new.batches.loc[batch, "beer"].to_numpy()
    shown = np.sqrt(np.log(read).groupby(beer).var().mean())
    table = house.budget(n_pours=3)["sd"].xs("new batches", level="component")
    predicted = np.sqrt(np.mean(table**2))
    # two standard errors of 60 or 132 degrees of freedom, on both sides of the comparison
    assert abs(predicted / shown - 1.0) < (0.2 if full_size else 0.3)


def test_bad_options_are_refused(small_house):
    with pytest.raises(OptionError, match="n_pours is 0; expected a whole number"):
        small_house[0].budget(n_pours=0)
    with pytest.raises(OptionError, match="lab_sd is -1"):
        small_house[0].budget(lab_sd=-1)
    with pytest.raises(SpecmatchError, match="not fitted"):
        sm.HouseModel().budget()


def test_every_cause_of_variation_has_its_component():
    assert set(_OF_CAUSE) == set(CAUSES) and set(_OF_CAUSE.values()) <= set(ADVICE)
