"""A corrected wavelength axis: offered where asked for, kept with its origin, applied by nobody unasked."""

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.errors import TooFewBatchesError
from specmatch.storage import write_atomic

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
