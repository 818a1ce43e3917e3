"""An invented house: draws of past, new and foreign batches in the library's table forms, and the truth beside."""

import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchmarks.houses.bench import Bench, Exposures
from benchmarks.houses.cellar import CellarSpec, Plan, clock, lab_values, plan_year
from benchmarks.houses.cups import CupSpec
from benchmarks.houses.faults import Fault
from benchmarks.houses.folder import write_measured_folder
from benchmarks.houses.liquids import LiquidSpec, absorption_per_cm, brew, foreign_recipes, house_recipes, malt_palette
from benchmarks.houses.modules import FINE_NM, Module, ModuleSpec, second_module

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

INTEGRATION_MS = 20.0
MOST_BINS = 48
LAST_DRAW = 7000  # years ahead that a calendar of four digits can still hold


@dataclass(frozen=True)
class HouseSpec:
    """An invented brewery: what it brews, pours, measures with and how its year goes; `why` says what is hard in it."""

    name: str
    why: str
    liquid: LiquidSpec = field(default_factory=LiquidSpec)
    cup: CupSpec = field(default_factory=CupSpec)
    module: ModuleSpec = field(default_factory=ModuleSpec)
    cellar: CellarSpec = field(default_factory=CellarSpec)


@dataclass(frozen=True)
class Draw:
    """Drawn batches: the three tables, the band that the references carry (nm), and the truth.

    `truth` has the index of `scans`: `beer`, `colour` (EBC), `fault` (blank where none), `fault_size`, `depth_mm`,
    `foam` (share of the surface), `haze` (1/cm).
    """

    spectra: pd.DataFrame
    scans: pd.DataFrame
    batches: pd.DataFrame
    truth: pd.DataFrame
    band_nm: tuple[float, float]
    exposures: Exposures

    @property
    def true_colour(self) -> pd.Series:
        """True colour of each batch, EBC."""
        return self.truth.groupby(self.scans["batch"], sort=False)["colour"].first().rename("colour")


@dataclass(frozen=True)
class Moments:
    """Means (beers, q) and covariances (beers, q, q) of batch means in a space of features; `beers` names the rows."""

    beers: tuple[str, ...]
    means: Floats
    covariances: Floats
    features: Callable[[Floats], Floats]


class House:
    """One house of a member of the family: the same `spec` and `seed` give the same house and the same draws.

    Each part of a draw has random numbers of its own: the same `(seed, draw)` with another module, cup, lamp, lab or
    fault gives the same batches, pours and sessions, seen otherwise.
    """

    def __init__(self, spec: HouseSpec, seed: int = 0) -> None:
        self.spec, self.seed = spec, seed
        self.palette = malt_palette(spec.liquid.malts, FINE_NM, self._rng("malts"))
        self.recipes = house_recipes(spec.liquid, self._rng("recipes"))

    @property
    def beers(self) -> tuple[str, ...]:
        """Names of the house's beers, palest first."""
        return self.recipes.names

    def draw(
        self,
        n_batches: int | None = None,
        draw: int = 0,
        *,
        pours: int | None = None,
        fill_ml: float | None = None,
        cup_mm: float | None = None,
        module: str | None = None,
        lamp: str | None = None,
        lab: str | None = None,
        faults: Fault | Sequence[Fault] | None = None,
        beers: Sequence[str] | None = None,
        foreign: bool = False,
        foreign_over_colours: bool = False,
        single_session_per_beer: bool | None = None,
        again: int = 0,
    ) -> Draw:
        """Draw `n_batches` of each beer (the house's own numbers where None); of foreign beers, one batch each.

        `pours` a batch, `fill_ml`, `cup_mm`, `lamp`, `lab` and whether each beer has a session of its own are the
        house's own where None; `module` is one of `second_module`; faults go over the batches in turn; `beers` are
        some of the house's. `again` pours and scans the same batches another time: other fills, references and noise.
        """
        if not 0 <= draw <= LAST_DRAW:
            raise ValueError(f"draw: got {draw}, expected 0 to {LAST_DRAW}, a year each")
        cup, spec = self._bench(fill_ml, cup_mm, module, lamp)
        recipes = self.recipes
        if foreign or foreign_over_colours:
            over = foreign_over_colours
            n = 5 * len(self.beers) if n_batches is None else n_batches
            recipes = foreign_recipes(self.spec.liquid, recipes, n, self._rng("foreign", draw), over_colours=over)
        rng = self._rng("plan", draw)
        per_beer = self._batches_a_beer(n_batches, beers, len(recipes.names), recipes is not self.recipes, rng)
        cellar = self.spec.cellar
        own_sessions = cellar.own_sessions if single_session_per_beer is None else single_session_per_beer
        plan = plan_year(cellar, per_beer, rng, pours=pours, lab=lab, own_sessions=own_sessions)
        brews = brew(self.spec.liquid, recipes, plan.beer, plan.day, self._rng("brews", draw))
        instrument = f"unit-{'own' if module is None else module}"
        # a unit's own pixels are of the house, not of the draw
        bench = Bench(cup, Module(spec, self._rng(instrument)))
        planted = () if faults is None else (faults,) if isinstance(faults, Fault) else tuple(faults)
        absorption = absorption_per_cm(brews, self.palette)
        exposures = bench.expose(
            plan, absorption, brews, planted, [self._rng(p + f"/{again}" * (again > 0), draw) for p in Bench.RANDOM]
        )

        batches = lab_values(cellar, plan.lab, brews.colour, self._rng("lab", draw))
        batches.insert(0, "beer", np.array(recipes.names)[plan.beer])
        batches.index = pd.Index([f"B{draw}-{i + 1:04d}" for i in range(plan.beer.size)], name="batch")
        started, scans = _scans_table(plan, draw, batches.index.to_numpy(), cup, instrument)
        truth = pd.DataFrame(
            {
                "beer": batches["beer"].to_numpy()[plan.pour_batch],
                "colour": brews.colour[plan.pour_batch],
                "fault": exposures.fault,
                "fault_size": exposures.fault_size,
                "depth_mm": exposures.depth_mm,
                "foam": exposures.foam,
                "haze": exposures.haze,
            },
            index=scans.index,
        )
        spectra = pd.DataFrame(exposures.reflectance, index=scans.index, columns=pd.Index(bench.module.nm, name="nm"))
        return Draw(spectra, scans, batches, truth, exposures.band_nm, replace(exposures, started=started))

    def true_means_and_covariances(
        self,
        n_batches: int = 200,
        *,
        pours: int | None = None,
        features: Callable[[Floats], Floats] | None = None,
    ) -> Moments:
        """Simulate `n_batches` of each beer and return mean and covariance of its batch means.

        `features` maps reflectance (n, channels) to the space of the rule; by default log means of at most 48
        bins of neighbouring channels inside the band. Sessions mix beers, so that the covariance holds what sessions
        differ by. The year of the last draw is used.
        """
        drawn = self.draw(n_batches, LAST_DRAW, pours=pours, single_session_per_beer=False)
        if features is None:
            features = log_bins(drawn.spectra.columns.to_numpy(float), drawn.band_nm)
        mean = features(drawn.spectra.groupby(drawn.scans["batch"], sort=False).mean().to_numpy())
        beer = drawn.batches["beer"].to_numpy()
        groups = [mean[beer == name] for name in self.beers]
        means = np.array([group.mean(axis=0) for group in groups])
        return Moments(self.beers, means, np.array([np.cov(group, rowvar=False) for group in groups]), features)

    def write_folder(self, path: str | Path, draw: int = 0, n_batches: int | None = None, **options: object) -> Draw:
        """Write a measured folder of raw counts for what `draw` draws with these options, and return that draw."""
        drawn = self.draw(n_batches, draw, **options)  # type: ignore[arg-type]
        write_measured_folder(Path(path), drawn.spectra.columns.to_numpy(float), drawn)
        return drawn

    def _batches_a_beer(
        self, n_batches: int | None, beers: Sequence[str] | None, n_beers: int, foreign: bool, rng: np.random.Generator
    ) -> Ints:
        if foreign:
            return np.ones(n_beers, int)
        least, most = self.spec.cellar.batches
        own = rng.integers(least, most + 1, n_beers)
        unknown = sorted(set(beers or ()) - set(self.beers))
        if unknown:
            raise ValueError(f"beers: got {', '.join(unknown)}, expected some of {', '.join(self.beers)}")
        asked = own if n_batches is None else np.full(n_beers, n_batches)
        return asked if beers is None else asked * np.isin(self.beers, list(beers))

    def _bench(
        self, fill_ml: float | None, cup_mm: float | None, module: str | None, lamp: str | None
    ) -> tuple[CupSpec, ModuleSpec]:
        cup, spec = self.spec.cup, self.spec.module
        if module is not None:
            cup, spec = second_module(module, cup, spec)
        cup = replace(cup, fill_ml=fill_ml or cup.fill_ml, cup_mm=cup_mm or cup.cup_mm)
        return cup, replace(spec, lamp=lamp or spec.lamp)

    def _rng(self, purpose: str, draw: int = -1) -> np.random.Generator:
        key = zlib.crc32(f"{self.spec.name}/{purpose}".encode())
        return np.random.default_rng([key, self.seed, draw + 1])


def _scans_table(
    plan: Plan, draw: int, batch: NDArray[np.object_], cup: CupSpec, instrument: str
) -> tuple[tuple[str, ...], pd.DataFrame]:
    """Return when each session began, and the scans table of a plan."""
    started, scanned = clock(plan, draw)
    of = batch[plan.pour_batch]
    pour = [f"{b}-P{k + 1}" for b, k in zip(of, plan.pour_number, strict=True)]
    scans = pd.DataFrame(
        {
            "pour": pour,
            "sample": [f"{b}-S1" for b in of],
            "batch": of,
            "measured_at": [t.isoformat() for t in scanned],
            "integration_ms": INTEGRATION_MS,
            "fill_ml": cup.fill_ml,
            "cup": f"C{cup.cup_mm:.0f}",
            "cup_mm": cup.cup_mm,
            "instrument": instrument,
            "session": [f"D{draw}-{s + 1:03d}" for s in plan.session[plan.pour_batch]],
            "reference_kind": "water",
        },
        index=pd.Index([f"{name}.csv" for name in pour], name="scan_id"),
    )
    return tuple(t.isoformat() for t in started), scans


def log_bins(nm: Floats, band_nm: tuple[float, float], most: int = MOST_BINS) -> Callable[[Floats], Floats]:
    """Return a function from reflectance (n, channels) to log means of at most `most` bins of channels in the band."""
    inside = np.flatnonzero((nm >= band_nm[0]) & (nm <= band_nm[1]))
    bins = np.array_split(inside, min(most, inside.size))
    return lambda R: np.log(np.maximum(np.stack([R[:, part].mean(axis=1) for part in bins], axis=1), 1e-3))
