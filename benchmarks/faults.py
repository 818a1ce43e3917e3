"""Planted faults on the invented brewery: what is named, how large, and what it does to the colour.

Run: python -m benchmarks.faults [--seeds 20] [--new-batches 2]. For each seed: 12 beers of 8 batches of 3 pours are
fitted, and new batches are measured with a fault planted in the only pour, or in the first of three. Claims are right.
All data are invented.
"""

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.demo.physics import Liquids, PourConditions, RawScans, Spectrometer
from specmatch.house.reading.samples import prepare_samples
from specmatch.maths.faults.diagnosis import NO_FAULT
from specmatch.maths.optics.cup import FAULTS
from specmatch.warning_codes import FAULT_WORDS

GOOD = PourConditions()
CODES = tuple(dict.fromkeys(FAULT_WORDS[fault.name].code for fault in FAULTS))
# what the reference, a cup with water on the base, sends back of the light sent down; haze is planted in that light
WATER_RETURN = 0.536
# stray light is planted over the mean light of all channels, and counted over that of the channels in use
STRAY, LIVE_LIGHT = 0.010, 1.75
# for each trial new batches and new noise
_DRAW = 100


@dataclass(frozen=True)
class Trial:
    """A fault to plant.

    Attributes
    ----------
    name : str
    code : str
        The code that should be named; "" for none.
    conditions : sequence of PourConditions
        One for each pour; where they are two, every other batch gets the one and the other.
    size : float
        As the library counts it.
    """

    name: str
    code: str
    pours: int
    planted: tuple[PourConditions, ...]
    size: float = float("nan")


def trials() -> tuple[Trial, ...]:
    """Return what is planted."""

    def both(name: str, low: float, high: float) -> tuple[PourConditions, ...]:
        return replace(GOOD, **{name: low}), replace(GOOD, **{name: high})

    return (
        Trial("none, 1 pour", "", 1, (GOOD,)),
        Trial("none, 3 pours", "", 3, (GOOD,)),
        Trial("lamp 5 % off", "lamp_drift", 1, both("lamp_gain", 0.95, 1.05), 0.05),
        Trial("shift of 2 nm", "wavelength_shift", 1, both("shift_nm", -2.0, 2.0), 2.0),
        Trial("ambient light 1 % of the peak", "ambient_light", 1, (replace(GOOD, ambient=0.01),), 0.01),
        Trial("peak clipped by 15 %", "saturated", 1, (replace(GOOD, clip=0.85),), 0.15),
        Trial("stray light 1 % more", "stray_light", 1, (GOOD,), STRAY / LIVE_LIGHT),
        Trial("fill 25 % too much", "path_long", 1, (replace(GOOD, fill=1.25),), 0.25),
        Trial("fill 25 % too little", "path_short", 1, (replace(GOOD, fill=0.75),), 0.25),
        Trial("water 15 %", "path_short", 1, (replace(GOOD, water=0.15),), 0.15),
        Trial("foam 4 %", "foam", 1, (replace(GOOD, foam=0.04),), 0.04),
        Trial("haze return 0.02", "haze", 1, (replace(GOOD, haze=0.02),), 0.02 / WATER_RETURN),
        Trial("fill 15 % too much, beside two good", "path_long", 3, (replace(GOOD, fill=1.15),), 0.15),
        Trial("fill 15 % too little, beside two good", "path_short", 3, (replace(GOOD, fill=0.85),), 0.15),
        Trial("foam 4 %, beside two good", "foam", 3, (replace(GOOD, foam=0.04),), 0.04),
        Trial("haze return 0.02, beside two good", "haze", 3, (replace(GOOD, haze=0.02),), 0.02 / WATER_RETURN),
        Trial("lamp 5 % off, beside two good", "lamp_drift", 3, both("lamp_gain", 0.95, 1.05), 0.05),
    )


def fitted_house(seed: int, n_batches: int = 8) -> sm.HouseModel:
    """Return a model of the invented brewery of a seed."""
    past = Brewery(seed).draw(n_batches)
    return sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC"))


def run_trial(seed: int, house: sm.HouseModel, trial: Trial, n_batches: int) -> pd.DataFrame:
    """Plant a fault in `n_batches` new batches of each beer and read them.

    Returns
    -------
    DataFrame
        A row a sample: `named` (code that is named first, "" for none), `tied` (whether a listed confounder is named
        with it), `any_reason`, `size`, `colour`, `without`, `true`, `clean` (the colour of the same pours without the
        fault), `half_width` (of its interval), `true_ebc`.
    """
    brewery = Brewery(seed)
    liquids = brewery.batches(n_batches, draw=_DRAW)
    n = len(liquids.batch)
    good = [[GOOD] * trial.pours] * n
    raw = brewery.scan(liquids, good, draw=_DRAW)
    clean = _verify(house, raw, liquids)
    if trial.code == "stray_light":
        stray = Brewery(seed, spectrometer=Spectrometer(stray_light=Spectrometer().stray_light + STRAY))
        raw = stray.scan(liquids, good, draw=_DRAW)
    elif trial.code:
        top = _peaks(raw, liquids)
        planted = []
        for i in range(n):
            one = trial.planted[i % len(trial.planted)]
            if one.clip is not None:
                one = replace(one, clip=one.clip * top[i])
            planted.append([one, *[GOOD] * (trial.pours - 1)])
        raw = brewery.scan(liquids, planted, draw=_DRAW)
    found = _verify(house, raw, liquids)
    order = [f"{name}-S1" for name in liquids.batch]
    found, clean = found.loc[order], clean.loc[order]
    codes = [[code for code in row if code in CODES] for row in found["warnings"]]
    return pd.DataFrame(
        {
            "trial": trial.name,
            "seed": seed,
            "beer": liquids.beer,
            "named": [own[0] if own else "" for own in codes],
            "tied": [len(own) > 1 and {*own[:2]} == {"foam", "path_short"} for own in codes],
            "any_reason": (found["explanation"] != "").to_numpy(),
            "size": found["size"].to_numpy(),
            "colour": found["with_fault"].to_numpy(),
            "without": found["colour_without_fault"].to_numpy(),
            "true": liquids.colour_ebc,
            "clean": clean["colour"].to_numpy(),
            "half_width": ((clean["colour_high"] - clean["colour_low"]) / 2.0).to_numpy(),
        }
    )


def _peaks(raw: RawScans, liquids: Liquids) -> list[float]:
    """Highest counts of each batch's first pour."""
    of_sample = raw.table["role"].to_numpy() == "sample"
    top = pd.Series(raw.counts[of_sample].max(axis=1), index=raw.table["batch"].to_numpy()[of_sample])
    top = top[~top.index.duplicated()]
    return [float(top[name]) for name in liquids.batch]


def _verify(house: sm.HouseModel, raw: RawScans, liquids: Liquids) -> pd.DataFrame:
    """Verify right claims; adds `size` of the fault named first and `with_fault`, the colour with every pour."""
    spectra, scans = raw.reflectance()
    beer = dict(zip(liquids.batch, liquids.beer, strict=True))
    claims = scans.groupby("sample", sort=False)["batch"].first().map(beer)
    found = house.verify(spectra, claims, scans=scans)
    samples = prepare_samples(house.fitted, spectra, scans)
    beers = np.array([house.beers_.index(claims[name]) for name in samples.index])
    whole = house.fitted.faults.explain_samples(samples.averages.reflectance, samples.averages.counts, beers)
    size, with_fault = whole.size.copy(), found["colour"].to_numpy().copy()
    if samples.odd is not None:
        for k in np.flatnonzero(samples.odd.finding.fault != NO_FAULT)[::-1]:
            row = samples.sample_of_pour[samples.odd.pours[k]]
            size[row] = samples.odd.finding.size[k]
            rows = samples.pours.reflectance[samples.sample_of_pour == row]
            with_fault[row] = house.fitted.colour.predict(rows.mean(axis=0, keepdims=True))[0]
    return found.assign(size=size, with_fault=with_fault)


def run(seeds: Sequence[int], n_batches: int, say: Callable[[str], None] = lambda line: None) -> pd.DataFrame:
    """Run every trial over seeds."""
    parts = []
    for seed in seeds:
        house = fitted_house(seed)
        parts += [run_trial(seed, house, trial, n_batches) for trial in trials()]
        say(f"seed {seed} done")
    return pd.concat(parts, ignore_index=True)


def confusion(found: pd.DataFrame) -> pd.DataFrame:
    """Return planted against named, per cent of each row."""
    share = pd.crosstab(found["trial"], found["named"], normalize="index").mul(100.0)
    order = [trial.name for trial in trials() if trial.name in share.index]
    return share.reindex(index=order, columns=[*CODES, ""], fill_value=0.0).rename(columns={"": "none"})


def summary(found: pd.DataFrame) -> pd.DataFrame:
    """Return for each trial how often the fault is named first, its size, and whether the colour gets better."""
    rows = {}
    for trial in trials():
        part = found[found["trial"] == trial.name]
        right = part["named"] == trial.code
        moved = (part["colour"] - part["clean"]).abs() > part["half_width"]
        named = part[right]
        better = (named["without"] - named["true"]).abs() < (named["colour"] - named["true"]).abs()
        rows[trial.name] = {
            "n": len(part),
            "named first": right.mean(),
            "moved": int(moved.sum()),
            "named where moved": right[moved].mean(),
            "tied": part["tied"].mean(),
            "size planted": trial.size,
            "median size": named["size"].median(),
            "colour better": better.mean(),
            "better where moved": better[moved[right.index][right]].mean(),
        }
    return pd.DataFrame.from_dict(rows, orient="index")


def main() -> None:
    """Print both tables in Markdown."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--new-batches", type=int, default=2, help="of each beer")
    parser.add_argument("--out", help="CSV of every sample")
    args = parser.parse_args()
    found = run(range(1, args.seeds + 1), args.new_batches, lambda line: print(line, flush=True))
    if args.out:
        found.to_csv(args.out, index=False)
    print(markdown(confusion(found).round(1)))
    print()
    print(markdown(summary(found).round(3)))
    by_colour(found)


def by_colour(found: pd.DataFrame) -> None:
    """Print how often foam is named by colour of the beer."""
    for name in ("foam 4 %", "foam 4 %, beside two good"):
        part = found[found["trial"] == name]
        for low, high in ((0.0, 11.8), (11.8, 25.6), (25.6, np.inf)):
            chosen = part[(part["true"] > low) & (part["true"] <= high)]
            print(f"{name}: {low:g}-{high:g} EBC: foam named first in {(chosen['named'] == 'foam').mean():.1%} "
                  f"of {len(chosen)}")  # fmt: skip


def markdown(table: pd.DataFrame) -> str:
    """Return a table in Markdown, blank for what is not a number."""
    lines = ["| planted | " + " | ".join(map(str, table.columns)) + " |", "| --- |" + " --- |" * table.shape[1]]
    for name, row in table.iterrows():
        cells = ["" if pd.isna(value) else f"{value:g}" for value in row]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


if __name__ == "__main__":
    main()
