"""A beer in the cup in seven numbers: strength, shape of its absorption, and what the measurement added.

Reflectance bends away from colour: glare, foam and haze add white light, so that a dark beer's blue end says nothing
and its red end everything, while a pale beer's colour sits in the blue. A small optical model, fitted to each spectrum
by itself, unbends it: light passes the beer twice and returns from the base, something white and something bluish is
added, and all of it is multiplied by the lamp. What the model gets wrong (slit, lamp, base, glare) is the same for
every scan of a house, so a regression on these numbers puts it right.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats
from specmatch.maths.optics.cup import relative_absorbance
from specmatch.maths.statistics.linear_algebra import solve_each

# Share of the reference that returns from the surface and never meets the beer: 2 % of a liquid's surface, seen in
# part, over a base of a half. What a house has more or less of it ends in foam and in the regression.
GLARE = 0.015

# Misfit of the model in a channel, in reflectance: what slit, lamp and base bend and the numbers above do not follow.
MISFIT_SD = 0.004

# A channel's noise counts twice: the reference scan carries as much as the sample's, and averages out over no pours.
NOISE_FACTOR = 2.0

N_SHAPES = 3
# How far beers lie from the average one, as standard deviations: shapes of log absorbance (real beers deviate in a few
# smooth components of some per cent), foam, haze at 550 nm, log of the lamp's gain.
SHAPE_SD = 0.05 / np.sqrt(np.arange(1.0, N_SHAPES + 1.0))
PRIOR_SD = np.concatenate([[10.0], SHAPE_SD, [0.003, 0.005, 0.015]])

ROUNDS = 6  # Gauss-Newton settles in four or five from the start that is taken
# Rows at a time: more fall out of the processor's cache, and with fewer, threads wait for each other's interpreter.
BLOCK = 1024
# ... and where spectra are averaged: BLAS is quickest with small matrices
FEW, FEWEST = 64, 8
# Channels nearer together than this are averaged first: a slit passes 12-15 nm, so they say the same, and six rounds
# over each of 256 of them would take longer than everything else that a reading needs.
STEP_NM = 6.0

# Which of three curves each coordinate moves the spectrum along: that of strength, of white light, of the lamp.
CURVE = np.array([0] * (1 + N_SHAPES) + [1, 1, 2])

# A spectrum that is no beer may ask for a leap; steps of a beer never come near these limits.
LARGEST_STEP = np.array([0.5, *[0.2] * (PRIOR_SD.size - 1)])[:, None]

_LN10 = np.log(10.0)


def fit_cup_model(reflectance: ArrayLike, wavelength_nm: ArrayLike, noise: ArrayLike | None = None) -> Floats:
    """Fit the optical model to each spectrum.

    R = exp(gain) [g + f + h (550/nm)^2 + (1 - g - f - h (550/nm)^2) 10^-A], A(nm) = exp(strength + shapes) times the
    absorption of an average beer. Penalised least squares by Gauss-Newton, a fixed number of rounds, so that a scan's
    result never depends on its company.
    """
    # reflectance (n, p), wavelength_nm (p,), noise (p,) -> (n, 7)
    R, nm = np.asarray(reflectance, float), np.asarray(wavelength_nm, float)
    out = np.empty((R.shape[0], PRIOR_SD.size))
    spread = np.zeros(nm.size) if noise is None else np.asarray(noise, float)
    model = _cup_model(nm.tobytes(), spread.tobytes())
    for start in range(0, R.shape[0], BLOCK):
        out[start : start + BLOCK] = model.fit(R[start : start + BLOCK])
    return out


def smooth_shapes(wavelength_nm: Floats) -> Floats:
    """Return the shapes by which log absorption of beers leaves the average one, 0 at 430 nm."""
    # wavelength_nm (p,) -> (N_SHAPES, p)
    order = np.arange(1.0, N_SHAPES + 1.0)[:, None]

    def shapes(at: Floats) -> Floats:
        return np.sqrt(2.0) * np.cos(np.pi * order * np.clip((at - 400.0) / 300.0, 0.0, 1.0))

    return np.asarray(shapes(wavelength_nm) - shapes(np.array([430.0])))


@lru_cache(maxsize=8)
def _cup_model(nm: bytes, noise: bytes) -> "_CupModel":
    """Return the model on some channels; a fitted regression asks for the same one at every reading."""
    return _CupModel(np.frombuffer(nm), np.frombuffer(noise))


class _CupModel:
    def __init__(self, nm: Floats, noise: Floats) -> None:
        information = 1.0 / (MISFIT_SD**2 + (NOISE_FACTOR * noise) ** 2)
        group = np.unique(np.floor((nm - nm[0]) / STEP_NM), return_inverse=True)[1]
        member = (group == np.arange(group.max() + 1)[:, None]) * information
        weight = member.sum(axis=1)
        self.pool = member / weight[:, None]  # (q, p): weighted means of neighbours
        average = self.pool @ relative_absorbance(nm)
        self.average = average[:, None]
        self.shapes = self.pool @ smooth_shapes(nm).T
        haze = self.pool @ (550.0 / nm) ** 2
        # Each derivative is a curve of the spectrum times a factor that all spectra share: sums over channels of
        # products of derivatives are products of two curves times a fixed matrix.
        one = np.ones_like(haze)
        factor = np.vstack([one, self.shapes.T, one, haze, one])
        self.depths, self.whites = (np.ascontiguousarray(factor[own].T) for own in (slice(0, 4), slice(4, 6)))
        left, right = np.triu_indices(CURVE.size)
        pair = 4 * CURVE[left] + CURVE[right]
        # products of curves in turn: those of two derivatives, then of each with what is left of the spectrum
        self.products = [
            (*divmod(int(k), 4), weight * factor[left[pair == k]] * factor[right[pair == k]]) for k in np.unique(pair)
        ] + [(k, 3, weight * factor[k == CURVE]) for k in range(3)]
        # of a spectrum or two derivatives themselves are quicker: what is linear in the unknowns, factors of curves
        linear = np.zeros((CURVE.size, 2, average.size))
        linear[:4, 0], linear[4:6, 1] = factor[:4], -factor[4:6]
        self.linear, self.constant = linear.reshape(CURVE.size, -1), np.repeat([0.0, 1.0 - GLARE], average.size)
        self.of_depth, self.of_white, self.curve = factor[:4], factor[4:6], -_LN10 * average
        self.each = np.eye(CURVE.size)
        self.weights, self.largest = np.concatenate([weight, PRIOR_SD**-2.0]), LARGEST_STEP[:, 0]
        # where the sums stand in the equations, right sides last
        self.place = np.empty((CURVE.size, CURVE.size + 1), np.int64)
        order = np.argsort(pair, kind="stable")
        self.place[left[order], right[order]] = self.place[right[order], left[order]] = np.arange(order.size)
        self.place[:, -1] = order.size + np.arange(CURVE.size)
        self.pull = PRIOR_SD[:, None] ** -2.0

    def fit(self, reflectance: Floats) -> Floats:
        # spectra and unknowns run along the last axis; memory is taken once, not in every round
        R = np.empty((len(self.pool), len(reflectance)))
        for start in range(0, len(reflectance), FEW):
            R[:, start : start + FEW] = self.pool @ reflectance[start : start + FEW].T
        theta = np.zeros((CURVE.size, R.shape[1]))
        theta[0] = self._first_strength(R)
        if R.shape[1] <= FEWEST:
            return self._fit_few(np.ascontiguousarray(R.T), theta.T)
        curves, product = np.empty((4, *R.shape)), np.empty_like(R)
        sums, normal = np.empty((self.place.max() + 1, R.shape[1])), np.empty((*self.place.shape, R.shape[1]))
        diagonal = np.arange(CURVE.size)
        for _ in range(ROUNDS):
            self._curves(theta, R, curves)
            at = 0
            for i, j, factors in self.products:
                np.matmul(factors, np.multiply(curves[i], curves[j], out=product), out=sums[at : at + len(factors)])
                at += len(factors)
            np.take(sums, self.place, axis=0, out=normal, mode="clip")  # unclipped it fills memory of its own first
            normal[diagonal, diagonal] += self.pull
            normal[:, -1] -= theta * self.pull
            theta += np.minimum(np.maximum(solve_each(normal)[:, 0], -LARGEST_STEP), LARGEST_STEP)
        return theta.T

    def _fit_few(self, R: Floats, theta: Floats) -> Floats:
        # R (n, q), theta (n, 7): the same with spectra along the first axis, in as few steps as there can be
        q, n = R.shape[1], CURVE.size
        # derivatives, then what the model leaves of spectra; beliefs about the unknowns are channels more
        rows = np.zeros((len(R), n + 1, q + n))
        rows[:, :n, q:] = self.each
        of_depths, of_whites, of_gain, left, pulled = (
            rows[:, :4, :q], rows[:, 4:6, :q], rows[:, 6, :q], rows[:, 7, :q], rows[:, 7, q:]
        )  # fmt: skip
        for _ in range(ROUNDS):
            np.negative(theta, out=pulled)
            linear = theta @ self.linear
            linear += self.constant
            gain, depth, seen = np.exp(theta[:, -1:]), linear[:, :q], linear[:, q:]
            np.exp(np.minimum(np.maximum(depth, -10.0, out=depth), 6.0, out=depth), out=depth)
            depth *= self.curve
            through = np.exp(depth)
            seen *= gain
            depth *= seen
            depth *= through
            np.multiply(depth[:, None], self.of_depth, out=of_depths)
            np.subtract(1.0, through, out=through)
            seen *= through
            through *= gain
            np.multiply(through[:, None], self.of_white, out=of_whites)
            np.subtract(R, np.subtract(gain, seen, out=of_gain), out=left)
            normal = (rows[:, :n] * self.weights) @ rows.swapaxes(1, 2)
            step = np.linalg.solve(normal[:, :, :n], normal[:, :, n:])[:, :, 0]
            theta = theta + np.minimum(np.maximum(step, -self.largest, out=step), self.largest, out=step)
        return theta

    def _first_strength(self, R: Floats) -> Floats:
        """Return log strength from the channels that are neither nearly clear nor nearly black."""
        depth = np.subtract(R, GLARE)
        np.log10(np.minimum(np.maximum(depth, 1e-3, out=depth), 1.0, out=depth), out=depth)
        weight = np.where((depth < -0.15) & (depth > -1.2), 1.0, 1e-3)
        depth *= weight
        return np.log(np.maximum(-depth.sum(axis=0) / (self.average[:, 0] @ weight), 1e-3))

    def _curves(self, theta: Floats, R: Floats, out: Floats) -> None:
        """Fill in derivatives by strength, foam and gain, the last the model itself, and what it leaves of spectra."""
        # theta (7, n), R (q, n), out (4, q, n)
        depth, through, seen, left = out
        np.matmul(self.depths, theta[: 1 + N_SHAPES], out=depth)
        np.exp(np.minimum(np.maximum(depth, -10.0, out=depth), 6.0, out=depth), out=depth)
        depth *= -_LN10 * self.average
        np.exp(depth, out=through)
        gain = np.exp(theta[-1])
        np.subtract(gain * (1.0 - GLARE), np.matmul(self.whites, gain * theta[-3:-1], out=seen), out=seen)
        depth *= seen
        depth *= through
        np.subtract(1.0, through, out=through)
        seen *= through
        through *= gain
        np.subtract(gain, seen, out=seen)
        np.subtract(R, seen, out=left)
