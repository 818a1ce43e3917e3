"""How often a validation is right: false alarms, "not enough to say", a true bias found, and what its corrections do.

Run: python -m benchmarks.validation [--seeds 6] [--members night_cellar four_taps] [--bias 0.03]

Each member of the invented houses learns its own past batches and reads new ones at one, two and three pours; some of
them are given to a validation. Then the lab values are changed by a bias, found or not, and the correction that is
offered reads the batches that took no part. All data are invented.
"""

import argparse
import sys

import numpy as np
import pandas as pd

import specmatch as sm
from benchmarks.houses import SHOWN, House, members
from benchmarks.houses.house import HouseSpec
from specmatch.house.assessment.evaluation import labs_told_apart
from specmatch.house.assessment.validation import BIASED, NOT_ENOUGH, REFIT, comparable_batches, judge_batches

# which beers, how many, how many batches of each
CASES = (
    ("palest", 3, 4), ("darkest", 3, 4), ("any", 3, 4), ("any", 3, 8), ("palest", 6, 2), ("darkest", 6, 2),
    ("any", 6, 2), ("any", 6, 4), ("any", 12, 1), ("any", 12, 2),
)  # fmt: skip
TWENTY_OF_SIX = (4, 4, 3, 3, 3, 3)
POURS, REPEATS = (1, 2, 3), 2
ENOUGH_BEERS = 6  # of two batches, from which on "not enough to say" is to be rare


class NewBatches:
    """New batches of a house as read at so many pours, of which a validation takes some."""

    def __init__(self, house: House, model: sm.HouseModel, pours: int, n_batches: int) -> None:
        new = house.draw(n_batches, 1, pours=pours, single_session_per_beer=False)
        batch_of = new.scans.groupby("sample", sort=False)["batch"].first()
        self.model, self.table = model, new.batches
        self.readings = model.read(
            new.spectra, scans=new.scans, lab=labs_told_apart(model.fitted, new.batches, batch_of)
        )
        rows = self.readings.assign(batch=batch_of.loc[self.readings.index].to_numpy())
        self.readings.index = pd.Index(rows["batch"])
        self.compared, self.left_out = comparable_batches(rows, new.batches, model)

    def judge(self, names: list[str], bias: float = 0.0):
        """Validate on some of the batches, all readings dark by a bias."""
        compared = self.compared[self.compared.index.isin(names)]
        compared = compared.assign(lab=compared["lab"] / (1.0 + bias))
        compared["inside"] = compared["lab"].between(compared["colour_low"], compared["colour_high"])
        return judge_batches(self.model, compared, self.left_out[self.left_out["batch"].isin(names)], self.table)

    def chosen(self, which: str, per_beer: tuple[int, ...], rng: np.random.Generator) -> list[str]:
        """Draw batches of beers by colour."""
        colour = self.table["colour"].groupby(self.table["beer"]).mean().sort_values()
        n = len(per_beer)
        beers = {"palest": colour.index[:n], "darkest": colour.index[-n:]}.get(which)
        beers = rng.permutation(colour.index)[:n] if beers is None else beers
        own = [self.table.index[self.table["beer"] == beer] for beer in beers]
        return [name for some, n in zip(own, per_beer, strict=True) for name in rng.permutation(some)[:n]]

    def corrected(self, found, names: list[str], bias: float) -> list[dict[str, float]]:
        """Return squared errors and coverage before and after a correction, of batches that took no part."""
        rest = self.readings[~self.readings.index.isin(names) & self.readings.index.isin(self.compared.index)]
        lab = self.table.loc[rest.index, "colour"].to_numpy(float) / (1.0 + bias)
        own = self.table.loc[rest.index, "beer"].isin(found.correction.beers).to_numpy()
        after = found.correction.apply(rest, self.model, lab=found.correction.lab or None)
        rows = []
        for kind, some in (("its beers", own), ("other beers", ~own)):
            row: dict[str, object] = {"kind": kind, "n": int(some.sum())}
            for when, table in (("before", rest), ("after", after)):
                error = np.log(table["colour"].to_numpy() / lab)[some]
                row[f"square {when}"] = float(error @ error)
                inside = (table["colour_low"].to_numpy() <= lab) & (lab <= table["colour_high"].to_numpy())
                row[f"covered {when}"] = int(inside[some].sum())
            rows.append(row)
        return rows


def row_of(spec: HouseSpec, seed: int, bias: float) -> tuple[list[dict], list[dict]]:
    """Return verdicts of validations of one house, and what its corrections did."""
    house = House(spec, seed)
    past = house.draw()
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC", band_nm=past.band_nm)
    model, rng = sm.HouseModel().fit(refs), np.random.default_rng([seed, 19])
    verdicts, corrections = [], []
    for pours in POURS:
        new = NewBatches(house, model, pours, 10 if len(house.beers) <= 16 else 6)
        for which, beers, batches in CASES:
            if beers > len(house.beers):
                continue
            for _ in range(REPEATS):
                names = new.chosen(which, (batches,) * beers, rng)
                case = {"member": spec.name, "pours": pours, "case": f"{which} {beers} x {batches}"}
                found = new.judge(names)
                verdicts.append({**case, "bias": 0.0, "n": len(names), "beers": beers, "verdict": found.verdict})
                if found.correction is not None:
                    corrections += [
                        {"member": spec.name, "bias": 0.0, **one} for one in new.corrected(found, names, 0.0)
                    ]
        if len(house.beers) >= len(TWENTY_OF_SIX):
            for sign in (1, -1):
                names = new.chosen("any", TWENTY_OF_SIX, rng)
                found = new.judge(names, sign * bias)
                case = {"member": spec.name, "pours": pours, "case": "20 of 6 beers"}
                verdicts.append({**case, "bias": bias, "n": 20, "beers": 6, "verdict": found.verdict})
                if found.correction is not None:
                    of = new.corrected(found, names, sign * bias)
                    corrections += [{"member": spec.name, "bias": bias, **one} for one in of]
    return verdicts, corrections


def shares(verdicts: pd.DataFrame, by: str) -> pd.DataFrame:
    """Return shares of false alarms, of "not enough to say" where there should be enough, and of biases found."""
    alarm, right = verdicts["verdict"].isin([BIASED, REFIT]), verdicts["bias"] == 0.0
    enough = right & (verdicts["beers"] >= ENOUGH_BEERS)
    table = pd.DataFrame(
        {
            "false alarm": alarm[right].groupby(verdicts[by]).mean(),
            "n": right.groupby(verdicts[by]).sum(),
            "not enough": (verdicts["verdict"] == NOT_ENOUGH)[enough].groupby(verdicts[by]).mean(),
            "found": alarm[~right].groupby(verdicts[by]).mean(),
            "n found": (~right).groupby(verdicts[by]).sum(),
        }
    )
    table.loc["all"] = [
        alarm[right].mean(), right.sum(), (verdicts["verdict"] == NOT_ENOUGH)[enough].mean(), alarm[~right].mean(),
        (~right).sum(),
    ]  # fmt: skip
    return table


def of_corrections(corrections: pd.DataFrame) -> pd.DataFrame:
    """Return ratios of the root mean square error, and coverage, before and after."""
    sums = corrections.groupby(["bias", "kind", "member"]).sum()
    total = corrections.drop(columns="member").groupby(["bias", "kind"]).sum()
    sums = pd.concat([sums, pd.concat({"all": total}, names=["member"]).reorder_levels([1, 2, 0])]).sort_index()
    return pd.DataFrame(
        {
            "error ratio": np.sqrt(sums["square after"] / sums["square before"]),
            "covered before": sums["covered before"] / sums["n"],
            "covered after": sums["covered after"] / sums["n"],
            "n": sums["n"],
        }
    )


def main() -> None:
    """Print shares by member, case and pours, and what corrections did."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--members", nargs="+", choices=list(members()), default=list(SHOWN))
    parser.add_argument("--bias", type=float, default=0.03)
    args = parser.parse_args()
    verdicts, corrections = [], []
    for name in args.members:
        for seed in range(args.seeds):
            found = row_of(members()[name], seed, args.bias)
            verdicts, corrections = verdicts + found[0], corrections + found[1]
            print(f"{name}, seed {seed}", file=sys.stderr, flush=True)
    print(f"Invented houses, {args.seeds} seeds; a bias of {args.bias:.0%} on 20 batches of 6 beers\n")
    for by in ("member", "case", "pours"):
        print(shares(pd.DataFrame(verdicts), by).round(3).to_string(), "\n")
    print(of_corrections(pd.DataFrame(corrections)).round(3).to_string())


if __name__ == "__main__":
    main()
