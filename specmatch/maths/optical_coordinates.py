"""A beer in the cup in seven numbers: strength, shape of its absorption, and what the measurement added.

Reflectance bends away from colour: glare, foam and haze add white light, so that a dark beer's blue end says nothing
and its red end everything, while a pale beer's colour sits in the blue. A small optical model, fitted to each spectrum
by itself, unbends it: light passes the beer twice and returns from the base, something white and something bluish is
added, and all of it is multiplied by the lamp. What the model gets wrong (slit, lamp, base, glare) is the same for
every scan of a house, so a regression on these numbers puts it right.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specmatch.maths.average_beer import relative_absorbance

Floats = NDArray[np.float64]

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
BLOCK = 512  # rows at a time: their Jacobian is a few megabytes
# Channels nearer together than this are averaged first: a slit passes 12-15 nm, so they say the same, and six rounds
# over each of 256 of them would take longer than everything else that a reading needs.
STEP_NM = 6.0

_LN10 = np.log(10.0)


def optical_coordinates(reflectance: ArrayLike, wavelength_nm: ArrayLike, noise: ArrayLike | None = None) -> Floats:
    """Fit the optical model to each spectrum.

    Parameters
    ----------
    reflectance : array_like, shape (n, p)
        Fractions of the reference, NaN-free.
    wavelength_nm : array_like, shape (p,)
    noise : array_like, shape (p,), optional
        Standard deviation of each channel's noise in a pour; none when not given.

    Returns
    -------
    ndarray, shape (n, 7)
        Log of the absorbance at 430 nm over the double path; sizes of three smooth shapes of log absorbance that leave
        430 nm alone; share of the cup under foam; light returned by haze at 550 nm; log gain of the lamp. Each but the
        first is drawn towards 0 by its prior, and 0 for a spectrum that says nothing of it.

    Notes
    -----
    R = exp(gain) [g + f + h (550/nm)^2 + (1 - g - f - h (550/nm)^2) 10^-A], A(nm) = exp(strength + shapes) times the
    absorption of an average beer. Penalised least squares by Gauss-Newton, a fixed number of rounds, so that a scan's
    result never depends on its company.

    Examples
    --------
    >>> nm = np.linspace(430.0, 680.0, 60)
    >>> R = 0.015 + 0.985 * 10 ** -(0.8 * relative_absorbance(nm))
    >>> np.exp(optical_coordinates([R], nm)[0, 0]).round(3).item()
    0.8
    """
    R, nm = np.asarray(reflectance, float), np.asarray(wavelength_nm, float)
    out = np.empty((R.shape[0], PRIOR_SD.size))
    model = _CupModel(nm, np.zeros(nm.size) if noise is None else np.asarray(noise, float))
    for start in range(0, R.shape[0], BLOCK):
        out[start : start + BLOCK] = model.fit(R[start : start + BLOCK])
    return out


class _CupModel:
    def __init__(self, nm: Floats, noise: Floats) -> None:
        order = np.arange(1.0, N_SHAPES + 1.0)[:, None]

        def shapes(at: Floats) -> Floats:
            return np.sqrt(2.0) * np.cos(np.pi * order * np.clip((at - 400.0) / 300.0, 0.0, 1.0))

        information = 1.0 / (MISFIT_SD**2 + (NOISE_FACTOR * noise) ** 2)
        group = np.unique(np.floor((nm - nm[0]) / STEP_NM), return_inverse=True)[1]
        member = (group == np.arange(group.max() + 1)[:, None]) * information
        self.weight = np.sqrt(member.sum(axis=1))
        self.pool = (member / member.sum(axis=1, keepdims=True)).T  # (p, q): weighted means of neighbours
        self.average = relative_absorbance(nm) @ self.pool
        self.shapes = shapes(nm) @ self.pool - shapes(np.array([430.0]))
        self.haze = (550.0 / nm) ** 2 @ self.pool
        self.pull = PRIOR_SD**-2.0

    def fit(self, reflectance: Floats) -> Floats:
        R = reflectance @ self.pool
        theta = np.zeros((R.shape[0], PRIOR_SD.size))
        theta[:, 0] = self._first_strength(R)
        for _ in range(ROUNDS):
            value, jacobian = self._value_and_jacobian(theta)
            jacobian *= self.weight
            normal = np.matmul(jacobian, jacobian.transpose(0, 2, 1)) + np.diag(self.pull)
            slope = np.matmul(jacobian, ((R - value) * self.weight)[:, :, None])[:, :, 0] - theta * self.pull
            step = np.linalg.solve(normal, slope[:, :, None])[:, :, 0]
            # a spectrum that is no beer may ask for a leap; steps of a beer never come near these limits
            step[:, 0] = np.clip(step[:, 0], -0.5, 0.5)
            step[:, 1:] = np.clip(step[:, 1:], -0.2, 0.2)
            theta += step
        return theta

    def _first_strength(self, R: Floats) -> Floats:
        """Return log strength from the channels that are neither nearly clear nor nearly black."""
        depth = -np.log10(np.clip(R - GLARE, 1e-3, 1.0))
        weight = np.where((depth > 0.15) & (depth < 1.2), 1.0, 1e-3)
        return np.log(np.maximum((weight * depth).sum(axis=1) / (weight * self.average).sum(axis=1), 1e-3))

    def _value_and_jacobian(self, theta: Floats) -> tuple[Floats, Floats]:
        log_shape = theta[:, :1] + theta[:, 1 : 1 + N_SHAPES] @ self.shapes
        depth = self.average * np.exp(np.clip(log_shape, -10.0, 6.0))
        through = np.exp(-_LN10 * depth)
        white, bluish, gain = theta[:, -3:-2], theta[:, -2:-1] * self.haze, np.exp(theta[:, -1:])
        seen = gain * (1.0 - GLARE - white - bluish)
        value = gain * (GLARE + white + bluish) + seen * through
        jacobian = np.empty((value.shape[0], PRIOR_SD.size, value.shape[1]))
        jacobian[:, 0] = -_LN10 * seen * through * depth
        jacobian[:, 1 : 1 + N_SHAPES] = jacobian[:, :1] * self.shapes
        jacobian[:, -3] = gain * (1.0 - through)
        jacobian[:, -2] = jacobian[:, -3] * self.haze
        jacobian[:, -1] = value
        return value, jacobian
