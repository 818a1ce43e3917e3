"""The wavelength axis against published lines: each line by itself, all as one pattern; corrected only if asked."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.interpolate import BSpline
from scipy.optimize import least_squares

from specmatch.array_types import Floats, Mask
from specmatch.errors import TooFewBatchesError
from specmatch.measurement.commissioning.figures import Line
from specmatch.storage import write_atomic

SIGMA_PER_WIDTH = 1.0 / 2.3548  # of a Gaussian, from its full width at half height
# a slit of this class, and how far in logarithm it, the own width of a band, may be from what is stated: prior only
_SLIT_NM, _SLIT_DOUBT, _WIDTH_DOUBT = 12.0, 0.5, 0.3
_STEP_NM, _REACH, _BEYOND_NM = 0.5, 3.0, 20.0
# the lamp as a spline: its knots, spread of gain between pixels, and how far it may bend
_KNOT_NM, _GAIN_SD, _BEND = 5.0, 0.01, 3.0
_BACKGROUND = 4  # degree of the smooth transmission of a glass, or of the phosphor below the lines of a lamp


@dataclass(frozen=True)
class AxisFit:
    """How far the pixels really lie from where the axis says."""

    shift_nm: float  # true wavelength less stated, of the whole pattern
    shift_sd_nm: float
    slit_nm: float  # full width at half height
    # a row a line: `published_nm`, `found_nm` on the stated axis, `difference_nm` (published less found), `sd_nm`
    lines: pd.DataFrame


def fit_glass(net: Floats, light: Floats, noise: Floats, nm: Floats, lines: Sequence[Line]) -> AxisFit | None:
    """Fit the transmission of a glass by its bands, seen through the slit in the light of the lamp."""
    # The slit weights each wavelength by the lamp, which moves a band on a flank of the lamp by as much as a nanometre:
    # so the light is modelled, not the quotient.
    # net, light, noise, nm (p,): counts with glass, without, standard deviation of their quotient
    used = (light > 0.05 * light.max()) & (noise < 0.03)
    return _fit(np.where(used, net / np.where(light > 0, light, 1.0), 0.0), noise, nm, lines, used, light)


def fit_lamp(net: Floats, noise: Floats, nm: Floats, lines: Sequence[Line]) -> AxisFit | None:
    """Fit the lines of a lamp on a smooth background."""
    scale = float(net.max())
    return _fit(net / scale, noise / scale, nm, lines, np.ones(nm.size, bool), None)


def _fit(
    y: Floats, noise: Floats, nm: Floats, lines: Sequence[Line], used: Mask, light: Floats | None
) -> AxisFit | None:
    if used.sum() < 30:
        return None
    low, high = nm[used][0] + 5.0, nm[used][-1] - 5.0
    # a line just beyond the ends is felt there, though the axis is not judged by it
    seen = [
        line if low <= line.nm <= high else replace(line, counts=False)
        for line in lines
        if low - _BEYOND_NM <= line.nm <= high + _BEYOND_NM
    ]
    if sum(line.counts for line in seen) < 2:
        return None
    pattern = _Pattern(nm, seen, used, light)
    noise, start = np.maximum(noise, 1e-4), pattern.start(y)
    doubt: Floats = np.hypot(noise, 0.01)
    for _ in range(3):  # misfit, and the lamp behind the slit, are those of the round before
        slit = float(np.exp(start[1]))
        pattern.sharpen(slit * SIGMA_PER_WIDTH)

        def residuals(parameters: Floats, sd: Floats = doubt) -> Floats:
            return np.concatenate([((pattern(parameters) - y) / sd)[used], pattern.doubts(parameters)])

        found = least_squares(residuals, start, method="trf", x_scale="jac", max_nfev=60)
        start = found.x
        misfit = float(np.sqrt(max(float(np.mean((pattern(start) - y)[used] ** 2 - noise[used] ** 2)), 1e-10)))
        # neighbouring pixels share what the pattern misses: there they are independent only a slit apart
        per_slit = max(1.0, slit / float(np.median(np.diff(nm))))
        doubt = np.hypot(noise, misfit * per_slit**0.5)
    jacobian = found.jac[:, 0], found.jac[:, 1:]
    alone = jacobian[0] - jacobian[1] @ np.linalg.lstsq(jacobian[1], jacobian[0], rcond=None)[0]
    each = _each_line(pattern, start, y - pattern(start), np.where(used, 1.0 / doubt**2, 0.0))
    return AxisFit(float(start[0]), float(1.0 / np.sqrt(max(alone @ alone, 1e-12))), slit, each)


class _Pattern:
    """The pattern by shift, log slit, background, and strength, log width and own place of each line."""

    def __init__(self, nm: Floats, lines: Sequence[Line], used: Mask, light: Floats | None) -> None:
        self.nm, self.lines, self.used, self.light = nm, lines, used, light
        self.fine = np.arange(nm[0] - 30.0, nm[-1] + 30.0, _STEP_NM)
        self.at = np.array([line.nm for line in lines])
        # a line without a width of its own is as sharp as the grid allows
        self.width = np.array([max(line.width_nm, 0.01) for line in lines])
        position = 2.0 * (nm - nm[0]) / (nm[-1] - nm[0]) - 1.0
        self.smooth = np.polynomial.legendre.legvander(position, _BACKGROUND if light is not None else 2 * _BACKGROUND)

    def sharpen(self, slit: float) -> None:
        """Find the lamp that, seen through the slit, gives the light measured: a spline, drawn to be smooth."""
        if self.light is None:
            return
        knots = np.arange(self.fine[0] - 4 * _KNOT_NM, self.fine[-1] + 4 * _KNOT_NM, _KNOT_NM)
        basis = BSpline.design_matrix(self.fine, knots, 3).toarray()
        kernel = _slit_kernel(slit)
        seen = np.apply_along_axis(lambda column: np.convolve(column, kernel / kernel.sum(), "same"), 0, basis)
        place = np.clip(np.round((self.nm - self.fine[0]) / _STEP_NM).astype(int), 0, self.fine.size - 1)
        light = self.light / self.light.max()
        # the bend is weighed against pixels that differ in gain by about 1 %
        weight = 1.0 / (_GAIN_SD * np.maximum(light, 0.02))
        design = np.vstack([seen[place] * weight[:, None], _BEND * np.diff(np.eye(basis.shape[1]), 2, axis=0)])
        target = np.concatenate([light * weight, np.zeros(basis.shape[1] - 2)])
        lamp = basis @ np.linalg.lstsq(design, target, rcond=None)[0]
        self.sharp = np.maximum(lamp, 1e-3 * lamp.max())

    def start(self, y: Floats) -> Floats:
        """Return parameters to begin with."""
        background = np.zeros(self.smooth.shape[1])
        background[0] = np.log(np.median(y[self.used])) if self.light is not None else np.median(y)
        near = np.abs(self.nm[:, None] - self.at).argmin(axis=0)
        strength = np.full(self.at.size, 0.3) if self.light is not None else np.maximum(y[near], 0.01)
        return np.concatenate([[0.0, np.log(_SLIT_NM)], background, strength, np.zeros(2 * self.at.size)])

    def doubts(self, parameters: Floats) -> Floats:
        """Return what is known beforehand, as residuals."""
        n = self.at.size
        places = parameters[-n:] / [line.sd_nm for line in self.lines]
        slit = (parameters[1] - np.log(_SLIT_NM)) / _SLIT_DOUBT
        return np.concatenate([[slit], parameters[-2 * n : -n] / _WIDTH_DOUBT, places])

    def slopes(self, parameters: Floats) -> Floats:
        """Return what the pattern changes by as each line alone moves down the stated axis, per nm: (p, lines)."""
        steps = 0.1 * np.eye(self.at.size)
        return np.column_stack([(self(parameters, step) - self(parameters, -step)) / 0.2 for step in steps])

    def __call__(self, parameters: Floats, shifts: Floats | None = None) -> Floats:
        n, m = self.at.size, self.smooth.shape[1]
        background = self.smooth @ parameters[2 : 2 + m]
        strength, log_width, place = parameters[2 + m :].reshape(3, n)
        slit = float(np.exp(parameters[1])) * SIGMA_PER_WIDTH
        at = self.at + place - parameters[0] - (0.0 if shifts is None else shifts)
        width = self.width * np.exp(log_width) * SIGMA_PER_WIDTH
        if self.light is None:
            wide = np.hypot(width, slit)
            lines: Floats = np.exp(-(((self.nm[:, None] - at) / wide) ** 2) / 2.0) @ strength
            return background + lines
        passed = np.exp(-np.exp(-(((self.fine[:, None] - at) / width) ** 2) / 2.0) @ strength)
        kernel = _slit_kernel(slit)
        above, below = np.convolve(self.sharp * passed, kernel, "same"), np.convolve(self.sharp, kernel, "same")
        quotient = np.interp(self.nm, self.fine, above / np.maximum(below, 1e-9 * below.max()))
        return np.exp(background) * quotient


def _slit_kernel(slit: float) -> Floats:
    reach = int(np.ceil(_REACH * slit / _STEP_NM))
    kernel: Floats = np.exp(-((np.arange(-reach, reach + 1) * _STEP_NM / slit) ** 2) / 2.0)
    return kernel


def _each_line(pattern: _Pattern, parameters: Floats, left: Floats, weight: Floats) -> pd.DataFrame:
    """Let each line that counts move by itself, the others standing where the whole pattern put them."""
    rows, n = [], pattern.at.size
    for k, (line, slope) in enumerate(zip(pattern.lines, pattern.slopes(parameters).T, strict=True)):
        information = float(weight @ slope**2)
        if line.counts and information > 0:
            place = parameters[-n + k]
            difference = parameters[0] - place + float((weight * slope) @ left) / information
            sd = float(np.hypot(1.0 / np.sqrt(information), line.sd_nm))
            rows.append((line.nm, line.nm - difference, difference, sd))
    return pd.DataFrame(rows, columns=["published_nm", "found_nm", "difference_nm", "sd_nm"])


FORMAT = 1
DEGREE = 5  # of the polynomial of pixels that modules of this class keep
_FEWEST_LINES = (2, 4, 6)  # for a correction by a constant, a slope, a curve
_BETTER = 9.0  # chi-squared that another degree must save: three standard deviations


@dataclass(frozen=True)
class AxisVersion:
    """A new axis: nm = sum of coefficients_k x pixel^k, pixels counted from 0."""

    coefficients: tuple[float, ...]
    corrected_nm: Floats  # (p,)
    stated_nm: Floats  # (p,)
    correction_degree: int  # of the correction in nm: 0 moves, 1 stretches, 2 bends
    off_nm: float  # largest difference between the polynomial and the corrected axis
    parent: str  # hash of the stated axis

    @property
    def version(self) -> str:
        """Twelve digits of the hash over the axis and its parent."""
        text = json.dumps([FORMAT, self.parent, [repr(c) for c in self.coefficients]])
        return hashlib.sha256(text.encode()).hexdigest()[:12]

    def save(self, path: str | Path) -> None:
        """Write the axis as a small JSON document."""
        content = {
            "format": FORMAT, "version": self.version, "parent": self.parent, "pixels": self.corrected_nm.size,
            "coefficients": list(self.coefficients), "corrected_nm": self.corrected_nm.round(4).tolist(),
        }  # fmt: skip
        write_atomic(Path(path), (json.dumps(content, sort_keys=True, indent=2) + "\n").encode())


def corrected_axis(nm: Floats, lines: pd.DataFrame) -> AxisVersion:
    """Correct an axis by lines, with as few parameters as they ask for."""
    # nm (p,); lines: published_nm, found_nm, difference_nm, sd_nm
    n = len(lines)
    if n < _FEWEST_LINES[0]:
        raise TooFewBatchesError(
            f"{n} lines were found; a corrected axis needs {_FEWEST_LINES[0]} or more: scan a glass or a lamp"
        )
    middle, half = float(nm.mean()), float(np.ptp(nm)) / 2.0
    at = (lines["found_nm"].to_numpy() - middle) / half
    off, sd = lines["difference_nm"].to_numpy(), lines["sd_nm"].to_numpy()
    best, degree, least = np.zeros(1), 0, np.inf
    for tried, fewest in enumerate(_FEWEST_LINES):
        if n < fewest:
            break
        found = np.polynomial.polynomial.polyfit(at, off, tried, w=1.0 / sd)
        left = float(np.sum(((off - np.polynomial.polynomial.polyval(at, found)) / sd) ** 2))
        if left < least - _BETTER or tried == 0:
            best, degree, least = found, tried, left
    # beyond the outermost lines nothing is known: the correction stays what it is there
    place = np.clip((nm - middle) / half, at.min(), at.max())
    corrected = nm + np.polynomial.polynomial.polyval(place, best)
    fit = np.polynomial.Polynomial.fit(np.arange(nm.size), corrected, DEGREE)
    coefficients = fit.convert().coef
    return AxisVersion(
        coefficients=tuple(float(c) for c in coefficients),
        corrected_nm=corrected,
        stated_nm=nm.copy(),
        correction_degree=degree,
        off_nm=float(np.abs(fit(np.arange(nm.size)) - corrected).max()),
        parent=hashlib.sha256(np.ascontiguousarray(nm, dtype="<f8").tobytes()).hexdigest()[:12],
    )
