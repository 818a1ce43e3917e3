"""How often to look at a line: simulated shifts in which a mix-up begins, and right runs that are held for nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints
from specmatch.house.planning.forecast import Tried
from specmatch.house.planning.simulation import Assumed, draw_batches
from specmatch.maths.classification.runs import RunRule, held_at
from specmatch.maths.statistics.levels import binomial_bounds
from specmatch.maths.statistics.sampling import chance_to_catch, packages_needed
from specmatch.wording import counted

MINUTES = (60.0, 30.0, 15.0, 5.0)
SHIFTS = 1000
# readings of one run that are drawn: more of one batch tell nothing new, and would only take room
MOST_READINGS = 100


@dataclass(frozen=True)
class LinePlan:
    """What looking at a line comes to."""

    table: pd.DataFrame  # a row an interval between readings; see `specmatch.plan`
    packages: pd.DataFrame  # `taken`, `packages`, `chance`: of a lot that is looked at once
    changeover: pd.Series
    sentences: tuple[str, ...]


def plan_line(rounds: Sequence[Tried], rate: float, line: Mapping[str, float], names: Sequence[str], *,
              shifts: int, seed: int) -> LinePlan:  # fmt: skip
    """Simulate shifts with the retest rule as it is."""
    rng = np.random.default_rng([seed, 77])
    # the same check at a fifth of the rate: fewer false holds, for a little less caught
    table = pd.DataFrame(
        [_row(rounds, one, minutes, line, shifts, rng) for one in (rate, rate / 5.0) for minutes in MINUTES]
    )
    enough = (table["caught"] >= line["chance"]) & (table["false_holds_a_week"] <= line["false_holds_a_week"])
    table["meets"] = enough
    packages, lot, wrong = _packages(line)
    change = _changeover(rounds, rate, names, shifts, rng)
    return LinePlan(table, packages, change, _sentences(table, packages, change, line, lot, wrong))


def readings_in_time(phase: Floats, minutes: float, line: Mapping[str, float]) -> Ints:
    """Return how many readings fall into a mix-up in time to hold it, the first `phase` after its start."""
    packed = 60.0 * line["mix_up_pallets"] / line["pallets_an_hour"]
    last = min(packed, line["within_minutes"] - line["retest_minutes"])
    return np.maximum(np.floor((last - phase) / minutes) + 1, 0).astype(np.int64)


def _row(rounds: Sequence[Tried], rate: float, minutes: float, line: Mapping[str, float], shifts: int,
         rng: np.random.Generator) -> dict[str, float]:  # fmt: skip
    several = rounds[0].house.colour_ebc.size > 1
    in_run = int(np.clip(round(60.0 * line["run_hours"] / minutes), 1, MOST_READINGS))
    caught = looked = false = n_mixed = n_right = 0
    for one, n in zip(rounds, np.diff(np.linspace(0, shifts, len(rounds) + 1).astype(int)), strict=True):
        phase = rng.uniform(0.0, minutes, n)
        inside = np.minimum(readings_in_time(phase, minutes, line), in_run)
        before = rng.integers(0, in_run, n)
        length = int((before + inside).max(initial=0))
        if several:
            looked += int((inside > 0).sum())
            # a run that is stopped for nothing before the mix-up is a false hold, and no catch
            claimed, really = _pairs(rng, one.house.colour_ebc.size, n)
            held = _shifts(one, rate, (claimed, really), before, max(length, 1), rng)
            caught += int(((held >= before) & (held < before + inside)).sum())
            n_mixed += int((held >= before).sum())
        own = rng.integers(0, one.house.colour_ebc.size, n)
        held = _shifts(one, rate, (own, own), np.full(n, in_run), in_run, rng)
        false, n_right = false + int((held < in_run).sum()), n_right + int(n)
    low, high = (float(x) for x in binomial_bounds(caught, max(n_mixed, 1)))
    false_low, false_high = (float(x) for x in binomial_bounds(false, n_right))
    week = line["runs_a_week"]
    return {
        "minutes": minutes,
        "false_reject_rate": rate,
        "readings_a_run": in_run,
        "looked_at": looked / shifts if several else np.nan,
        "caught": caught / n_mixed if n_mixed else np.nan,
        "caught_low": low if several else np.nan,
        "caught_high": high if several else np.nan,
        "false_hold": false / n_right,
        "false_holds_a_week": week * false / n_right,
        "false_holds_a_week_low": week * false_low,
        "false_holds_a_week_high": week * false_high,
    }


def _pairs(rng: np.random.Generator, n_beers: int, n: int) -> tuple[Ints, Ints]:
    claimed = rng.integers(0, n_beers, n)
    return claimed, (claimed + rng.integers(1, n_beers, n)) % n_beers


def _shifts(one: Tried, rate: float, beers: tuple[Ints, Ints], before: Ints, length: int,
            rng: np.random.Generator) -> Ints:  # fmt: skip
    """Return at which reading each shift is held: `before` readings of the claimed beer, then of the other one."""
    claimed, really = beers
    m, house = one.design.n_pours, one.house
    # a reading of m pours scatters as one pour of a steadier hand under a quieter module
    quiet = replace(house.noise, read=house.noise.read / m, shot=house.noise.shot / m)
    house = replace(house, pour_sd=house.pour_sd / np.sqrt(m), noise=quiet)
    rule, held = RunRule(rate), np.full(claimed.size, length)
    for claim in np.unique(claimed):
        mine = np.flatnonzero(claimed == claim)
        right = _drawn(house, one.beers, int(claim), mine.size, length, rng)
        readings = right
        for other in np.unique(really[mine]):
            if other == claim:
                continue
            rows = np.flatnonzero(really[mine] == other)
            wrong = _drawn(house, one.beers, int(other), rows.size, length, rng)
            after = np.arange(length) >= before[mine[rows]][:, None]
            readings[rows] = np.where(after[:, None, :, None], wrong, readings[rows])
        found = held_at(one.identity, readings[:, 0], readings[:, 1], m, rule, np.array([claim]))
        held[mine] = found[:, 0]
    return held


def _drawn(house: Assumed, beers: Floats, beer: int, n: int, length: int, rng: np.random.Generator) -> Floats:
    """Return readings of lots of one beer and their retests, shape (n, 2, length, p)."""
    alone = replace(house, colour_ebc=house.colour_ebc[[beer]], known=house.known[[beer]])
    drawn = draw_batches(alone, beers[[beer]], n, 2 * length, rng).reflectance
    return drawn.reshape(n, 2, length, -1)


def _packages(line: Mapping[str, float]) -> tuple[pd.DataFrame, int, int]:
    """Return from where packages of a finished lot are taken, and how many, for the chance wanted."""
    lot = max(1, round(line["pallets_an_hour"] * line["run_hours"]))
    wrong = int(np.clip(round(line["mix_up_pallets"]), 1, lot))
    step = wrong
    spread = -(-lot // step)
    needed = packages_needed(lot, wrong, line["chance"]) or lot
    rows = [
        ("one package of any pallets, at random", needed, chance_to_catch(lot, wrong, needed)),
        (f"one package of every {counted(step, 'pallet')}" if step > 1 else "one package of every pallet", spread, 1.0),
        ("one package of any pallet", 1, chance_to_catch(lot, wrong, 1)),
    ]
    return pd.DataFrame(rows, columns=["taken", "packages", "meets_one"]), lot, wrong


def _changeover(rounds: Sequence[Tried], rate: float, names: Sequence[str], shifts: int,
                rng: np.random.Generator) -> pd.Series:  # fmt: skip
    """Simulate changeovers after which the wrong beer runs from the first package, and right ones."""
    n_beers = rounds[0].house.colour_ebc.size
    held = false = first = n = 0
    missed = np.zeros((2, n_beers, n_beers))
    for one, size in zip(rounds, np.diff(np.linspace(0, shifts, len(rounds) + 1).astype(int)), strict=True):
        own = rng.integers(0, n_beers, size)
        at = _shifts(one, rate, (own, own), np.full(size, 1), 1, rng)
        false += int((at < 1).sum())
        n += int(size)
        if n_beers > 1:
            claimed, really = _pairs(rng, n_beers, int(size))
            at = _shifts(one, rate, (claimed, really), np.zeros(size, np.int64), 2, rng)
            first, held = first + int((at < 1).sum()), held + int((at < 2).sum())
            np.add.at(missed[0], (claimed, really), at >= 1)
            np.add.at(missed[1], (claimed, really), 1)
    share = missed[0] / np.maximum(missed[1], 1)
    claim, real = divmod(int(share.argmax()), n_beers)
    low, high = (float(x) for x in binomial_bounds(first, n))
    return pd.Series(
        {
            "held_at_first": first / n if n_beers > 1 else np.nan,
            "held_at_first_low": low if n_beers > 1 else np.nan,
            "held_at_first_high": high if n_beers > 1 else np.nan,
            "held_by_second": held / n if n_beers > 1 else np.nan,
            "false_hold": false / n,
            "weakest_pair": f"{names[real]} under the name {names[claim]}" if share.max() > 0 else "",
            "n": n,
        },
        dtype=object,
        name="changeover",
    )


def _sentences(table: pd.DataFrame, packages: pd.DataFrame, change: pd.Series, line: Mapping[str, float], lot: int,
               wrong: int) -> tuple[str, ...]:  # fmt: skip
    said = []
    what = (
        f"{line['mix_up_pallets']:g} pallets of a wrong beer at {line['pallets_an_hour']:g} an hour, held within "
        f"{line['within_minutes']:g} minutes"
    )
    if table["caught"].notna().any():
        met = table[table["meets"]]
        able = table[table["caught"] >= min(line["chance"], table["caught"].max())]
        best = able.sort_values("false_holds_a_week").iloc[0]
        if len(met):
            one = met.iloc[0]
            said.append(
                f"{what}: a reading every {one['minutes']:g} minutes, from the pallet then being filled, at a "
                f"false-reject rate of {one['false_reject_rate']:.1%} catches "
                f"{one['caught']:.0%} ({one['caught_low']:.0%} to {one['caught_high']:.0%}) with "
                f"{one['false_holds_a_week']:.1f} false holds a week"
            )
        else:
            said.append(
                f"{what}: no interval tried reaches {line['chance']:.0%} with {line['false_holds_a_week']:g} false "
                f"holds a week; the best that can be had is {best['caught']:.0%} at a reading every "
                f"{best['minutes']:g} minutes and a false-reject rate of {best['false_reject_rate']:.1%}, with "
                f"{best['false_holds_a_week']:.1f} false holds a week"
            )
        hourly = table[table["minutes"] == 60.0].iloc[0]
        said.append(
            f"one scan an hour looks at {hourly['looked_at']:.0%} of such mix-ups in time and catches "
            f"{hourly['caught']:.0%} of all; it finds a beer that is wrong for hours, not one that is wrong for minutes"
        )
        weakest = f"; most often missed: {change['weakest_pair']}" if change["weakest_pair"] else ""
        said.append(
            f"at a changeover the first package, with its retest, holds {change['held_at_first']:.1%} of wrong beers "
            f"and {change['false_hold']:.1%} of right ones; the second brings it to {change['held_by_second']:.1%}"
            f"{weakest}"
        )
    at_random, every = packages.iloc[0], packages.iloc[1]
    said.append(
        f"of a lot of {lot} pallets with {wrong} wrong ones side by side, {every['taken']} meets the mix-up for sure "
        f"({counted(int(every['packages']), 'package')}); taken from anywhere it needs "
        f"{counted(int(at_random['packages']), 'package')} for {at_random['meets_one']:.0%}"
    )
    return tuple(said)
