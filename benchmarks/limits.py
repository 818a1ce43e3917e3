"""Risks of decision rules on colour: as stated from a house's own set, and as seen on new lots.

Run: python -m benchmarks.limits [--seeds 2] [--members long_ladder] [--tolerance 0.1]

Each member of the invented houses learns its past batches, lays down limits about the mean lab colour of each beer, and
has new lots judged by five rules. Of a lot it is known what its lab says. Bounds of a risk hold for one beer; what is
seen of some lots of it scatters besides, as a share of so many does. All data are invented.
"""

import argparse

import numpy as np
import pandas as pd

import specmatch as sm
from benchmarks.houses import SHOWN, TUNING, House, members
from benchmarks.houses.house import HouseSpec
from specmatch.house.decision.decision import judge_colour
from specmatch.house.decision.risks import _lots
from specmatch.house.decision.specification import GUARDED, LENIENT, SIMPLE, ColourLimits, Specification

LOTS, COVERAGE = 240, 0.90
BOUNDED = ("producer", "consumer", "cannot tell")
RULES = {
    "simple": (SIMPLE, 0.05), "guarded, 5 %": (GUARDED, 0.05), "guarded, 20 %": (GUARDED, 0.20),
    "guarded rejection, 5 %": (LENIENT, 0.05), "producer risk 2 %": (GUARDED, 0.05),
}  # fmt: skip


def member_rows(spec: HouseSpec, seed: int, tolerance: float) -> list[dict[str, object]]:
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
    for name, (rule, risk) in RULES.items():
        limits = Specification(
            tuple(
                ColourLimits(b, m, m * (1.0 - tolerance), m * (1.0 + tolerance), "EBC", rule, risk, None, None)
                for b, m in mean.items()
            )
        )
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
                "member": spec.name, "seed": seed, "rule": name, "lots": len(passes),
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
    parser.add_argument("--members", nargs="+", choices=[*TUNING, *SHOWN], default=[*SHOWN])
    parser.add_argument("--tolerance", type=float, default=0.10)
    args = parser.parse_args()
    frame = pd.DataFrame(
        [
            row
            for name in args.members
            for seed in range(args.seeds)
            for row in member_rows(members()[name], seed, args.tolerance)
        ]
    )
    table = frame.drop(columns=["seed", "lots"]).groupby(["member", "rule"], sort=False).mean()
    print(table.round(3).to_string())
    print(table.groupby("rule", sort=False).mean().round(3).T.to_string())
    for risk in ("producer", "consumer", "cannot tell", "held of conforming"):
        apart = (table[risk] - table[f"{risk} seen"]).abs()
        print(f"{risk}: mean {apart.mean():.3f}, within 0.03 in {(apart <= 0.03).mean():.2f}, worst {apart.max():.3f}")
    for risk in BOUNDED:
        held = table[f"{risk} bounds"]
        print(f"{risk}: seen of a beer lies within its 95 % bounds in {held.mean():.3f}, worst {held.min():.3f}")


if __name__ == "__main__":
    main()
