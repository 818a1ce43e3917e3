"""What each known fault does to a reflectance spectrum, by its size; and the model of the cup turned round."""

# Turned round, a beer in the cup is seven numbers: strength, shape of its absorption, and what the measurement added.
# Reflectance bends away from colour: glare, foam and haze add white light, so that a dark beer's blue end says nothing
# and its red end everything, while a pale beer's colour sits in the blue. What the model gets wrong (slit, lamp, base,
# glare) is the same for every scan of a house, so a regression on these numbers puts it right.

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats
from specmatch.maths.statistics.linear_algebra import solve_each


def relative_absorbance(wavelength_nm: ArrayLike) -> Floats:
    """Return the absorbance of an average beer over its absorbance at 430 nm."""
    # A. J. deLange, in *Brewing Materials and Processes*, Elsevier 2016, pp. 199-249; real beers deviate from it in a
    # few smooth shapes
    # wavelength_nm: in nm, within about 380 to 780
    beyond = np.asarray(wavelength_nm, float) - 430.0
    return 0.02465 * np.exp(-beyond / 17.591) + 0.97535 * np.exp(-beyond / 82.122)


# White foam reflects about 0.65, chromium under beer 0.44-0.65 by source and about 0.55 here: over a reference with
# water that is 1.2. A house with another base sees the same faults with the size of foam off by the ratio.
FOAM_REFLECTANCE = 1.2

# Light that haze sends back never reaches the base, which returns about half of what is sent down. Inside the beer more
# is scattered out of the beam than comes back, and absorbed on the way: over bases of 0.5 to 0.9 some four times as
# much of the base's light is missing as is sent back (common practice, no source).
LOST_TO_HAZE, LOST_INSIDE = 0.5, 4.0
HAZE_NM, HAZE_POWER = 550.0, 2.0

# the surface mirrors 2.1 % at normal incidence for n = 1.34, of which a part is seen, over a base of about a half
LARGEST_GLARE = 0.02
_DARKEST = 1e-5


@dataclass(frozen=True)
class Optics:
    """What the shapes of faults rest on."""

    wavelength_nm: Floats  # (p,)
    light: Floats  # (p,): light of the reference over its peak
    glare: float  # reflectance of a cup so dark that nothing comes back from the base
    foam: float = FOAM_REFLECTANCE  # what foam reads over the reference, which the base decides
    returned: float = 0.0  # share of light that a matt base sends round again
    stray: float = 0.0  # share of the mean light that every channel sees

    def through(self, reflectance: Floats) -> Floats:
        """Return the share of light that one crossing of the beer leaves."""
        # reflectance (..., p)
        mean = (reflectance * self.light).mean(axis=-1, keepdims=True)
        beam = (reflectance * self.light - self.stray * mean) / (self.light - self.stray * self.light.mean())
        return one_crossing(np.maximum((beam - self.glare) / (1.0 - self.glare), _DARKEST), self.returned)

    def measured(self, passed: Floats) -> Floats:
        """Return changes of reflectance, of changes of what comes back of light through the beer."""
        beam = (1.0 - self.glare) * (1.0 - self.stray * self.light.mean() / self.light) * passed
        return beam + self.stray / (1.0 - self.stray) * (beam * self.light).mean(axis=-1, keepdims=True) / self.light


def after_rounds(crossing: Floats, returned: float) -> Floats:
    """Sum the round trips of light of which one crossing leaves a share."""
    return crossing * (1.0 - returned) / (1.0 - returned * crossing**2)


def one_crossing(through: Floats, returned: float) -> Floats:
    """Return the share that one crossing leaves, from what comes back after all rounds."""
    root = np.sqrt((1.0 - returned) ** 2 + 4.0 * returned * through**2)
    return np.asarray(2.0 * through / (1.0 - returned + root), float)


@dataclass(frozen=True)
class Fault:
    """One kind of fault."""

    name: str  # of `specmatch.warning_codes.FAULT_WORDS`, which holds what is said of it
    least: float  # smallest size worth naming: below it good scans differ as much, or nothing would be done about it
    usual: float  # size that it has where it happens (common practice, no source)
    rare: float  # twice the log of how much rarer it is than beer misfilled or under foam (common practice, no source)
    # sizes tried, ascending, in the unit of the sentence; between them, and from none to the first, sizes are
    # interpolated: a fault that grows in proportion needs no more than the largest
    sizes: tuple[float, ...]


_SHARES = (0.03, 0.06, 0.10, 0.15, 0.20, 0.30, 0.45, 0.60)
_SHIFTS = (0.5, 1.0, 2.0, 3.0, 5.0)
FAULTS = (
    Fault("path_long", 0.03, 0.3, 0.0, _SHARES),
    Fault("path_short", 0.03, 0.3, 0.0, _SHARES),
    Fault("foam", 0.008, 0.1, 0.0, (0.30,)),
    Fault("haze", 0.006, 0.05, 2.0, (0.30,)),
    Fault("lamp_brighter", 0.015, 0.15, 2.0, (0.35,)),
    Fault("lamp_dimmer", 0.015, 0.15, 2.0, (0.35,)),
    Fault("ambient_light", 0.002, 0.05, 4.0, (0.10,)),
    Fault("shift_to_blue", 0.3, 3.0, 4.0, _SHIFTS),
    Fault("shift_to_red", 0.3, 3.0, 4.0, _SHIFTS),
    Fault("axis_to_blue", 0.3, 3.0, 5.0, _SHIFTS),
    Fault("axis_to_red", 0.3, 3.0, 5.0, _SHIFTS),
    Fault("stray_light", 0.003, 0.03, 4.0, (0.003, 0.01, 0.02, 0.05)),
    Fault("clipped", 0.01, 0.3, 4.0, (0.03, 0.06, 0.10, 0.15, 0.22, 0.30, 0.40)),
    Fault("haze_inside", 0.004, 0.05, 2.0, (0.12,)),
    Fault("ambient_warm", 0.002, 0.05, 4.0, (0.10,)),
)
FAULT_NAMES = tuple(fault.name for fault in FAULTS)


def with_fault(name: str, size: ArrayLike, reflectance: Floats, optics: Optics) -> Floats:
    """Return spectra as they would read with a fault, each at every size."""
    # size (k,), reflectance (..., p) -> (..., k, p); a size alone adds no axis
    # size: `path_*`: change of depth as a share; `foam`: share of the surface; `haze`: light sent back at 550 nm over
    # the reference; `lamp_*`: change of light as a share; `ambient_light`: over the peak of the reference; `shift_*`
    # (this scan alone) and `axis_*` (its reference too): nm; `stray_light`: share of the mean light; `clipped`: share
    # cut off the highest counts
    nm, light, t = optics.wavelength_nm, optics.light, np.asarray(size, np.float64)[..., None]
    R = reflectance[..., None, :] if t.ndim > 1 else reflectance
    if name in ("path_long", "path_short"):
        return scale_path(R, 1.0 + t if name == "path_long" else 1.0 - t, optics)
    if name == "foam":
        return R + t * (optics.foam - R)
    if name == "haze":
        return R + t * haze_return(1.0, nm) * (1.0 - LOST_TO_HAZE * R)
    if name == "haze_inside":
        return R + t * inside_haze(R, optics)
    if name in ("lamp_brighter", "lamp_dimmer"):
        return R * (1.0 + t if name == "lamp_brighter" else 1.0 - t)
    if name == "ambient_light":
        return R + t / light
    if name == "ambient_warm":
        return R + t * incandescent(nm) / light
    if name.startswith(("shift_", "axis_")):
        moved = t if name.endswith("blue") else -t
        seen = np.log(np.maximum(reflectance, _DARKEST))
        if name.startswith("axis_"):
            return np.exp(moved_along(seen, nm, moved))
        return np.exp(moved_along(seen + np.log(light), nm, moved)) / light
    if name == "stray_light":
        return (R * light + t * np.mean(R * light, axis=-1, keepdims=True)) / (light + t * light.mean())
    if name == "clipped":
        return np.minimum(R, (1.0 - t) * np.max(R * light, axis=-1, keepdims=True) / light)
    raise ValueError(f"fault {name!r}; expected one of {', '.join(FAULT_NAMES)}")


def incandescent(wavelength_nm: Floats) -> Floats:
    """Return the light of a lamp with a hot filament over its mean: illuminant A of ISO/CIE 11664-2 (from memory)."""
    light = wavelength_nm**-5.0 / np.expm1(1.435e7 / (2848.0 * wavelength_nm))
    return np.asarray(light / light.mean())


def scale_path(reflectance: Floats, factor: Floats | float, optics: Optics) -> Floats:
    """Return a spectrum with the depth of beer, or its strength, times a factor; glare does not pass the beer."""
    # reflectance (..., p), factor (..., 1) -> (..., p)
    left, m = optics.through(reflectance), optics.returned
    return reflectance + optics.measured(after_rounds(left**factor, m) - after_rounds(left, m))


def haze_return(size: float, wavelength_nm: Floats) -> Floats:
    """Return the light that haze sends back, falling with wavelength."""
    # wavelength_nm (p,) -> (p,)
    # size: at 550 nm, over the reference
    return size * (HAZE_NM / wavelength_nm) ** HAZE_POWER


def inside_haze(reflectance: Floats, optics: Optics) -> Floats:
    """Return what haze spread through the beer adds: light sent back from all depths, less what is lost on the way."""
    # -> (p,)
    through = np.clip((reflectance - optics.glare) / (1.0 - optics.glare), _DARKEST, 1.0 - 1e-9)
    # light from a depth passes the beer above it twice: the mean over all depths
    seen = (through - 1.0) / np.log(through)
    return haze_return(1.0, optics.wavelength_nm) * (seen - LOST_INSIDE * through)


def moved_along(values: Floats, wavelength_nm: Floats, moved_nm: ArrayLike) -> Floats:
    """Return the values that stand `moved_nm` further up the axis, continued straight beyond its ends."""
    # values (..., p), wavelength_nm (p,), moved_nm (k, 1) -> (..., k, p)
    nm, moved = wavelength_nm, np.asarray(moved_nm, np.float64)
    far = float(np.abs(moved).max(initial=0.0)) + 1.0
    below = values[..., :1] - far * (values[..., 1:2] - values[..., :1]) / (nm[1] - nm[0])
    above = values[..., -1:] + far * (values[..., -1:] - values[..., -2:-1]) / (nm[-1] - nm[-2])
    grid, all_values = np.concatenate([[nm[0] - far], nm, [nm[-1] + far]]), np.concatenate([below, values, above], -1)
    # as `np.interp`, of which there is none for many rows
    at = nm + moved
    place = np.clip(np.searchsorted(grid, at, side="right") - 1, 0, grid.size - 2)
    slope = np.diff(all_values) / np.diff(grid)
    return np.asarray(slope[..., place] * (at - grid[place]) + all_values[..., place])


def shift_slope(reflectance: Floats, optics: Optics) -> Floats:
    """Return the change of reflectance per nm by which the axis moved to the blue since the reference, (..., p)."""
    if optics.wavelength_nm.size < 2:
        return np.zeros_like(reflectance)
    seen = np.log(np.maximum(reflectance, _DARKEST)) + np.log(optics.light)
    return reflectance * np.gradient(seen, optics.wavelength_nm, axis=-1)


def axis_slope(reflectance: Floats, optics: Optics) -> Floats:
    """Return the change of reflectance per nm by which the axis stands to the blue, reference included."""
    if optics.wavelength_nm.size < 2:
        return np.zeros_like(reflectance)
    return np.asarray(np.gradient(reflectance, optics.wavelength_nm, axis=-1))


def strength_slope(reflectance: Floats, optics: Optics) -> Floats:
    """Return the change of reflectance per relative change of strength or depth."""
    # reflectance (..., p)
    left, m = np.minimum(optics.through(reflectance), 1.0), optics.returned
    rounds = (1.0 - m) * (1.0 + m * left**2) / (1.0 - m * left**2) ** 2
    return optics.measured(rounds * left * np.log(left))


def glare_of(reflectance: Floats) -> float:
    """Return the glare that a set shows: what its darkest channel leaves, within what a surface can give."""
    # reflectance (n, p)
    # the darkest channel still holds a little light from the base, hence nine tenths of it
    return float(np.clip(0.9 * reflectance.min(), 0.0, LARGEST_GLARE))


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
FEW = 64
# the batches of a set are asked for five times in one fit of a colour: so many spectra are remembered
MOST_KEPT = 400
# Channels nearer together than this are averaged first: a slit passes 12-15 nm, so they say the same, and six rounds
# over each of 256 of them would take longer than everything else that a reading needs.
STEP_NM = 6.0

# Which of three curves each coordinate moves the spectrum along: that of strength, of white light, of the lamp.
CURVE = np.array([0] * (1 + N_SHAPES) + [1, 1, 2])

# A spectrum that is no beer may ask for a leap; steps of a beer never come near these limits.
LARGEST_STEP = np.array([0.5, *[0.2] * (PRIOR_SD.size - 1)])[:, None]

_LN10 = np.log(10.0)


def fit_cup_model(reflectance: ArrayLike, wavelength_nm: ArrayLike, noise: ArrayLike | None = None) -> Floats:
    """Fit the optical model to each spectrum."""
    # R = exp(gain) [g + f + h (550/nm)^2 + (1 - g - f - h (550/nm)^2) 10^-A], A(nm) = exp(strength + shapes) times the
    # absorption of an average beer. Penalised least squares by Gauss-Newton, a fixed number of rounds, so that a scan's
    # result never depends on its company.
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
        # of one spectrum derivatives themselves are quicker: what is linear in the unknowns, factors of curves
        linear = np.zeros((CURVE.size, 2, average.size))
        linear[:4, 0], linear[4:6, 1] = factor[:4], -factor[4:6]
        self.linear, self.constant = linear.reshape(CURVE.size, -1), np.repeat([0.0, 1.0 - GLARE], average.size)
        self.of_depth, self.of_white, self.curve = factor[:4], factor[4:6], -_LN10 * average
        self.each = np.eye(CURVE.size)
        self.weights = np.concatenate([weight, PRIOR_SD**-2.0])
        self.least, self.largest = -LARGEST_STEP[:, 0], LARGEST_STEP[:, 0]
        # where the sums stand in the equations, right sides last
        self.place = np.empty((CURVE.size, CURVE.size + 1), np.int64)
        order = np.argsort(pair, kind="stable")
        self.place[left[order], right[order]] = self.place[right[order], left[order]] = np.arange(order.size)
        self.place[:, -1] = order.size + np.arange(CURVE.size)
        self.pull = PRIOR_SD[:, None] ** -2.0
        self.last = (np.empty(0), np.empty(0))  # spectra, and what was found of them

    def fit(self, reflectance: Floats) -> Floats:
        few = 1 < len(reflectance) <= MOST_KEPT
        spectra, known = self.last  # both at once: threads may share this model
        if few and np.array_equal(spectra, reflectance):
            return known
        found = self._fit(reflectance)
        if few:
            self.last = reflectance.copy(), found
        return found

    def _fit(self, reflectance: Floats) -> Floats:
        # spectra and unknowns run along the last axis; memory is taken once, not in every round
        R = np.empty((len(self.pool), len(reflectance)))
        for start in range(0, len(reflectance), FEW):
            R[:, start : start + FEW] = self.pool @ reflectance[start : start + FEW].T
        theta = np.zeros((CURVE.size, R.shape[1]))
        theta[0] = self._first_strength(R)
        if R.shape[1] == 1:
            return self._fit_one(R[:, 0], theta[:, 0])[None]
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

    def _fit_one(self, R: Floats, theta: Floats) -> Floats:
        # R (q,), theta (7,): the same for one spectrum, in as few steps as there can be
        q, n = R.size, CURVE.size
        # derivatives, then what the model leaves of the spectrum; beliefs about the unknowns are channels more
        rows = np.zeros((n + 1, q + n))
        rows[:n, q:] = self.each
        of_depths, of_whites, of_gain, left, pulled = rows[:4, :q], rows[4:6, :q], rows[6, :q], rows[7, :q], rows[7, q:]
        derivatives, scaled, linear = rows[:n], np.empty((n, q + n)), np.empty(2 * q)
        depth, seen, through, normal = linear[:q], linear[q:], np.empty(q), np.empty((n, n + 1))
        for _ in range(ROUNDS):
            np.negative(theta, out=pulled)
            np.matmul(theta, self.linear, out=linear)
            linear += self.constant
            gain = np.exp(theta[-1])
            np.exp(np.minimum(np.maximum(depth, -10.0, out=depth), 6.0, out=depth), out=depth)
            depth *= self.curve
            np.exp(depth, out=through)
            seen *= gain
            depth *= seen
            depth *= through
            np.multiply(depth, self.of_depth, out=of_depths)
            np.subtract(1.0, through, out=through)
            seen *= through
            through *= gain
            np.multiply(through, self.of_white, out=of_whites)
            np.subtract(R, np.subtract(gain, seen, out=of_gain), out=left)
            np.matmul(np.multiply(derivatives, self.weights, out=scaled), rows.T, out=normal)
            step = np.linalg.solve(normal[:, :n], normal[:, n])
            theta += np.minimum(np.maximum(step, self.least, out=step), self.largest, out=step)
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
