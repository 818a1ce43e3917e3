"""Packages out of a lot: worked by hand, and against SciPy's hypergeometric distribution.

Chances that a plan states of a line, against shifts simulated another way, and against the rates of a set.
"""

import numpy as np
import pytest
from plan_house import house_of
from retest_rule import held_by_the_line
from scipy.stats import hypergeom

import specmatch as sm
from specmatch.errors import OptionError
from specmatch.house.planning.assumptions import LINE, settings_of
from specmatch.house.planning.forecast import Design, draw_batches, try_all
from specmatch.house.planning.line import chance_to_catch, packages_needed, plan_line
from specmatch.maths.statistics.levels import binomial_bounds


def test_three_wrong_pallets_of_ten_and_four_packages_by_hand():
    # no wrong one among four of ten: C(7,4) / C(10,4) = 35 / 210
    assert chance_to_catch(10, 3, 4) == pytest.approx(1 - 35 / 210, rel=1e-12)
    # none, one, two or three wrong ones: 35, 3 x 35, 3 x 21, 1 x 7 of 210; each is told with one half
    missed = (35 + 105 / 2 + 63 / 4 + 7 / 8) / 210
    assert chance_to_catch(10, 3, 4, seen=0.5) == pytest.approx(1 - missed, rel=1e-12)
    # with three packages the chance is 1 - C(7,3)/C(10,3) = 1 - 35/120, with two 1 - 21/45
    assert packages_needed(10, 3, 0.70) == 3
    assert packages_needed(10, 3, 0.53) == 2
    assert packages_needed(10, 3, 0.99, seen=0.5) is None


def test_as_the_distribution_says():
    rng = np.random.default_rng(1)
    for _ in range(30):
        lot = int(rng.integers(1, 300))
        wrong, looked_at = (int(n) for n in rng.integers(0, lot + 1, 2))
        # sums of logarithms of factorials of three digits lose some of sixteen figures
        assert chance_to_catch(lot, wrong, looked_at) == pytest.approx(
            1 - hypergeom(lot, wrong, looked_at).pmf(0), abs=1e-10
        )


@pytest.mark.parametrize(("lot", "wrong", "looked_at"), [(0, 0, 0), (10, 11, 1), (10, 1, 11)])
def test_more_than_the_lot_is_refused(lot, wrong, looked_at):
    with pytest.raises(OptionError, match="expected 0 to all of the lot"):
        chance_to_catch(lot, wrong, looked_at)


RATE = 0.05


@pytest.fixture(scope="module")
def rounds():
    # near beers and a long way between readings: neither chance is near one
    house = house_of({"A": 8.0, "B": 8.6, "C": 9.3})
    return try_all(house, [Design(40.0, 10.0, house.depth_mm, 2, 6)], (0.9, RATE), rounds=2, seed=5, n_new=30)[0]


def shift_by_the_clock(one, minutes, line, rng):
    """One shift on a clock of its own: whether the mix-up was held in time, and whether it was reached at all."""
    n_beers = one.house.colour_ebc.size
    run_min = line["run_hours"] * 60.0
    claim = int(rng.integers(n_beers))
    really = int((claim + rng.integers(1, n_beers)) % n_beers)
    looks = np.arange(round(run_min / minutes)) * minutes
    # the mix-up begins before one of the readings, and the shift goes on long enough for it to pass
    begins = looks[rng.integers(looks.size)] - rng.uniform(0.0, minutes)
    ends = begins + 60.0 * line["mix_up_pallets"] / line["pallets_an_hour"]
    at = np.arange(looks.size * 2) * minutes
    wrong = (at >= begins) & (at <= ends)
    at, wrong = at[at <= ends], wrong[at <= ends]
    if not wrong.any():
        return False
    m = one.design.n_pours
    drawn = draw_batches(one.house, one.beers, 1, 2 * m * at.size, rng)
    batch = drawn.levels.codes("batch")
    of = [drawn.reflectance[batch == beer].reshape(2, at.size, m, -1).mean(axis=2) for beer in (claim, really)]
    readings, retests = (np.where(wrong[:, None], of[1][k], of[0][k]) for k in (0, 1))
    held = held_by_the_line(one.identity, readings, retests, m, RATE, claim)
    if held < at.size and not wrong[held]:
        return None  # stopped for nothing before the mix-up came
    return held < at.size and at[held] + line["retest_minutes"] <= begins + line["within_minutes"]


@pytest.mark.whole
@pytest.mark.slow
def test_a_mix_up_is_caught_as_often_as_stated(rounds, full_size):
    line = settings_of({"run_hours": 4.0, "mix_up_pallets": 15.0}, LINE, "line")
    shifts = 1000 if full_size else 60
    stated = plan_line(rounds, RATE, line, ("A", "B", "C"), shifts=4 * shifts, seed=1)[0]["line"]
    rng = np.random.default_rng(9)
    for minutes in (60.0, 30.0):
        got = [shift_by_the_clock(rounds[k % 2], minutes, line, rng) for k in range(shifts)]
        reached = [bool(one) for one in got if one is not None]
        row = stated[(stated["minutes"] == minutes) & (stated["false_reject_rate"] == RATE)].iloc[0]
        # 99.9 %: two rows here, and the stated chance is itself of a few hundred shifts
        low, high = binomial_bounds(sum(reached), len(reached), 0.999)
        assert low <= row["caught"] <= high, (minutes, row["caught"], float(low), float(high))
        assert 0.2 < row["caught"] < 0.99


@pytest.mark.whole
def test_false_holds_of_a_plan_are_those_of_the_set_it_goes_on_from():
    brewery = sm.Brewery(seed=2)
    beers = brewery.beers[2:8]
    past = brewery.draw(8, n_pours=2, beers=beers)
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC")
    listed = dict(zip(beers, brewery.colour_ebc[2:8], strict=True))
    made = sm.plan(listed, refs=refs, rough=True, n_batches=(8,), n_pours=(2,), line={"run_hours": 6.0})
    row = made.line[(made.line["minutes"] == 30.0) & (made.line["false_reject_rate"] == RATE)].iloc[0]
    assert row["readings_a_run"] == 12
    risks = sm.run_risks(refs, false_reject_rate=RATE, readings_a_run=12, n_folds=4, n_runs=4)
    # the bounds of both must meet: 48 batches here, 200 runs there
    assert row["false_holds_a_week_low"] <= risks.false_holds_a_week_high
    assert row["false_holds_a_week_high"] >= risks.false_holds_a_week_low
    assert made.changeover["held_at_first_high"] >= risks.wrong_held_low


def test_a_lot_looked_at_once(rounds):
    line = settings_of({"pallets_an_hour": 10.0, "run_hours": 1.0, "mix_up_pallets": 3.0}, LINE, "line")
    packages = plan_line(rounds, RATE, line, ("A", "B", "C"), shifts=20, seed=1)[0]["packages"]
    # three of ten side by side: every third pallet meets them; at random six: 1 - C(7,6)/C(10,6) = 1 - 7/210
    assert packages["packages"].tolist() == [6, 4, 1]
    np.testing.assert_allclose(packages["meets_one"], [1 - 7 / 210, 1.0, 0.3])
