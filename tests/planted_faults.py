"""Faults planted in sets of the invented brewery, and whether an audit found them."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from specmatch.demo.brewery import Brewery, batch_table
from specmatch.demo.physics import PourConditions
from specmatch.reference.reference_set import ReferenceSet

# 4 SRM, below which lab values are harder to judge
PALE_EBC = 4.0 * 25.0 / 12.7


@dataclass
class House:
    """Tables of one brewery, still open to faults, and what an audit of them has to say."""

    brewery: Brewery
    spectra: pd.DataFrame
    scans: pd.DataFrame
    batches: pd.DataFrame

    def audit(self) -> pd.DataFrame:
        return ReferenceSet(self.spectra, self.scans, self.batches).audit()


@dataclass(frozen=True)
class Planted:
    """One planted fault: any of `expected` rows, given as (code, subject, suggestion or None), must all be found."""

    fault: str
    expected: tuple[tuple[str, str, str | None], ...]

    def found(self, findings: pd.DataFrame) -> bool:
        return all(self._has(findings, *row) for row in self.expected)

    @staticmethod
    def _has(findings: pd.DataFrame, code: str, subject: str, suggestion: str | None) -> bool:
        rows = findings[(findings["code"] == code) & (findings["subject"] == subject)]
        return len(rows) > 0 and (suggestion is None or (rows["suggestion"] == suggestion).any())

    def subjects(self) -> set[str]:
        return {subject for _, subject, _ in self.expected}


def brew(seed: int, n_batches: int = 10) -> House:
    drawn = Brewery(seed).draw(n_batches)
    return House(Brewery(seed), drawn.spectra, drawn.scans, drawn.batches.copy())


def mislabel(
    house: House, rng: np.random.Generator, free: list[str], told_apart=lambda claimed, really: True
) -> Planted:
    """Give one batch another beer's name, among pairs that can be told apart."""
    while True:
        batch = take(free, rng)
        really = house.batches.at[batch, "beer"]
        claimed = rng.choice([beer for beer in house.brewery.beers if beer != really])
        if told_apart(claimed, really):
            house.batches.loc[batch, "beer"] = claimed
            return Planted("mislabelled", (("mislabelled", batch, really),))


def lab_value(house: House, rng: np.random.Generator, free: list[str], pale: bool = False) -> Planted:
    """Put one lab value 15 % off, up or down."""
    while True:
        batch = take(free, rng)
        if (house.batches.at[batch, "colour"] < PALE_EBC) == pale:
            house.batches.loc[batch, "colour"] *= rng.choice([0.85, 1.15])
            return Planted("lab_value_pale" if pale else "lab_value", (("lab_value", batch, None),))


def swap(house: House, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Swap two lab values of one beer that differ by 15 % or more, where there is such a pair."""
    colour, beer = house.batches["colour"], house.batches["beer"]
    pairs = [
        (one, two)
        for one in free
        for two in free
        if one < two and beer[one] == beer[two] and abs(np.log(colour[one] / colour[two])) >= np.log(1.15)
    ]
    if not pairs:
        return None
    one, two = pairs[rng.integers(len(pairs))]
    free.remove(one), free.remove(two)
    house.batches.loc[[one, two], "colour"] = colour[[two, one]].to_numpy()
    rows = (("swapped_lab_values", one, two), ("swapped_lab_values", two, one))
    return Planted("swapped_lab_values", rows)


def duplicate(house: House, rng: np.random.Generator, free: list[str]) -> Planted:
    """Put a copy of one scan in place of another scan of its sample."""
    batch = take(free, rng)
    first, second = rng.permutation(house.scans.index[house.scans["batch"] == batch])[:2]
    spectra = house.spectra.copy()
    spectra.loc[second] = spectra.loc[first]
    house.spectra = spectra
    later = max(first, second, key=list(house.spectra.index).index)
    return Planted("duplicate_scans", (("duplicate_scans", later, None),))


def odd_pours(seed: int, faults: dict[str, PourConditions], rng: np.random.Generator, free: list[str]):
    """Brew the house of a seed again with faults in single pours; all else stays as it was."""
    brewery = Brewery(seed)
    liquids = brewery.batches(10)
    conditions = [[PourConditions()] * 3 for _ in liquids.batch]
    planted = []
    for fault, condition in faults.items():
        batch, pour = take(free, rng), int(rng.integers(3))
        conditions[liquids.batch.index(batch)][pour] = condition
        planted.append(Planted(fault, (("odd_pour", f"{batch}-S1-P{pour + 1}", None),)))
    raw = brewery.scan(liquids, conditions)
    spectra, scans = raw.reflectance()
    return House(brewery, spectra, scans, batch_table(liquids, brewery.lab_colour(liquids), raw)), planted


FOAMY, SHORT = PourConditions(foam=0.05), PourConditions(fill=0.90)


def recipe_change(seed: int, rng: np.random.Generator, n_batches: int, change: float) -> tuple[House, Planted]:
    """Brew one beer darker (or paler) by a share of its colour from its middle batch on; the others ten times."""
    brewery = Brewery(seed)
    beer = str(rng.choice(brewery.beers))
    factor = float(rng.choice([1.0 + change, 1.0 / (1.0 + change)]))
    tables = []
    for draw, beers, count in ((0, None, 10), (1, [beer], n_batches - 10)):
        if count <= 0:
            continue
        liquids = brewery.batches(count, draw=draw, beers=beers)
        good = [[PourConditions()] * 3 for _ in liquids.batch]
        table = batch_table(liquids, brewery.lab_colour(liquids, draw=draw), brewery.scan(liquids, good, draw=draw))
        tables.append((draw, liquids, good, table))
    dated = pd.concat([table for *_, table in tables])
    own = dated[dated["beer"] == beer].sort_values("packaged_on", kind="stable").index
    later = set(own[n_batches // 2 :])
    parts = []
    for draw, liquids, good, _ in tables:
        scale = np.array([factor if batch in later else 1.0 for batch in liquids.batch])
        changed = replace(liquids, absorbance=liquids.absorbance * scale[:, None])
        raw = brewery.scan(changed, good, draw=draw)
        parts.append((*raw.reflectance(), batch_table(changed, brewery.lab_colour(changed, draw=draw), raw)))
    house = House(brewery, *(pd.concat(tables) for tables in zip(*parts, strict=True)))
    return house, Planted(f"recipe_change_{n_batches}", (("recipe_change", beer, None),))


def take(free: list[str], rng: np.random.Generator) -> str:
    return free.pop(int(rng.integers(len(free))))
