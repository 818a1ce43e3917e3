"""A departure from a good spectrum held against every known fault at once, in the scatter that good scans have."""

from dataclasses import dataclass, fields
from functools import cached_property
from itertools import pairwise

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.optics.cup import FAULTS, Optics, with_fault
from specmatch.maths.statistics.linear_algebra import solve_each
from specmatch.warning_codes import FAULT_WORDS, FaultWords

_FAULT_OF_ATOM = np.repeat(np.arange(len(FAULTS)), [len(fault.sizes) for fault in FAULTS])
_FIRST = np.flatnonzero(np.diff(_FAULT_OF_ATOM, prepend=-1))
# patterns of a detector: nothing, then each fault at each of its sizes; the one that a stretch of sizes starts from
_BEFORE = np.where(np.diff(_FAULT_OF_ATOM, prepend=-1) == 0, np.arange(_FAULT_OF_ATOM.size), 0)
_UPPER = np.concatenate([fault.sizes for fault in FAULTS])
_LOWER = np.concatenate([(0.0, *fault.sizes[:-1]) for fault in FAULTS])
# where the stretches of each fault begin, shape (n_faults, most); a size never lies beyond those that a fault lacks
_BEGINNINGS = np.full((len(FAULTS), max(len(fault.sizes) for fault in FAULTS)), np.inf)
for _row, _fault in zip(_BEGINNINGS, FAULTS, strict=True):
    _row[: len(_fault.sizes)] = (0.0, *_fault.sizes[:-1])
# the stretches of each fault, some of them again where it has fewer than others
_ATOMS = np.array([np.resize(np.flatnonzero(k == _FAULT_OF_ATOM), _row.size) for k in range(len(FAULTS))])
# shapes of faults are known to a tenth or so
SHAPE_ERROR = 0.1
# ... and the lamp's light, learnt from noise alone: its level, on which light from outside rests, and the slope of its
# logarithm per nm, on which a shift does
LIGHT_ERROR, LIGHT_SLOPE_ERROR = 0.1, 0.015
_RESTS_ON_LEVEL = np.array([fault.name.startswith("ambient_") for fault in FAULTS])
_RESTS_ON_SLOPE = np.array([fault.name.startswith("shift_") for fault in FAULTS])
NO_FAULT = -1
# rows at a time: a block of rows by sizes stays in the processor's cache
BLOCK = 1024


@dataclass(frozen=True)
class Explanation:
    """What each fault explains of each departure."""

    # (n, n_faults): how much of the squared distance (in the scatter of good scans) the fault takes away at its best
    # size: twice the log likelihood ratio of the fault against none
    gain: Floats
    size: Floats  # (n, n_faults): its best size, 0 or more

    def odds(self, doubt: Floats) -> Floats:
        """Return twice the log odds of each fault against none, -inf where its size is not worth naming."""
        # averaged over sizes, half normal about none (Laplace): the better a size is known the less likely it was
        # doubt (n_faults,): what gains are divided by, as far as `DOUBTED` -> (n, n_faults)
        gain = self.gain - np.minimum(self.gain, DOUBTED) * (1.0 - 1.0 / doubt)
        named = (self.size >= LEAST_SIZES) & (gain > 0.0) & np.isfinite(doubt)
        narrow = USUAL_SIZES * np.sqrt(gain) / (2.0 * np.maximum(self.size, LEAST_SIZES))
        odds = gain - (self.size / USUAL_SIZES) ** 2 - 2.0 * np.log(np.maximum(narrow, 1.0)) - RARENESS
        return np.where(named, odds, -np.inf)


def patterns_at(reflectance: Floats, optics: Optics) -> Floats:
    """Return what nothing, then each fault at each of its sizes, adds to good spectra, free of noise of their own."""
    # reflectance (..., p) -> (..., 1 + n_sizes, p)
    good = reflectance[..., None, :]
    faults = [with_fault(fault.name, fault.sizes, reflectance, optics) - good for fault in FAULTS]
    return np.concatenate([np.zeros_like(good), *faults], axis=-2)


class Detector:
    """Known faults and natural scatter at one good spectrum, ready to explain departures from it."""

    def __init__(
        self,
        base: Floats,
        patterns: Floats,
        causes: Floats,
        spread: Floats,
        noise: Floats,
    ) -> None:
        # patterns: of `patterns_at`; causes (c, p), spread (c, c): their covariance, noise (p,): variances
        self.base = base
        self._noise, self._atoms = noise, patterns
        size, axes = np.linalg.eigh(spread)
        self._loading = (axes * np.sqrt(np.maximum(size, 0.0))).T @ causes
        self._scaled = self._loading / noise
        # one and more on the diagonal of a handful of rows: an inverse is as good as a factor
        self._inner = np.linalg.inv(np.eye(len(causes)) + self._scaled @ self._loading.T)
        # of the covariance of good scans: distances at two good spectra compare only with it
        self.log_determinant = float(np.log(noise).sum() - np.linalg.slogdet(self._inner)[1])
        self._weights = self.solve(self._atoms)
        # from each size to the next, and from nothing to the first of each fault
        start, start_weights = self._atoms[_BEFORE], self._weights[_BEFORE]
        step, step_weights = self._atoms[1:] - start, self._weights[1:] - start_weights
        square = (step * step_weights).sum(axis=1)
        # a fault that changes nothing here, such as clipping where nothing is clipped, has no best size but 0
        changes = square > 1e-200
        self._step_square = np.where(changes, square, 0.0)
        self._per_square = np.where(changes, 1.0 / np.where(changes, square, 1.0), 0.0)
        self._start_step = (start * step_weights).sum(axis=1)
        self._start_square = (start * start_weights).sum(axis=1)

    @cached_property
    def _products(self) -> Floats:
        return np.asarray(self._atoms @ self._weights.T)

    def solve(self, rows: Floats) -> Floats:
        """Return rows, shape (n, p), times the inverse covariance of good scans (by Woodbury's identity)."""
        scaled = rows / self._noise
        return scaled - (scaled @ self._loading.T) @ (self._inner @ self._scaled)

    def distance(self, departure: Floats) -> Floats:
        """Return squared Mahalanobis distances, shape (n,), of departures, shape (n, p)."""
        return (departure * self.solve(departure)).sum(axis=1)

    def pattern(self, fault: Ints, size: Floats) -> Floats:
        """Return what faults add to the good spectrum, shape (n, p); nothing where the fault is -1."""
        at = _between(fault, size)
        return (1.0 - at.share)[:, None] * self._atoms[at.low] + at.share[:, None] * self._atoms[at.high]

    def project(self, departure: Floats) -> Floats:
        """Return products, in the scatter of good scans, of departures, shape (n, p), with each fault at each size."""
        return departure @ self._weights.T

    def projected(self, fault: Ints, size: Floats) -> Floats:
        """Return what `project` makes of `pattern`, a row a fault of shape (n,), without any spectra."""
        at = _between(fault, size)
        return (1.0 - at.share)[:, None] * self._products[at.low] + at.share[:, None] * self._products[at.high]

    def along(self, projected: Floats, places: "Places") -> Floats:
        """Return products of what was projected with every fault, each at its place; (n, n_faults)."""
        row = np.arange(len(projected))[:, None]
        return (1.0 - places.share) * projected[row, places.low] + places.share * projected[row, places.high]

    def squares(self, places: "Places") -> Floats:
        """Return squared distances of every fault from the good spectrum, each at its place, shape (n, n_faults)."""
        low, high, share = places.low, places.high, places.share
        rest, of = 1.0 - share, self._products
        return rest**2 * of[low, low] + 2.0 * rest * share * of[low, high] + share**2 * of[high, high]

    def added(self, fault: Ints, size: Floats, second: Ints, second_size: Floats) -> tuple[Floats, Floats]:
        """Return what two faults add to the good spectrum, and the variance by which that may miss, shape (n, p)."""
        both = self.pattern(fault, size)
        pairs = np.flatnonzero(second != NO_FAULT)
        both[pairs] += self.pattern(second[pairs], second_size[pairs])
        variance = (SHAPE_ERROR * both) ** 2
        for which, its_size in ((fault, size), (second, second_size)):
            rows = np.flatnonzero(_rests_on_light(which))
            variance[rows] += self.light_variance(which[rows], its_size[rows])
        return both, variance

    def light_variance(self, fault: Ints, size: Floats) -> Floats:
        """Return by how much the shape of a fault may miss because its lamp is known badly, shape (n, p)."""
        level = np.where(_RESTS_ON_LEVEL[fault], LIGHT_ERROR, 0.0)[:, None]
        slope = LIGHT_SLOPE_ERROR * np.where(_RESTS_ON_SLOPE[fault], size, 0.0)[:, None] * self.base
        return np.asarray((level * self.pattern(fault, size)) ** 2 + slope**2)

    def cleaned(self, departure: Floats, faults: Floats, shape_variance: Floats) -> Floats:
        """Return spectra, shape (n, p), as they would read without what faults add."""
        # the good spectrum, and what natural causes most likely add to it given what the faults leave of the departure;
        # what neither explains is noise, or the part of a fault that its shape misses
        # departure, faults, shape_variance (n, p)
        weight = 1.0 / (self._noise + shape_variance)
        return self.base + self._effects([departure - faults], weight)[0] @ self._loading

    def loose_distances(self, departures: list[Floats], shape_variance: Floats) -> list[Floats]:
        """Return squared distances as `distance` does, with the misses of shapes allowed for in every channel."""
        # departures, shape_variance (n, p)
        weight = 1.0 / (self._noise + shape_variance)
        found = []
        for departure, effects in zip(departures, self._effects(departures, weight), strict=True):
            left = effects @ self._loading
            np.subtract(departure, left, out=left)
            left *= weight
            found.append(np.einsum("np,np->n", departure, left))
        return found

    @cached_property
    def _pairs(self) -> Floats:
        return (self._loading[:, None] * self._loading).reshape(-1, self.base.size)

    def _effects(self, departures: list[Floats], weight: Floats) -> list[Floats]:
        """Return how much of each natural cause most likely stands behind departures, in its standard deviations."""
        # departures, weight (n, p) -> (n, n_causes)
        k = len(self._loading)
        systems = np.empty((k, k + len(departures), len(weight)))
        systems[:, :k] = (self._pairs @ weight.T).reshape(k, k, -1)
        systems[np.arange(k), np.arange(k)] += 1.0
        for column, one in enumerate(departures, start=k):
            systems[:, column] = self._loading @ (one * weight).T
        return [one.T for one in solve_each(systems).swapaxes(0, 1)]

    def explain(self, departure: Floats) -> Explanation:
        """Find the best size of each fault for each departure, by least squares on each stretch between two sizes."""
        # departure (n, p)
        parts = [self.best(self.project(departure[i : i + BLOCK])) for i in range(0, max(1, len(departure)), BLOCK)]
        return Explanation(np.concatenate([one.gain for one in parts]), np.concatenate([one.size for one in parts]))

    def best(self, projected: Floats) -> Explanation:
        """Do the work of `explain` on what `project` gave."""
        # taken, not indexed: what indexing gives is laid out column by column, and slow to go on with
        share, gain = self._stretches(projected.take(_BEFORE, axis=1), projected[:, 1:], slice(None))
        best = np.maximum.reduceat(gain, _FIRST, axis=1)
        at_best = gain >= best.take(_FAULT_OF_ATOM, axis=1)
        sizes = np.where(at_best, _LOWER + share * (_UPPER - _LOWER), 0.0)
        return Explanation(best, np.maximum.reduceat(sizes, _FIRST, axis=1))

    def best_size(self, projected: Floats, fault: Ints, other: Ints, other_size: Floats) -> Floats:
        """Return the best size of one fault a row beside another one, shape (n,)."""
        # projected (n, n_sizes + 1), fault, other, other_size (n,)
        atoms, row = _ATOMS[fault], np.arange(len(fault))[:, None]
        of = _between(other[:, None], other_size[:, None])

        def without_other(columns: Ints) -> Floats:
            taken = (1.0 - of.share) * self._products[of.low, columns] + of.share * self._products[of.high, columns]
            return np.asarray(projected[row, columns] - taken)

        share, gain = self._stretches(without_other(_BEFORE[atoms]), without_other(atoms + 1), atoms)
        sizes = np.where(gain >= gain.max(axis=1)[:, None], _LOWER[atoms] + share * (_UPPER - _LOWER)[atoms], 0.0)
        return np.asarray(sizes.max(axis=1))

    def _stretches(self, before: Floats, after: Floats, atoms: Ints | slice) -> tuple[Floats, Floats]:
        """Return how far along each stretch its best point lies, 0 to 1, and its gain; `before` is written over."""
        along = after - before
        along -= self._start_step[atoms]
        share = along * self._per_square[atoms]
        np.minimum(np.maximum(share, 0.0, out=share), 1.0, out=share)
        # twice what lies before the stretch and on it, less the squares of both
        along *= share
        before += along
        before *= 2.0
        before -= np.multiply(np.multiply(share, share, out=along), self._step_square[atoms], out=along)
        before -= self._start_square[atoms]
        return share, before


@dataclass(frozen=True)
class Places:
    """Where sizes of faults lie among the patterns of a detector: between which two, and how far from the first."""

    low: Ints
    high: Ints
    share: Floats


def _rests_on_light(fault: Ints) -> Mask:
    """Return whether the shape of a fault rests on what is known of the lamp, shape (n,)."""
    return np.asarray((fault != NO_FAULT) & (_RESTS_ON_LEVEL | _RESTS_ON_SLOPE)[fault])


def _between(fault: Ints, size: Floats) -> Places:
    """Return the patterns between which each size of each fault lies, and how far from the first to the second."""
    fault, size = np.broadcast_arrays(fault, size)
    named = fault != NO_FAULT
    # the last stretch that begins below the size; from nothing to nothing where there is no fault
    atom = _FIRST[fault] + np.maximum((size[..., None] > _BEGINNINGS[fault]).sum(axis=-1) - 1, 0)
    share = (size - _LOWER[atom]) / (_UPPER[atom] - _LOWER[atom])
    return Places(np.where(named, _BEFORE[atom], 0), np.where(named, atom + 1, 0), np.where(named, share, 0.0))


LEAST_SIZES = np.array([fault.least for fault in FAULTS])
USUAL_SIZES = np.array([fault.usual for fault in FAULTS])
RARENESS = np.array([fault.rare for fault in FAULTS])
_FIRST_SIZE = np.array([fault.sizes[0] for fault in FAULTS])
_CODES = np.array([FAULT_WORDS[fault.name].code for fault in FAULTS])
_IS_PATH = np.array([fault.name.startswith("path_") for fault in FAULTS])
# faults of which a scan has one at most: two ways of one quantity, and what no spectrum tells apart from it
_EXCLUDED = (_CODES[:, None] == _CODES) | (_IS_PATH[:, None] & _IS_PATH)
# Twice the log likelihood ratio of a factor of 20: a rival nearer than that is mentioned.
CLOSE = 2.0 * np.log(20.0)
# odds from which on a fault is named (tuning: 4 % of good lone pours reach them by chance)
NAMED = 5.0
# gain up to which a doubt counts: what good scans reach says nothing of large faults (tuning)
DOUBTED = 40.0
# gain from which on a second fault is named beside the first: faults seldom come in pairs
SECOND_FAULT = 20.0
# of foam and haze the one that takes away less by no more than this share is as likely
LIKE_SHARE = 0.15
WHITE = np.isin([fault.name for fault in FAULTS], ["foam", "haze"])
# ... and to matter beside it: what the shape of the first fault, known to a tenth or so, leaves over is no second one
SECOND_SHARE = 0.15
# a fault that takes away less of the departure than this does not explain it
LEAST_SHARE = 0.3
# rounds in which the sizes of two faults are found, each with the other taken away
_ROUNDS = 3


@dataclass(frozen=True)
class Diagnosis:
    """The best explanation of each departure; fields have shape (n,), faults are positions in `FAULTS` or -1."""

    fault: Ints  # fault, size: the fault that explains most, if any is sure enough, and its size
    size: Floats
    second: Ints  # second, second_size: A further fault that is needed beside the first
    second_size: Floats
    rival: Ints  # rival, rival_size: another fault that explains nearly as much
    rival_size: Floats
    share: Floats  # part of the squared departure that the faults named take away, 0 to 1

    def rows(self, chosen: Ints) -> "Diagnosis":
        """Return the findings of some departures."""
        return Diagnosis(*(getattr(self, field.name)[chosen] for field in fields(self)))


def nothing_found(n: int) -> Diagnosis:
    """Return findings of n departures that nothing explains."""
    none, zero = np.full((3, n), NO_FAULT), np.zeros((4, n))
    return Diagnosis(none[0], zero[0], none[1], zero[1], none[2], zero[2], zero[3])


def join_findings(parts: list[tuple[Ints, Diagnosis]], n: int) -> Diagnosis:
    """Return the findings of rows 0 .. n-1 from those of parts of them."""
    if len(parts) == 1 and len(parts[0][0]) == n == 1:
        return parts[0][1]
    whole = nothing_found(n)
    for rows, found in parts:
        for one in fields(Diagnosis):
            getattr(whole, one.name)[rows] = getattr(found, one.name)
    return whole


def in_words(found: Diagnosis, k: int, *, pours: str = "", usual: str = "than usual") -> str:
    """Say what explains departure k: the fault, what no spectrum can tell it from, a second, and a rival."""
    # pours: what agrees, where that makes another cause as likely; usual: what the size is told against
    words = _words(found.fault[k])
    said = words.phrase.format(size=found.size[k])
    if pours:
        said += words.alike.format(pours=pours)
    if found.second[k] != NO_FAULT:
        said += f", and {_words(found.second[k]).phrase.format(size=found.second_size[k])}"
    if found.rival[k] != NO_FAULT:
        said += f"; or, nearly as likely, {_words(found.rival[k]).phrase.format(size=found.rival_size[k])}"
    return said.replace("than usual", usual)


def _words(fault: int) -> FaultWords:
    return FAULT_WORDS[FAULTS[fault].name]


def rows_by(first: Ints, second: Ints) -> list[tuple[tuple[int, int], Ints]]:
    """Return pairs of codes that occur, each with the rows that share them."""
    # first, second (n,) -> (m,)
    if first.size == 1:
        return [((int(first[0]), int(second[0])), np.zeros(1, np.int64))]
    key = first * (int(second.max(initial=0)) + 1) + second
    order = np.argsort(key, kind="stable")
    key = key[order]
    ends = (np.flatnonzero(key[1:] != key[:-1]) + 1).tolist()
    parts = [order[start:end] for start, end in pairwise([0, *ends, key.size])] if key.size else []
    return [((int(first[rows[0]]), int(second[rows[0]])), rows) for rows in parts]


def judge(
    detector: Detector, departure: Floats, explanation: Explanation, *, doubt: Floats, limit: float = NAMED
) -> Diagnosis:
    """Choose among explanations; a sum of two faults takes the place of one where that leaves much less."""
    # departure (n, p), doubt (n_faults,)
    # doubt: what the gain of each fault is divided by: how much more than by chance good scans seem to have of it
    # limit: what the odds have to reach for a fault to be named
    odds = explanation.odds(doubt)
    odds = np.where(odds > limit, odds, -np.inf)
    named = np.flatnonzero(odds.max(axis=1) > limit)
    if not named.size:
        return nothing_found(len(odds))
    gain, sizes, rows = explanation.gain[named], explanation.size[named], departure[named]
    fault, size, rival, rival_size = _best(odds[named], sizes)
    second, second_size = np.full(fault.size, NO_FAULT), np.zeros(fault.size)
    first = rows - detector.pattern(fault, size)
    after = detector.distance(first)
    # what a lamp known badly leaves of the first fault is no second one
    lit = np.flatnonzero(_rests_on_light(fault))
    if lit.size:
        after[lit] = detector.loose_distances([first[lit]], detector.light_variance(fault[lit], size[lit]))[0]
    worth = np.maximum(SECOND_FAULT + 3.0 * RARENESS[fault], SECOND_SHARE * gain[np.arange(named.size), fault])
    # good scans lie at one unit a channel, which nothing is asked to explain
    for start in range(0, named.size, BLOCK):
        part = slice(start, start + BLOCK)
        left = np.flatnonzero(after[part] - rows.shape[1] > worth[part]) + start
        if left.size:
            pair = _pairs(detector, rows[left], fault[left], sizes[left], doubt, worth[left])
            size[left] = np.where(pair[0] == NO_FAULT, size[left], pair[1])
            second[left], second_size[left] = pair[0], pair[2]
    faults, misses = detector.added(fault, size, second, second_size)
    before, after = detector.loose_distances([rows, rows - faults], misses)
    beyond = np.maximum(after - rows.shape[1], 0.0)
    share = np.clip((before - after) / np.maximum(before - after + beyond, 1e-300), 0.0, 1.0)
    clear = np.flatnonzero(np.logical_not(share < LEAST_SHARE))
    found = Diagnosis(fault, size, second, second_size, rival, rival_size, share)
    return join_findings([(named[clear], found.rows(clear))], len(odds))


def _pairs(
    detector: Detector, departure: Floats, first: Ints, sizes: Floats, doubt: Floats, worth: Floats
) -> tuple[Ints, Floats, Floats]:
    """Return the best fault beside the first of each row, or -1, and the sizes of the first and of it."""
    # least squares in both, with the shapes that the faults have at their best sizes alone
    row = np.arange(len(sizes))
    tried = np.where(sizes > 0, sizes, _FIRST_SIZE)
    projected = detector.project(departure)
    places = _between(np.arange(len(FAULTS)), tried)  # of every fault at its size
    along, own = detector.along(projected, places), detector.squares(places)
    own = np.maximum(own, 1e-300)
    cross = detector.along(detector.projected(first, tried[row, first]), places)
    own_first, along_first = own[row, first][:, None], along[row, first][:, None]
    # the two-by-two normal equations, solved for every candidate; shapes all but alike give no answer
    determinant = own * own_first - cross**2
    usable = (determinant > 1e-6 * own * own_first) & ~_EXCLUDED[first]
    safe = np.where(usable, determinant, 1.0)
    share = (along * own_first - along_first * cross) / safe
    share_first = (along_first * own - along * cross) / safe
    gain = share * along + share_first * along_first - along_first**2 / own_first
    gain = np.where(usable & (share > 0) & (share_first > 0), gain / doubt, 0.0)
    second = gain.argmax(axis=1)
    size_first, size = share_first[row, second] * tried[row, first], share[row, second] * tried[row, second]
    for _ in range(_ROUNDS):
        size = detector.best_size(projected, second, first, size_first)
        size_first = detector.best_size(projected, first, second, size)
    clear = (gain[row, second] > worth) & (size >= LEAST_SIZES[second]) & (size_first >= LEAST_SIZES[first])
    return np.where(clear, second, NO_FAULT), size_first, np.where(clear, size, 0.0)


def _best(odds: Floats, sizes: Floats) -> tuple[Ints, Floats, Ints, Floats]:
    """Return the likeliest fault of each departure of which some are told, its size, and a rival with its size."""
    # odds, sizes (n, n_faults)
    row = np.arange(len(odds))
    first = odds.argmax(axis=1)
    others = np.where(_EXCLUDED[first], -np.inf, odds)
    next_best = others.argmax(axis=1)
    # foam and haze both add white, and how a cup shows either is known to a tenth or so: a tie is foam or haze
    white = WHITE[first] & WHITE[next_best]
    room = np.where(white, np.maximum(CLOSE, LIKE_SHARE * odds[row, first]), CLOSE)
    close = others[row, next_best] > odds[row, first] - room
    swapped = white & close & (first > next_best)
    first, next_best = np.where(swapped, next_best, first), np.where(swapped, first, next_best)
    return first, sizes[row, first], np.where(close, next_best, NO_FAULT), np.where(close, sizes[row, next_best], 0.0)
