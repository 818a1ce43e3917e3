"""The demo's shift over many invented breweries: each mistake is caught as often as the model says it is."""

import numpy as np
import pandas as pd
import pytest
from default_tour import default_tour
from scipy.stats import fisher_exact
from some_of import some_of

from specmatch.demo import brewery as line
from specmatch.demo.brewery import DEFAULT_SEED, Brewery, plan_shift
from specmatch.demo.tour import run_tour
from specmatch.house.house_model import HouseModel
from specmatch.maths.statistics.levels import binomial_bounds

# A statement about chance is called broken where chance alone would do so once in a thousand runs.
LEVEL = 0.999


@pytest.fixture(scope="module")
def tours(full_size, tmp_path_factory):
    """One tour for each of twenty seeds, the default seed among them; the small version is the default seed alone."""
    others = range(DEFAULT_SEED + 1, DEFAULT_SEED + (20 if full_size else 1))
    return {DEFAULT_SEED: default_tour()} | {
        seed: run_tour(tmp_path_factory.mktemp(f"seed{seed}") / "out", seed=seed) for seed in others
    }


@pytest.fixture(scope="module")
def judged(tours):
    """All samples of all shifts with what was really in the cups."""
    parts = [
        tour.readings.join(tour.answers.drop(columns="claimed"), validate="1:1").assign(seed=seed)
        for seed, tour in tours.items()
    ]
    return pd.concat(parts)


def verified(tour, measured, claim_of_batch):
    """Decisions of a tour's model on more samples, which need no files."""
    samples = measured.scans.drop_duplicates("sample").set_index("sample")["batch"]
    model = HouseModel.load(tour.folder / "house.model")
    return model.verify(measured.spectra, claimed=samples.map(claim_of_batch), scans=measured.scans)["decision"]


@pytest.mark.whole
def test_nothing_in_the_measured_folder_tells_the_answers(tours):
    for tour in tours.values():
        sheet = pd.read_csv(tour.folder / "shift" / "scans.csv")
        assert not (tour.folder / "shift" / "batches.csv").exists()
        claims = sheet.dropna(subset=["sample"]).groupby("sample")["beer"].first()
        assert claims.to_dict() == tour.answers["claimed"].to_dict()
        text = "".join(path.read_text(encoding="utf-8") for path in (tour.folder / "shift" / "scans").iterdir())
        assert not any(word in text for word in [*Brewery.beers, "foam", "foreign", "satur"])


@pytest.mark.slow
@pytest.mark.whole
def test_the_wrong_beer_is_held_as_often_as_the_mix_up_table_says(tours, judged):
    wrong = judged[judged["what"] == line.OTHER_BEER]
    stated_held = stated_n = 0
    for row in wrong.itertuples():
        mix_ups = tours[row.seed].evaluation.mix_ups
        stated = mix_ups[(mix_ups["claimed"] == row.claimed) & (mix_ups["really"] == row.really)].iloc[0]
        stated_held += round(stated["held"] * stated["n"])
        stated_n += stated["n"]
    held = int((wrong["decision"] == "hold").sum())
    # two counts of the same chance: the held-out batches' and the shifts'
    table = [[held, len(wrong) - held], [stated_held, stated_n - stated_held]]
    assert fisher_exact(table).pvalue > 1 - LEVEL
    assert wrong.loc[wrong["seed"] == DEFAULT_SEED, "decision"].tolist() == ["hold"]


@pytest.mark.slow
@pytest.mark.whole
def test_a_foreign_beer_is_held(tours, judged):
    foreign = judged[judged["what"] == line.FOREIGN]
    assert foreign.loc[foreign["seed"] == DEFAULT_SEED, "decision"].tolist() == ["hold"]
    held, n = int((foreign["decision"] == "hold").sum()), len(foreign)
    for seed, tour in tours.items():
        brewery = Brewery(seed)
        more = brewery.foreign(40, draw=2, apart=line.FOREIGN_APART)
        nearest = np.abs(np.log(more.true_colour.to_numpy()[:, np.newaxis] / brewery.colour_ebc)).argmin(axis=1)
        claims = [brewery.beers[i] for i in nearest]
        decisions = verified(tour, more, dict(zip(more.true_colour.index, claims, strict=True)))
        held, n = held + int((decisions == "hold").sum()), n + len(decisions)
    # A dark beer 16 % off can have a shape that makes it the house's own wherever light comes back at all: 12 in 800
    # were not held. More than 3 in 100 would be another matter.
    assert binomial_bounds(held, n, level=LEVEL)[1] >= 0.97, f"{held} of {n}"


@pytest.mark.slow
@pytest.mark.whole
def test_the_saturated_scan_is_sent_back(judged):
    saturated = judged[judged["what"] == line.SATURATED]
    assert (saturated["decision"] == "rescan").all()
    assert saturated["warnings"].map(lambda codes: "saturated" in codes).all()


@pytest.mark.slow
@pytest.mark.whole
def test_the_foamy_pour_carries_a_warning(judged):
    foamy = judged[judged["what"] == line.FOAMY]
    assert foamy["warnings"].map(len).gt(0).all(), foamy[foamy["warnings"].map(len) == 0].to_string()


@pytest.mark.slow
@pytest.mark.whole
def test_right_claims_are_held_no_more_often_than_stated(tours, judged):
    right = judged[judged["what"] == line.AS_CLAIMED]
    assert not (right["decision"] == "rescan").any(), right[right["decision"] == "rescan"].to_string()
    held, n = int((right["decision"] == "hold").sum()), len(right)
    for seed, tour in tours.items():
        more = Brewery(seed).draw(5, draw=2)
        decisions = verified(tour, more, more.batches["beer"].to_dict())
        held, n = held + int((decisions == "hold").sum()), n + len(decisions)
    stated = tours[DEFAULT_SEED].evaluation.figures["stated_false_reject_rate"]
    assert binomial_bounds(held, n, level=LEVEL)[0] <= stated, f"{held} of {n}"


@pytest.mark.slow
@pytest.mark.whole
def test_figures_with_batches_held_out(tours):
    colour = pd.concat([tour.evaluation.colour for tour in tours.values()])
    identity = pd.concat([tour.evaluation.identity for tour in tours.values()])
    relative = colour["colour"] / colour["lab"] - 1.0
    covered = (colour["colour_low"] <= colour["lab"]) & (colour["lab"] <= colour["colour_high"])
    assert np.sqrt(np.mean(relative**2)) <= 0.03
    # over one seed chance alone moves the share by 5 %: its bounds must reach the range, all seeds must lie in it
    low, high = binomial_bounds(int(covered.sum()), len(covered), level=LEVEL)
    assert (low <= 0.96 and high >= 0.86) if len(tours) == 1 else 0.86 <= covered.mean() <= 0.96
    assert np.mean(identity["nearest_beer"] == identity["beer"]) >= 0.97


@pytest.mark.parametrize("seed", some_of(5, range(1, 21)))
def test_every_shift_has_one_of_each(seed):
    brewery = Brewery(seed)
    shift = plan_shift(brewery)
    answers = shift.answers
    assert answers["what"].value_counts().to_dict() == {
        line.AS_CLAIMED: 9,
        line.OTHER_BEER: 1,
        line.FOREIGN: 1,
        line.FOAMY: 1,
        line.SATURATED: 1,
    }
    foreign = answers.loc[answers["what"] == line.FOREIGN, "true_colour_ebc"].iloc[0]
    # the table shows two decimals
    assert np.abs(np.log(foreign / brewery.colour_ebc)).min() >= np.log(1.15) - 0.005 / foreign
    other = answers[answers["what"] == line.OTHER_BEER].iloc[0]
    assert abs(brewery.beers.index(other["claimed"]) - brewery.beers.index(other["really"])) == 1
    right = answers[answers["what"].str.startswith("as claimed")]
    assert (right["claimed"] == right["really"]).all()
    assert list(shift.raw.table["role"].unique()) == ["dark", "reference", "control", "sample"]
    spoilt = answers.index[answers["what"] == line.SATURATED][0]
    full = (shift.raw.counts >= 65535).any(axis=1)
    assert full.sum() == 1 and shift.raw.table["sample"][full].tolist() == [spoilt]
