"""How reflectance changes with the depth of beer in the cup, learnt from what a set has measured.

Light that falls through beer and back leaves a share x = exp(-k), k in proportion to depth and strength. Over a mirror
that is all: the law of Lambert and Beer. A matt base fills the space under the surface with light, of which the surface
sends a share back down, so that it crosses the beer again: x (1 - m) / (1 - m x^2), a geometric series in which light
on a further round trip crosses at all angles and is left by x^2 (the series is that of J. L. Saunderson, J. Opt. Soc.
Am. 32:727, 1942, reference from memory). Glare never passes the beer and stays what it is.

Depth and strength are one number to a spectrum. So lab colours, which are strengths, teach the law of a cup at one
depth, and batches measured at a second depth teach it directly.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.optics.cup import glare_of, relative_absorbance

TEXTBOOK, LAB_COLOURS, SECOND_FILL = "textbook", "lab colours", "second fill"

# light so weak cannot be told from glare and stray light that are not alike over the spectrum, nor from what haze sends
# back: there the law is held back, so that what is no light of the beer is not taken for it. The least of it (tuning);
# a set whose dark beers differ by more says so itself
UNSURE = 0.003
DARKEST = 1e-6

# before anything is learnt: glare of a surface over a base of about a half; no light returned, as over a mirror, or
# as much as half of it over a bright matt base; what neither haze nor slanting light says of the exponent (tuning)
GLARE, GLARE_SD, RETURNED_SD, EXPONENT_SD = 0.01, 0.008, 0.3, 0.03
MOST_RETURNED = 0.9

# where lab colours teach: absorbance at 430 nm is the lab colour itself, and near it the beers hardly leave the average
COLOUR_NM, COLOUR_FARTHEST_NM, COLOUR_WIDTH_NM = 430.0, 450.0, 12.0
FEWEST_COLOURS = 8
# of them so many must leave light enough: in the dark tail a share returned only scales the light, as strength does
BRIGHT = 0.1
# relative scatter of strength in a batch's mean (lab, path), and of light where nothing else is known (tuning)
STRENGTH_SD, LIGHT_SD = 0.03, 0.002
# light that is left where a batch is dark enough to show what else comes back, and how many batches must be
DARK, FEWEST_DARK = 0.05, 5
# what a share returned that only lab colours taught may be off by, beside their scatter: slits and haze bend their line
# too (tuning)
RETURNED_BY_COLOURS_SD = 0.05
# windows in which pairs of depths are compared: as many independent values as slits over the visible
WINDOWS = 24
# a path between two pours, before it is known better: 1.2 % each (common practice, no source)
PAIR_PATH_SD = 0.012


@dataclass(frozen=True)
class PathLaw:
    """The law of one cup and base."""

    glare: float
    returned: float  # m, the share of light that goes round again
    exponent: float  # of the ratio of depths: 1 in every theory; what a second fill says where no theory is right
    spread: Floats  # (3, 3): root of the covariance of the three above, lower triangular
    taught_by: str  # `"textbook"`, `"lab colours"` or `"second fill"`
    n_batches: int  # that taught it
    # depths that taught it, over the set's own; 1.0 and 1.0 where one depth was seen
    lowest: float
    highest: float
    unsure: float = UNSURE  # light that may be none of the beer's, over the reference

    def to_depth(self, reflectance: Floats, factor: Floats) -> Floats:
        """Bring reflectance, shape (n, p), to `factor`, shape (n,), times its depth."""
        return _brought(reflectance, np.asarray(factor, float)[:, None], self._theta, self.unsure)

    def absorbed(self, reflectance: Floats, wavelength_nm: Floats, *, least: float | None = None) -> Floats:
        """Return what one crossing takes of the light, as a natural logarithm, which adds by volume in a blend.

        From the reddest channel on in which less than `least` of the light comes back (by default twice what is
        unsure) the absorbance goes on to the blue as that of an average beer does.
        """
        # reflectance (n, p) -> (n, p)
        least = 2.0 * self.unsure if least is None else least
        through = (reflectance - self.glare) / (1.0 - self.glare)
        k = -np.log(_crossing(np.maximum(through, DARKEST), self.returned))
        shape, dark = np.log(relative_absorbance(wavelength_nm)), through < least
        for row in np.flatnonzero(dark.any(axis=1) & ~dark[:, -1]):
            # beer takes more the bluer the light: what comes back beyond a dark channel never passed the beer
            first = int(np.flatnonzero(dark[row])[-1]) + 1
            k[row, :first] = max(k[row, first], DARKEST) * np.exp(shape[:first] - shape[first])
        return k

    def seen(self, absorbed: Floats) -> Floats:
        """Return the reflectance of a liquid from what one crossing takes; the inverse of `absorbed`."""
        return np.asarray(self.glare + (1.0 - self.glare) * _after_rounds(np.exp(-absorbed), self.returned), float)

    def unlike(self) -> list[tuple["PathLaw", "PathLaw"]]:
        """Return pairs of laws that lie a standard deviation apart, for glare and for the share returned."""
        pairs = []
        for k in range(2):
            ends = [_within(self._theta + side * self.spread[:, k]) for side in (-0.5, 0.5)]
            low, high = (replace(self, glare=float(end[0]), returned=float(end[1])) for end in ends)
            pairs.append((low, high))
        return pairs

    @property
    def _theta(self) -> Floats:
        return np.array([self.glare, self.returned, self.exponent])

    def passed(self, reflectance: Floats) -> Floats:
        """Return the share of light that one way through the beer leaves, of the shape of `reflectance`."""
        return _crossing(np.maximum((reflectance - self.glare) / (1.0 - self.glare), DARKEST), self.returned)

    def directions(self, raw: Floats, factor: Floats, path_sd: Floats) -> Floats:
        """Return how brought spectra may be wrong, shape (n, 6, p), each direction one standard deviation long.

        The first is that of the two fills, three are those of the law, and two are light that is none of the beer's,
        alike over the spectrum and rising through it, taken for the beer's where little of that is left.
        """
        # raw (n, p): as measured; factor (n,); path_sd (n,): relative uncertainty of the ratio of depths
        f = np.asarray(factor, float)[:, None]
        theta = self._theta
        out = np.empty((len(raw), 6, raw.shape[1]))
        out[:, 0] = _brought(raw, f * np.exp(path_sd)[:, None], theta, self.unsure) - _brought(
            raw, f, theta, self.unsure
        )
        for k in range(3):
            # half a step to each side: the share returned is never below 0, and glare hardly
            step = 0.5 * self.spread[:, k]
            low, high = _within(theta - step), _within(theta + step)
            size = np.linalg.norm(2.0 * step) / max(float(np.linalg.norm(high - low)), 1e-12)
            out[:, 1 + k] = (_brought(raw, f, high, self.unsure) - _brought(raw, f, low, self.unsure)) * size
        # the set holds the same light at its own depth: only what bringing makes of it is wrong
        out[:, 4] = (
            _brought(raw + self.unsure, f, theta, self.unsure) - _brought(raw, f, theta, self.unsure) - self.unsure
        )
        out[:, 5] = out[:, 4] * np.linspace(-1.0, 1.0, raw.shape[1])
        return out

    def gain(self, raw: Floats, factor: Floats) -> Floats:
        """Return by what noise has grown, shape (n, p), where spectra (n, p) were brought: at least by the factor."""
        f = np.asarray(factor, float)[:, None]
        theta = self._theta
        step = 1e-4
        slope = (_brought(raw + step, f, theta, self.unsure) - _brought(raw - step, f, theta, self.unsure)) / (
            2.0 * step
        )
        return np.maximum(np.maximum(slope, f), 1.0)

    def no_light(self, reflectance: Floats, factor: Floats) -> Mask:
        """Tell of which scans, shape (n, p), too little light is left to be brought to a smaller depth, shape (n,)."""
        through = (reflectance - self.glare) / (1.0 - self.glare)
        floor = 2.0 * float(np.hypot(self.spread[0, 0], self.unsure))
        # what a channel without light may have been at the smaller depth
        hidden = floor ** np.minimum(np.asarray(factor, float), 1.0) - floor > HIDDEN
        return np.asarray(hidden & ((through < floor).mean(axis=1) > DARK_SHARE))


# light that a dark channel may hide, over the reference, and the share of channels that may hide it (tuning)
HIDDEN, DARK_SHARE = 0.015, 0.1


def _within(theta: Floats) -> Floats:
    return np.array([theta[0], min(max(theta[1], 0.0), MOST_RETURNED), theta[2]])


def _after_rounds(crossing: Floats, m: float) -> Floats:
    """Sum the round trips of light of which one crossing leaves a share."""
    return crossing * (1.0 - m) / (1.0 - m * crossing**2)


def _crossing(through: Floats, m: float) -> Floats:
    """Return the share that one crossing leaves, from what comes back after all rounds."""
    return np.asarray(2.0 * through / (1.0 - m + np.sqrt((1.0 - m) ** 2 + 4.0 * m * through**2)), float)


def _brought(reflectance: Floats, factor: Floats | float, theta: Floats, unsure: float) -> Floats:
    glare, m, exponent = theta
    t = (reflectance - glare) / (1.0 - glare)
    bright = np.maximum(t, DARKEST)
    out = _after_rounds(_crossing(bright, m) ** np.asarray(factor, float) ** exponent, m)
    sure = bright**2 / (bright**2 + unsure**2)
    return np.asarray(glare + (1.0 - glare) * (t + sure * (out - t)), float)


@dataclass(frozen=True)
class Pairs:
    """Mean spectra of batches at the set's depth and at a second one."""

    at_set: Floats  # at_set, at_second: (k, p)
    at_second: Floats
    factor: Floats  # (k,): the set's depth over the second one
    n_set: Ints  # n_set, n_second: (k,): pours behind each
    n_second: Ints


@dataclass
class _Problem:
    light: Floats = field(default_factory=lambda: np.empty(0))  # of batches in the window of lab colours
    strength: Floats = field(default_factory=lambda: np.empty(0))
    pairs: Pairs | None = None

    def residuals(self, theta: Floats) -> Floats:
        law = theta[:3]
        parts = [
            np.array([(law[0] - GLARE) / GLARE_SD, law[1] / RETURNED_SD, (law[2] - 1.0) / EXPONENT_SD]),
        ]
        if self.light.size:
            x, model = self._expected(theta)
            slope = (1.0 - law[0]) * x * (1.0 - law[1]) * np.log(np.maximum(x, 1e-9)) / (1.0 - law[1])
            parts.append((self.light - model) / np.hypot(LIGHT_SD, STRENGTH_SD * slope))
        if self.pairs is not None:
            own = theta[4:]
            sd = PAIR_PATH_SD * np.sqrt(1.0 / self.pairs.n_set + 1.0 / self.pairs.n_second)
            got = _brought(self.pairs.at_second, (self.pairs.factor * np.exp(sd * own))[:, None], law, UNSURE)
            parts += [own, ((got - self.pairs.at_set) / LIGHT_SD).ravel()]
        return np.concatenate(parts)

    def _expected(self, theta: Floats) -> tuple[Floats, Floats]:
        x = np.exp(-np.exp(theta[3]) * self.strength)
        return x, theta[0] + (1.0 - theta[0]) * x * (1.0 - theta[1]) / (1.0 - theta[1] * x**2)

    def light_beside(self, theta: Floats) -> float:
        """Return by how much the light beside the beer's own differs, as dark batches show it."""
        if not self.light.size:
            return UNSURE
        x, model = self._expected(theta)
        dark = x < DARK
        if dark.sum() < FEWEST_DARK:
            return UNSURE
        return float(max(UNSURE, np.sqrt(np.mean((self.light - model)[dark] ** 2))))


def textbook_law(glare: float = GLARE) -> PathLaw:
    """Return the law of a mirror under a plain surface, uncertain by what cups and bases differ."""
    return PathLaw(glare, 0.0, 1.0, np.diag([GLARE_SD, RETURNED_SD, EXPONENT_SD]), TEXTBOOK, 0, 1.0, 1.0)


def learn_path_law(
    reflectance: Floats, colour_ebc: Floats, wavelength_nm: Floats, pairs: Pairs | None = None
) -> PathLaw:
    """Learn the law from lab colours of batches at one depth, and from batches at a second one where there are some."""
    # reflectance (K, p): means of batches at the set's depth; colour_ebc (K,): NaN where there is none
    from scipy.optimize import least_squares  # here: a fitted model is read without it

    problem = _Problem()
    window, centre = _colour_window(wavelength_nm)
    known = np.isfinite(colour_ebc)
    taught_by, n_batches = TEXTBOOK, 0
    bright = known & (reflectance[:, window].mean(axis=1) > BRIGHT) if window.any() else np.zeros_like(known)
    if bright.sum() >= FEWEST_COLOURS:
        problem.light = reflectance[known][:, window].mean(axis=1)
        problem.strength = colour_ebc[known] * float(relative_absorbance(centre))
        taught_by, n_batches = LAB_COLOURS, int(known.sum())
    lowest = highest = 1.0
    if pairs is not None and len(pairs.factor):
        problem.pairs = Pairs(
            _windows(pairs.at_set), _windows(pairs.at_second), pairs.factor, pairs.n_set, pairs.n_second
        )
        taught_by, n_batches = SECOND_FILL, len(pairs.factor)
        depths = 1.0 / pairs.factor
        lowest, highest = min(1.0, float(depths.min())), max(1.0, float(depths.max()))
    if taught_by == TEXTBOOK:
        return textbook_law(glare_of(reflectance) or GLARE)
    k = 0 if problem.pairs is None else len(problem.pairs.factor)
    # 0.147 per EBC: a double path of 16 mm, 10 mL in a 40 mm cup
    start = np.concatenate([[GLARE, 0.2, 1.0, np.log(0.147)], np.zeros(k)])
    low = np.concatenate([[-0.02, 0.0, 0.5, -6.0], np.full(k, -8.0)])
    high = np.concatenate([[0.1, MOST_RETURNED, 2.0, 2.0], np.full(k, 8.0)])
    if not problem.light.size:
        low[3], high[3] = start[3] - 1e-6, start[3] + 1e-6
    found = least_squares(problem.residuals, start, bounds=(low, high), x_scale=np.maximum(np.abs(start), 0.05))
    J = found.jac[:, np.r_[0:3, 3 : 4 + k]] if problem.light.size else found.jac[:, np.r_[0:3, 4 : 4 + k]]
    excess = max(1.0, 2.0 * found.cost / max(1, found.fun.size - J.shape[1]))
    covariance = np.linalg.inv(J.T @ J)[:3, :3] * excess
    if taught_by == LAB_COLOURS:
        covariance[1, 1] += RETURNED_BY_COLOURS_SD**2
    glare, returned, exponent = (float(value) for value in found.x[:3])
    spread = np.linalg.cholesky(covariance + 1e-14 * np.eye(3))
    unsure = problem.light_beside(found.x)
    return PathLaw(glare, returned, exponent, spread, taught_by, n_batches, lowest, highest, unsure)


def _colour_window(wavelength_nm: Floats) -> tuple[NDArray[np.bool_], float]:
    low = max(COLOUR_NM - COLOUR_WIDTH_NM / 2.0, float(wavelength_nm[0]))
    inside = (wavelength_nm >= low) & (wavelength_nm <= low + COLOUR_WIDTH_NM)
    centre = float(wavelength_nm[inside].mean()) if inside.any() else np.inf
    return (inside if centre <= COLOUR_FARTHEST_NM else np.zeros_like(inside)), centre


def _windows(reflectance: Floats) -> Floats:
    """Average neighbouring channels to so many windows."""
    parts = np.array_split(np.arange(reflectance.shape[1]), min(WINDOWS, reflectance.shape[1]))
    return np.stack([reflectance[:, part].mean(axis=1) for part in parts], axis=1)
