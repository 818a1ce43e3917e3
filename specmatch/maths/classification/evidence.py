"""Can two beers be told apart by this check, what would help, and when the evidence of pours and packages suffices."""

# Packages of one batch average out pours, never the batch itself: the evidence stops growing, so a sequence has a
# largest number of packages and ends in a hold. One departure is no hold: it asks for another pour, and is judged with
# it.

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtri, ncfdtr

from specmatch.array_types import Floats, Ints, is_number
from specmatch.errors import OptionError
from specmatch.maths.classification.class_model import ClassModel
from specmatch.maths.classification.t2_and_q import SHARE
from specmatch.warning_codes import CONSISTENT, HOLD

POURS_TRIED = (1, 2, 3, 4, 5, 6, 8, 10)
BATCHES_TRIED = (4, 6, 8, 10, 15, 20, 30, 50)
# stands for "as many as you like"
ENDLESS = 10_000


@dataclass(frozen=True)
class Remedy:
    """What would make a mix-up visible."""

    held: float  # expected chance that the claim is held as things stand
    held_at_best: float  # the same with endless pours and batches: what no number can better
    # pours, batches: pours a sample (with the batches there are), or batches a beer (with the pours there are), that
    # bring the chance to the one wanted; None where no number does
    pours: int | None
    batches: int | None


def power(
    fit: ClassModel, claimed: int, really: int, *, n_pours: int, n_batches: int | None = None, rate: float = 0.05
) -> float:
    """Return the expected chance that a sample of one beer is refused as another."""
    # Squared distance over its scatter is noncentral F, if the really poured beer scatters as the claimed one does: a
    # forecast for "what if"; what was observed on held-out batches is the better figure. The squared distance between
    # two estimated means is too large by their uncertainty, which is taken off first.
    n_axes, dof = fit.beer_means.shape[1], fit.metric.dof
    if not fit.judges:
        return 0.0
    known = fit.batches_per_beer
    scale = fit.scatter.scale[claimed]
    n = float(known[claimed] if n_batches is None else n_batches)
    second = float(dof - n_axes + 1) if n_batches is None else float(known.size * (n_batches - 1) - n_axes + 1)
    scatter = fit.metric.scatter(float(n_pours)) + 1.0 / n
    apart = fit.scatter.turned(fit.beer_means[claimed] - fit.beer_means[really], claimed)
    gap = apart**2 - scale / known[claimed] - scale / known[really]
    last = float(min(second, fit.tail.dof))
    limit = fdtri(n_axes, last, 1.0 - rate * (1.0 - SHARE))
    far = max(0.0, float((gap / scatter).sum())) / (scale * fit.tail.inflation)
    return float(1.0 - ncfdtr(n_axes, max(last, 1.0), far, limit))


def sample_size(
    fit: ClassModel, claimed: int, really: int, *, n_pours: int, rate: float = 0.05, wanted: float = 0.95
) -> Remedy:
    """Return what would make a mix-up visible."""

    def held(pours: int, batches: int | None) -> float:
        return power(fit, claimed, really, n_pours=pours, n_batches=batches, rate=rate)

    fewest = int(fit.batches_per_beer.min())
    pours = next((m for m in POURS_TRIED if m >= n_pours and held(m, None) >= wanted), None)
    batches = next((n for n in BATCHES_TRIED if n >= fewest and held(n_pours, n) >= wanted), None)
    return Remedy(held(n_pours, None), held(ENDLESS, ENDLESS), pours, batches)


ANOTHER = "another"
# lots drawn to set the bounds of the last package: one percent of them is a hundred
LOTS = 10_000
# scatters of the last package's mean that a rival lies off from which on it is ruled out in all but few of lots
FAR = 8.0


@dataclass(frozen=True)
class SequentialRule:
    """When a batch is held, passed, or asks for another pour."""

    # What departs at the rate of `wrong_hold` is poured again; held is what departs again when all pours are judged
    # together, so that the chance of both is no more than that of one. Passed is what does not depart and, where
    # `wrong_pass` is asked for, outweighs every rival by Wald's bound for half of that chance; the bound at the last
    # package spends what is left of it. Lots still undecided then are held, within `wrong_hold` where the beers let it.

    wrong_hold: float = 0.05  # a departure is a p-value up to it
    # chance that a batch of another beer of the set passes; None: rivals are not weighed
    wrong_pass: float | None = None
    most_packages: int | None = None  # where a sequence ends in a hold; None for a line, whose run ends by itself
    # of the rate, for the pours since a departure on their own: that look is one more chance of a wrong hold
    since_share: float = 0.1
    # so many of one batch are a hold: pours share their batch, so evidence stops growing, and retests must end
    most_departures: int = 3

    def after(
        self, *, departs: bool, changed: bool = False, waiting: bool = False, departures: int = 0,
        rival: float = -np.inf, n: int = 1, ruled_out: bool = False,
    ) -> str:  # fmt: skip
        """Return `consistent`, `hold` or `another` after a look at all pours so far."""
        # departs: whether they depart; changed: whether those since the last departure do on their own; waiting:
        # whether that departure waits for its retest; departures: how many there were before; rival: log likelihood of
        # the strongest rival over the claim; n: packages there are; ruled_out: whether every rival lies under the bound
        # of the last package
        low, high = self.bounds
        last = self.most_packages is not None and n >= self.most_packages
        if waiting and (departs or changed):
            return HOLD
        if departs:
            return HOLD if rival >= high or departures + 1 >= self.most_departures or last else ANOTHER
        if self.wrong_pass is None or rival <= low:
            return CONSISTENT
        return (CONSISTENT if ruled_out else HOLD) if last else ANOTHER

    @property
    def bounds(self) -> tuple[float, float]:
        """Bounds of the log likelihood ratio before the last package, for half of `wrong_pass`."""
        if self.wrong_pass is None:
            return -np.inf, np.inf
        wald_bounds(self.wrong_hold, self.wrong_pass)
        return wald_bounds(self.wrong_hold, self.wrong_pass / 2.0)


@dataclass(frozen=True)
class Step:
    """Where a sequence of packages stands."""

    decision: str  # `another`: take another package
    n_packages: int  # packages behind the decision: those after it were not needed
    rival: int  # beer that speaks most against the claim
    reason: str = ""  # why it is held, where not for what the packages say of identity
    # shares of right lots of the claimed beer that the whole sequence holds, and of them those that it holds at the
    # last package because a rival is not ruled out: `stated_hold` is `wrong_hold` unless a rival lies too close for it
    stated_hold: float = np.nan
    stated_undecided: float = np.nan
    undecided: bool = False  # whether this lot is held for that


def wald_bounds(wrong_hold: float, wrong_pass: float) -> tuple[float, float]:
    """Return the bounds of the log likelihood ratio (rival over claim) at which a sequence ends."""
    # A. Wald, Annals of Mathematical Statistics 16:117-186, 1945: ln(beta/(1-alpha)) and ln((1-beta)/alpha)
    for name, chance in (("wrong_hold", wrong_hold), ("wrong_pass", wrong_pass)):
        if not (is_number(chance) and 0.0 < chance < 0.5):
            raise OptionError(f"{name} is {chance!r}; expected a chance between 0 and 0.5, such as 0.05")
    return float(np.log(wrong_pass / (1.0 - wrong_hold))), float(np.log((1.0 - wrong_pass) / wrong_hold))


def package_log_ratios(fit: ClassModel, reflectance: Floats, claimed: int) -> Floats:
    """Return log likelihood ratios, every beer over the claimed one, after each package."""
    # along each axis the mean of m packages has the variance of a sample of m pours: that of the batch, which no
    # package averages out, and 1/m of that between pours
    # reflectance (m, p) -> (m, n_beers)
    counts = np.arange(1, len(reflectance) + 1)
    means = np.cumsum(fit.metric.scores(reflectance), axis=0) / counts[:, None]
    ratios = np.empty((len(counts), len(fit.beer_means)))
    for row, m in enumerate(counts):
        weight = fit.weights(float(m))
        squared = (fit.scatter.turned(means[row] - fit.beer_means) ** 2 * weight).sum(axis=1)
        log_density = 0.5 * (np.log(weight).sum(axis=1) - squared / fit.tail.inflation) + fit.scatter.log_density
        ratios[row] = log_density - log_density[claimed]
    return ratios


def last_look(fit: ClassModel, claimed: int, rule: SequentialRule) -> tuple[Floats, float]:
    """Find the bounds at the last package that let `wrong_pass` of a rival's lots pass in all, by lots drawn anew."""
    # -> (n_beers,): log likelihood ratios up to which a rival is ruled out; share of right lots that no bound rules out
    if rule.wrong_pass is None or rule.most_packages is None:
        return np.full(len(fit.beer_means), -np.inf), 0.0
    if not (is_number(rule.most_packages, whole=True) and rule.most_packages >= 1):
        raise OptionError(f"most_packages is {rule.most_packages!r}; expected a whole number, 1 or more")
    counts = np.arange(1, rule.most_packages + 1)
    weight = np.stack([fit.weights(float(m)) for m in counts])  # (m, n_beers, a)
    rng = np.random.default_rng(0)
    shared, own = (rng.standard_normal((LOTS, n, fit.beer_means.shape[1])) for n in (1, counts.size))
    own = np.cumsum(own, axis=1) / counts[:, None]

    def ratios(really: int, rivals: Ints) -> Floats:
        # the variance of a mean of m packages is that of the batch and 1/m of that of pours: (lots, m, rivals)
        first, last = fit.tail.inflation / weight[[0, -1], really]
        pour = np.maximum(first - last, 0.0) / (1.0 - 1.0 / counts[-1]) if counts.size > 1 else np.zeros_like(first)
        away = shared * np.sqrt(np.maximum(first - pour, 0.0)) + own * np.sqrt(pour)
        means = fit.beer_means[really] + fit.scatter.back(away, really)

        def log_density(beer: int) -> Floats:
            squared = (fit.scatter.turned(means - fit.beer_means[beer], beer) ** 2 * weight[:, beer]).sum(axis=2)
            log_density = 0.5 * (np.log(weight[:, beer]).sum(axis=1) - squared / fit.tail.inflation)
            return np.asarray(log_density + denser[beer], float)

        own_density = log_density(claimed)
        return np.stack([log_density(rival) - own_density for rival in rivals.tolist()], axis=2)

    denser = np.broadcast_to(fit.scatter.log_density, len(fit.beer_means))
    low, bound = rule.bounds[0], np.full(len(fit.beer_means), rule.bounds[0])
    apart = fit.scatter.turned(fit.beer_means - fit.beer_means[claimed], claimed) ** 2 * weight[-1, claimed]
    apart = apart.sum(axis=1) / fit.tail.inflation
    rivals = np.flatnonzero((apart < FAR**2) & (np.arange(len(bound)) != claimed))
    if not rivals.size:
        return bound, 0.0
    for rival in rivals.tolist():
        drawn = ratios(rival, np.array([rival]))[:, :, 0]
        early = (drawn[:, :-1] <= low).any(axis=1)
        spent = float(early.mean())
        if spent < rule.wrong_pass:
            left = (rule.wrong_pass - spent) / max(1.0 - spent, 1e-9)
            bound[rival] = max(low, float(np.quantile(drawn[~early, -1], left)))
    right = ratios(claimed, rivals)
    early = np.any(np.all(right[:, :-1] <= low, axis=2), axis=1)
    passed = early | np.all(right[:, -1] <= bound[rivals], axis=1)
    return bound, float(1.0 - passed.mean())


def next_step(fit: ClassModel, reflectance: Floats, *, claimed: int, rule: SequentialRule) -> Step:
    """Say after the packages taken so far whether they suffice."""
    # reflectance (m, p)
    ratios, (bound, lost) = package_log_ratios(fit, reflectance, claimed), last_look(fit, claimed, rule)
    # what the last package leaves undecided is taken off the rate at which lots depart, down to half of it
    departing = rule.wrong_hold - min(lost, rule.wrong_hold / 2.0)
    stated = departing + lost, lost
    # a set of one beer has no rival: only the claim itself can fall
    others = ratios.copy()
    others[:, claimed] = -np.inf
    rivals, strongest = others.argmax(axis=1), others.max(axis=1)
    counts = np.arange(1, len(ratios) + 1, dtype=np.int64)

    def p_of(means: Floats, n: Ints) -> Floats:
        return fit.p_of(means, n, np.full(n.size, claimed))

    departs = p_of(np.cumsum(reflectance, axis=0) / counts[:, None], counts) <= departing
    waiting, departures = -1, 0
    for row, m in enumerate(counts.tolist()):
        since = reflectance[waiting : row + 1]
        changed = waiting >= 0 and bool(
            p_of(since.mean(axis=0)[None, :], np.array([len(since)], np.int64))[0] <= rule.since_share * departing
        )
        decision = rule.after(
            departs=bool(departs[row]), changed=changed, waiting=waiting >= 0, departures=departures,
            rival=float(strongest[row]), n=m, ruled_out=bool((others[row] <= bound).all()),
        )  # fmt: skip
        if decision != ANOTHER:
            undecided = decision == HOLD and not departs[row] and not changed
            return Step(decision, m, int(rivals[row]), "", *stated, undecided)
        # a departure waits for the next package; one that was judged with it no longer does
        waiting, departures = (row, departures + 1) if departs[row] else (-1, departures)
    return Step(ANOTHER, len(counts), int(rivals[-1]), "", *stated)


def held_at(
    fit: ClassModel, readings: Floats, retests: Floats, n_pours: int, rule: SequentialRule, claims: Ints | None = None
) -> Ints:
    """Return at which of its readings each run is held under each claim; the number of readings where at none."""
    # readings, retests (n_runs, n_readings, p): means of so many pours; the retest at a reading is of the same beer
    # claims (k,): codes of beers, all unless given -> (n_runs, k)
    n_runs, n, p = readings.shape
    beers = np.arange(len(fit.beer_means)) if claims is None else claims
    rate = rule.wrong_hold

    each = fit.match(readings.reshape(-1, p), np.full(n_runs * n, n_pours)).p_value.reshape(n_runs, n, -1)
    departs, total = each[:, :, beers] <= rate, np.cumsum(readings, axis=1)
    held = np.full((n_runs, beers.size), n)
    departures, retested, again = np.zeros_like(held), np.zeros_like(held), np.zeros((*held.shape, p))
    for turn in range(n):
        at = departs[:, turn] & (held == n)
        departures += at
        last = at & (departures >= rule.most_departures)
        held[last] = turn
        run, column = np.nonzero(at & ~last)
        if run.size == 0:
            continue
        retested[run, column] += 1
        again[run, column] += retests[run, turn]
        count = turn + 1 + retested[run, column]
        means = (total[run, turn] + again[run, column]) / count[:, None]
        both = (readings[run, turn] + retests[run, turn]) / 2.0
        pours = np.concatenate([count * n_pours, np.full(run.size, 2 * n_pours)])
        found = fit.p_of(np.concatenate([means, both]), pours, np.tile(beers[column], 2))
        stands = (found[: run.size] <= rate) | (found[run.size :] <= rule.since_share * rate)
        held[run[stands], column[stands]] = turn
    return held
