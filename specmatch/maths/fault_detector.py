"""Departures from a good spectrum held against every known fault at once, in the scatter that good scans have."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specmatch.maths.fault_shapes import FAULTS, Optics, with_fault

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_FAULT_OF_ATOM = np.repeat(np.arange(len(FAULTS)), [len(fault.sizes) for fault in FAULTS])
_FIRST = np.flatnonzero(np.diff(_FAULT_OF_ATOM, prepend=-1))
_LATER = np.flatnonzero(np.diff(_FAULT_OF_ATOM, prepend=-1) == 0)
_UPPER = np.concatenate([fault.sizes for fault in FAULTS])
_LOWER = np.concatenate([(0.0, *fault.sizes[:-1]) for fault in FAULTS])
# shapes of faults are known to a tenth or so
SHAPE_ERROR = 0.1
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
        # one and more on the diagonal of a handful of rows: an inverse is as good as a factor
        self._inner = np.linalg.inv(np.eye(len(causes)) + self._scaled @ self._loading.T)
        # from each size to the next, and from nothing to the first of each fault
        self._start = np.zeros_like(atoms)
        self._start[_LATER] = atoms[_LATER - 1]
        self._step = atoms - self._start
        weights = self.solve(atoms)
        start_weights = np.zeros_like(weights)
        start_weights[_LATER] = weights[_LATER - 1]
        self._step_weights = weights - start_weights
        square = (self._step * self._step_weights).sum(axis=1)
        # a fault that changes nothing here, such as clipping where nothing is clipped, has no best size but 0
        changes = square > 1e-200
        self._step_square = np.where(changes, square, 0.0)
        self._per_square = np.where(changes, 1.0 / np.where(changes, square, 1.0), 0.0)
        self._start_step = (self._start * self._step_weights).sum(axis=1)
        self._start_square = (self._start * start_weights).sum(axis=1)

    def solve(self, rows: Floats) -> Floats:
        """Return rows, shape (n, p), times the inverse covariance of good scans (by Woodbury's identity)."""
        scaled = rows / self._noise
        return scaled - (scaled @ self._loading.T) @ (self._inner @ self._scaled)

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

    def cleaned(self, departure: Floats, faults: Floats) -> Floats:
        """Return spectra, shape (n, p), as they would read without what faults add.

        Parameters
        ----------
        departure, faults : ndarray, shape (n, p)

        Notes
        -----
        The good spectrum, and what natural causes most likely add to it: the mean of their distribution given what the
        faults leave of the departure. What neither explains is noise, or the part of a fault that its shape misses: a
        tenth of the fault is allowed for that.
        """
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
        share = np.clip(along * self._per_square, 0.0, 1.0)
        gain = 2.0 * (before + share * along) - share**2 * self._step_square - self._start_square
        best = np.maximum.reduceat(gain, _FIRST, axis=1)
        at_best = gain >= best[:, _FAULT_OF_ATOM]
        sizes = np.where(at_best, _LOWER + share * (_UPPER - _LOWER), 0.0)
        return best, np.maximum.reduceat(sizes, _FIRST, axis=1)
