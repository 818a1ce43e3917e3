"""A model against new batches: the verdict, the correction that is offered, what is left out."""

import json

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from benchmarks.houses import SHOWN, members
from benchmarks.validation import of_corrections, row_of
from specmatch.cli import main
from specmatch.demo.brewery import Brewery
from specmatch.demo.folders import write_measured_folder
from specmatch.errors import ModelFileError, TableError, TooFewBatchesError
from specmatch.house.assessment.validation import (
    BIASED,
    FIT_FOR_USE,
    NOT_ENOUGH,
    REFIT,
    ColourCorrection,
    drawn_to_zero,
    validate,
)


@pytest.fixture(scope="module")
def past():
    return Brewery(seed=4).draw(6)


@pytest.fixture(scope="module")
def house(past):
    return sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches))


@pytest.fixture(scope="module")
def new():
    return Brewery(seed=4).draw(2, draw=1)


def changed(batches: pd.DataFrame, change) -> pd.DataFrame:
    return batches.assign(colour=change(batches["colour"].astype(float)))


def test_a_model_as_good_as_ever_is_fit_for_use(house, new):
    found = validate(house, new.spectra, new.scans, new.batches)
    assert found.verdict == FIT_FOR_USE and found.correction is None
    assert len(found.colour) + len(found.left_out) == 24
    assert found.figures["n"] == len(found.colour)
    assert list(found.colour.columns) == ["beer", "lab", "colour", "colour_low", "colour_high", "n_pours", "inside"]


def test_a_bias_is_found_and_its_correction_takes_it_away(house, new, tmp_path):
    batches = changed(new.batches, lambda lab: 1.06 * lab)
    found = validate(house, new.spectra, new.scans, batches)
    assert found.verdict == BIASED
    assert "readings are pale" in found.sentence
    found.correction.save(tmp_path / "c.json")
    correction = ColourCorrection.load(tmp_path / "c.json")
    assert correction == found.correction and len(correction.version) == 12
    readings = house.read(new.spectra, scans=new.scans)
    corrected = correction.apply(readings, house)
    # the readings themselves stay as they were, and the corrected ones say which correction they carry
    assert not readings["interval_method"].str.contains("correct").any()
    inside = corrected["interval_method"].str.endswith(f", corrected {correction.version}")
    outside = corrected["interval_method"].str.endswith(f", outside correction {correction.version}")
    assert (inside ^ outside).all() and inside.mean() > 0.8
    ratio = (corrected["colour"] / readings["colour"]).to_numpy()
    # 24 batches of about 2.5 % error each: the bias is known to about 0.5 %
    np.testing.assert_allclose(ratio[inside], 1.06, atol=0.02)
    assert (ratio[outside] == 1.0).all()
    # its own uncertainty is added to the interval, and what it does not touch keeps its limits
    width = np.log(corrected["colour_high"] / corrected["colour_low"]) / np.log(
        readings["colour_high"] / readings["colour_low"]
    )
    assert (width[inside] > 1.0).all() and width[outside].to_numpy() == pytest.approx(1.0, abs=1e-12)


def test_a_correction_is_bound_to_beers_colours_module_and_lab(house, new):
    beers = sorted(new.batches["beer"].unique())[:6]
    some = new.batches[new.batches["beer"].isin(beers)]
    scans = new.scans[new.scans["batch"].isin(some.index)]
    found = validate(house, new.spectra.loc[scans.index], scans, changed(some, lambda lab: 1.06 * lab))
    assert found.verdict == BIASED
    readings = house.read(new.spectra, scans=new.scans)
    changed_rows = (found.correction.apply(readings, house)["colour"] != readings["colour"]).to_numpy()
    correction = found.correction
    own = readings["nearest_beer"].isin(beers) & readings["colour"].between(correction.lowest, correction.highest)
    assert changed_rows.sum() > 6 and not changed_rows[~own.to_numpy()].any()
    elsewhere = readings.assign(instrument="another module")
    assert (correction.apply(elsewhere, house)["colour"] == readings["colour"]).all()
    # four beers say what is wrong with them, and offer nothing
    few = some[some["beer"].isin(beers[:4])]
    scans = new.scans[new.scans["batch"].isin(few.index)]
    found = validate(house, new.spectra.loc[scans.index], scans, changed(few, lambda lab: 1.15 * lab))
    assert found.verdict == BIASED and found.correction is None and "needs 5 beers" in found.sentence
    of_two = changed(new.batches, lambda lab: 1.06 * lab).assign(lab=["north", "south"] * 12)
    found = validate(house, new.spectra, new.scans, of_two)
    assert found.correction is None and "several labs (north, south)" in found.sentence


def test_a_unit_that_nobody_stated_gives_no_correction(house, new):
    batches = changed(new.batches, lambda lab: lab * 12.7 / 25.0).drop(columns="colour_unit", errors="ignore")
    found = validate(house, new.spectra, new.scans, batches)
    assert found.verdict == REFIT and found.correction is None
    assert "lab values in the other unit would differ so: state their colour_unit" in found.sentence


def test_a_correction_is_drawn_to_zero_by_its_uncertainty():
    assert drawn_to_zero(0.05, 0.01) == pytest.approx(0.048)
    assert drawn_to_zero(-0.02, 0.01) == pytest.approx(-0.015)
    assert drawn_to_zero(0.01, 0.02) == drawn_to_zero(0.0, 0.0) == 0.0


def test_too_little_is_said_to_be_too_little_with_what_is_missing(house, new):
    def some(beers: int, batches: int) -> pd.DataFrame:
        kept = new.batches[new.batches["beer"].isin(sorted(new.batches["beer"].unique())[:beers])]
        return kept.groupby("beer").head(batches)

    def verdict(table: pd.DataFrame) -> tuple[str, str]:
        scans = new.scans[new.scans["batch"].isin(table.index)]
        found = validate(house, new.spectra.loc[scans.index], scans, table)
        return found.verdict, found.sentence

    assert (
        verdict(some(1, 1))[0] == NOT_ENOUGH and "batches of these beers alone are not enough" in verdict(some(1, 1))[1]
    )
    assert verdict(some(4, 1))[0] == NOT_ENOUGH and "5 batches more of these beers" in verdict(some(4, 1))[1]
    assert verdict(some(12, 1))[0] == FIT_FOR_USE


def test_a_tilted_scale_is_corrected_with_a_slope(house, new):
    found = validate(house, new.spectra, new.scans, changed(new.batches, lambda lab: 20.0 * (lab / 20.0) ** 1.1))
    assert found.verdict == BIASED
    # lab = 20 (colour / 20)^1.1: what is taken off is -0.1 of log colour, known to about 0.01 over two decades
    assert found.correction.slope == pytest.approx(-0.1, abs=0.02)
    assert "with each doubling of colour" in found.sentence


def test_scatter_cannot_be_corrected_away(house, new):
    rng = np.random.default_rng(0)
    found = validate(house, new.spectra, new.scans, changed(new.batches, lambda lab: lab * rng.uniform(0.85, 1.15, 24)))
    assert found.verdict == REFIT and found.correction is None


def test_units_are_converted_and_unusable_batches_are_listed(house, new, past):
    in_srm = changed(new.batches, lambda lab: lab * 12.7 / 25.0).assign(colour_unit="SRM")
    in_srm.loc[in_srm.index[0], "colour"] = np.nan
    found = validate(house, new.spectra, new.scans, in_srm)
    assert found.verdict == FIT_FOR_USE
    assert (in_srm.index[0], "it has no lab value") in found.left_out.itertuples(index=False, name=None)
    with pytest.raises(TooFewBatchesError, match=r"no batch can be .* left out: \d+: the model was fitted on it"):
        validate(house, past.spectra, past.scans, past.batches)
    with pytest.raises(TableError, match="spectra are a str; expected a DataFrame or what sm.measure"):
        validate(house, "monday/")
    with pytest.raises(TooFewBatchesError, match="no batches table"):
        validate(house, new.spectra, new.scans)


def test_a_correction_holds_for_its_model_only(house, new, small_house, tmp_path):
    found = validate(house, new.spectra, new.scans, changed(new.batches, lambda lab: 1.06 * lab))
    other, its_own = small_house
    with pytest.raises(ModelFileError, match="validate this model anew"):
        found.correction.apply(other.read(its_own.spectra, scans=its_own.scans), other)
    path = tmp_path / "c.json"
    found.correction.save(path)
    content = json.loads(path.read_text())
    path.write_text(json.dumps(content | {"slope": 0.2}))
    with pytest.raises(ModelFileError, match="it was changed"):
        ColourCorrection.load(path)
    for other, way_out in ((99, "update it"), (1, "validate the model anew")):
        path.write_text(json.dumps(content | {"format": other}))
        with pytest.raises(ModelFileError, match=f"format {other}; .*{way_out}"):
            ColourCorrection.load(path)
    with pytest.raises(ModelFileError, match="no colour correction could be read"):
        ColourCorrection.load(tmp_path / "none.json")


def april(house, new, room):
    """Save the model, and write a folder whose lab colours are 6 % up."""
    house.save(room / "house.model")
    write_measured_folder(room / "april", new.raw, changed(new.batches, lambda lab: (1.06 * lab).round(2)))
    return room / "april"


@pytest.mark.whole
def test_the_command_gives_its_verdict_in_words(house, new, tmp_path, capsys):
    command = ["validate", str(tmp_path / "house.model"), str(april(house, new, tmp_path))]
    assert main([*command, "--save-correction", str(tmp_path / "april.json")]) == 1
    shown = capsys.readouterr().out
    assert "verdict: bias in these colours" in shown and "nothing applies it by itself" in shown


def test_the_command_gives_verdict_correction_and_exit_codes(house, new, tmp_path, capsys):
    folder = april(house, new, tmp_path)
    saved = tmp_path / "april.json"
    command = ["validate", str(tmp_path / "house.model"), str(folder), "--save-correction", str(saved)]
    assert main([*command, "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert document["command"] == "validate"
    assert document["results"]["verdict"] == BIASED
    assert document["results"]["correction"]["version"] == ColourCorrection.load(saved).version
    pale = new.batches[new.batches["beer"].isin(new.batches["beer"].unique()[:3])]
    pale.to_csv(folder / "batches.csv")
    main(["validate", str(tmp_path / "house.model"), str(folder), "--save-correction", str(tmp_path / "no.json")])
    assert f"no correction is offered, and {tmp_path / 'no.json'} is not written" in capsys.readouterr().out
    assert main(["validate", str(tmp_path / "house.model"), str(tmp_path / "nowhere")]) == 2
    assert "nowhere" in capsys.readouterr().err


@pytest.mark.whole
def test_the_command_reads_with_a_correction(house, new, tmp_path, capsys):
    folder, saved = april(house, new, tmp_path), tmp_path / "april.json"
    main(["validate", str(tmp_path / "house.model"), str(folder), "--save-correction", str(saved)])
    capsys.readouterr()
    main(["read", str(tmp_path / "house.model"), str(folder), "--json"])
    plain = json.loads(capsys.readouterr().out)["results"]
    main(["read", str(tmp_path / "house.model"), str(folder), "--correction", str(saved), "--json"])
    corrected = json.loads(capsys.readouterr().out)["results"]
    assert "corrected" in corrected[0]["interval_method"] and "corrected" not in plain[0]["interval_method"]
    assert corrected[0]["colour"] == pytest.approx(1.06 * plain[0]["colour"], rel=0.02)


def test_the_colour_command(capsys):
    assert main(["colour", "--a430", "0.50", "--a700", "0.012"]) == 0
    assert "12.50 EBC" in capsys.readouterr().out
    assert main(["colour", "--a430", "0.50", "--a700", "0.05", "--json"]) == 1
    results = json.loads(capsys.readouterr().out)["results"]
    assert results["clear_enough"] is False and results["srm"] == pytest.approx(6.35)
    assert main(["colour", "--a430", "0.50", "--path-cm", "0"]) == 2
    assert "path_cm is 0" in capsys.readouterr().err


def over_houses(shares: pd.Series) -> dict:
    """Return a mean over houses and seeds, whose validations share a set, with its bounds."""
    reach = 1.96 * shares.std(ddof=1) / np.sqrt(len(shares))
    return {"figure": shares.mean(), "bounds": (max(0.0, shares.mean() - reach), min(1.0, shares.mean() + reach))}


@pytest.mark.slow
@pytest.mark.whole
def test_validations_are_right_as_often_as_claimed(full_size, claim):
    houses = [(name, seed) for name in SHOWN for seed in range(20, 23)] if full_size else [("fine_pixels", 10)]
    parts = [row_of(members()[name], seed, 0.03) for name, seed in houses]
    verdicts = pd.concat([pd.DataFrame(one[0]).assign(house=k) for k, one in enumerate(parts)], ignore_index=True)
    right, alarm = verdicts["bias"] == 0.0, verdicts["verdict"].isin([BIASED, REFIT])
    enough = right & (verdicts["beers"] >= 6)
    corrected = of_corrections(pd.DataFrame([row for one in parts for row in one[1]])).reset_index()
    others = corrected[(corrected["kind"] == "other beers") & (corrected["member"] != "all")]
    if not full_size:
        # one house and seed, 48 validations that share a set: a wide net
        assert alarm[right].mean() <= 0.25 and alarm[~right].mean() >= 0.8
        assert (verdicts["verdict"] == NOT_ENOUGH)[enough].mean() <= 0.5
        assert others["error ratio"].between(0.9, 1.1).all()
        return
    claim("false_alarm", n=right.sum(), **over_houses(alarm[right].groupby(verdicts["house"]).mean()))
    claim(
        "not_enough",
        n=enough.sum(),
        **over_houses((verdicts["verdict"] == NOT_ENOUGH)[enough].groupby(verdicts["house"]).mean()),
    )
    claim("bias_found", n=(~right).sum(), **over_houses(alarm[~right].groupby(verdicts["house"]).mean()))
    worst = others.loc[(others["error ratio"] - 1.0).abs().idxmax()]
    claim("others_corrected", worst["error ratio"], others["n"].sum(), share=False)
    # what a correction reads afterwards is covered as it was meant to be
    own = corrected[(corrected["kind"] == "its beers") & (corrected["member"] == "all")]
    assert (own["covered after"] >= 0.86).all()


def test_a_set_of_another_value_is_extended_and_validated_by_its_own_column():
    past, new = (Brewery(seed=1).draw(n, draw=draw) for n, draw in ((4, 0), (1, 1)))
    first, later = (one.batches[["beer", "colour"]].rename(columns={"colour": "glucose"}) for one in (past, new))
    refs = sm.ReferenceSet(past.spectra, past.scans, first, value_name="glucose", value_unit="g/L")
    found = sm.validate(sm.HouseModel().fit(refs), new.spectra, new.scans, later)
    assert found.figures["n"] + len(found.left_out) == len(later)
    scans = new.scans.assign(**{name: "new " + new.scans[name] for name in ("batch", "sample", "pour")})
    later.index = "new " + later.index
    names = "new " + new.spectra.index
    grown = refs.extend(new.spectra.set_axis(names), scans.set_axis(names), later, reason="June")
    assert grown.batches["colour"].tail(len(later)).tolist() == later["glucose"].tolist()
