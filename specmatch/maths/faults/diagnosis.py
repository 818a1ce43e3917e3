"""From what each fault explains of a departure to the one that is named, a second beside it, and a rival."""

from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.faults.detector import BLOCK, NO_FAULT, Detector, Explanation, places_of_all, rests_on_light
from specmatch.maths.optics.cup import FAULTS
from specmatch.warning_codes import FAULT_WORDS, FaultWords

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
# a second fault beside the first has to be this much clearer than one alone, because faults seldom come in pairs
SECOND_FAULT = 3.0
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
    key = first * (int(second.max(initial=0)) + 1) + second
    order = np.argsort(key, kind="stable")
    key = key[order]
    ends = (np.flatnonzero(key[1:] != key[:-1]) + 1).tolist()
    parts = [order[start:end] for start, end in pairwise([0, *ends, key.size])] if key.size else []
    return [((int(first[rows[0]]), int(second[rows[0]])), rows) for rows in parts]


def judge(
    detector: Detector, departure: Floats, explanation: Explanation, *, doubt: Floats, limit: Floats | float
) -> Diagnosis:
    """Choose among explanations.

    A sum of two faults, neither of negative size, takes the place of one where that leaves much less of the departure.
    """
    # departure (n, p), doubt, limit (n_faults,)
    # doubt: what the gain of each fault is divided by: how much more than by chance good scans seem to have of it
    # limit: what the quotient has to reach for a fault to be named
    told = (explanation.size >= LEAST_SIZES) & (explanation.gain / doubt > limit)
    named = np.flatnonzero(told.any(axis=1))
    if not named.size:
        return nothing_found(len(told))
    gain, sizes, rows = explanation.gain[named], explanation.size[named], departure[named]
    fault, size, rival, rival_size = _best(gain, sizes, told[named])
    second, second_size = np.full(fault.size, NO_FAULT), np.zeros(fault.size)
    first = rows - detector.pattern(fault, size)
    after = detector.distance(first)
    # what a lamp known badly leaves of the first fault is no second one
    lit = np.flatnonzero(rests_on_light(fault))
    if lit.size:
        after[lit] = detector.loose_distances([first[lit]], detector.light_variance(fault[lit], size[lit]))[0]
    limits = np.broadcast_to(limit, doubt.shape)
    worth = np.maximum(SECOND_FAULT * limits[fault], SECOND_SHARE * gain[np.arange(named.size), fault])
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
    return join_findings([(named[clear], found.rows(clear))], len(told))


def _pairs(
    detector: Detector, departure: Floats, first: Ints, sizes: Floats, doubt: Floats, worth: Floats
) -> tuple[Ints, Floats, Floats]:
    """Return the best fault beside the first of each row, or -1, and the sizes of the first and of it.

    Least squares in both, with the shapes that the faults have at their best sizes alone.
    """
    row = np.arange(len(sizes))
    tried = np.where(sizes > 0, sizes, _FIRST_SIZE)
    projected = detector.project(departure)
    places = places_of_all(tried)
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


def _best(gain: Floats, sizes: Floats, told: Mask) -> tuple[Ints, Floats, Ints, Floats]:
    """Return the likeliest fault of each departure of which some are told, its size, and a rival with its size."""
    # gain, sizes, told (n, n_faults)
    # whether a fault is there is told by how far good scans reach; which it is by the likelihoods alone, which compare
    odds = np.where(told, gain - RARENESS - (sizes / USUAL_SIZES) ** 2, -np.inf)
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
