"""Findings among pours and scans: the same scan twice, and one pour unlike the others of its sample."""

from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy.optimize import nnls
from scipy.special import chdtrc, chdtri

from specmatch.array_types import Floats, Ints
from specmatch.reference.audit.finding import Finding
from specmatch.reference.tables.pours import Pours

# Two scans of one pour differ by noise of some 1e-3; files rounded to six digits differ by less than this.
SAME_SCAN = 2e-6
# Chance that a set of good pours brings any odd_pour at all, were its pour errors normal; their tails are longer.
ODD_POUR_RATE = 0.06
# Pours held against their mates for the size of ordinary pour errors; the rest may be faults themselves.
ORDINARY_SHARE = 0.95
# Foam is white: against a reference in water it reads about this much. Its exact level does not matter here.
FOAM_LEVEL = 1.2
# Light that haze returns did not reach the base: against a base that reflects about half it reads about this much.
HAZE_LEVEL = 2.0
N_PATTERNS = 4
# However alike the pours of a set are, differences of this size are nothing to report (sd of path, light, foam, haze):
# a 10 mL cylinder is good to 1-2 % (ASTM E1272); for the others common practice, no source.
LEAST_SD = np.array([0.012, 0.006, 0.003, 0.003])


def duplicate_findings(spectra: pd.DataFrame, scans: pd.DataFrame) -> Iterator[Finding]:
    """Yield a finding for every scan that repeats an earlier one."""
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

    The difference of a pour from the mean of its mates is projected on the patterns of a longer path (reflectance
    times its logarithm), of more light (reflectance), of foam (white) and of haze (a falling power of wavelength).
    Their ordinary sizes are learnt from all pours of the set; what is far beyond them is odd (chi-squared with as
    many degrees of freedom as patterns).
    """
    sample, counts = pours.levels.sample, pours.levels.counts("sample")
    several = np.flatnonzero(counts[sample] > 1)
    if several.size < 6:
        return
    projected, patterns, noise = _projected(pours, counts, several)
    spread = _ordinary_spread(projected, patterns, noise)
    statistic = _statistics(projected, patterns, spread, noise)
    limit_p = ODD_POUR_RATE / several.size
    samples = sample[several]
    for code in np.unique(samples):
        mine = np.flatnonzero(samples == code)
        worst = mine[statistic[mine].argmax()]
        if chdtrc(N_PATTERNS, statistic[worst]) < limit_p:
            cause, size = _likeliest(projected[worst], patterns[worst], spread, noise)
            yield _odd(pours, int(several[worst]), len(mine), float(statistic[worst]), cause, size)


def _projected(pours: Pours, counts: Ints, several: Ints) -> tuple[Floats, Floats, float]:
    """Return differences from mates on an orthonormal basis of the patterns, the patterns in it, and the noise.

    Differences are scaled to the spread of a single pour: a difference from m - 1 mates has 1 + 1/(m - 1) of its
    variance. Channels are weighted by their noise.
    """
    sample, m = pours.levels.sample[several], counts[pours.levels.sample[several]]
    sums = pours.levels.mean(pours.reflectance, to="sample") * counts[:, None]
    mates = (sums[sample] - pours.reflectance[several]) / (m - 1)[:, None]
    differences = (pours.reflectance[several] - mates) / np.sqrt(1.0 + 1.0 / (m - 1))[:, None]
    haze = (550.0 / pours.wavelength_nm) ** 2
    weight = 1.0 / _channel_noise(differences)
    projected, patterns, left = [], [], 0.0
    for R, difference in zip(mates, differences * weight, strict=True):
        seen = (R * np.log(np.clip(R, 1e-4, None)), R, FOAM_LEVEL - R, haze * (HAZE_LEVEL - R))
        basis, shape = np.linalg.qr(np.column_stack(seen) * weight[:, None])
        inside = basis.T @ difference
        projected.append(inside)
        patterns.append(shape)
        left += float(difference @ difference - inside @ inside)
    return np.array(projected), np.array(patterns), left / (several.size * (weight.size - N_PATTERNS))


def _channel_noise(differences: Floats) -> Floats:
    """Return the noise of each channel: what is left of it beside the line between its neighbours."""
    bend = np.empty_like(differences)
    bend[:, 1:-1] = differences[:, 1:-1] - (differences[:, :-2] + differences[:, 2:]) / 2.0
    bend[:, 0], bend[:, -1] = bend[:, 1], bend[:, -2]
    # the median stands against single spoilt pours; a floor keeps channels without any noise finite
    noise = np.median(np.abs(bend), axis=0) / 0.6745 / np.sqrt(1.5)
    return np.maximum(noise, max(1e-9, 0.1 * float(np.median(noise))))


def _ordinary_spread(projected: Floats, patterns: Floats, noise: float) -> Floats:
    """Return variances of path, light, foam and haze in ordinary pours, fitted to second moments (none negative).

    Moments are whitened by the variances of the round before, so that every beer counts where it can tell most.
    """
    spread = LEAST_SD**2
    kept = np.ones(len(projected), dtype=bool)
    for _ in range(4):
        half = np.linalg.cholesky(_covariance(patterns, spread, noise))
        seen = np.linalg.solve(half, projected[:, :, None])
        shapes = np.linalg.solve(half, patterns)
        own_noise = np.linalg.solve(half, np.broadcast_to(np.eye(N_PATTERNS), half.shape))
        expected = np.einsum("nik,njk->nijk", shapes, shapes)[kept].reshape(-1, N_PATTERNS)
        moments = (seen @ seen.transpose(0, 2, 1) - noise * own_noise @ own_noise.transpose(0, 2, 1))[kept].ravel()
        column = np.linalg.norm(expected, axis=0)
        spread = np.maximum(nnls(expected / column, moments)[0] / column, 1e-10)
        statistic = _statistics(projected, patterns, spread, noise)
        kept = statistic <= np.quantile(statistic, ORDINARY_SHARE)
    # the pours kept are the quieter ones; bring the middle of all of them to where it belongs
    middle = np.median(statistic) / chdtri(N_PATTERNS, 0.5)
    return np.maximum(spread * middle, LEAST_SD**2)


def _covariance(patterns: Floats, spread: Floats, noise: float) -> Floats:
    return np.einsum("nik,k,njk->nij", patterns, spread, patterns) + noise * np.eye(N_PATTERNS)


def _statistics(projected: Floats, patterns: Floats, spread: Floats, noise: float) -> Floats:
    covariance = _covariance(patterns, spread, noise)
    return np.einsum("ni,ni->n", projected, np.linalg.solve(covariance, projected[:, :, None])[:, :, 0])


def _likeliest(projected: Floats, pattern: Floats, spread: Floats, noise: float) -> tuple[str, float]:
    """Return the single cause that explains a difference best, and its size as a fraction."""
    covariance = (pattern * spread) @ pattern.T + noise * np.eye(N_PATTERNS)
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    y = whiten @ projected
    directions = {"path": pattern[:, 0], "light": pattern[:, 1], "foam": pattern[:, 2], "haze": pattern[:, 3]}
    best = ("path", 0.0, -1.0)
    for cause, direction in directions.items():
        d = whiten @ direction
        size = float(d @ y / (d @ d))
        gain = float((d @ y) ** 2 / (d @ d))
        if gain > best[2] and not (cause in ("foam", "haze") and size < 0):
            best = (cause, size, gain)
    return best[0], best[1]


def _odd(pours: Pours, row: int, m: int, statistic: float, cause: str, size: float) -> Finding:
    # differences were scaled to a single pour's spread; sizes go back to what was seen
    size *= float(np.sqrt(1.0 + 1.0 / (m - 1)))
    looks = {
        "path": f"about {abs(size):.0%} {'more' if size > 0 else 'less'} beer in the cup",
        "light": f"about {abs(size):.0%} {'more' if size > 0 else 'less'} light",
        "foam": f"foam over about {abs(size):.0%} of the cup",
        "haze": f"haze that returns about {abs(size):.1%} of the light",
    }[cause]
    batch = pours.batch_names[pours.levels.codes("batch")[row]]
    if m == 2:
        sample = pours.sample_names[pours.levels.sample[row]]
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
