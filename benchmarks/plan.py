"""How a plan's forecasts fare: made before the first batch, and from a set of four batches, then held against new sets.

Run: python -m benchmarks.plan [--seeds 1] [--members mirror_row] [--matched 2] [--draws 2] [--json]

Each invented house states its list of colours and its habits and hands over eight scans; `plan` forecasts half-width,
false reject and mix-ups caught at 4, 8 and 16 batches a beer. Then sets of that size are drawn, learnt by the house
model, and judged on new batches. `--matched` does the same on seeds of the library's own invented brewery. Of two cups
(the own fill, and 0.6 of it) and of one and three pours the better one is counted at 8 batches, as a rough plan has it.
All data are invented.
"""

import argparse
import json
import sys
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

import specmatch as sm
from benchmarks.houses import House, members
from benchmarks.houses.members import SHOWN

BATCHES, POURS, NEW = (4, 8, 16), 3, 120
OTHER_FILL = 0.6
RATE = 0.05
FIGURES = ("half_width", "false_reject", "caught")
# of the half-width: where two choices differ by less, either is right
MATTERS = 0.10

Drawn = SimpleNamespace  # spectra, scans, batches, band_nm


def judged(past: Any, new: Any) -> dict[str, float]:
    """Learn a set, judge new batches, and return the figures that a plan forecasts."""
    refs = reference_set(past)
    model = sm.HouseModel(false_reject_rate=RATE).fit(refs)
    readings = model.read(new.spectra, scans=new.scans)
    p = model.p_values(new.spectra, scans=new.scans).loc[readings.index]
    batch = new.scans.groupby("sample")["batch"].first().loc[readings.index]
    beer = new.batches.loc[batch, "beer"].to_numpy()
    departs = p.to_numpy() <= RATE
    own = np.equal.outer(beer, p.columns.to_numpy())
    half = (readings["colour_high"] - readings["colour_low"]) / 2.0 / readings["colour"]
    return {
        "half_width": float(half.median()),
        "false_reject": float(departs[own].mean()),
        "caught": float(departs[~own].mean()),
        "n": len(readings),
    }


def reference_set(drawn: Any) -> sm.ReferenceSet:
    """Return a set of what was drawn."""
    return sm.ReferenceSet(drawn.spectra, drawn.scans, drawn.batches, colour_unit="EBC", band_nm=drawn.band_nm)


def of_house(name: str, seed: int) -> tuple[dict[str, Any], Callable[..., Any]]:
    """Return what a house of the family states of itself, and how its batches are drawn."""
    spec = members()[name]
    house = House(spec, seed)
    lab = spec.cellar.labs[0][0]

    def draw(n: int, which: int, pours: int = POURS, fill: float = 1.0) -> Any:
        got = house.draw(n, which, pours=pours, lab=lab, fill_ml=fill * spec.cup.fill_ml,
                         single_session_per_beer=False)  # fmt: skip
        # what most sheets hold: the house states how well its lab measures to the plan, not batch by batch
        return SimpleNamespace(spectra=got.spectra, scans=got.scans, band_nm=got.band_nm,
                               batches=got.batches.drop(columns="colour_sd"))  # fmt: skip

    stated = {
        "beers": dict(zip(house.beers, house.recipes.colour, strict=True)),
        "habits": {
            "lab_sd": spec.cellar.lab_relative,
            "lab_sd_ebc": spec.cellar.lab_ebc,
            "batch_sd": float(np.hypot(spec.liquid.colour_sd, spec.liquid.season / np.sqrt(2.0))),
            "fill_sd": spec.cup.path_sd,
            "foam_sd": spec.cup.foam_mean,
            "matt_base": 0.5 * (1.0 - spec.cup.gloss),
            "session_batches": spec.cellar.session_batches,
        },
        "cups": [(spec.cup.cup_mm, spec.cup.fill_ml), (spec.cup.cup_mm, OTHER_FILL * spec.cup.fill_ml)],
    }
    return stated, draw


def of_brewery(seed: int) -> tuple[dict[str, Any], Callable[..., Any]]:
    """Return the same of the library's own invented brewery."""
    brewery = sm.Brewery(seed)

    def draw(n: int, which: int, pours: int = POURS, fill: float = 1.0) -> Any:
        from specmatch.demo.physics import PourConditions

        got = brewery.draw(n, n_pours=pours, draw=which, conditions=PourConditions(fill=fill))
        return SimpleNamespace(spectra=got.spectra, scans=got.scans, batches=got.batches, band_nm=None)

    stated = {
        "beers": dict(zip(brewery.beers, brewery.colour_ebc, strict=True)),
        "habits": {"lab_sd": 0.012, "lab_sd_ebc": 0.1, "batch_sd": 0.045, "fill_sd": 0.012, "session_batches": 5},
        "cups": [(40.0, 10.0), (40.0, OTHER_FILL * 10.0)],
    }
    return stated, draw


def first_scans(draw: Callable[..., Any], beers: list[str]) -> Any:
    """Return eight scans: four of the palest beer, which stands in for water, and four of one in the middle."""
    drawn = draw(1, 3, 4)
    of = drawn.scans["batch"].map(drawn.batches["beer"])
    rows = of.isin([beers[0], beers[len(beers) // 2]]).to_numpy()
    return SimpleNamespace(spectra=drawn.spectra[rows], scans=drawn.scans[rows], band_nm=drawn.band_nm)


def rows_of(title: str, seed: int, stated: dict[str, Any], draw: Callable[..., Any], draws: int, kind: str,
            jobs: int | None) -> list[dict[str, object]]:  # fmt: skip
    """Return a row a size of set and ground of the plan, and rows of choices."""
    beers = list(stated["beers"])
    wishes = {"false_reject": RATE}
    four = draw(4, 0)
    grounds = {"list": {"module": first_scans(draw, beers)}, "four batches": {"refs": reference_set(four)}}
    common = {"beers": stated["beers"], "habits": stated["habits"], "wishes": wishes, "seed": seed, "n_jobs": jobs}
    plans = {
        ground: (
            sm.plan(**common, **given, cups=stated["cups"][:1], n_batches=BATCHES, n_pours=(POURS,)),
            sm.plan(**common, **given, cups=stated["cups"], n_batches=(8,), n_pours=(1, POURS), rough=True),
        )
        for ground, given in grounds.items()
    }
    each = max(3, round(NEW / len(beers)))
    seen: dict[tuple[float, int, int], pd.Series] = {}
    sizes = [(1.0, POURS, n) for n in BATCHES] + [(1.0, 1, 8), (OTHER_FILL, POURS, 8)]
    for fill, pours, n in sizes:
        got = [judged(draw(n, 10 * k, pours, fill), draw(each, 10 * k + 1, pours, fill)) for k in range(draws)]
        seen[fill, pours, n] = pd.DataFrame(got).mean()
    rows: list[dict[str, object]] = []
    for ground, (sizes_tried, choices_tried) in plans.items():
        sized = sizes_tried.curves.set_index("n_batches")
        for n in BATCHES:
            at, found = sized.loc[n], seen[1.0, POURS, n]
            rows += [
                {"house": title, "kind": kind, "seed": seed, "ground": ground, "n_batches": n, "figure": name,
                 "forecast": float(at[name]), "sd": float(at[f"{name}_sd"]), "low": float(at[f"{name}_low"]),
                 "high": float(at[f"{name}_high"]), "seen": float(found[name])}
                for name in FIGURES
            ]  # fmt: skip
        table = choices_tried.curves.set_index(["fill_ml", "n_pours"])["half_width"]
        own, other = (fill for _, fill in stated["cups"])
        for choice, that, there in (("cups", (other, POURS), (OTHER_FILL, POURS, 8)), ("pours", (own, 1), (1.0, 1, 8))):
            rows.append(
                {"house": title, "kind": kind, "seed": seed, "ground": ground, "n_batches": 8, "figure": choice,
                 "forecast": float(np.log(table[own, POURS] / table[that])),
                 "seen": float(np.log(seen[1.0, POURS, 8]["half_width"] / seen[there]["half_width"]))}
            )  # fmt: skip
    return rows


def summed(rows: pd.DataFrame) -> pd.DataFrame:
    """Return forecast over seen: over all houses together, and the worst house."""
    part = rows[rows["figure"].isin(FIGURES)]
    out = []
    for key, own in part.groupby(["kind", "ground", "figure", "n_batches"], sort=False):
        ratio = own.groupby("house")[["forecast", "seen"]].mean()
        ratio = ratio["forecast"] / ratio["seen"]
        worst = ratio.iloc[int(np.abs(np.log(ratio.clip(lower=1e-3))).to_numpy().argmax())]
        near = float((np.abs(ratio - 1.0) <= 0.15).mean())
        out.append((*key, own["forecast"].mean(), own["seen"].mean(), own["forecast"].mean() / own["seen"].mean(),
                    near, worst, len(ratio)))  # fmt: skip
    names = ["kind", "ground", "figure", "batches", "forecast", "seen", "ratio", "within 15 %", "worst house", "houses"]
    return pd.DataFrame(out, columns=names)


def choices(rows: pd.DataFrame) -> pd.DataFrame:
    """Return how often the better cup, or number of pours, was the one forecast, where the difference matters."""
    out = []
    for key, own in rows[rows["figure"].isin(["cups", "pours"])].groupby(["kind", "ground", "figure"], sort=False):
        matter = own[own["seen"].abs() >= np.log(1.0 + MATTERS)]
        right = int((np.sign(matter["forecast"]) == np.sign(matter["seen"])).sum())
        out.append((*key, right, len(matter), len(own)))
    return pd.DataFrame(out, columns=["kind", "ground", "choice", "right", "where it matters", "of"])


def main() -> None:
    """Print forecast over seen."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--matched", type=int, default=2, help="seeds of the library's own invented brewery")
    parser.add_argument("--members", nargs="*", choices=list(members()), default=list(SHOWN))
    parser.add_argument("--draws", type=int, default=2, help="sets drawn of each size")
    parser.add_argument("--jobs", type=int)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    houses = [(name, s, of_house, (name, s), "other") for name in args.members for s in range(args.seeds)]
    houses += [(f"brewery {s}", s, of_brewery, (s,), "matched") for s in range(1, args.matched + 1)]
    rows: list[dict[str, object]] = []
    for title, seed, make, about, kind in houses:
        stated, draw = make(*about)  # type: ignore[operator]
        own = rows_of(title, seed, stated, draw, args.draws, kind, args.jobs)
        print(title, seed, file=sys.stderr, flush=True)
        if args.json:
            print(json.dumps(own), flush=True)
        rows += own
    if not args.json:
        frame = pd.DataFrame(rows)
        print(f"{summed(frame).round(3).to_string(index=False)}\n\n{choices(frame).to_string(index=False)}")


if __name__ == "__main__":
    main()
