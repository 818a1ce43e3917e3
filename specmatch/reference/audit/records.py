"""Findings about records, sessions and single pours."""

import re
import unicodedata
from collections.abc import Iterator
from difflib import get_close_matches

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtr

from specmatch.array_types import Floats
from specmatch.batches import VALUE_NAME, values_of
from specmatch.maths.classification.left_out import JudgedBatches
from specmatch.maths.classification.sessions import few_sessions
from specmatch.maths.faults.diagnosis import NO_FAULT, Diagnosis, in_words
from specmatch.maths.faults.fault_model import POUR_LIMIT, fit_fault_model
from specmatch.maths.faults.replicates import find_outlying_replicates, odd_among_mates
from specmatch.maths.optics.cup import FAULT_NAMES, fit_cup_model
from specmatch.maths.optics.path_law import SECOND_FILL
from specmatch.measurement.reflectance.path_length import SAME_DEPTH, depth_of_set, fillings, unfit_for_one_depth
from specmatch.reference.audit.finding import Finding, found, told, told_up_to
from specmatch.reference.tables.pours import Pours, second_modules

# Below this the scatter of a beer must be borrowed from the others, and one wrong label is a large part of it.
FEWEST_BATCHES_OF_A_BEER = 5

# A regression bridges a factor of two between neighbouring colours on trust alone. Common practice, no source.
WIDEST_COLOUR_GAP = 2.0

# Volume is read to 1-2 %: a 10 mL graduated cylinder is good to 0.10-0.20 mL (ASTM E1272).
WIDEST_FILL_SPREAD = 0.03
WIDEST_TEMPERATURE_SPREAD_C = 8.0
_ONE_OF_A_KIND = {
    "instrument": "instruments differ in wavelength, slit and stray light",
    "site": "sites have modules of their own, which `instrument` should name",
    "cup": "another cup is another depth of beer",
    "cup_mm": "another inner diameter is another depth of beer",
    "lamp": "another lamp is other light, and another noise in each colour",
    "base": "another base returns another share of the light",
    "stage": "tank and package samples differ in haze and gas",
    "reference_kind": "water and bare base differ by about 4 % in level",
}


_KEEP_APART = "keep one set a condition, or measure all beers under each"
_TEACH = "keep one set a {0}, and teach the other by batches of the set measured on both (transfer)"
_WAY_OUT = {name: _TEACH.format(said) for name, said in (("instrument", "module"), ("lamp", "lamp"), ("base", "base"))}


def record_findings(scans: pd.DataFrame, batches: pd.DataFrame, unit: str, what: str = VALUE_NAME) -> Iterator[Finding]:
    """Yield findings that need no spectrum."""
    # what: the name of what the lab measures
    yield from _like_names(batches["beer"])
    enter = "measure it by transmission and enter the colour" if what == VALUE_NAME else f"measure and enter its {what}"
    for batch in batches.index[batches["colour"].isna()]:
        yield found("no lab colour", batch, 1.0, batch=batch, beer=batches.at[batch, "beer"], what=what, way_out=enter)
    counts = batches["beer"].value_counts(sort=False)
    for beer, count in counts.items():
        if count < FEWEST_BATCHES_OF_A_BEER:
            lacks, slip = float(FEWEST_BATCHES_OF_A_BEER - count), _or_a_slip(str(beer), counts)
            yield found("thin", str(beer), lacks, beer=beer, n=count, fewest=FEWEST_BATCHES_OF_A_BEER, or_a_slip=slip)
    yield from _colour_gaps(batches["colour"].dropna(), unit, values_of(what))
    yield from _mixed_conditions(scans, batches)
    yield from _few_sessions(scans, batches)


def _few_sessions(scans: pd.DataFrame, batches: pd.DataFrame) -> Iterator[Finding]:
    """Yield a finding where batches of beers share a session or two, and with it their reference's noise."""
    if "session" not in scans.columns:
        return
    known = scans[(scans["session"] != "") & scans["session"].notna()]
    session = known.groupby("batch")["session"].first()
    codes, names = pd.factorize(batches["beer"].reindex(session.index))
    few = few_sessions(pd.factorize(session)[0], codes) if len(session) else ()
    if len(few):
        listed = [str(names[code]) for code in few]
        more = f" and {len(listed) - 4} more" if len(listed) > 4 else ""
        yield found("sessions", "session", float(len(listed)), listed=f"{', '.join(listed[:4])}{more}")


def _or_a_slip(beer: str, counts: pd.Series) -> str:
    """Ask whether a beer of few batches is a commoner one misspelt; names that differ in a number are two beers."""
    commoner = [str(name) for name in counts.index if counts[name] > counts[beer]]
    numbers = re.findall(r"\d+", beer)
    near = [name for name in get_close_matches(beer, commoner, 3, 0.85) if re.findall(r"\d+", name) == numbers]
    return f"; if it is {near[0]!r} misspelt, relabel its batches" if near else ""


def _like_names(beers: pd.Series) -> Iterator[Finding]:
    counts = beers.value_counts()
    alike: dict[str, list[str]] = {}
    for beer in map(str, counts.index):
        alike.setdefault(bare_name(beer), []).append(beer)
    for first, *others in alike.values():
        for other in others:
            both = {"other": other, "n_other": counts[other], "first": first, "n_first": counts[first]}
            yield found("names alike", other, float(counts[other]), first, **both)


def bare_name(name: str) -> str:
    """Return a name without case, marks, blanks and accents; letters that languages write as two count as one."""
    letters = unicodedata.normalize("NFKD", name.casefold().replace("ø", "o").replace("æ", "ae"))
    plain = "".join(letter for letter in letters if letter.isalnum())
    for two, one in (("ae", "a"), ("oe", "o"), ("ue", "u")):
        plain = plain.replace(two, one)
    return plain


def _colour_gaps(colours: pd.Series, unit: str, values: str) -> Iterator[Finding]:
    ordered = np.sort(colours.to_numpy())
    for low, high in zip(ordered[:-1], ordered[1:], strict=True):
        if high > WIDEST_COLOUR_GAP * low and ordered[0] > 0:
            factor = float(high / low)
            ends = {"low": low, "high": high, "factor": factor, "unit": unit}
            yield found("gap", f"{low:.3g}-{high:.3g} {unit}", factor, values=values, **ends)


def _is_depth(column: str, scans: pd.DataFrame) -> bool:
    """True where cups differ by their diameter only, which depth accounts for."""
    if column == "cup" and "cup_mm" in scans.columns:
        return bool((scans.groupby("cup_mm")["cup"].nunique() <= 1).all())
    return column == "cup_mm"


def _named(column: str, scans: pd.DataFrame) -> bool:
    """True where a site's scans name their module, which then stands for the site."""
    return column == "site" and "instrument" in scans.columns and not (scans["instrument"] == "").any()


def _mixed_conditions(scans: pd.DataFrame, batches: pd.DataFrame) -> Iterator[Finding]:
    beer = scans["batch"].map(batches["beer"])
    depth = depth_of_set(scans)
    brought = depth is not None and not unfit_for_one_depth(scans, depth) and not fillings(scans, depth).unknown
    for column, reason in _ONE_OF_A_KIND.items():
        if column in scans.columns and not (brought and _is_depth(column, scans)) and not _named(column, scans):
            kinds = scans[column].replace("", np.nan)
            if column == "instrument":
                # a module that enough batches teach is learnt as a module of its own
                kinds = kinds[~kinds.isin(second_modules(scans))]
            if kinds.nunique() > 1:
                yield _mixed(column, kinds.map(_shown), beer, reason)
    if "fill_ml" in scans.columns and not brought:
        fill = scans["fill_ml"].dropna()
        if len(fill) and fill.max() > (1.0 + WIDEST_FILL_SPREAD) * fill.min():
            yield _mixed("fill_ml", scans["fill_ml"].map(_shown), beer, "another volume is another depth of beer")
    if "temperature_c" in scans.columns:
        spread = scans["temperature_c"].max() - scans["temperature_c"].min()
        if spread > WIDEST_TEMPERATURE_SPREAD_C:
            yield found("temperatures", "temperature_c", float(spread), spread=spread)


def _shown(cell: object) -> object:
    return f"{cell:g}" if isinstance(cell, float) and not np.isnan(cell) else cell


def _mixed(column: str, kinds: pd.Series, beer: pd.Series, reason: str) -> Finding:
    counts = kinds.value_counts()
    usual, others = counts.index[0], counts.iloc[1:]
    # a condition that goes with a beer is taken for the beer: that is the harm
    bound = sorted(str(name) for name, own in kinds.groupby(beer) if own.notna().any() and not (own == usual).any())
    listed = ", ".join(f"{kind} ({count} scans)" for kind, count in counts.iloc[:4].items())
    apart = f"; {', '.join(bound[:4])} stand apart from the rest by it" if bound else ""
    share, way_out = float(others.sum() / counts.sum()), _WAY_OUT.get(column, _KEEP_APART)
    return found("mixed", column, share, column=column, listed=listed, reason=reason, apart=apart, way_out=way_out)


# A session is judged against the others: there must be some, and batches of several beers in it.
FEWEST_SESSIONS, FEWEST_BATCHES, FEWEST_BEERS = 6, 3, 2
# (tuning: sessions of clean sets reach 2.8 %, by their batches)
LEAST_DRIFT = 0.03
# a median of absolute values tells a spread as well as so large a part of the values would by their squares
MEDIAN_EFFICIENCY = 0.37


def session_findings(scored: JudgedBatches, typical: Floats, session: NDArray[np.str_]) -> Iterator[Finding]:
    """Yield `drifted_reference` for sessions whose batches all read lighter or darker than their beers."""
    # typical (n_beers, p), session (n_batches,)
    # all batches, also those that look out of place: a drift puts every batch of its session out of place
    rows = np.flatnonzero(session != "")
    by_light = scored.up(typical, strength=False)
    table = pd.DataFrame({"session": session[rows], "beer": scored.beer[rows], "light": by_light[rows]})
    groups = table.groupby("session", sort=True)
    levels = groups.agg(light=("light", "median"), n=("light", "size"), beers=("beer", "nunique"))
    levels = levels[(levels["n"] >= FEWEST_BATCHES) & (levels["beers"] >= FEWEST_BEERS)]
    if len(levels) < FEWEST_SESSIONS:
        return
    # sessions of more batches are known better; brought to one batch, all have the same spread
    departure = (levels["light"] - levels["light"].median()) * np.sqrt(levels["n"])
    spread = max(float(departure.abs().median()) / 0.6745, 1e-12)
    tested = []
    for name, away in departure.abs().items():
        light = float(levels.at[name, "light"] - levels["light"].median())
        off = -np.expm1(light)
        said = {"n": levels.at[name, "n"], "session": name, "off": off, "times": away / spread}
        finding = found("drifted", str(name), abs(light), f"{off:+.1%}", **said)
        chance = 2.0 * stdtr(MEDIAN_EFFICIENCY * len(levels), -away / spread)
        tested.append((finding, float(chance) if abs(light) > LEAST_DRIFT else 1.0))
    yield from told(tested)


# Findings among pours and scans: the same scan twice, and one pour unlike the others of its sample.

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
FEWEST_BEERS_OF_BOTH, SURELY_OFF, OF_DEPTH = 3, 4.0, 0.4


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
        if len(by_beer) < FEWEST_BEERS_OF_BOTH:
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
    worth = _worth(apart.oddness, apart.finding), _worth(apart.unsettled_oddness, apart.difference)
    p_value = REACH_POUR_LIMIT * np.exp((POUR_LIMIT - POUR_LIMIT * np.concatenate(worth)) / PER_FOLD)
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
