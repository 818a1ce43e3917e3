"""How often to look at a line, by simulated shifts; and what some packages of a lot would show."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import gammaln

from specmatch.array_types import Floats, Ints
from specmatch.errors import OptionError
from specmatch.house.planning.forecast import Tried, draw_batches
from specmatch.maths.classification.evidence import SequentialRule, held_at
from specmatch.maths.statistics.levels import binomial_bounds
from specmatch.wording import counted

MINUTES = (60.0, 30.0, 15.0, 5.0)
SHIFTS = 1000
# readings of one run that are drawn: more of one batch tell nothing new, and would only take room
MOST_READINGS = 100


def plan_line(rounds: Sequence[Tried], rate: float, line: Mapping[str, float], names: Sequence[str], *,
              shifts: int, seed: int) -> tuple[dict[str, Any], tuple[str, ...]]:  # fmt: skip
    """Simulate shifts by the retest rule as it is: fields `line`, `packages`, `changeover` of a plan, and sentences."""
    rng = np.random.default_rng([seed, 77])
    longest = max(_readings_a_run(minutes, line) for minutes in MINUTES) + 1
    sizes = np.diff(np.linspace(0, shifts, len(rounds) + 1).astype(int))
    drawn = [_Shifts.of(one, int(n), longest, rng) for one, n in zip(rounds, sizes, strict=True)]
    # the same check at a fifth of the rate: fewer false holds, for a little less caught
    table = pd.DataFrame([row for one in (rate, rate / 5.0) for row in _rows(drawn, one, line, rng)])
    enough = (table["caught"] >= line["chance"]) & (table["false_holds_a_week"] <= line["false_holds_a_week"])
    table["meets"] = enough
    packages, lot, wrong = _packages(line)
    change = _changeover(drawn, rate, names)
    found = {"line": table, "packages": packages, "changeover": change}
    return found, _sentences(table, packages, change, line, lot, wrong)


def readings_in_time(phase: Floats, minutes: float, line: Mapping[str, float]) -> Ints:
    """Return how many readings fall into a mix-up in time to hold it, the first `phase` after its start."""
    packed = 60.0 * line["mix_up_pallets"] / line["pallets_an_hour"]
    last = min(packed, line["within_minutes"] - line["retest_minutes"])
    return np.maximum(np.floor((last - phase) / minutes) + 1, 0).astype(np.int64)


@dataclass(frozen=True)
class _Shifts:
    tried: Tried
    claimed: Ints  # claimed, really: (n,): codes of beers; the same where there is one
    really: Ints
    right: Floats  # right, wrong: (n, 2, n_readings, p): readings, and a retest at each
    wrong: Floats

    @classmethod
    def of(cls, tried: Tried, n: int, n_readings: int, rng: np.random.Generator) -> _Shifts:
        """Draw shifts; every ordered pair of beers is as likely."""
        n_beers = tried.house.colour_ebc.size
        claimed = rng.integers(0, n_beers, n)
        really = (claimed + rng.integers(1, n_beers, n)) % n_beers if n_beers > 1 else claimed
        right, wrong = (_lots(tried, beer, n_readings, rng) for beer in (claimed, really))
        return cls(tried, claimed, really, right, wrong)

    def held(self, rate: float, before: Ints, length: int) -> Ints:
        """Return at which reading each shift is held: `before` readings of the claimed beer, then of the other one."""
        rule, out = SequentialRule(rate), np.full(self.claimed.size, length)
        turn = np.arange(length)
        for claim in np.unique(self.claimed):
            rows = np.flatnonzero(self.claimed == claim)
            after = (turn >= before[rows][:, None])[:, None, :, None]
            seen = np.where(after, self.wrong[rows, :, :length], self.right[rows, :, :length])
            fit, n_pours = self.tried.identity, self.tried.design.n_pours
            out[rows] = held_at(fit, seen[:, 0], seen[:, 1], n_pours, rule, np.array([claim]))[:, 0]
        return out


def _lots(tried: Tried, beer: Ints, n_readings: int, rng: np.random.Generator) -> Floats:
    """Return readings of one lot of each beer and their retests, shape (n, 2, n_readings, p)."""
    m, house = tried.design.n_pours, tried.house
    # a reading of m pours scatters as one pour of a steadier hand under a quieter module
    quiet = replace(house.noise, read=house.noise.read / m, shot=house.noise.shot / m)
    out = np.empty((beer.size, 2, n_readings, house.wavelength_nm.size))
    for one in np.unique(beer):
        rows = np.flatnonzero(beer == one)
        alone = replace(house, colour_ebc=house.colour_ebc[[one]], known=house.known[[one]],
                        pour_sd=house.pour_sd / np.sqrt(m), noise=quiet)  # fmt: skip
        drawn = draw_batches(alone, tried.beers[[one]], rows.size, 2 * n_readings, rng)
        out[rows] = drawn.reflectance.reshape(rows.size, 2, n_readings, -1)
    return out


def _readings_a_run(minutes: float, line: Mapping[str, float]) -> int:
    return int(np.clip(round(60.0 * line["run_hours"] / minutes), 1, MOST_READINGS))


def _rows(shifts: Sequence[_Shifts], rate: float, line: Mapping[str, float],
          rng: np.random.Generator) -> list[dict[str, float]]:  # fmt: skip
    """Count for each interval the mix-ups held in time, and the right runs held for nothing."""
    n = sum(one.claimed.size for one in shifts)
    several = shifts[0].tried.house.colour_ebc.size > 1
    longest = shifts[0].right.shape[2]
    for_nothing = np.concatenate([one.held(rate, np.full(one.claimed.size, longest), longest) for one in shifts])
    rows = []
    for minutes in MINUTES:
        in_run = _readings_a_run(minutes, line)
        looked = caught = reached = 0
        for one in shifts if several else ():
            size = one.claimed.size
            inside = np.minimum(readings_in_time(rng.uniform(0.0, minutes, size), minutes, line), in_run)
            before = np.minimum(rng.integers(0, in_run, size), longest - inside)
            held = one.held(rate, before, max(1, int((before + inside).max())))
            # a run that was stopped for nothing before the mix-up is a false hold, and no catch
            looked, reached = looked + int((inside > 0).sum()), reached + int((held >= before).sum())
            caught += int(((held >= before) & (held < before + inside)).sum())
        low, high = binomial_bounds(caught, max(reached, 1)) if several else (np.nan, np.nan)
        false = int((for_nothing < in_run).sum())
        false_low, false_high = binomial_bounds(false, n)
        week = line["runs_a_week"]
        rows.append({
            "minutes": minutes, "false_reject_rate": rate, "readings_a_run": in_run,
            "looked_at": looked / n if several else np.nan,
            "caught": caught / max(reached, 1) if several else np.nan,
            "caught_low": float(low), "caught_high": float(high),
            "false_hold": false / n, "false_holds_a_week": week * false / n,
            "false_holds_a_week_low": week * float(false_low), "false_holds_a_week_high": week * float(false_high),
        })  # fmt: skip
    return rows


def _packages(line: Mapping[str, float]) -> tuple[pd.DataFrame, int, int]:
    lot = max(1, round(line["pallets_an_hour"] * line["run_hours"]))
    wrong = int(np.clip(round(line["mix_up_pallets"]), 1, lot))
    spread, every = -(-lot // wrong), "every pallet" if wrong == 1 else f"every {counted(wrong, 'pallet')}"
    needed = packages_needed(lot, wrong, line["chance"]) or lot
    rows = [
        ("one package of any pallets, at random", needed, chance_to_catch(lot, wrong, needed)),
        (f"one package of {every}", spread, 1.0),
        ("one package of any pallet", 1, chance_to_catch(lot, wrong, 1)),
    ]
    return pd.DataFrame(rows, columns=["taken", "packages", "meets_one"]), lot, wrong


def _changeover(shifts: Sequence[_Shifts], rate: float, names: Sequence[str]) -> pd.Series:
    """Count changeovers after which the wrong beer runs from the first package, and right ones."""
    n, n_beers = sum(one.claimed.size for one in shifts), len(names)
    at = np.concatenate([one.held(rate, np.zeros(one.claimed.size, np.int64), 2) for one in shifts])
    own = np.concatenate([one.held(rate, np.ones(one.claimed.size, np.int64), 1) for one in shifts])
    pair = tuple(np.concatenate([getattr(one, name) for one in shifts]) for name in ("claimed", "really"))
    missed = np.zeros((2, n_beers, n_beers))
    np.add.at(missed[0], pair, at >= 1)
    np.add.at(missed[1], pair, 1)
    share = missed[0] / np.maximum(missed[1], 1)
    claim, real = divmod(int(share.argmax()), n_beers)
    several = n_beers > 1
    low, high = binomial_bounds((at < 1).sum(), n) if several else (np.nan, np.nan)
    found = {
        "held_at_first": float((at < 1).mean()) if several else np.nan,
        "held_at_first_low": float(low), "held_at_first_high": float(high),
        "held_by_second": float((at < 2).mean()) if several else np.nan,
        "false_hold": float((own < 1).mean()),
        "weakest_pair": f"{names[real]} under the name {names[claim]}" if several and share.max() > 0 else "",
        "n": n,
    }  # fmt: skip
    return pd.Series(found, dtype=object, name="changeover")


def _sentences(table: pd.DataFrame, packages: pd.DataFrame, change: pd.Series, line: Mapping[str, float], lot: int,
               wrong: int) -> tuple[str, ...]:  # fmt: skip
    said = []
    what = (
        f"{line['mix_up_pallets']:g} pallets of a wrong beer at {line['pallets_an_hour']:g} an hour, held within "
        f"{line['within_minutes']:g} minutes"
    )
    if table["caught"].notna().any():
        met = table[table["meets"]]
        if len(met):
            one = met.iloc[0]
            said.append(
                f"{what}: a reading every {one['minutes']:g} minutes, from the pallet then being filled, at a "
                f"false-reject rate of {one['false_reject_rate']:.1%} catches "
                f"{one['caught']:.0%} ({one['caught_low']:.0%} to {one['caught_high']:.0%}) with "
                f"{one['false_holds_a_week']:.1f} false holds a week"
            )
        else:
            able = table[table["caught"] >= min(line["chance"], table["caught"].max())]
            best = able.sort_values("false_holds_a_week").iloc[0]
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


def chance_to_catch(lot: int, wrong: int, looked_at: int, *, seen: float = 1.0) -> float:
    """Return the chance that packages taken at random from a lot hold a wrong one that is told for one."""
    # hypergeometric: x of those taken are wrong with C(wrong, x) C(lot - wrong, looked_at - x) / C(lot, looked_at);
    # each is told with the chance `seen`, one by one
    if not (lot > 0 and 0 <= wrong <= lot and 0 <= looked_at <= lot):
        raise OptionError(f"a lot of {lot} with {wrong} wrong and {looked_at} looked at; expected 0 to all of the lot")
    least, most = max(0, looked_at - (lot - wrong)), min(wrong, looked_at)
    x = np.arange(least, most + 1)
    log_chance = _log_choose(wrong, x) + _log_choose(lot - wrong, looked_at - x) - _log_choose(lot, looked_at)
    return float(1.0 - np.sum(np.exp(log_chance) * (1.0 - seen) ** x))


def packages_needed(lot: int, wrong: int, chance: float, *, seen: float = 1.0) -> int | None:
    """Return the least number of packages at random that reach a chance, or None where all of the lot do not."""
    return next((n for n in range(lot + 1) if chance_to_catch(lot, wrong, n, seen=seen) >= chance), None)


def _log_choose(n: int, k: np.ndarray | int) -> np.ndarray:
    k = np.asarray(k, float)
    return np.asarray(gammaln(n + 1.0) - gammaln(k + 1.0) - gammaln(n - k + 1.0))
