"""How reflectance changes with the depth of beer in the cup, learnt from what a set has measured."""

# Light that falls through beer and back leaves a share x = exp(-k), k in proportion to depth and strength (Lambert,
# Beer). Over a matt base the surface sends a share back down, which crosses the beer again: x (1 - m) / (1 - m x^2), a
# geometric series in which light on a further round trip is left by x^2 (the series is that of J. L. Saunderson, J.
# Opt. Soc. Am. 32:727, 1942, reference from memory). Glare never passes the beer. Stray light is a share of the light
# of the whole band that falls on every channel alike, and counts most where the lamp gives little. Channels in which a
# deep pour leaves no light cannot say what they would be at a smaller depth: there the beer is taken to absorb as the
# set's beers do beside channels that have light.
# Depth and strength are one number to a spectrum. So lab colours, which are strengths, teach the law of a cup at one
# depth, and batches measured at a second depth teach it directly.

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.optics.cup import after_rounds, fit_cup_model, glare_of, one_crossing, relative_absorbance

TEXTBOOK, LAB_COLOURS, SECOND_FILL = "textbook", "lab colours", "second fill"

# light so weak cannot be told from what haze sends back or is left of glare and stray light: there the law is held
# back, so that what is no light of the beer is not taken for it. The least of it (tuning); a set whose dark beers
# differ by more says so itself
UNSURE = 0.003
DARKEST = 1e-6

# before anything is learnt: glare of a surface over a base of about a half; no light returned, as over a mirror, or
# as much as half of it over a bright matt base; what neither haze nor slanting light says of the exponent (tuning)
GLARE, GLARE_SD, RETURNED_SD, EXPONENT_SD = 0.01, 0.008, 0.3, 0.03
MOST_RETURNED = 0.9
# stray light over the mean light of the band: 0.1-1 % in modules of this class (common practice, no source)
STRAY, STRAY_SD, MOST_STRAY = 0.003, 0.003, 0.03

# half the variance of the slit (13 nm wide, as noise.py has it) times the square of the climb of an average beer's
# absorbance, e-fold in 82 nm (cup.py)
SLIT_BEND = 0.5 * (13.0 / 2.3548 / 82.122) ** 2

# where lab colours teach: absorbance at 430 nm is the lab colour itself, and near it the beers hardly leave the average
COLOUR_NM, COLOUR_FARTHEST_NM, COLOUR_WIDTH_NM = 430.0, 450.0, 12.0
FEWEST_COLOURS = 8
# of them so many must leave light enough, and the palest still more: in the dark tail a share returned only scales the
# light, as strength does (tuning)
BRIGHT, PALEST = 0.1, 0.25
# relative scatter of strength in a batch's mean (lab, path), and of light where nothing else is known (tuning)
STRENGTH_SD, LIGHT_SD = 0.03, 0.002
# light that is left where a batch is dark enough to show what else comes back, and how many batches must be
DARK, FEWEST_DARK = 0.05, 5
# what a share returned that only lab colours taught may be off by, beside their scatter: slits and haze bend their line
# too (tuning)
RETURNED_BY_COLOURS_SD = 0.05
# windows in which pairs of depths are compared: as many independent values as slits over the visible
WINDOWS = 24
# between two pours: path 1.2 % each (common practice, no source), foam, level and tilt of the lamp, and of each window
# what noise makes of it, constant and in proportion (tuning)
PAIR_PATH_SD, PAIR_FOAM_SD, PAIR_LEVEL_SD, PAIR_TILT_SD, WINDOW_SD, WINDOW_SHARE = (
    0.012, 0.002, 0.005, 0.003, 0.0005, 0.001,
)  # fmt: skip
# what the fit to spectra leaves of the exponent, as the strength of the batches shows (tuning)
STRENGTH_EXPONENT_SD = 0.02
# a law taught by pairs of depths is looked for with nothing held back
NOTHING_HELD = 1e-4
# channels beside a dark one whose beer says how much there is of it, and light of one crossing between which the set
# tells how its beers absorb, drawn to the average beer as by so many batches (tuning)
BESIDE, TELLING, DRAWN_BY = 5, (0.02, 0.9), 2.0


@dataclass(frozen=True)
class PathLaw:
    """The law of one cup and base."""

    glare: float
    returned: float  # m, the share of light that goes round again
    exponent: float  # of the ratio of depths: 1 in every theory; what a second fill says where no theory is right
    # (4, 4): root of the covariance of the three above and of stray light, lower triangular; (3, 3) in older models
    spread: Floats
    taught_by: str  # `"textbook"`, `"lab colours"` or `"second fill"`
    n_batches: int  # that taught it
    # depths that taught it, over the set's own; 1.0 and 1.0 where one depth was seen
    lowest: float
    highest: float
    unsure: float = UNSURE  # light that may be none of the beer's, over the reference
    stray: float = 0.0  # over the mean light of the band
    bend: float = 0.0  # of absorbance by the slit, over its square; 0 in older models and in the textbook
    light: Floats = field(default_factory=lambda: np.ones(1))  # (p,): of the lamp; one value: alike over the band
    # (p,): logarithm of how the set's beers absorb; one value: not known, and nothing is said of dark channels
    shape: Floats = field(default_factory=lambda: np.zeros(1))

    def at(self, channels: Ints) -> "PathLaw":
        """Return the law of some of the channels."""
        light, shape = (one if one.size == 1 else one[channels] for one in (self.light, self.shape))
        return replace(self, light=light, shape=shape)

    def to_depth(self, reflectance: Floats, factor: Floats) -> Floats:
        """Bring reflectance, shape (n, p), to `factor`, shape (n,), times its depth."""
        return self._brought(reflectance, np.asarray(factor, float)[:, None], self._theta)

    def absorbed(
        self, reflectance: Floats, wavelength_nm: Floats, *, least: float | None = None, bend: float = 0.0
    ) -> Floats:
        """Return what one crossing takes of the light, as a natural logarithm, which adds by volume in a blend."""
        # from the reddest channel on in which less than `least` of the light comes back (by default twice what is
        # unsure) it goes on to the blue as a known shape does, or steeper by `bend`, of its logarithm per 100 nm
        # reflectance (n, p) -> (n, p)
        through = self.through(reflectance)
        k = -np.log(one_crossing(np.maximum(through, DARKEST), self.returned))
        shape = np.log(relative_absorbance(wavelength_nm)) if self.shape.size == 1 else self.shape
        dark = through < (2.0 * self.unsure if least is None else least)
        return _continued(k, dark, shape - bend * wavelength_nm / 100.0)

    def seen(self, absorbed: Floats) -> Floats:
        """Return the reflectance of a liquid from what one crossing takes; the inverse of `absorbed`."""
        return _bound(after_rounds(np.exp(-absorbed), self.returned), self._theta, self._lamp)

    def unlike(self) -> list[tuple["PathLaw", "PathLaw"]]:
        """Return pairs of laws that lie a standard deviation apart, for glare, the share returned and stray light."""

        def law(theta: Floats) -> PathLaw:
            return replace(self, glare=float(theta[0]), returned=float(theta[1]), stray=float(theta[3]))

        return [(law(low), law(high)) for k, (low, high) in enumerate(self._ends()) if k != 2]

    def _ends(self) -> list[tuple[Floats, Floats]]:
        """Return the laws half a standard deviation to each side along each direction of the spread."""
        steps = 0.5 * np.pad(self.spread, ((0, 4 - len(self.spread)), (0, 0))).T
        return [(_within(self._theta - step), _within(self._theta + step)) for step in steps]

    @property
    def _theta(self) -> Floats:
        return np.array([self.glare, self.returned, self.exponent, self.stray])

    @property
    def _lamp(self) -> "_Lamp":
        return _Lamp.of(self.light)

    def _brought(self, raw: Floats, factor: Floats, theta: Floats) -> Floats:
        shape = self.shape if self.shape.size > 1 else None
        return _brought(raw, factor, theta, self._lamp, self.unsure, shape, self.bend)

    def through(self, reflectance: Floats) -> Floats:
        """Return what comes back of light through the beer, glare and stray light aside, of the shape given."""
        return _freed(reflectance, self._theta, self._lamp)

    def passed(self, reflectance: Floats) -> Floats:
        """Return the share of light that one way through the beer leaves, of the shape of `reflectance`."""
        return one_crossing(np.maximum(self.through(reflectance), DARKEST), self.returned)

    def directions(self, raw: Floats, factor: Floats, path_sd: Floats) -> Floats:
        """Return how brought spectra may be wrong, shape (n, 3 + q, p), each direction one standard deviation long."""
        # the first is that of the two fills, q are those of the law, and two are light that is none of the beer's,
        # alike over the spectrum and rising through it, taken for the beer's where little of that is left
        # raw (n, p): as measured; factor (n,); path_sd (n,): relative uncertainty of the ratio of depths
        f = np.asarray(factor, float)[:, None]
        theta, ends = self._theta, self._ends()
        here = self._brought(raw, f, theta)
        out = np.empty((len(raw), 3 + len(ends), raw.shape[1]))
        out[:, 0] = self._brought(raw, f * np.exp(path_sd)[:, None], theta) - here
        for k, (low, high) in enumerate(ends):
            # half a step to each side: neither the share returned nor stray light is ever below 0
            size = float(np.linalg.norm(self.spread[:, k])) / max(float(np.linalg.norm(high - low)), 1e-12)
            out[:, 1 + k] = (self._brought(raw, f, high) - self._brought(raw, f, low)) * size
        # the set holds the same light at its own depth: only what bringing makes of it is wrong
        out[:, -2] = self._brought(raw + self.unsure, f, theta) - here - self.unsure
        out[:, -1] = out[:, -2] * np.linspace(-1.0, 1.0, raw.shape[1])
        return out

    def gain(self, raw: Floats, factor: Floats) -> Floats:
        """Return by what noise has grown, shape (n, p), where spectra (n, p) were brought: at least by the factor."""
        f = np.asarray(factor, float)[:, None]
        step = 1e-4
        up, down = (self._brought(raw + side, f, self._theta) for side in (step, -step))
        return np.maximum(np.maximum((up - down) / (2.0 * step), f), 1.0)

    def no_light(self, reflectance: Floats, factor: Floats) -> Mask:
        """Tell of which scans, shape (n, p), too little light is left to be brought to a smaller depth, shape (n,)."""
        through = self.through(reflectance)
        floor = 2.0 * float(np.hypot(self.spread[0, 0], self.unsure))
        # what a channel without light may have been at the smaller depth
        hidden = floor ** np.minimum(np.asarray(factor, float), 1.0) - floor > HIDDEN
        return np.asarray(hidden & ((through < floor).mean(axis=1) > DARK_SHARE))


# light that a dark channel may hide, over the reference, and the share of channels that may hide it (tuning)
HIDDEN, DARK_SHARE = 0.015, 0.1


@dataclass(frozen=True)
class _Lamp:
    """Where stray light comes from and where it counts."""

    share: Floats  # (p,): of the light of the band that is each channel's
    beside: Floats  # (p,): mean light of the band over each channel's own

    @classmethod
    def of(cls, light: Floats) -> "_Lamp":
        return cls(light / light.sum(), light.mean() / light)

    def mean(self, reflectance: Floats) -> Floats:
        """Return the mean of spectra, shape (..., p), by light, shape (..., 1)."""
        if self.share.size == 1:
            # a scan may lack a channel
            known = np.isfinite(reflectance)
            total = np.where(known, reflectance, 0.0).sum(axis=-1, keepdims=True)
            return np.asarray(total / np.maximum(known.sum(axis=-1, keepdims=True), 1))
        return np.asarray((reflectance @ self.share)[..., None])

    def windows(self) -> "_Lamp":
        parts = np.array_split(np.arange(self.share.size), min(WINDOWS, self.share.size))
        return _Lamp(np.array([self.share[p].sum() for p in parts]), np.array([self.beside[p].mean() for p in parts]))


def _freed(reflectance: Floats, theta: Floats, lamp: _Lamp) -> Floats:
    """Take stray light and glare off."""
    stray = theta[3] * lamp.beside
    beam = (reflectance - stray * lamp.mean(reflectance)) / (1.0 - stray)
    return np.asarray((beam - theta[0]) / (1.0 - theta[0]), float)


def _bound(through: Floats, theta: Floats, lamp: _Lamp) -> Floats:
    """Put glare and stray light on; the inverse of `_freed`."""
    # stray light is a share of all the light that is seen, itself among it
    stray, beam = theta[3] * lamp.beside, theta[0] + (1.0 - theta[0]) * through
    return np.asarray((1.0 - stray) * beam + stray * lamp.mean((1.0 - stray) * beam) / (1.0 - theta[3]), float)


def _within(theta: Floats) -> Floats:
    return np.array([theta[0], min(max(theta[1], 0.0), MOST_RETURNED), theta[2], max(theta[3], 0.0)])


def _at_power(crossing: Floats, power: Floats, m: float, bend: float) -> Floats:
    """Return what comes back where one crossing of `crossing` goes through `power` times as much beer."""
    k = -np.log(crossing)
    return after_rounds(np.exp(-(power * k + bend * (power - power**2) * k**2)), m)


def _continued(absorbed: Floats, dark: Mask, shape: Floats) -> Floats:
    """Go on to the blue, from the reddest dark channel of each spectrum on, as a shape does."""
    # beer takes more the bluer the light: what comes back beyond a dark channel never passed the beer
    p = shape.size
    first = np.where(dark.any(axis=1), p - np.argmax(dark[:, ::-1], axis=1), 0)
    rows = np.flatnonzero((first > 0) & (first < p))
    beside = np.minimum(first[rows, None] + np.arange(BESIDE), p - 1)
    amount = np.median(absorbed[rows[:, None], beside] * np.exp(-shape[beside]), axis=1)
    out = absorbed.copy()
    grown = np.maximum(amount, DARKEST)[:, None] * np.exp(shape)
    out[rows] = np.where(np.arange(p) < first[rows, None], np.minimum(grown, -np.log(DARKEST)), absorbed[rows])
    return out


def _brought(
    reflectance: Floats, factor: Floats | float, theta: Floats, lamp: _Lamp, unsure: float,
    shape: Floats | None = None, bend: float = SLIT_BEND,
) -> Floats:  # fmt: skip
    m, power = theta[1], np.asarray(factor, float) ** theta[2]
    t = _freed(reflectance, theta, lamp)
    bright = np.maximum(t, DARKEST)
    crossing = one_crossing(bright, m)
    sure = bright**2 / (bright**2 + unsure**2)
    moved = sure * (_at_power(crossing, power, m, bend) - t)
    dark = t < 2.0 * unsure
    if shape is not None and dark.any():
        likely = np.exp(-_continued(-np.log(crossing), dark, shape))
        # of spectra with a dark channel alone, whatever others they are brought with
        unsure_of = (1.0 - sure) * dark.any(axis=1, keepdims=True)
        moved += unsure_of * (_at_power(likely, power, m, bend) - after_rounds(likely, m))
    return _bound(t + moved, theta, lamp)


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
    band: Floats = field(default_factory=lambda: np.empty(0))  # of batches, mean light of the band
    beside: float = 1.0  # mean light of the band over that of the window
    pairs: Pairs | None = None
    lamp: _Lamp = field(default_factory=lambda: _Lamp.of(np.ones(1)))  # of the windows of the pairs
    whiten: Floats = field(default_factory=lambda: np.empty(0))  # (k, windows, windows)

    def first_strength(self) -> float:
        """Return the logarithm of what a colour of one takes of light, about, by the palest half of the batches."""
        if not self.light.size:
            return 0.0
        pale = self.light >= np.median(self.light)
        taken = -np.log(np.clip(self.light[pale] - GLARE, DARKEST, 1.0 - DARKEST))
        return float(np.log(np.median(taken / self.strength[pale])))

    def residuals(self, theta: Floats) -> Floats:
        law = theta[:4]
        away = law - np.array([GLARE, 0.0, 1.0, STRAY])
        parts = [away / np.array([GLARE_SD, RETURNED_SD, EXPONENT_SD, STRAY_SD])]
        if self.light.size:
            x, model = self._expected(theta)
            slope = (1.0 - law[0]) * x * np.log(np.maximum(x, 1e-9))
            parts.append((self.light - model) / np.hypot(LIGHT_SD, STRENGTH_SD * slope))
        if self.pairs is not None:
            got = _brought(self.pairs.at_second, self.pairs.factor[:, None], law, self.lamp, NOTHING_HELD)
            parts.append(np.einsum("kvw,kw->kv", self.whiten, got - self.pairs.at_set).ravel())
        return np.concatenate(parts)

    def _expected(self, theta: Floats) -> tuple[Floats, Floats]:
        x = np.exp(-np.exp(theta[4]) * self.strength)
        stray = theta[3] * self.beside
        beam = theta[0] + (1.0 - theta[0]) * after_rounds(x, theta[1])
        return x, (1.0 - stray) * beam + stray * self.band

    def unlike_beers(self, theta: Floats) -> float:
        """Return by how much the exponent of single beers lies off the law's, beyond what pouring twice explains."""
        if self.pairs is None:
            return 0.0
        law, pairs = theta[:4], self.pairs
        got = _brought(pairs.at_second, pairs.factor[:, None], law, self.lamp, NOTHING_HELD)
        through = np.stack([_freed(one, law, self.lamp) for one in (got, pairs.at_set, pairs.at_second)])
        taken = np.log(-np.log(np.clip(through, UNSURE, TELLING[1])))
        # channels without light, or without beer, say nothing
        telling = ((through > TELLING[0]) & (through < TELLING[1])).all(axis=0)
        off = np.where(telling, taken[0] - taken[1], 0.0).sum(axis=1) / np.maximum(telling.sum(axis=1), 1)
        beyond = off**2 - PAIR_PATH_SD**2 * (1.0 / pairs.n_set + 1.0 / pairs.n_second)
        return float(np.sqrt(max(0.0, np.mean(beyond / np.log(pairs.factor) ** 2))))

    def light_beside(self, theta: Floats) -> float:
        """Return by how much the light beside the beer's own differs, as dark batches show it."""
        if not self.light.size:
            return UNSURE
        x, model = self._expected(theta)
        dark = x < DARK
        if dark.sum() < FEWEST_DARK:
            return UNSURE
        return float(max(UNSURE, np.sqrt(np.mean((self.light - model)[dark] ** 2))))


def _whitening(pairs: Pairs) -> Floats:
    """Return what makes the noise of brought less own windows independent and 1, (k, windows, windows)."""
    f, spread = pairs.factor[:, None], 1.0 / pairs.n_set + 1.0 / pairs.n_second
    # through a law of which little is known yet, along what is common to a pour's channels
    before = np.array([GLARE, 0.0, 1.0, 0.0]), _Lamp.of(np.ones(1)), UNSURE
    plain = _brought(pairs.at_second, f, *before)
    path = PAIR_PATH_SD * (_brought(pairs.at_second, f * 1.01, *before) - plain) / 0.01
    foam = PAIR_FOAM_SD * (_brought(pairs.at_second + 0.01 * (1.0 - pairs.at_second), f, *before) - plain) / 0.01
    gain = f * np.clip(pairs.at_second - GLARE, UNSURE, 1.0) ** (f - 1.0)
    window = WINDOW_SD**2 * (1.0 + gain**2) + (WINDOW_SHARE * pairs.at_set) ** 2
    level = PAIR_LEVEL_SD * np.hypot(1.0, f) * pairs.at_set
    tilt = PAIR_TILT_SD / PAIR_LEVEL_SD * level * np.linspace(-1.0, 1.0, level.shape[1])
    common = np.stack([path, foam, level, tilt])
    covariance = np.einsum("k,ckv,ckw->kvw", spread, common, common)
    return np.linalg.inv(np.linalg.cholesky(covariance + window[:, :, None] * np.eye(window.shape[1])))


def textbook_law(glare: float = GLARE) -> PathLaw:
    """Return the law of a mirror under a plain surface, uncertain by what cups and bases differ."""
    spread = np.diag([GLARE_SD, RETURNED_SD, EXPONENT_SD, STRAY_SD])
    return PathLaw(glare, 0.0, 1.0, spread, TEXTBOOK, 0, 1.0, 1.0)


def learn_path_law(
    reflectance: Floats,
    colour_ebc: Floats,
    wavelength_nm: Floats,
    pairs: Pairs | None = None,
    light: Floats | None = None,
) -> PathLaw:
    """Learn the law from lab colours of batches at one depth, and from batches at a second one where there are some."""
    # reflectance (K, p): means of batches at the set's depth; colour_ebc (K,): NaN where there is none; light (p,): of
    # the lamp
    problem = _Problem()
    light = np.ones(wavelength_nm.size) if light is None else light
    lamp = _Lamp.of(light)
    window, centre = _colour_window(wavelength_nm)
    known = np.isfinite(colour_ebc)
    taught_by, n_batches = TEXTBOOK, 0
    seen = reflectance[known][:, window].mean(axis=1) if window.any() else np.zeros(0)
    if (seen > BRIGHT).sum() >= FEWEST_COLOURS and seen.max() > PALEST:
        problem.light = seen
        problem.strength = colour_ebc[known] * float(relative_absorbance(centre))
        problem.band, problem.beside = lamp.mean(reflectance[known])[:, 0], float(lamp.beside[window].mean())
        taught_by, n_batches = LAB_COLOURS, int(known.sum())
    lowest = highest = 1.0
    if pairs is not None and len(pairs.factor):
        seen = replace(pairs, at_set=_windows(pairs.at_set), at_second=_windows(pairs.at_second))
        problem.pairs, problem.lamp, problem.whiten = seen, lamp.windows(), _whitening(seen)
        taught_by, n_batches = SECOND_FILL, len(pairs.factor)
        depths = 1.0 / pairs.factor
        lowest, highest = min(1.0, float(depths.min())), max(1.0, float(depths.max()))
    if taught_by == TEXTBOOK:
        glare = glare_of(_freed(reflectance, np.array([0.0, 0.0, 1.0, STRAY]), lamp)) or GLARE
        law = replace(textbook_law(glare), stray=STRAY, light=light, unsure=2.0 * UNSURE)
        return replace(law, shape=_shape(-np.log(law.passed(reflectance)), wavelength_nm))
    theta, covariance = _solved(problem)
    if taught_by == LAB_COLOURS:
        covariance[1, 1] += RETURNED_BY_COLOURS_SD**2
    # what one law for all beers misses grows with the change of depth, as an exponent that is off does
    covariance[2, 2] += problem.unlike_beers(theta) ** 2
    glare, returned, exponent, stray = (float(value) for value in theta[:4])
    # far below any variance here: rounding must not leave the matrix without a root
    spread = np.asarray(np.linalg.cholesky(covariance + 1e-14 * np.eye(4)), float)
    unsure = problem.light_beside(theta)
    law = PathLaw(
        glare, returned, exponent, spread, taught_by, n_batches, lowest, highest, unsure, stray, SLIT_BEND, light
    )
    law = replace(law, shape=_shape(-np.log(law.passed(reflectance)), wavelength_nm))
    return law if pairs is None or not len(pairs.factor) else _as_strong(law, pairs, wavelength_nm)


def _as_strong(law: PathLaw, pairs: Pairs, wavelength_nm: Floats) -> PathLaw:
    """Return the law by which batches at two depths come out as strong at both, as far as they agree in that."""
    both = law.to_depth(pairs.at_second, pairs.factor), pairs.at_set
    brought, own = (fit_cup_model(one, wavelength_nm)[:, 0] for one in both)
    off = (brought - own) / np.log(pairs.factor)
    middle = float(np.median(off))
    # of the median of normal values
    variance = 1.57 / off.size * max(1.4826 * float(np.median(np.abs(off - middle))), PAIR_PATH_SD) ** 2
    share = STRENGTH_EXPONENT_SD**2 / (STRENGTH_EXPONENT_SD**2 + variance)
    return replace(law, exponent=law.exponent - share * middle)


def _solved(problem: _Problem) -> tuple[Floats, Floats]:
    """Return the law and strength of least squares, (5,), and the covariance of the law, (4, 4)."""
    from scipy.optimize import least_squares  # here: a fitted model is read without it

    start = np.array([GLARE, 0.0, 1.0, STRAY, problem.first_strength()])
    low, high = np.array([-0.02, 0.0, 0.5, 0.0, -6.0]), np.array([0.1, MOST_RETURNED, 2.0, MOST_STRAY, 2.0])
    free = np.arange(5 if problem.light.size else 4)

    def residuals(theta: Floats) -> Floats:
        return problem.residuals(np.append(theta, start[len(theta) :]))

    scale = np.array([0.01, 0.1, 0.05, STRAY_SD, 0.1])
    # from a mirror and from a matt base: a share returned that meets its bound on the way may stay there
    begin, bounds = (np.append(start[0], np.append(m, start[2:]))[free] for m in (0.02, 0.4)), (low[free], high[free])
    tried = [least_squares(residuals, at, bounds=bounds, x_scale=scale[free], max_nfev=60) for at in begin]
    found = min(tried, key=lambda one: float(one.cost))
    excess = max(1.0, 2.0 * found.cost / max(1, found.fun.size - free.size))
    covariance = np.asarray(np.linalg.inv(found.jac.T @ found.jac)[:4, :4] * excess, float)
    return np.append(found.x, start[free.size :]), covariance


def _shape(absorbed: Floats, wavelength_nm: Floats) -> Floats:
    """Return how a set's beers absorb, (p,), a logarithm, from channels that have light and are no water."""
    # absorbed (K, p): of one crossing
    usual = np.diff(np.log(relative_absorbance(wavelength_nm)))
    passed, growth = np.exp(-absorbed), np.diff(np.log(np.maximum(absorbed, DARKEST)), axis=1)
    telling = (passed > TELLING[0]) & (passed < TELLING[1])
    both = telling[:, 1:] & telling[:, :-1]
    # noise of light is alike, that of the logarithm of an absorbance k goes with exp(k) / k
    weight = np.where(both, (absorbed * passed)[:, 1:] ** 2, 0.0)
    own = (weight * growth).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-12)
    n = both.sum(axis=0)
    return np.append(0.0, np.cumsum((n * own + DRAWN_BY * usual) / (n + DRAWN_BY)))


def _colour_window(wavelength_nm: Floats) -> tuple[NDArray[np.bool_], float]:
    low = max(COLOUR_NM - COLOUR_WIDTH_NM / 2.0, float(wavelength_nm[0]))
    inside = (wavelength_nm >= low) & (wavelength_nm <= low + COLOUR_WIDTH_NM)
    centre = float(wavelength_nm[inside].mean()) if inside.any() else np.inf
    return (inside if centre <= COLOUR_FARTHEST_NM else np.zeros_like(inside)), centre


def _windows(reflectance: Floats) -> Floats:
    """Average neighbouring channels to so many windows."""
    parts = np.array_split(np.arange(reflectance.shape[1]), min(WINDOWS, reflectance.shape[1]))
    return np.stack([reflectance[:, part].mean(axis=1) for part in parts], axis=1)
