"""Findings among pours and scans: the same scan twice, and one pour unlike the others of its sample."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.maths.faults.diagnosis import NO_FAULT, Diagnosis, in_words
from specmatch.maths.faults.fault_model import POUR_LIMIT, fit_fault_model
from specmatch.maths.faults.replicates import find_outlying_replicates, odd_among_mates
from specmatch.maths.optics.cup import FAULT_NAMES, fit_cup_model
from specmatch.maths.optics.path_law import SECOND_FILL
from specmatch.measurement.reflectance.path_length import SAME_DEPTH
from specmatch.reference.audit.finding import Finding, found
from specmatch.reference.audit.levels import told_up_to
from specmatch.reference.tables.pours import Pours

# Two scans of one pour differ by noise of some 1e-3; files rounded to six digits differ by less than this.
SAME_SCAN = 2e-6
# So many good pours reach the gain from which any reading calls one odd; beyond it they fall off by a factor of e in so
# much gain, four times as slowly as chi-squared, because their errors have long tails (tuning: one in a large set is
# told from a high gain only, and one of several as early as any reading would tell it).
REACH_POUR_LIMIT, PER_FOLD = 0.00125, 8.0
# The scatter of haze between pours is learnt of all beers together, and what light they send back is taken for haze or
# light of the lamp: of a hazy beer good pours reach twice as far (tuning).
HAZY, HAZY_ROOM = np.array(["haze" in name or "lamp" in name for name in (*FAULT_NAMES, "none")]), 2.0


# Absorbance goes with the depth in every theory: sets of 28 houses measured at a second filling give exponents of 0.95
# to 1.06, and those whose second filling is a slip of the sheet the 0.5 at which the search ends (tuning).
WEAKEST, STRONGEST = 0.75, 1.35
# A filling is held against the others in so many beers, where these are off by so many standard errors, and by so much
# of what bringing them to one depth did (tuning: over 44 houses wrong ones have 0.48 or more, right ones, all but two,
# less than 0.4).
FEWEST_BEERS, SURELY_OFF, OF_DEPTH = 3, 4.0, 0.4


def depth_findings(pours: Pours) -> Iterator[Finding]:
    """Yield a finding where batches measured at two fillings do not differ as the depths that are stated."""
    law = pours.path_law
    if law is None or law.taught_by != SECOND_FILL or WEAKEST < law.exponent < STRONGEST:
        return
    how = "less" if law.exponent < 1.0 else "more"
    yield found("fillings", "fill_ml", abs(float(np.log(law.exponent))), n=law.n_batches, how=how)


def filling_findings(pours: Pours, lab_colour: Floats) -> Iterator[Finding]:
    """Yield a finding for a filling whose batches are as strong as if they had been poured like the others."""
    # lab_colour (n_batches,): NaN where it is not known
    log_factor = pours.levels.mean(pours.log_factor[:, None], to="batch")[:, 0].round(2)
    if not log_factor.any():
        return
    strength = fit_cup_model(pours.batch_means(), pours.wavelength_nm)[:, 0]
    known = lab_colour > 0.0
    strength[known] -= np.log(lab_colour[known])
    # what a lab colour leaves of strength is of the beer, so beers are held against themselves
    table = pd.DataFrame({"beer": pours.levels.codes("beer", of="batch"), "known": known, "strength": strength})
    for filling in np.unique(log_factor[np.abs(log_factor) > SAME_DEPTH]):
        own = log_factor == filling
        by_beer = table.groupby(["beer", "known", own])["strength"].mean().unstack().dropna()
        if len(by_beer) < FEWEST_BEERS:
            continue
        off = by_beer[True] - by_beer[False]
        middle = float(off.median())
        spread = float((off - middle).abs().median()) / 0.6745
        if middle / filling > OF_DEPTH and abs(middle) > SURELY_OFF * spread / np.sqrt(len(off)):
            off, how = abs(np.expm1(middle)), "stronger" if middle > 0 else "weaker"
            yield found("a filling", "fill_ml", abs(middle), n=own.sum(), factor=np.exp(-filling), off=off, how=how)


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
    return found("duplicate", str(two), 1.0 - apart, str(one), one=one, two=two, where=where)


def odd_pour_findings(pours: Pours) -> Iterator[Finding]:
    """Yield a finding for every pour that is unlike its mates, and for every sample whose pours differ undecidedly."""
    sample = pours.levels.sample
    several = int((pours.levels.counts("sample")[sample] > 1).sum())
    if several < 6:
        return
    nm = pours.wavelength_nm
    fit, departures = fit_fault_model(pours.reflectance, pours.levels, wavelength_nm=nm, path_law=pours.path_law)
    odd, _ = odd_among_mates(fit, pours.reflectance, sample, departures=departures)
    if odd.any():
        # odd pours pull at the sizes, and at the level of foam, by which they are named
        kept, part = pours.reflectance[~odd], pours.levels.part(~odd)
        fit, _ = fit_fault_model(kept, part, wavelength_nm=nm, optics=fit.optics)
    apart = find_outlying_replicates(fit, pours.reflectance, sample)
    gain = POUR_LIMIT * np.concatenate(
        [_worth(apart.oddness, apart.finding), _worth(apart.unsettled_oddness, apart.difference)]
    )
    p_value = REACH_POUR_LIMIT * np.exp((POUR_LIMIT - gain) / PER_FOLD)
    limit = POUR_LIMIT + max(0.0, PER_FOLD * np.log(REACH_POUR_LIMIT / told_up_to(p_value, several)))
    if limit > POUR_LIMIT:
        apart = find_outlying_replicates(fit, pours.reflectance, sample, limit=limit)
    for k in np.flatnonzero(_worth(apart.oddness, apart.finding) > 1.0).tolist():
        yield _odd(pours, int(apart.pours[k]), apart.finding, k, float(apart.oddness[k]))
    for k in np.flatnonzero(_worth(apart.unsettled_oddness, apart.difference) > 1.0).tolist():
        yield _unsettled(pours, int(apart.unsettled[k]), apart.difference, k, float(apart.unsettled_oddness[k]))


def _worth(oddness: Floats, cause_of: Diagnosis) -> Floats:
    """Return how far out pours lie, as a multiple of what good pours of the beers where that looks so reach."""
    return np.where(HAZY[cause_of.fault], oddness / HAZY_ROOM, oddness)


def _looks(cause_of: Diagnosis, k: int) -> str:
    if cause_of.fault[k] == NO_FAULT:
        return "in a way that no known fault explains"
    return f"as by {in_words(cause_of, k, usual='than in the others')}"


def _odd(pours: Pours, row: int, cause_of: Diagnosis, k: int, size: float) -> Finding:
    pour, batch = pours.pour_names[row], pours.batch_names[pours.levels.codes("batch")[row]]
    others = int(pours.levels.counts("sample")[pours.levels.sample[row]]) - 1
    cause = "" if cause_of.fault[k] == NO_FAULT else in_words(cause_of, k, usual="than in the others")
    return found("odd pour", pour, size, cause, pour=pour, batch=batch, others=others, looks=_looks(cause_of, k))


def _unsettled(pours: Pours, row: int, cause_of: Diagnosis, k: int, size: float) -> Finding:
    sample, batch = pours.sample_names[pours.levels.sample[row]], pours.batch_names[pours.levels.codes("batch")[row]]
    n = int(pours.levels.counts("sample")[pours.levels.sample[row]])
    which = "the two pours" if n == 2 else f"the {n} pours"
    return found("undecided pours", sample, size, which=which, sample=sample, batch=batch, looks=_looks(cause_of, k))
