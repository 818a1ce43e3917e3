"""What a changeover leaves in the next beer: coverage, what is missed, the smallest visible part, and series.

Run: python -m benchmarks.changeover [--seeds 2] [--members long_ladder drawn_100] [--json]

Each member of the invented houses learns its past batches and reads blends of new ones, mixed in the house's own
physics before they are poured: beers with their neighbours, pairs that lie far apart, and beers with water.

The smallest attainable part is that of a judge who is told by the house itself in which direction a blend leaves the
beer most surely, and how blends scatter along it, but who learns from as many batches of the beer as the set has where
the beer lies and how it scatters there: no rule finds that direction from eight batches, and none can do without their
mean. A judge who knows even these, from hundreds of batches, sees the part called `known`. Both say "seen" as the
library does: beyond the 95 % limit of one side, which is what "none" leaves open, in 98 of 100 readings. What nobody
can do without is shown by a third judge, `few batches`: told the path and how readings scatter along any line, but
learning the direction from as many batches as the set has, with the number of axes and the weight of the beer's own
scatter beside that of all chosen with hindsight. All data are invented.
"""

import argparse
import json
import sys
from collections.abc import Callable
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

import specmatch as sm
from benchmarks.houses import SHOWN, TUNING, House, spec_of
from benchmarks.houses.blends import WATER, draw_blends
from benchmarks.houses.house import HouseSpec, log_bins
from specmatch.house.reading.changeover import path_between
from specmatch.house.reading.samples import prepare_samples
from specmatch.maths.classification.blends import estimate_blends, neighbours
from specmatch.maths.classification.blends import read_series as series_of_scores
from specmatch.maths.statistics.levels import binomial_bounds

Floats, Ints = NDArray[np.float64], NDArray[np.int64]

BLENDS, FRACTIONS = 10, np.array([0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.8])
NEAR, FAR, PUSHED = "neighbours", "far pairs", "water"
# judges: batches of the beer and pairs of batches that are blended, bins, fractions; how often a part is to be seen
KNOWN_BEER, KNOWN_BLENDS, BINS = 250, 30, 16
KNOWN_FRACTIONS = np.array([0.0, 0.01, 0.02, 0.04, 0.07, 0.12, 0.2, 0.3, 0.45, 0.65, 1.0])
# sets drawn to learn a direction from, out of so many batches of each beer; weights and numbers of axes tried
SETS, BATCHES_DRAWN, WEIGHTS, AXES = 6, 40, (0.1, 0.3, 0.5, 0.7, 0.9), range(3, BINS + 1, 2)
LEVEL, SEEN = 0.95, 0.98
SERIES, PACKAGES, APART = 6, 14, 1.5


def pairs(house: House, model: sm.HouseModel) -> list[tuple[str, str, str]]:
    """Return kind, beer before and beer after."""
    names, near = model.beers_, neighbours(model.fitted.identity)
    n = len(names)
    chosen = np.unique(np.linspace(0, n - 1, 4).round().astype(int))
    colour = dict(zip(house.beers, house.recipes.colour, strict=True))
    far = [(names[i], names[(i + n // 2) % n]) for i in chosen] + [(names[0], names[-1]), (names[-1], names[0])]
    apart = [(a, b) for a, b in far if max(colour[a], colour[b]) >= APART * min(colour[a], colour[b])]
    return (
        [(NEAR, names[near[i]], names[i]) for i in chosen]
        + [(FAR, a, b) for a, b in dict.fromkeys(apart)]
        + [(PUSHED, WATER, names[i]) for i in chosen]
    )


@cache
def batches_of(house: House, pours: int) -> tuple[Floats, Ints]:
    """Return batches of all beers in bins, and the place of each one's beer."""
    drawn = house.draw(BATCHES_DRAWN, 6001, pours=pours, single_session_per_beer=False)
    of = log_bins(drawn.spectra.columns.to_numpy(float), drawn.band_nm, BINS)
    mean = drawn.spectra.groupby(drawn.scans["batch"], sort=False).mean()
    beer = drawn.batches["beer"].reindex(mean.index)
    return of(mean.to_numpy()), pd.Index(house.beers).get_indexer(beer)


def judges(house: House, before: str, after: str, pours: int, per_beer: dict[str, int]) -> tuple[float, float, float]:
    """Return the smallest part seen from a set in the best direction, by a judge who knows, and in one learnt."""
    n_batches = per_beer[after]

    def bins_of(fractions: Floats, purpose: str) -> Floats:
        drawn = draw_blends(
            house, before=before, after=after, fractions=fractions, draw=6000, pours=pours, purpose=purpose
        )
        of = log_bins(drawn.spectra.columns.to_numpy(float), drawn.band_nm, BINS)
        mean = drawn.spectra.groupby(drawn.scans["sample"], sort=False).mean().to_numpy()
        return of(mean).reshape(*fractions.shape, -1)

    # the direction rests on batches of their own: one that was fitted to those it is judged on looks too good
    none = np.cov(bins_of(np.zeros((KNOWN_BEER, 1)), "known beer")[:, 0], rowvar=False)
    x = bins_of(np.tile(KNOWN_FRACTIONS, (KNOWN_BLENDS, 1)), "known")
    centre = x.mean(axis=0) - x[:, 0].mean(axis=0)
    scatter = np.array([np.cov(x[:, i], rowvar=False) for i in range(x.shape[1])])

    def seen_along(away: Floats, wanted: float) -> float:
        moved, sd = (centre * away).sum(axis=1), np.sqrt(np.einsum("ka,kab,kb->k", away, scatter, away))
        still = np.sqrt(np.maximum(np.einsum("ka,ab,kb->k", away, none, away), 1e-12))
        return _first_over(np.append(0.0, ((moved - ndtri(SEEN) * sd) / still)[1:]), wanted)

    best = np.linalg.solve(none + 1e-9 * np.trace(none) * np.eye(len(none)), centre.T).T
    limit = float(stdtrit(n_batches - 1, LEVEL)) * np.sqrt(1.0 + 1.0 / n_batches)
    few = learnt(centre, lambda away: seen_along(away, limit), *batches_of(house, pours), house.beers, after, per_beer)
    return seen_along(best, limit), seen_along(best, float(ndtri(LEVEL))), few


def learnt(
    centre: Floats, seen: Callable[[Floats], float], batches: Floats, beer: Ints, names: tuple[str, ...], after: str,
    per_beer: dict[str, int],
) -> float:  # fmt: skip
    """Return the smallest part seen in directions that are learnt from as many batches as a set has."""
    rng, found = np.random.default_rng(0), []
    for _ in range(SETS):
        products, dof = {}, {}
        for place, name in enumerate(names):
            rows = rng.permutation(np.flatnonzero(beer == place))[: per_beer.get(name, 0)]
            away, dof[name] = batches[rows] - batches[rows].mean(axis=0), max(1, rows.size - 1)
            products[name] = away.T @ away
        pooled, own, parts = sum(products.values()) / sum(dof.values()), products[after] / dof[after], []
        for weight in WEIGHTS:
            size, axes = np.linalg.eigh(weight * own + (1.0 - weight) * pooled)
            parts += [seen(centre @ axes[:, -a:] / np.maximum(size[-a:], 1e-12) @ axes[:, -a:].T) for a in AXES]
        found.append(min(parts))
    return float(np.median(found))


def _first_over(sure: Floats, wanted: float) -> float:
    last = int(np.flatnonzero(sure < wanted)[-1])
    if last + 1 >= sure.size:
        return 1.0
    return float(np.interp(wanted, sure[last : last + 2], KNOWN_FRACTIONS[last : last + 2]))


class Asked:
    """Two beers of a house, and the path and the limit between them: worked out once for all that is read of them."""

    def __init__(self, house: House, model: sm.HouseModel, kind: str, before: str, after: str) -> None:
        self.house, self.fitted, self.pours = house, model.fitted, house.spec.cellar.pours[0]
        self.names = {"kind": kind, "before": before, "after": after}
        self.before, self.after = before, after
        self.path = path_between(model.fitted, before, after)
        self.per_beer = dict(zip(model.beers_, model.fitted.identity.batches_per_beer.tolist(), strict=True))

    def scores(self, fractions: Floats, draw: int, purpose: str) -> tuple[Floats, Ints]:
        """Draw blends and return their scores, (pairs, k, a), and pours, (pairs, k)."""
        drawn = draw_blends(
            self.house, before=self.before, after=self.after, fractions=fractions, draw=draw, pours=self.pours,
            purpose=purpose,
        )  # fmt: skip
        means = prepare_samples(self.fitted, drawn.spectra, drawn.scans).averages
        place = pd.Index(means.names).get_indexer(drawn.scans["sample"].drop_duplicates())
        scores = self.fitted.identity.metric.scores(means.reflectance)[place]
        return scores.reshape(*fractions.shape, -1), means.counts[place].reshape(fractions.shape)


def read_pair(asked: Asked, *, judged: bool = True) -> dict[str, object]:
    """Read blends of one pair and return counts; `judged`: beside what the judges see."""
    true = np.tile(FRACTIONS, (BLENDS, 1))
    scores, counts = asked.scores(true, 1, "blends")
    got = estimate_blends(asked.path, scores.reshape(true.size, -1), counts.ravel())
    low, high = (np.array([getattr(one, name) for one in got]).reshape(true.shape) for name in ("low", "high"))
    # each reading states its own
    visible = np.array([one.smallest_visible for one in got]).reshape(true.shape)
    covered, none = (low <= true + 1e-9) & (true - 1e-9 <= high), low <= 0.0
    above, some = true >= visible, true > 0.0
    row: dict[str, object] = {
        **asked.names, "n": int(some.sum()), "covered": int(covered[some].sum()), "above": int(above.sum()),
        "missed": int(none[above].sum()), "pure": int((~some).sum()), "false": int((~none)[~some].sum()),
        "visible": float(np.median(visible)),
    }  # fmt: skip
    if judged:
        attainable, known, few = judges(asked.house, asked.before, asked.after, asked.pours, asked.per_beer)
        row |= {"attainable": attainable, "known": known, "few": few, "few over attainable": few / attainable}
        row |= {"ratio": row["visible"] / attainable, "ratio to known": row["visible"] / known}
        row |= {"ratio to few": row["visible"] / few}
    return row


def wash_out(n: int, rng: np.random.Generator) -> Floats:
    """Return the part of the old liquid in packages of changeovers: all of it, then an exponential fall."""
    begins, fall = rng.uniform(0.0, 3.0, (n, 1)), rng.uniform(0.5, 1.2, (n, 1))
    return np.minimum(1.0, np.exp(-(np.arange(PACKAGES) - begins) / fall))


def read_series(asked: Asked) -> dict[str, object]:
    """Read series of one pair and return in how many the package was found, within one, by what is visible there."""
    fractions = wash_out(SERIES, np.random.default_rng(asked.house.seed))
    scores, counts = asked.scores(fractions, 2, "series")
    known = asked.fitted.identity.choice.pour_dof > 0
    found, seen = 0, []
    for true, own, pours in zip(fractions, scores, counts, strict=True):
        got = series_of_scores(asked.path, own, pours, pours_known=known)
        seen.append(got.smallest_visible)
        under = int(np.flatnonzero(true <= got.smallest_visible)[0])
        found += got.first is not None and abs(got.first - under) <= 1
    return {"series": SERIES, "found": int(found), "seen": float(np.mean(seen))}


def member_rows(spec: HouseSpec, seed: int, *, judged: bool = True, step: int = 1) -> list[dict[str, object]]:
    """Return a row a pair, or every so-manieth, of one member and seed."""
    house = House(spec, seed)
    past = house.draw()
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC", band_nm=past.band_nm)
    model, rows = sm.HouseModel().fit(refs), []
    for pair in pairs(house, model)[::step]:
        asked = Asked(house, model, *pair)
        row = read_pair(asked, judged=judged)
        if pair[0] != NEAR:
            row |= read_series(asked)
        rows.append({"member": spec.name, "seed": seed, **row})
    return rows


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """Return shares by kind, each with its exact 95 % bounds and the worst member."""
    table = {}
    for kind, part in rows.groupby("kind", sort=False):
        said: dict[str, object] = {}
        for name, count, of, low_is_bad in (
            ("covered", "covered", "n", True), ("missed above visible", "missed", "above", False),
            ("seen in none", "false", "pure", False), ("series within one", "found", "series", True),
        ):  # fmt: skip
            sums = part.groupby("member")[[count, of]].sum() if count in part else pd.DataFrame()
            if len(sums) and sums[of].sum() > 0:
                low, high = binomial_bounds(sums[count].sum(), sums[of].sum())
                shares = (sums[count] / sums[of].where(sums[of] > 0)).dropna()
                worst = shares.idxmin() if low_is_bad else shares.idxmax()
                share = sums[count].sum() / sums[of].sum()
                said[name] = f"{share:.3f} ({low:.3f}-{high:.3f}), worst {shares[worst]:.3f} {worst}"
        for name, column in (
            ("visible / attainable", "ratio"),
            ("visible / known", "ratio to known"),
            ("few batches / attainable", "few over attainable"),
            ("visible / few batches", "ratio to few"),
        ):
            if column not in part or part[column].isna().all():
                continue
            ratio = part.groupby("member")[column].median()
            said[name] = (
                f"median {part[column].median():.2f}, at most 1.25 in {(part[column] <= 1.25).mean():.2f}, "
                f"worst median {ratio.max():.2f} {ratio.idxmax()}"
            )
        table[kind] = said
    return pd.DataFrame(table)


def main() -> None:
    """Print the figures of both halves of the family."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--members", nargs="+", default=[*TUNING, *SHOWN])
    parser.add_argument("--json", action="store_true", help="print a row a pair as JSON")
    args = parser.parse_args()
    rows: list[dict[str, object]] = []
    for name in args.members:
        for seed in range(args.first_seed, args.first_seed + args.seeds):
            rows += member_rows(spec_of(name), seed)
            print(f"{name}, seed {seed}", file=sys.stderr, flush=True)
    if args.json:
        print(json.dumps(rows, indent=1))
        return
    frame = pd.DataFrame(rows)
    tuned = frame["member"].isin(TUNING)
    for title, part in (("thresholds are set on", frame[tuned]), ("figures are shown on", frame[~tuned])):
        for kind, said in summary(part).items() if len(part) else ():
            print(f"{title}: {kind}\n" + "\n".join(f"  {name}: {value}" for name, value in said.dropna().items()))


if __name__ == "__main__":
    main()
