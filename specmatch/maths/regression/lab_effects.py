"""Labs that read high or low against each other, and how well each lab colour of a set is known."""

# Two labs seldom measure one batch twice, but the spectra of all batches tie their values together: what one lab's
# values lie above the other's at the same spectra is its effect.

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Mask
from specmatch.errors import OptionError

# Standard deviation between labs beforehand, in logarithms: half of what a trial of 21 laboratories gives on pale wort,
# R95 / 2.8 = 9 % (Angelino, Monatsschrift fuer Brauwissenschaft 53(3/4):54-55, 2000; boiled wort), because a house
# chooses its labs. A lab of a few batches is drawn to the others by it.
BETWEEN_LABS = 0.045
FEWEST_BATCHES_OF_A_LAB = 3
# of a batch that two labs measured, whose values were averaged
BOTH = " + "
# determinations that the scatter of all batches stands for beside a batch's own few (tuning)
POOLED_DOF = 4.0
# a value stated to be known much better than the others still carries pours and the rest of the error
LEAST_PART = 0.25


@dataclass(frozen=True)
class LabValues:
    """What is known of the lab colours of batches."""

    labs: tuple[str, ...]  # (K,): who measured each; "A + B" where both did; "" where it is not known
    extra_variance: Floats  # (K,): relative variance of each value beyond that of the typical one

    def part(self, kept: Mask) -> "LabValues":
        """Return those of some of the batches."""
        return LabValues(tuple(np.array(self.labs, dtype=object)[kept]), self.extra_variance[kept])

    def and_of(self, more: "LabValues") -> "LabValues":
        """Return those of further batches behind these."""
        return LabValues((*self.labs, *more.labs), np.append(self.extra_variance, more.extra_variance))


@dataclass(frozen=True)
class LabEffects:
    """By how much labs read above the reference lab, in logarithms."""

    labs: tuple[str, ...]  # the reference lab first
    effect: Floats  # effect, sd: (L,): 0 for the reference lab
    sd: Floats

    def of(self, labs: Sequence[str]) -> Floats:
        """Return the effect on each value, shape (n,); where the lab is not known it is the average of all."""
        return design(labs, self.labs) @ self.effect

    def place(self, lab: str) -> int:
        """Return where a lab stands among these, whatever its case."""
        folded = [name.casefold() for name in self.labs]
        if lab.casefold() not in folded:
            held = ", ".join(self.labs) or "none that can be told from another"
            raise OptionError(f"lab {lab!r} is not one that the model knows; it knows {held}")
        return folded.index(lab.casefold())


NO_LABS = LabEffects((), np.zeros(0), np.zeros(0))


def known_labs(labs: Sequence[str]) -> tuple[str, ...]:
    """Return labs with batches enough to be told apart, the one with most first; none unless there are two."""
    counts = Counter(name for cell in labs if cell for name in cell.split(BOTH))
    enough = [name for name in sorted(counts) if counts[name] >= FEWEST_BATCHES_OF_A_LAB]
    return tuple(sorted(enough, key=lambda name: -counts[name])) if len(enough) > 1 else ()


def design(labs: Sequence[str], known: Sequence[str]) -> Floats:
    """Return the share that each lab has in each value, shape (n, L); blank and rare ones count as the average."""
    out = np.zeros((len(labs), len(known)))
    for row, cell in enumerate(labs):
        for name in cell.split(BOTH) if cell else ():
            if name in known:
                out[row, known.index(name)] += 1.0
    total = out.sum(axis=1, keepdims=True)
    average = out.sum(axis=0) / max(float(total.sum()), 1.0)
    return np.where(total > 0, out / np.maximum(total, 1.0), average)


def fit_lab_effects(labs: Sequence[str], response: Floats, inverse: Floats) -> LabEffects:
    """Learn the effects by generalised least squares under a process of the spectra, drawn to 0."""
    # C. E. Rasmussen, C. K. I. Williams, *Gaussian Processes for Machine Learning*, MIT Press 2006, section 2.7
    # (explicit basis functions with a prior); inverse: of the covariance of responses, kernel matrix plus noise
    # labs (K,), response (K,): log colour less what the inputs already say; inverse (K, K)
    known = known_labs(labs)
    n = len(known)
    if not n:
        return NO_LABS
    X = design(labs, known)[:, 1:]
    covariance = np.linalg.inv(X.T @ inverse @ X + np.eye(n - 1) / BETWEEN_LABS**2)
    effect = covariance @ (X.T @ (inverse @ response))
    return LabEffects(known, np.append(0.0, effect), np.append(0.0, np.sqrt(np.diag(covariance))))


def extra_variance(colour: Floats, colour_sd: Floats, colour_n: Floats) -> Floats:
    """Return the relative variance of each lab value beyond the typical one; 0 where nothing is stated."""
    # `colour_sd` is the scatter of `colour_n` determinations (few of them are drawn to all); without a number that of
    # the value
    # colour, colour_sd, colour_n (K,): NaN where not stated -> (K,)
    counted = np.isfinite(colour_n) & (colour_n >= 1.0)
    n = np.where(counted, colour_n, 1.0)
    stated = np.isfinite(colour_sd) & (colour_sd > 0) & np.isfinite(colour)
    if not stated.any():
        return np.zeros(colour.size)
    relative = np.where(stated, colour_sd / colour, np.nan) ** 2
    repeated = stated & (n > 1.0)
    if not repeated.any():
        typical = float(np.median(relative[stated]))
        return np.where(stated, relative - typical, 0.0)
    dof = np.where(repeated, n - 1.0, 0.0)
    pooled = float((dof * np.nan_to_num(relative)).sum() / dof.sum())
    own = np.where(repeated, (dof * np.nan_to_num(relative) + POOLED_DOF * pooled) / (dof + POOLED_DOF), pooled)
    # one determination with a standard deviation: what the lab states of that value
    own = np.where(stated & ~counted, np.nan_to_num(relative), own)
    variance = own / n
    told = stated | counted
    return np.where(told, variance - float(np.median(variance[told])), 0.0)


def with_extra(variance: Floats, extra: Floats | None) -> Floats:
    """Add what single values are known better or worse by, never below a part of the usual variance."""
    return variance if extra is None else np.maximum(variance + extra, LEAST_PART * variance)
