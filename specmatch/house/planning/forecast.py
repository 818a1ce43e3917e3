"""What a check learnt on so many batches and pours would do, counted on simulated houses that do not exist yet."""

# the law of the cup is `maths/optics/path_law.py`, what batches and pours differ by `maths/faults/normal_variation.py`

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from specmatch.array_types import Floats, Ints, check_whole
from specmatch.long_jobs import each_of, one_thread
from specmatch.maths.classification.blends import BLEND_SHARES, hold_blends
from specmatch.maths.classification.class_model import ClassModel, fit_class_model
from specmatch.maths.classification.evidence import power
from specmatch.maths.classification.sessions import shared_noise
from specmatch.maths.faults.normal_variation import CAUSES, OF_SESSION, causes_at
from specmatch.maths.optics.cup import FOAM_REFLECTANCE, Optics, relative_absorbance
from specmatch.maths.optics.path_law import PathLaw
from specmatch.maths.regression.colour_model import ColourModel, fit_colour
from specmatch.maths.regression.lab_effects import LabValues, extra_variance
from specmatch.maths.spectra.noise import ChannelNoise
from specmatch.maths.spectra.transforms import LEAST_REFLECTANCE
from specmatch.maths.statistics.levels import Levels

EBC_PER_ABSORBANCE = 25.0  # of 1 cm at 430 nm, by definition
COLOUR_NM = 430.0
_OF_SESSION = [CAUSES.index(name) for name in OF_SESSION]


@dataclass(frozen=True)
class Assumed:
    """A house as a plan takes it to be."""

    wavelength_nm: Floats  # (p,)
    noise: ChannelNoise
    law: PathLaw
    depth_mm: float
    colour_ebc: Floats  # (n_beers,)
    known: Floats  # (n_beers, p): mean spectra that a set has shown at `depth_mm`, NaN for beers that none has
    unlike: Floats  # (s, p): log absorbance by which beers leave the average one, each a standard deviation long
    pour_sd: Floats  # (c,): along `CAUSES`
    batch_sd: Floats  # (c,)
    shapes: Floats  # (q, p): log absorbance by which batches of one beer differ, each a standard deviation long
    lab_relative: float  # lab_relative, lab_ebc: sd of one lab colour, a share and in EBC
    lab_ebc: float
    lab_states_sd: bool = False  # whether the sheets state it of every batch, so that the colour fit weighs it
    session_batches: int = 1  # batches measured in one session

    def at_depth(self, depth_mm: float) -> Assumed:
        """Return the same house with another depth of beer."""
        factor = np.full(len(self.known), depth_mm / self.depth_mm)
        return replace(self, depth_mm=depth_mm, known=self.law.to_depth(self.known, factor))

    def beers(self, rng: np.random.Generator) -> Floats:
        """Return the share of light that one way through each beer leaves, (n_beers, p): one house of many."""
        own = rng.standard_normal((self.colour_ebc.size, len(self.unlike))) @ self.unlike
        # twice the depth in cm; what stands in the cup is the lab's absorbance
        absorbance = 2.0 * self.depth_mm / 10.0 * self.colour_ebc[:, None] / EBC_PER_ABSORBANCE
        passed = 10.0 ** -(absorbance * relative_absorbance(self.wavelength_nm) * np.exp(own))
        shown = np.isfinite(self.known).all(axis=1)
        passed[shown] = self.law.passed(self.known[shown])
        return np.maximum(passed, 1e-12)


@dataclass(frozen=True)
class Batches:
    """Pours of batches, beer by beer, and what the lab says of them."""

    reflectance: Floats  # (n_pours, p)
    levels: Levels
    lab: Floats  # (n_batches,): EBC
    session: Ints  # (n_batches,)

    def part(self, n_batches: int, n_pours: int) -> Batches:
        """Return the first so many batches of each beer with their first so many pours."""
        batch, beer = self.levels.codes("batch"), self.levels.beer
        each, pours = int((beer == 0).sum()), int((batch == 0).sum())
        kept = np.arange(batch.size).reshape(-1, each, pours)[:, :n_batches, :n_pours].ravel()
        of_batch = np.arange(beer.size).reshape(-1, each)[:, :n_batches].ravel()
        levels = _levels(int(beer.max()) + 1, n_batches, n_pours)
        return Batches(self.reflectance[kept], levels, self.lab[of_batch], self.session[of_batch])


def _levels(n_beers: int, n_batches: int, n_pours: int) -> Levels:
    batch = np.repeat(np.arange(n_beers * n_batches), n_pours)
    return Levels.of_pours(batch, batch, batch // n_batches)


def draw_sessions(n_beers: int, sizes: Sequence[int], per_session: int, rng: np.random.Generator) -> Ints:
    """Return the session of each batch, beer by beer, (n_beers * sizes[-1],): so many batches each, in chance order."""
    # sizes: batches of each beer, growing; the first sizes[k] are measured before all others, a set by themselves
    parts, first = [], 0
    for start, stop in zip((0, *sizes[:-1]), sizes, strict=True):
        place = rng.permutation(n_beers * (stop - start)).reshape(n_beers, -1)
        parts.append(first + place // per_session)
        first = int(parts[-1].max()) + 1
    return np.concatenate(parts, axis=1).ravel()


def draw_batches(
    house: Assumed, beers: Floats, n_batches: int, n_pours: int, rng: np.random.Generator, session: Ints | None = None
) -> Batches:
    """Draw so many batches of each beer, each of one sample of so many pours; without sessions each has its own."""
    # beers (n_beers, p), as `Assumed.beers` returns them; session (n_beers * n_batches,)
    n_beers, p = beers.shape
    shape = (n_beers, n_batches, n_pours)
    of = (np.arange(n_beers * n_batches) if session is None else session).reshape(n_beers, n_batches)
    n_sessions = int(of.max()) + 1
    own = rng.standard_normal((n_beers, n_batches, len(CAUSES))) * house.batch_sd
    own[..., _OF_SESSION] = (rng.standard_normal((n_sessions, len(_OF_SESSION))) * house.batch_sd[_OF_SESSION])[of]
    shapes = rng.standard_normal((n_beers, n_batches, len(house.shapes))) @ house.shapes
    of_pour = rng.standard_normal((*shape, len(CAUSES))) * house.pour_sd
    strength = own[:, :, None, 0] + of_pour[..., 0]
    path = np.exp(strength[..., None] + shapes[:, :, None, :])
    seen = house.law.seen(-np.log(beers)[:, None, None, :] * path)
    optics = Optics(house.wavelength_nm, house.noise.light, house.law.glare, FOAM_REFLECTANCE)
    none = np.zeros((0, p))
    other = np.array([causes_at(one, none, optics)[1:] for one in house.law.seen(-np.log(beers))])
    seen = seen + np.einsum("bnmc,bcp->bnmp", (own[:, :, None, :] + of_pour)[..., 1:], other)
    # dark and reference are one scan for all pours of a session
    reference = rng.standard_normal((n_sessions, p)) * np.sqrt(house.noise.variance(np.ones(p)))
    seen = seen * (1.0 + reference[of][:, :, None])
    seen = seen + rng.standard_normal(seen.shape) * np.sqrt(house.noise.variance(seen))
    at_430 = int(np.abs(house.wavelength_nm - COLOUR_NM).argmin())  # its absorbance is the lab colour
    colour = house.colour_ebc[:, None] * np.exp(own[:, :, 0] + shapes[:, :, at_430])
    error = rng.standard_normal((2, n_beers, n_batches))
    lab = colour * (1.0 + house.lab_relative * error[0]) + house.lab_ebc * error[1]
    lab = np.maximum(lab, 0.05 * colour).ravel()
    return Batches(seen.reshape(-1, p), _levels(n_beers, n_batches, n_pours), lab, of.ravel())


ENDLESS = 10_000
# batches judged in one simulated house, over all of its beers
NEW_BATCHES = 120
BLENDS = (*BLEND_SHARES, 0.5)
FIGURES = ("half_width", "false_reject", "caught", "covered")


@dataclass(frozen=True)
class Design:
    """A set as it might be: cup and fill, pours a sample, batches a beer."""

    cup_mm: float
    fill_ml: float
    depth_mm: float
    n_pours: int
    n_batches: int


@dataclass(frozen=True)
class Tried:
    """What one simulated house did with one set."""

    design: Design
    half_width: float  # relative, of the typical (median) new batch
    half_width_of: Floats  # (n_beers,): the same of each beer
    covered: float
    held_out: float  # error of log colour of the learnt batches, each held out, root mean square
    rejected: Floats  # (n_beers,): share of right claims that depart
    held: Floats  # (claimed, really): share of batches held; NaN on the diagonal
    at_best: Floats  # (claimed, really): the same with endless pours and batches, by the closed form
    blends: Floats  # (len(BLENDS),): share held of blends with the nearest beer
    lamp: Floats  # (n_beers,): relative change of colour for 1 % more light than the reference saw
    identity: ClassModel
    house: Assumed
    beers: Floats  # (n_beers, p): what light its beers leave

    @property
    def figures(self) -> dict[str, float]:
        """The figures that a plan forecasts."""
        caught = float(np.nanmean(self.held)) if self.held.size > 1 else np.nan
        values = (self.half_width, float(self.rejected.mean()), caught, self.covered)
        return dict(zip(FIGURES, values, strict=True))


def _colour_of(house: Assumed, learnt: Batches) -> ColourModel:
    values = None
    if house.lab_states_sd:
        sd = np.hypot(house.lab_relative * learnt.lab, house.lab_ebc)
        unknown = np.full(sd.size, np.nan)
        values = LabValues(("",) * sd.size, extra_variance(learnt.lab, sd, unknown))
    lab = learnt.lab[learnt.levels.codes("batch")]
    return fit_colour(learnt.reflectance, lab, learnt.levels, wavelength_nm=house.wavelength_nm, values=values)


def try_design(house: Assumed, beers: Floats, learnt: Batches, new: Batches, design: Design,
               wanted: tuple[float, float], colour: ColourModel) -> Tried:  # fmt: skip
    """Learn identity of a set, and judge new batches by it and by its colour regression."""
    # wanted: coverage, false-reject rate
    coverage, rate = wanted
    n_beers = house.colour_ebc.size
    shared = shared_noise(learnt.reflectance, learnt.levels, learnt.session, wavelength_nm=house.wavelength_nm)
    identity = fit_class_model(
        learnt.reflectance, learnt.levels, false_reject_rate=rate, shared=shared, session=learnt.session
    )
    means, n_pours = new.levels.mean(new.reflectance, to="sample"), new.levels.counts("sample")
    beer = new.levels.beer
    got = colour.interval(means, n_pours, coverage)
    half = (got.high - got.low) / 2.0 / got.colour
    p = identity.match(means, n_pours).p_value
    departs = np.array([(p[beer == k] <= rate).mean(axis=0) for k in range(n_beers)]).T
    held = departs.copy()
    np.fill_diagonal(held, np.nan)
    at_best = np.full((n_beers, n_beers), np.nan)
    for claimed, really in zip(*np.nonzero(~np.eye(n_beers, dtype=bool)), strict=True):
        at_best[claimed, really] = power(identity, claimed, really, n_pours=ENDLESS, n_batches=ENDLESS, rate=rate)
    blends = np.full(len(BLENDS), np.nan)
    if n_beers > 1:
        bright = np.maximum(means, LEAST_REFLECTANCE)
        blends = hold_blends(identity, bright, n_pours, beer, rate=rate, fractions=BLENDS)[1].mean(axis=0)
    centre = house.law.seen(-np.log(beers))
    return Tried(
        design=design,
        half_width=float(np.median(half)),
        half_width_of=np.array([np.median(half[beer == k]) for k in range(n_beers)]),
        covered=float(np.mean((got.low <= new.lab) & (new.lab <= got.high))),
        held_out=float(np.sqrt(np.mean(np.log(colour.held_out_colour / colour.lab_colour) ** 2))),
        rejected=np.diag(departs).copy(),
        held=held,
        at_best=at_best,
        blends=blends,
        lamp=colour.predict(1.01 * centre) / colour.predict(centre) - 1.0,
        identity=identity,
        house=house,
        beers=beers,
    )


@one_thread()  # here as well, wherever the round is run
def _round(house: Assumed, designs: Sequence[Design], wanted: tuple[float, float], seed: tuple[int, int],
           n_new: int, most: int) -> list[Tried]:  # fmt: skip
    """Simulate one house and try every design of one cup on it; rounds of one seed share beers, batches and pours."""
    beers = house.beers(np.random.default_rng([*seed, 0]))
    sizes, pours = sorted({d.n_batches for d in designs}), max(d.n_pours for d in designs)

    def drawn(sizes: Sequence[int], stream: int) -> Batches:
        rng = np.random.default_rng([*seed, stream])
        session = draw_sessions(len(beers), sizes, house.session_batches, rng)
        return draw_batches(house, beers, sizes[-1], pours, rng, session)

    learnt, new = drawn(sizes, 1), drawn([n_new], 2)
    colour: dict[tuple[int, int], ColourModel] = {}
    out = []
    for d in designs:
        few = (min(d.n_batches, max(3, most // len(beers))), d.n_pours)
        if few not in colour:
            colour[few] = _colour_of(house, learnt.part(*few))
        part = learnt.part(d.n_batches, d.n_pours), new.part(n_new, d.n_pours)
        out.append(try_design(house, beers, *part, d, wanted, colour[few]))
    return out


def try_all(
    house: Assumed, designs: Sequence[Design], wanted: tuple[float, float], *, rounds: int, seed: int,
    n_jobs: int | None = None, tell: Callable[[str], None] | None = None, n_new: int = NEW_BATCHES,
    most: int = ENDLESS,
) -> list[list[Tried]]:  # fmt: skip
    """Try every design on so many simulated houses, the same houses for all; a list a design."""
    # most: batches from which colour is learnt, of a larger set the first of each beer
    check_whole(seed, "seed")
    cups = list(dict.fromkeys(d.depth_mm for d in designs))
    each = max(4, -(-n_new // house.colour_ebc.size))
    jobs = [(turn, depth) for turn in range(rounds) for depth in cups]
    arguments = (
        (house.at_depth(depth), [d for d in designs if d.depth_mm == depth], wanted, (seed, turn), each, most)
        for turn, depth in jobs
    )
    run = each_of(_round, arguments, n_jobs)
    found: dict[Design, list[Tried]] = {design: [] for design in designs}
    for number, part in enumerate(run, 1):
        for one in part:
            found[one.design].append(one)
        if tell is not None:
            tell(f"simulated {number} of {len(jobs)} houses")
    return [found[design] for design in designs]


def curves(tries: Sequence[Sequence[Tried]]) -> pd.DataFrame:
    """Return a row a design: each figure, its Monte-Carlo error, and where nine houses in ten lie."""
    rows = []
    for rounds in tries:
        row: dict[str, float] = asdict(rounds[0].design)
        for name in FIGURES:
            values = np.array([one.figures[name] for one in rounds])
            mean, sd = summary(values)
            # of one house more, after so many (Student's t)
            reach = float(stdtrit(max(values.size - 1, 1), 0.95)) * sd * np.sqrt(values.size + 1.0)
            row |= {name: mean, f"{name}_sd": sd, f"{name}_low": mean - reach, f"{name}_high": mean + reach}
        seen = np.mean([one.blends for one in rounds], axis=0)
        enough = np.flatnonzero(seen >= 0.5)
        row["blend"] = BLENDS[int(enough[0])] if enough.size else np.nan
        rows.append(row)
    return pd.DataFrame(rows)


def summary(values: Floats) -> tuple[float, float]:
    """Return a mean over simulated houses and its Monte-Carlo error; of one house the error is not known."""
    kept = values[np.isfinite(values)]
    if kept.size == 0:
        return float("nan"), float("nan")
    return float(kept.mean()), float(kept.std(ddof=1) / np.sqrt(kept.size)) if kept.size > 1 else float("nan")
