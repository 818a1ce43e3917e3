"""What the findings of an audit are said to cost, and what following their advice does to new batches.

    python -m benchmarks.finding_costs [--seeds 2] [--members NAME ...] [--json]

One kind of error at a time is planted in the past of an invented house: wrong beers, lab values 25 % off either way,
foam over 8 % of one pour. `finding_costs` says colour error, false holds and mix-ups held before and after its advice;
the advice is followed, a model is fitted on either set, and both read about 240 new batches. A figure is stated within
a factor of two where it lies within a half and twice what happened, by more than the counts of either may be off.
"""

import argparse
import json
import sys
from collections.abc import Iterator

import numpy as np
import pandas as pd

import specmatch as sm
from benchmarks.houses import Fault, House, spec_of
from benchmarks.houses.members import SHOWN, TUNING
from specmatch.house.assessment.evaluation import follow_advice
from specmatch.maths.statistics.levels import binomial_bounds

SHARE, NEW_BATCHES = 0.08, 240
# a colour error on n batches is known to about one part in the root of 2n: two of these on either side
ERRORS = 2.0
KINDS = {"mislabelled": ("mislabelled",), "lab value": ("lab_value", "swapped_lab_values"), "foam": ("odd_pour",)}


def planted(house: House, seed: int) -> Iterator[tuple[str, sm.ReferenceSet]]:
    """Yield the house's past with one kind of error in it."""
    past, rng = house.draw(), np.random.default_rng([seed, 5])
    names = past.batches.index
    chosen = rng.permutation(names)[: max(2, round(SHARE * len(names)))]

    def refs(spectra: pd.DataFrame, batches: pd.DataFrame) -> sm.ReferenceSet:
        return sm.ReferenceSet(spectra, past.scans, batches, colour_unit="EBC", band_nm=past.band_nm)

    beers = past.batches["beer"].unique()
    wrong = past.batches.copy()
    for name in chosen:
        wrong.loc[name, "beer"] = rng.choice([beer for beer in beers if beer != wrong.loc[name, "beer"]])
    yield "mislabelled", refs(past.spectra, wrong)
    off = past.batches.copy()
    off.loc[chosen, "colour"] *= rng.choice([0.75, 1.25], len(chosen))
    yield "lab value", refs(past.spectra, off)
    if past.scans.groupby("batch")["pour"].nunique().min() >= 3:
        spoilt, spectra = house.draw(faults=Fault("foam", 0.08)), past.spectra.copy()
        last = ~past.scans["batch"].duplicated(keep="last") & past.scans["batch"].isin(chosen)
        spectra[last] = spoilt.spectra[last]
        yield "foam", refs(spectra, past.batches)


def happened(refs: sm.ReferenceSet, house: House) -> dict[str, float]:
    """Fit on a set and count what becomes of new batches."""
    new = house.draw(max(1, round(NEW_BATCHES / len(house.beers))), 1)
    model = sm.HouseModel().fit(refs)
    sample = new.scans.groupby("batch", sort=False)["sample"].first().loc[new.batches.index]
    read = model.read(new.spectra, scans=new.scans).loc[sample]
    p = model.p_values(new.spectra, scans=new.scans).loc[sample]
    beers = new.batches["beer"].to_numpy()
    off = np.log(read["colour"].to_numpy(float) / new.batches["colour"].to_numpy(float))
    own = np.array([p.at[row, beer] for row, beer in zip(p.index, beers, strict=True)])
    others = [sum(beer != own for beer in told) for told, own in zip(read["plausible_beers"], beers, strict=True)]
    return {
        "colour_error": float(np.sqrt(np.nanmean(off**2))),
        "false_hold": float((own <= model.false_reject_rate).mean()),
        "mix_ups_held": 1.0 - float(np.mean(others)) / (p.shape[1] - 1),
        "n": len(beers),
    }


def within_two(name: str, stated: float, real: float, n_stated: int, n_real: int) -> bool:
    """Say whether two figures may lie within a factor of two of one another."""
    if name == "colour_error":
        spread = 1.0 + ERRORS * np.sqrt(0.5 / n_stated + 0.5 / n_real)
        return bool(0.5 / spread <= stated / real <= 2.0 * spread)
    # of mix-ups the part that passes is what costs
    a, b = (1.0 - stated, 1.0 - real) if name == "mix_ups_held" else (stated, real)
    low, high = binomial_bounds([round(a * n_stated), round(b * n_real)], [n_stated, n_real])
    return bool(2.0 * high[0] >= low[1] and low[0] <= 2.0 * high[1])


def costs_of(member: str, seed: int) -> list[dict[str, object]]:
    """Return a row a kind of error and figure: stated and happened, before and after."""
    house, rows = House(spec_of(member), seed), []
    for kind, refs in planted(house, seed):
        stated = sm.finding_costs(refs).set_index("code")
        for code in stated.index.intersection(KINDS[kind]):
            said = stated.loc[code]
            real = happened(refs, house), happened(follow_advice(refs, code), house)
            for name in ("colour_error", "false_hold", "mix_ups_held"):
                row = {"member": member, "seed": seed, "planted": kind, "code": code, "figure": name}
                for k, when in enumerate(("before", "after")):
                    pair = float(said[f"{name}_{when}"]), real[k][name]
                    row |= {f"said_{when}": pair[0], f"real_{when}": pair[1]}
                    row[f"ok_{when}"] = within_two(name, *pair, int(said["n_batches"]), int(real[k]["n"]))
                rows.append(row)
    return rows


def main() -> None:
    """Print a row a member, kind of error and figure, and how many hold."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--members", nargs="+", default=[*TUNING, *SHOWN])
    parser.add_argument("--json", action="store_true", help="print the rows as JSON")
    args = parser.parse_args()
    rows = []
    for member in args.members:
        for seed in range(args.seeds):
            rows += costs_of(member, seed)
            print(f"{member}, seed {seed}", file=sys.stderr, flush=True)
    if args.json:
        print(json.dumps(rows, indent=1))
        return
    table = pd.DataFrame(rows)
    print(table.round(3).to_string(index=False))
    print(table.groupby("figure")[["ok_before", "ok_after"]].mean().round(3).to_string())


if __name__ == "__main__":
    main()
