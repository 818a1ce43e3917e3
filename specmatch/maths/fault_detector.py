"""Departures from a good spectrum held against every known fault at once, in the scatter that good scans have."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from specmatch.maths.fault_shapes import FAULTS, Optics, with_fault

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_FAULT_OF_ATOM = np.repeat(np.arange(len(FAULTS)), [len(fault.sizes) for fault in FAULTS])
_FIRST = np.flatnonzero(np.diff(_FAULT_OF_ATOM, prepend=-1))
_LATER = np.flatnonzero(np.diff(_FAULT_OF_ATOM, prepend=-1) == 0)
_UPPER = np.concatenate([fault.sizes for fault in FAULTS])
_LOWER = np.concatenate([(0.0, *fault.sizes[:-1]) for fault in FAULTS])
_LEAST = np.array([fault.least for fault in FAULTS])
_CODE = np.array([[one.code == other.code for other in FAULTS] for one in FAULTS])
# Twice the log likelihood ratio of a factor of 20: a rival nearer than that is mentioned.
CLOSE = 2.0 * np.log(20.0)
# a second fault beside the first has to be this much clearer than one alone, because faults seldom come in pairs
SECOND_FAULT = 2.0
# ... and to matter beside it: what the shape of the first fault, known to a tenth or so, leaves over is no second one
SECOND_SHARE = 0.15
SHAPE_ERROR = 0.1
# a fault that takes away less of the departure than this does not explain it
LEAST_SHARE = 0.3
NO_FAULT = -1
# rows at a time: a block of rows by sizes stays within a few megabytes
BLOCK = 4096


@dataclass(frozen=True)
class Explanation:
    """What each fault explains of each departure.

    Attributes
    ----------
    gain : ndarray, shape (n, n_faults)
        How much of the squared distance (in the scatter of good scans) the fault takes away at its best size: twice
        the log likelihood ratio of the fault against none.
    size : ndarray, shape (n, n_faults)
        Its best size, 0 or more.
    """

    gain: Floats
    size: Floats


@dataclass(frozen=True)
class Finding:
    """The best explanation of each departure; fields have shape (n,), faults are positions in `FAULTS` or -1.

    Attributes
    ----------
    fault, size : ndarray
        The fault that explains most, if any is sure enough, and its size.
    second, second_size : ndarray
        A further fault that is needed beside the first.
    rival, rival_size : ndarray
        Another fault that explains nearly as much.
    share : ndarray
        Part of the squared departure that the faults named take away, 0 to 1.
    """

    fault: Ints
    size: Floats
    second: Ints
    second_size: Floats
    rival: Ints
    rival_size: Floats
    share: Floats

    def rows(self, chosen: Ints) -> "Finding":
        """Return the findings of some departures."""
        return Finding(*(getattr(self, field.name)[chosen] for field in fields(self)))


class Detector:
    """Known faults and natural scatter at one good spectrum, ready to explain departures from it.

    Parameters
    ----------
    base : ndarray, shape (p,)
        The good spectrum.
    optics : Optics
    causes : ndarray, shape (k, p)
        What one unit of each natural cause adds.
    spread : ndarray, shape (k,)
        Variance along each.
    noise : ndarray, shape (p,)
        Variance of each channel besides.
    """

    def __init__(self, base: Floats, optics: Optics, causes: Floats, spread: Floats, noise: Floats) -> None:
        self.base = base
        self._noise = noise
        atoms = np.concatenate([with_fault(fault.name, fault.sizes, base, optics) - base for fault in FAULTS])
        self._loading = causes * np.sqrt(spread)[:, None]
        self._scaled = self._loading / noise
        self._inner = cho_factor(np.eye(len(causes)) + self._scaled @ self._loading.T)
        # from each size to the next, and from nothing to the first of each fault
        self._start = np.zeros_like(atoms)
        self._start[_LATER] = atoms[_LATER - 1]
        self._step = atoms - self._start
        weights = self.solve(atoms)
        start_weights = np.zeros_like(weights)
        start_weights[_LATER] = weights[_LATER - 1]
        self._step_weights = weights - start_weights
        # the floor is for a fault that changes nothing here, such as clipping where nothing is clipped
        self._step_square = np.maximum((self._step * self._step_weights).sum(axis=1), 1e-300)
        self._start_step = (self._start * self._step_weights).sum(axis=1)
        self._start_square = (self._start * start_weights).sum(axis=1)

    def solve(self, rows: Floats) -> Floats:
        """Return rows, shape (n, p), times the inverse covariance of good scans (by Woodbury's identity)."""
        scaled = rows / self._noise
        return scaled - cho_solve(self._inner, (scaled @ self._loading.T).T).T @ self._scaled

    def distance(self, departure: Floats) -> Floats:
        """Return squared Mahalanobis distances, shape (n,), of departures, shape (n, p)."""
        return (departure * self.solve(departure)).sum(axis=1)

    def pattern(self, fault: Ints, size: Floats) -> Floats:
        """Return what faults add to the good spectrum, shape (n, p); nothing where the fault is -1."""
        fault, size = np.asarray(fault), np.asarray(size)
        named = fault != NO_FAULT
        larger = (fault[:, None] == _FAULT_OF_ATOM) & (size[:, None] > _LOWER)
        # the last stretch that begins below the size
        atom = np.where(named & larger.any(axis=1), _LOWER.size - 1 - larger[:, ::-1].argmax(axis=1), 0)
        share = np.where(named, (size - _LOWER[atom]) / (_UPPER[atom] - _LOWER[atom]), 0.0)
        return np.where(named[:, None], self._start[atom], 0.0) + share[:, None] * self._step[atom]

    def cleaned(self, departure: Floats, finding: Finding) -> Floats:
        """Return spectra, shape (n, p), as they would read without the faults found in departures, shape (n, p).

        Notes
        -----
        The good spectrum, and what natural causes most likely add to it: the mean of their distribution given what the
        faults leave of the departure. What neither explains is noise, or the part of a fault that its shape misses: a
        tenth of the fault is allowed for that.
        """
        faults = self.pattern(finding.fault, finding.size) + self.pattern(finding.second, finding.second_size)
        noise = self._noise + (SHAPE_ERROR * faults) ** 2
        scaled = self._loading / noise[:, None, :]
        inner = np.eye(len(self._loading)) + scaled @ self._loading.T
        right = (scaled @ (departure - faults)[:, :, None])[:, :, 0]
        return self.base + np.linalg.solve(inner, right[:, :, None])[:, :, 0] @ self._loading

    def explain(self, departure: Floats) -> Explanation:
        """Find the best size of each fault for each departure.

        Parameters
        ----------
        departure : ndarray, shape (n, p)

        Returns
        -------
        Explanation

        Notes
        -----
        Sizes run along a line from size to size; on each stretch the best point is that of least squares.
        """
        n = len(departure)
        gain, size = np.empty((n, len(FAULTS))), np.empty((n, len(FAULTS)))
        for begin in range(0, n, BLOCK):
            rows = slice(begin, begin + BLOCK)
            gain[rows], size[rows] = self._explain(departure[rows])
        return Explanation(gain, size)

    def _explain(self, departure: Floats) -> tuple[Floats, Floats]:
        along = departure @ self._step_weights.T
        before = np.zeros_like(along)
        for atom in _LATER:
            before[:, atom] = before[:, atom - 1] + along[:, atom - 1]
        along -= self._start_step
        share = np.clip(along / self._step_square, 0.0, 1.0)
        gain = 2.0 * (before + share * along) - share**2 * self._step_square - self._start_square
        best = np.maximum.reduceat(gain, _FIRST, axis=1)
        at_best = gain >= best[:, _FAULT_OF_ATOM]
        sizes = np.where(at_best, _LOWER + share * (_UPPER - _LOWER), 0.0)
        return best, np.maximum.reduceat(sizes, _FIRST, axis=1)

    def judge(self, departure: Floats, explanation: Explanation, *, doubt: Floats, limit: float) -> Finding:
        """Choose among explanations.

        Parameters
        ----------
        departure : ndarray, shape (n, p)
        explanation : Explanation
            Of these departures.
        doubt : ndarray, shape (n_faults,)
            What the gain of each fault is divided by: how much more than by chance good scans seem to have of it.
            Infinite for a fault that cannot be meant.
        limit : float
            Gain from which on a fault is named.

        Returns
        -------
        Finding
        """
        fault, size, rival, rival_size = _best(explanation, doubt, limit)
        named = np.flatnonzero(fault != NO_FAULT)
        second, second_size = np.full(fault.size, NO_FAULT), np.zeros(fault.size)
        if named.size:
            left = departure[named] - self.pattern(fault[named], size[named])
            again = self.explain(left)
            # what the shape of the first does not get right is no second fault
            worth = np.maximum(SECOND_FAULT * limit, SECOND_SHARE * explanation.gain[named, fault[named]])
            second[named], second_size[named], _, _ = _best(again, doubt, worth)
            alike = _CODE[fault, second] | (second == NO_FAULT)
            second[alike], second_size[alike] = NO_FAULT, 0.0
            both = np.flatnonzero(second != NO_FAULT)
            if both.size:
                # the size of the first was found with the second in it: once more without
                once = self.explain(departure[both] - self.pattern(second[both], second_size[both]))
                size[both] = once.size[np.arange(both.size), fault[both]]
        share = self._share(departure, (fault, size, second, second_size))
        # a fault that leaves most of the departure as it was is not what happened
        poor = share < LEAST_SHARE
        for which, its_size in ((fault, size), (second, second_size), (rival, rival_size)):
            which[poor], its_size[poor] = NO_FAULT, 0.0
        share[poor] = 0.0
        return Finding(fault, size, second, second_size, rival, rival_size, share)

    def _share(self, departure: Floats, finding: tuple[Ints, Floats, Ints, Floats]) -> Floats:
        fault, size, second, second_size = finding
        named = np.flatnonzero(fault != NO_FAULT)
        share = np.zeros(fault.size)
        if named.size:
            rows = departure[named]
            left = rows - self.pattern(fault[named], size[named]) - self.pattern(second[named], second_size[named])
            before, after = self.distance(rows), self.distance(left)
            # good scans lie at one unit a channel, which nothing is asked to explain
            beyond = np.maximum(after - rows.shape[1], 0.0)
            share[named] = np.clip((before - after) / np.maximum(before - after + beyond, 1e-300), 0.0, 1.0)
        return share


def _best(explanation: Explanation, doubt: Floats, limit: Floats | float) -> tuple[Ints, Floats, Ints, Floats]:
    rows = np.arange(len(explanation.gain))
    gain = np.where(explanation.size >= _LEAST, explanation.gain / doubt, 0.0)
    fault = gain.argmax(axis=1)
    most = gain[rows, fault]
    others = np.where(_CODE[fault], -np.inf, gain)
    rival = others.argmax(axis=1)
    close = others[rows, rival] > np.maximum(most - CLOSE, limit)
    named = most > limit
    return (
        np.where(named, fault, NO_FAULT),
        np.where(named, explanation.size[rows, fault], 0.0),
        np.where(named & close, rival, NO_FAULT),
        np.where(named & close, explanation.size[rows, rival], 0.0),
    )
