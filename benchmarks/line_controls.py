"""Controls and charts over the family of invented houses: `python -m benchmarks.line_controls [--reps 40]`.

Each member learns a set of its own. Controls are a sealed piece of one of its beers, each under a reference of its own,
judged and recorded by the line's own code. Printed for every member and over the tuning and the shown ones: controls
called out while nothing moved, moves of one of two materials by two and four times its own scatter that were seen, new
models and new lots of the dye that blocked the line, and how long steady charts last against what was stated.
"""

import argparse
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import specmatch as sm
from benchmarks.houses.bench import Bench
from benchmarks.houses.cellar import Plan
from benchmarks.houses.house import House
from benchmarks.houses.liquids import absorption_per_cm, brew
from benchmarks.houses.members import SHOWN, TUNING, members
from specmatch.line.charts import Point, make_chart
from specmatch.line.journal.journal import Journal
from specmatch.line.recording import record_control
from specmatch.line.rules.controls import control_trouble, optical_density
from specmatch.line.rules.judging import LineSetting, kept_mean, reading_record

Floats = NDArray[np.float64]
DAY_S, START = 86400.0, 1.75e9
N_BASELINE, N_LATER = 20, 30
# of the model that comes new; strengths of the lots of a dye that come new
DARKER, LOTS = 1.015, 0.05


class Piece:
    """A sealed piece of one beer of a house: no pour, no foam, the same liquid every time."""

    def __init__(self, house: House, beer: int, seed: int) -> None:
        rng = np.random.default_rng([seed, beer, 77])
        cup = replace(house.spec.cup, path_sd=0.0, foam_mean=0.0)
        self._bench = Bench(cup, _module(house))
        brews = brew(house.spec.liquid, house.recipes, np.array([beer]), np.array([0.0]), rng)
        self._brews = replace(brews, haze=np.zeros_like(brews.haze))
        self._absorption = absorption_per_cm(self._brews, house.palette)

    def scans(self, strengths: Floats, rng: np.random.Generator) -> pd.DataFrame:
        """Return reflectance of the piece at so many times, a row a control, each under a reference of its own."""
        n = strengths.size
        zeros, each = np.zeros(n, int), np.arange(n)
        plan = Plan(zeros, np.zeros(n), each, zeros, each, zeros)
        many = type(self._brews)(**{k: np.repeat(v, n, axis=0) for k, v in vars(self._brews).items()})
        rngs = [np.random.default_rng(rng.integers(1 << 60)) for _ in Bench.RANDOM]
        seen = self._bench.expose(plan, self._absorption * strengths[:, None], many, (), rngs)
        return pd.DataFrame(seen.reflectance, index=[f"c{i}" for i in each], columns=self._bench.module.nm)


def _module(house: House) -> Any:
    from benchmarks.houses.modules import Module

    return Module(house.spec.module, house._rng("unit-own"))


class Darker:
    """A new model that reads everything darker by a share."""

    def __init__(self, house: sm.HouseModel) -> None:
        self._house, self.fitted = house, house.fitted

    def read(self, spectra: pd.DataFrame, scans: pd.DataFrame | None = None) -> pd.DataFrame:
        """Read, darker."""
        table = self._house.read(spectra, scans)
        return table.assign(colour=table["colour"] * DARKER)


@dataclass(frozen=True)
class Desk:
    """A house with its model, and a piece of a pale and of a dark beer."""

    name: str
    house: sm.HouseModel
    pieces: tuple[Piece, Piece]


def desk(name: str, seed: int = 0) -> Desk:
    """Fit a member's model and seal its pieces."""
    house = House(members()[name], seed)
    past = house.draw(None, 0)
    model = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches))
    n = len(house.beers)
    return Desk(name, model, (Piece(house, n // 4, seed), Piece(house, (3 * n) // 4, seed)))


@contextmanager
def scratch() -> Iterator[Journal]:
    """A journal that need not outlive a power cut."""
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "line.db") as journal:
        journal.query("PRAGMA synchronous = OFF")
        yield journal


class Line:
    """Controls of several materials at one line, one after the other."""

    def __init__(self, journal: Journal, house: Any, *, keep: bool = False) -> None:
        self.journal, self.keep, self.n = journal, keep, 0
        self.use(house, "a" * 64)

    def use(self, house: Any, model_hash: str) -> None:
        """Judge by this model from now on."""
        self.setting = LineSetting(house, model_hash, line="L1")

    def all_of(self, scans: pd.DataFrame, material: str, lot: str = "1") -> Iterator[dict[str, Any]]:
        """Measure control after control; give out their rows."""
        table = self.setting.house.read(scans)
        for i, (_, scan) in enumerate(scans.iterrows()):
            yield self.measure(scan, material, lot, reading=reading_record(table.iloc[i]))

    def measure(
        self, scan: pd.Series, material: str, lot: str = "1", *, reading: dict[str, Any] | None = None
    ) -> dict[str, Any]:
        """Measure one control, eight hours after the last; return its row."""
        self.at = START + 8.0 * 3600.0 * self.n
        self.n += 1
        if reading is None:
            reading = reading_record(self.setting.house.read(scan.to_frame(scan.name).T).iloc[0])
        record = {
            "measured_at": "2025-06-24T08:00:00+02:00", "measured_unix": self.at, "line": "L1", "instrument": "unit",
            "operator": "", "model_hash": self.setting.model_hash, "material": material, "material_lot": lot,
            "optical_density": optical_density(scan),
        }  # fmt: skip
        kept = kept_mean(scan.to_frame(scan.name).T, pd.DataFrame({"pour": [scan.name]})) if self.keep else None
        with self.journal.writing():
            return record_control(self.journal, self.setting, reading, (), record, kept=kept)[0]

    def blocked(self) -> bool:
        """Whether samples poured until the next control would find the line blocked."""
        return any(control_trouble(self.journal, "L1", self.at + 3600.0 * h, instrument="unit") for h in (0.1, 4, 7.9))


def steady(place: Desk, reps: int, rng: np.random.Generator) -> tuple[int, int]:
    """Return controls called out and controls measured while nothing moved, after 20 of a baseline."""
    out = n = 0
    for _ in range(reps):
        scans = place.pieces[0].scans(np.ones(N_BASELINE + N_LATER), rng)
        with scratch() as journal:
            line = Line(journal, place.house)
            rows = list(line.all_of(scans, "dye"))
        out += sum(row["decision"] == "rescan" for row in rows[N_BASELINE:])
        n += N_LATER
    return out, n


def scatter(piece: Piece, rng: np.random.Generator) -> float:
    """Return how much stronger a piece must be for its mean optical density to move by one standard deviation."""

    def density(strengths: Floats) -> Floats:
        scans = piece.scans(strengths, rng)
        return np.array([np.mean(list(optical_density(scan).values())) for _, scan in scans.iterrows()])

    same, more = density(np.ones(150)), density(np.full(150, 1.05))
    return float(same.std(ddof=1) / ((more.mean() - same.mean()) / 0.05))


def moves(place: Desk, times_scatter: float, within: int, reps: int, rng: np.random.Generator) -> tuple[int, int]:
    """Return how often a move of one of two materials was seen within so many of its controls, and how often it was."""
    seen = 0
    one = scatter(place.pieces[0], rng)
    for rep in range(reps):
        side = 1.0 if rep % 2 else -1.0
        strengths = np.append(np.ones(N_BASELINE), np.full(within, 1.0 + side * times_scatter * one))
        dye, tile = place.pieces[0].scans(strengths, rng), place.pieces[1].scans(np.ones(strengths.size), rng)
        with scratch() as journal:
            line = Line(journal, place.house)
            for k, (row, _) in enumerate(zip(line.all_of(dye, "dye"), line.all_of(tile, "tile"), strict=True)):
                if k >= N_BASELINE and row["decision"] == "rescan":
                    seen += 1
                    break
    return seen, reps


def changes(place: Desk, reps: int, rng: np.random.Generator) -> tuple[int, int]:
    """Return how many changes of model or dye lot blocked the line in the three days after, and how many there were."""
    blocked = 0
    for rep in range(reps):
        new_lot = rep % 2 == 0
        n = 21 + rep % 7
        strength = 1.0 + LOTS * rng.standard_normal() if new_lot else 1.0
        scans = place.pieces[0].scans(np.append(np.ones(n), np.full(10, strength)), rng)
        again = iter(place.pieces[0].scans(np.full(10, strength), rng).iloc)
        with scratch() as journal:
            line = Line(journal, place.house, keep=True)
            for k, scan in enumerate(scans.iloc):
                if k == n and not new_lot:
                    line.use(Darker(place.house), "b" * 64)
                lot = "2" if new_lot and k >= n else "1"
                row = line.measure(scan, "dye", lot)
                if row["decision"] != "consistent" and k:
                    # a first one vouches for nothing, one may be out by chance: measured again at once, as it says
                    line.n -= 1
                    line.measure(next(again), "dye", lot)
                if k >= n and line.blocked():
                    blocked += 1
                    break
    return blocked, reps


def run_length(place: Desk, days: float, reps: int, rng: np.random.Generator) -> tuple[int, int]:
    """Return how many steady charts of a control were called out within the stated days, and how many there were."""
    called = 0
    n = N_BASELINE + int(3 * days)
    for _ in range(reps):
        scans = place.pieces[0].scans(np.ones(n), rng)
        values = [float(np.mean(list(optical_density(scan).values()))) for scan in scans.iloc]
        points = [Point(i + 1, "", START + DAY_S * i / 3, value) for i, value in enumerate(values)]
        chart = make_chart("control", "L1", "OD", points, false_alarm_days=days)
        both: dict[int, set[tuple[str, int]]] = {}
        for signal in chart.signals:
            if signal.test != "single value":
                both.setdefault(signal.entry, set()).add((signal.test, signal.direction))
        called += any(len(tests) == 2 and len({side for _, side in tests}) == 1 for tests in both.values())
    return called, reps


def figures(name: str, reps: int, seed: int = 0) -> dict[str, tuple[int, int]]:
    """Return every figure of a member as how many of how many."""
    place, rng = desk(name, seed), np.random.default_rng([seed, zlib.crc32(name.encode())])
    return {
        "called out, steady": steady(place, reps, rng),
        "4 sd seen in 3": moves(place, 4.0, 3, reps, rng),
        "2 sd seen in 10": moves(place, 2.0, 10, reps, rng),
        "changes that block": changes(place, max(2, reps // 3), rng),
        "called in 30 days": run_length(place, 30.0, reps, rng),
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--reps", type=int, default=40)
    parser.add_argument("--members", nargs="+", choices=[*TUNING, *SHOWN], default=[*TUNING, *SHOWN])
    args = parser.parse_args()
    total: dict[str, dict[str, tuple[int, int]]] = {}
    for name in args.members:
        found = figures(name, args.reps)
        said = "; ".join(f"{what} {k} of {n}" for what, (k, n) in found.items())
        print(f"{name}: {said}", flush=True)
        group = total.setdefault("tuning" if name in TUNING else "shown", {})
        for what, (k, n) in found.items():
            before = group.get(what, (0, 0))
            group[what] = (before[0] + k, before[1] + n)
    for group_name, group in total.items():
        said = "; ".join(f"{what} {k} of {n} ({k / n:.2%})" for what, (k, n) in group.items())
        print(f"{group_name}: {said}")


if __name__ == "__main__":
    main()
