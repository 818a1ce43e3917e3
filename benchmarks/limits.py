"""Risks of decision rules on colour: as stated from a house's own set, and as seen on new lots.

Run: python -m benchmarks.limits [--seeds 2] [--members long_ladder drawn_100] [--tolerance 0.1]

Each member of the invented houses learns its past batches, lays down limits about the mean lab colour of each beer, and
has new lots judged by five rules. Of a lot it is known what its lab says. Bounds of a risk hold for one beer; what is
seen of some lots of it scatters besides, as a share of so many does. How near stated and seen can lie at all is worked
out beside it: the stated lots are taken for the truth, sets of as many batches drawn from them, risks stated from each
set, and as many lots judged. A rule of stating that errs by more than this is biased. All data are invented.
"""

import argparse
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import specmatch as sm
from benchmarks.houses import SHOWN, House, spec_of
from benchmarks.houses.house import HouseSpec
from specmatch.house.decision.decision import judge_colour
from specmatch.house.decision.risks import _by_risk, _Lots, _lots, _lots_like
from specmatch.house.decision.specification import GUARDED, LENIENT, SIMPLE, ColourLimits, Specification

Floats = NDArray[np.float64]

LOTS, COVERAGE = 240, 0.90
BOUNDED = ("producer", "consumer", "cannot tell")
# sets drawn from the truth; within so much is near
DRAWN_SETS, NEAR = 20, 0.03
RULES = {
    "simple": (SIMPLE, 0.05), "guarded, 5 %": (GUARDED, 0.05), "guarded, 20 %": (GUARDED, 0.20),
    "guarded rejection, 5 %": (LENIENT, 0.05), "producer risk 2 %": (GUARDED, 0.05),
}  # fmt: skip


def risks_of(lots: _Lots, limits: ColourLimits) -> Floats:
    """Return producer's and consumer's risk and what cannot be told, of lots about a mean that is known."""
    none = np.zeros(1)
    lab_sd, noise, slope = (np.array([one]) for one in (lots.lab_sd, lots.noise, lots.slope))
    return lots.shares(limits, none, none, lab_sd, noise, slope)[0]


def set_like(truth: list[_Lots], rng: np.random.Generator) -> list[_Lots]:
    """Return what a set of as many batches as each beer has would say of the lots."""
    beer = np.repeat(np.arange(len(truth)), [one.n_batches for one in truth])
    lab_z, z = rng.standard_t(truth[0].tail, (2, beer.size))
    mean, seen, lab_sd, slope, noise = (
        np.array([getattr(one, name) for one in truth])[beer] for name in ("mean", "seen", "lab_sd", "slope", "noise")
    )
    off = lab_sd * lab_z
    return _lots_like(
        mean + off,
        seen + slope * off + noise * z,
        beer,
        np.arange(beer.size),
        [one.uncertainties / one.mean for one in truth],
    )


def attainable(
    truth: list[_Lots], tolerance: float, lots: int, sets: int, rng: np.random.Generator
) -> dict[str, Floats]:
    """Return stated less seen, (sets, 3), by rule where the truth is known and sets are drawn from it."""
    apart: dict[str, list[Floats]] = {}
    # readings have the middle one of their intervals: a fifth of the work, and next to the same risks
    truth = [replace(one, uncertainties=np.array([np.median(one.uncertainties)])) for one in truth]
    for _ in range(sets):
        learnt = set_like(truth, rng)
        for name, (rule, risk) in RULES.items():
            each = []
            for one, true in zip(learnt, truth, strict=True):
                limits = around("", one.mean, tolerance, rule, risk)
                if name.startswith("producer"):
                    limits = _by_risk(limits, one, 0.02)
                seen = rng.binomial(lots, np.clip(risks_of(true, limits), 0.0, 1.0)) / lots
                each.append(np.array(one.risks(limits)[1:]) - seen)
            apart.setdefault(name, []).append(np.mean(each, axis=0))
    return {name: np.array(of) for name, of in apart.items()}


def around(beer: str, mean: float, tolerance: float, rule: str, risk: float) -> ColourLimits:
    """Return limits about a colour."""
    return ColourLimits(beer, mean, mean * (1.0 - tolerance), mean * (1.0 + tolerance), "EBC", rule, risk, None, None)


def member_rows(spec: HouseSpec, seed: int, tolerance: float, *, sets: int = DRAWN_SETS) -> list[dict[str, object]]:
    """Return stated and seen risks, a row a rule."""
    house = House(spec, seed)
    past = house.draw()
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC", band_nm=past.band_nm)
    model = sm.HouseModel(coverage=COVERAGE).fit(refs)
    colour = model.fitted.colour
    assert colour is not None  # every member has lab colours
    mean = pd.Series(colour.lab_colour).groupby(np.array(model.beers_)[model.fitted.beer_of_batch]).mean()
    lab = colour.labs.labs[0] if colour.labs is not None and colour.labs.labs else None
    new = house.draw(max(1, LOTS // len(house.beers)), 3, single_session_per_beer=False, lab=lab)
    read = model.read(new.spectra, scans=new.scans).loc[[f"{name}-S1" for name in new.batches.index]]
    beer, true = new.batches["beer"].to_numpy(), new.batches["colour"].to_numpy(float)
    rows, rng = [], np.random.default_rng(seed)
    truth = _lots(model.fitted, tuple(around(b, m, tolerance, SIMPLE, 0.05) for b, m in mean.items()))
    known = attainable(truth, tolerance, len(new.batches) // len(house.beers), sets, rng)
    for name, (rule, risk) in RULES.items():
        limits = Specification(tuple(around(b, m, tolerance, rule, risk) for b, m in mean.items()))
        if name.startswith("producer"):
            limits = model.limits_by_risk(limits, producer_risk=0.02)
        stated = model.limit_risks(limits)
        of = [limits.limits_of(b) for b in beer]
        judged = [
            judge_colour(row, *reading, unit="EBC", coverage=COVERAGE)
            for row, reading in zip(
                of, read[["colour", "colour_low", "colour_high"]].itertuples(index=False), strict=True
            )
        ]
        passes = np.array([one.passes for one in judged])
        conforms = np.array([row.low <= y <= row.high for row, y in zip(of, true, strict=True)])
        cannot = np.array([one.verdict == "cannot tell" for one in judged])
        seen = dict(zip(BOUNDED, (conforms & ~passes, ~conforms & passes, cannot), strict=True))
        within = dict.fromkeys(BOUNDED, 0)
        for k, one in enumerate(_lots(model.fitted, limits.limits)):
            own = beer == stated.index[k]
            assert one is not None  # every beer has lab colours
            # what so many lots show where the house is one of those that the bounds are of
            shown = rng.binomial(int(own.sum()), np.clip(one.drawn(limits.limits[k], rng), 0.0, 1.0))
            ends = np.quantile(shown, [0.025, 0.975], axis=0)
            for place, risk in enumerate(BOUNDED):
                within[risk] += bool(ends[0, place] <= seen[risk][own].sum() <= ends[1, place])
        rows.append(
            {
                **{f"{risk} bounds": count / len(stated) for risk, count in within.items()},
                **{f"{risk} attainable": (np.abs(known[name][:, k]) <= NEAR).mean() for k, risk in enumerate(BOUNDED)},
                **{f"{risk} sd": known[name][:, k].std() for k, risk in enumerate(BOUNDED)},
                **{f"{risk} bias": known[name][:, k].mean() for k, risk in enumerate(BOUNDED)},
                "member": spec.name, "seed": seed, "rule": name, "lots": len(passes), "beers": len(stated),
                "producer": stated["producer_risk"].mean(), "producer seen": (conforms & ~passes).mean(),
                "consumer": stated["consumer_risk"].mean(), "consumer seen": (~conforms & passes).mean(),
                "cannot tell": stated["cannot_tell"].mean(),
                "cannot tell seen": cannot.mean(),
                "held of conforming": stated["producer_risk"].sum() / stated["conform"].sum(),
                "held of conforming seen": (~passes)[conforms].mean(),
            }
        )  # fmt: skip
    return rows


def main() -> None:
    """Print stated and seen risks by member and rule, seeds averaged, and how far they lie apart."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--members", nargs="+", default=[*SHOWN])
    parser.add_argument("--tolerance", type=float, default=0.10)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--out", help="write a row a house, seed and rule as CSV")
    args = parser.parse_args()
    frame = pd.DataFrame(
        [
            row
            for name in args.members
            for seed in range(args.first_seed, args.first_seed + args.seeds)
            for row in member_rows(spec_of(name), seed, args.tolerance)
        ]
    )
    if args.out:
        frame.to_csv(args.out, index=False)
    table = frame.drop(columns=["seed", "lots", "beers"]).groupby(["member", "rule"], sort=False).mean()
    shown = [name for name in table if not name.endswith(("attainable", "sd", "bias", "bounds"))]
    print(table[shown].round(3).to_string())
    print(table[shown].groupby("rule", sort=False).mean().round(3).T.to_string())
    print(apart(frame).round(3).to_string())


def apart(frame: pd.DataFrame) -> pd.DataFrame:
    """Return how far stated and seen lie apart, a row a risk, beside what sets drawn from a known truth come to.

    Rules of a house and seed share its set and its lots: the standard error of the bias counts houses and seeds.
    """
    rows = {}
    for risk in BOUNDED:
        off = frame[risk] - frame[f"{risk} seen"]
        of_house = off.groupby([frame["member"], frame["seed"]]).mean()
        held = frame.groupby(["member", "rule"])[f"{risk} bounds"].mean()
        rows[risk] = {
            "stated - seen": off.mean(),
            "standard error": of_house.std(ddof=1) / np.sqrt(len(of_house)),
            "bias of a known truth": frame[f"{risk} bias"].mean(),
            "sd": off.std(),
            "sd of a known truth": np.sqrt((frame[f"{risk} sd"] ** 2).mean()),
            f"within {NEAR:g}": (off.abs() <= NEAR).mean(),
            f"within {NEAR:g} of a known truth": frame[f"{risk} attainable"].mean(),
            "worst": off.abs().max(),
            "seen of a beer within its bounds": held.mean(),
            "worst member and rule": held.min(),
        }
    return pd.DataFrame(rows).T


if __name__ == "__main__":
    main()
