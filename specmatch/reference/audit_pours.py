"""Findings among pours and scans: the same scan twice, and one pour unlike the others of its sample."""

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.special import chdtrc

from specmatch.maths.statistics import mean_by
from specmatch.reference.finding import Finding
from specmatch.reference.pours import Pours

Floats = NDArray[np.float64]

# Two scans of one pour differ by noise of some 1e-3; files rounded to six digits differ by less than this.
SAME_SCAN = 2e-6
# Chance that a set of good pours brings any odd_pour at all, were its pour errors normal; their tails are longer.
ODD_POUR_RATE = 0.02
# Pours held against their mates for the size of ordinary pour errors; the rest may be faults themselves.
ORDINARY_SHARE = 0.95
# Foam is white: against a reference in water it reads about this much. Its exact level does not matter here.
FOAM_LEVEL = 1.2


def duplicate_findings(spectra: pd.DataFrame, scans: pd.DataFrame) -> Iterator[Finding]:
    """Yield a finding for every scan that repeats an earlier one.

    Parameters
    ----------
    spectra, scans : DataFrame
        Tables of a reference set.

    Yields
    ------
    Finding
        `duplicate_scans`, at level scan; the suggestion is the scan that it repeats.
    """
    values = np.nan_to_num(spectra.to_numpy(dtype=np.float64), nan=-1.0)
    level = values.mean(axis=1)
    order = np.argsort(level, kind="stable")
    told: set[int] = set()
    for place, row in enumerate(order):
        for other in order[place + 1 :]:
            if level[other] - level[row] > SAME_SCAN:
                break
            if np.abs(values[other] - values[row]).max() <= SAME_SCAN:
                first, second = sorted((int(row), int(other)))
                if second not in told:
                    told.add(second)
                    yield _duplicate(scans, first, second, float(np.abs(values[other] - values[row]).max()))


def _duplicate(scans: pd.DataFrame, first: int, second: int, apart: float) -> Finding:
    one, two = scans.index[first], scans.index[second]
    of_batches = scans["batch"].iloc[[first, second]]
    where = f"both of batch {of_batches.iloc[0]}"
    if of_batches.nunique() > 1:
        where = f"of batches {of_batches.iloc[0]} and {of_batches.iloc[1]}"
    return Finding(
        "duplicate_scans",
        "scan",
        str(two),
        1.0 - apart,
        f"scan {two} is the same as scan {one}, {where}; no two scans share their noise",
        f"find out which of the two is real and leave {two} out",
        str(one),
    )


def odd_pour_findings(pours: Pours) -> Iterator[Finding]:
    """Yield a finding for every sample of which one pour is unlike its mates.

    Parameters
    ----------
    pours : Pours

    Yields
    ------
    Finding
        `odd_pour`; at level sample where only two pours disagree, because then nobody can say which is odd.

    Notes
    -----
    The difference of a pour from the mean of its mates is projected on the patterns of a longer path (reflectance
    times absorbance), of more light (reflectance) and of an added white (a constant). Their ordinary sizes are learnt
    from all pours of the set; what is far beyond them is odd (chi-squared with three degrees of freedom).
    """
    counts = np.bincount(pours.sample)
    several = np.flatnonzero(counts[pours.sample] > 1)
    if several.size < 6:
        return
    projected, patterns, noise = _projected(pours, counts, several)
    spread = _ordinary_spread(projected, patterns, noise)
    statistic = _statistics(projected, patterns, spread, noise)
    limit_p = ODD_POUR_RATE / several.size
    samples = pours.sample[several]
    for sample in np.unique(samples):
        mine = np.flatnonzero(samples == sample)
        worst = mine[statistic[mine].argmax()]
        if chdtrc(3, statistic[worst]) < limit_p:
            cause, size = _likeliest(projected[worst], patterns[worst], spread, noise)
            yield _odd(pours, int(several[worst]), len(mine), float(statistic[worst]), cause, size)


def _projected(pours: Pours, counts: NDArray[np.int64], several: NDArray[np.int64]) -> tuple[Floats, Floats, float]:
    """Return differences from mates on an orthonormal basis of the patterns, the patterns in it, and the noise.

    Differences are scaled to the spread of a single pour: a difference from m - 1 mates has 1 + 1/(m - 1) of its
    variance.
    """
    R, sample = pours.reflectance, pours.sample
    sums = mean_by(R, sample)[0] * counts[:, None]
    projected, patterns, left = [], [], 0.0
    for row in several:
        m = counts[sample[row]]
        mates = (sums[sample[row]] - R[row]) / (m - 1)
        difference = (R[row] - mates) / np.sqrt(1.0 + 1.0 / (m - 1))
        absorbance = -np.log(np.clip(mates, 1e-4, None))
        basis, shape = np.linalg.qr(np.column_stack([-absorbance * mates, mates, np.ones_like(mates)]))
        inside = basis.T @ difference
        projected.append(inside)
        patterns.append(shape)
        left += float(difference @ difference - inside @ inside)
    noise = left / (several.size * (R.shape[1] - 3))
    return np.array(projected), np.array(patterns), noise


def _ordinary_spread(projected: Floats, patterns: Floats, noise: float) -> Floats:
    """Return variances of path, light and white in ordinary pours, by non-negative least squares on second moments."""
    kept = np.ones(len(projected), dtype=bool)
    spread = np.zeros(3)
    for _ in range(4):
        moments = np.einsum("ni,nj->nij", projected[kept], projected[kept]) - noise * np.eye(3)
        expected = np.einsum("nik,njk->nijk", patterns[kept], patterns[kept])
        # per unit of its own size, so that dark and pale beers count alike
        weight = 1.0 / np.sqrt(np.einsum("nijk,nijk->n", expected, expected))
        design = (expected * weight[:, None, None, None]).reshape(-1, 3)
        column = np.linalg.norm(design, axis=0)
        spread = nnls(design / column, (moments * weight[:, None, None]).ravel())[0] / column
        spread = np.maximum(spread, 1e-10)
        statistic = _statistics(projected, patterns, spread, noise)
        kept = statistic <= np.quantile(statistic, ORDINARY_SHARE)
    # the pours kept are the quieter ones; bring the middle of all of them to where it belongs
    middle = np.median(statistic) / 2.366  # median of chi-squared with three degrees of freedom
    return spread * max(middle, 1e-3)


def _statistics(projected: Floats, patterns: Floats, spread: Floats, noise: float) -> Floats:
    covariance = np.einsum("nik,k,njk->nij", patterns, spread, patterns) + noise * np.eye(3)
    return np.einsum("ni,ni->n", projected, np.linalg.solve(covariance, projected[:, :, None])[:, :, 0])


def _likeliest(projected: Floats, pattern: Floats, spread: Floats, noise: float) -> tuple[str, float]:
    """Return the single cause that explains a difference best, and its size as a fraction."""
    covariance = (pattern * spread) @ pattern.T + noise * np.eye(3)
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    y = whiten @ projected
    directions = {"path": pattern[:, 0], "light": pattern[:, 1], "white": FOAM_LEVEL * pattern[:, 2] - pattern[:, 1]}
    best = ("path", 0.0, -1.0)
    for cause, direction in directions.items():
        d = whiten @ direction
        size = float(d @ y / (d @ d))
        gain = float((d @ y) ** 2 / (d @ d))
        if gain > best[2] and not (cause == "white" and size < 0):
            best = (cause, size, gain)
    return best[0], best[1]


def _odd(pours: Pours, row: int, m: int, statistic: float, cause: str, size: float) -> Finding:
    # differences were scaled to a single pour's spread; sizes go back to what was seen
    size *= float(np.sqrt(1.0 + 1.0 / (m - 1)))
    looks = {
        "path": f"about {abs(size):.0%} {'more' if size > 0 else 'less'} beer in the cup",
        "light": f"about {abs(size):.0%} {'more' if size > 0 else 'less'} light",
        "white": f"foam over about {abs(size):.0%} of the cup",
    }[cause]
    batch = pours.batch_names[pours.batch[row]]
    if m == 2:
        sample = pours.sample_names[pours.sample[row]]
        return Finding(
            "odd_pour",
            "sample",
            sample,
            statistic,
            f"the two pours of sample {sample} (batch {batch}) differ as by {looks}; which is right cannot be told",
            "pour the sample again, or leave both pours out",
        )
    pour = pours.pour_names[row]
    return Finding(
        "odd_pour",
        "pour",
        pour,
        statistic,
        f"pour {pour} of batch {batch} differs from the other {m - 1} of its sample as by {looks}",
        "leave the pour out",
        looks,
    )
