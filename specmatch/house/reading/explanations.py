"""Why a reading has its warnings: sentences that a technician can act on, codes, and what a fault did to the number."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.batches import in_digits, in_ebc
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.house.reading.samples import SampleSet
from specmatch.maths.faults.diagnosis import NO_FAULT, Diagnosis, in_words
from specmatch.maths.faults.replicates import OddPours
from specmatch.maths.optics.cup import FAULT_NAMES
from specmatch.warning_codes import FAULT_WORDS, FaultWords

# Below this colour foam and a short path take light off the same wavelengths alike (13 SRM).
FOAM_LIKE_SHORT_PATH_EBC = 25.6
# a change of colour below the error of any reading
SMALL_MOVE = 0.005
# of two that exclude each other a sample has one: what a pour that was left out had stands in its sentence alone
EXCLUDING = frozenset({"path_long", "path_short"})
FOAM_OR_SHORT_PATH, FOAM_OR_HAZE = frozenset({"foam", "path_short"}), frozenset({"foam", "haze"})


@dataclass(frozen=True)
class Reasons:
    """Reasons of each sample."""

    codes: dict[int, tuple[str, ...]]  # row -> codes of `specmatch.WARNING_CODES`; rows without any are absent
    against_beer: dict[int, list[str]]  # row -> those of its codes that only a fault sought against the beer gave
    sentences: dict[int, tuple[str, ...]]  # row -> what to tell a technician, that fault last
    of_beer: dict[int, str]  # row -> the sentence on that fault
    colour_without_fault: Floats  # (n,): what the colour is without the faults named; NaN where none is


def give_reasons(
    fitted: FittedHouse,
    samples: SampleSet,
    *,
    beer: Ints,
    colour: Floats,
    unlike: Mask,
    known: tuple[Ints, Diagnosis] | None,
) -> Reasons:
    """Explain how samples depart from beers, and pours from their mates; `known`: rows whose faults are found."""
    # beer (n,), colour (n,), unlike (n,)
    means = samples.averages
    reasons = Reasons({}, {}, {}, {}, np.full(len(colour), np.nan))
    _tell_of_conditions(reasons, fitted, samples, beer)
    if samples.odd is not None:
        _tell_of_pours(reasons, fitted, samples, samples.odd, colour)
    found = fitted.faults.explain_samples(means.reflectance, means.counts, beer, known)
    named = np.flatnonzero(found.fault != NO_FAULT)
    if named.size:
        cleaned = fitted.faults.without_faults(
            means.reflectance[named], means.counts[named], beer[named], found.rows(named)
        )
        reasons.colour_without_fault[named] = _colours(fitted, cleaned)
    colour_ebc, value, unit = in_ebc(colour, fitted.colour_unit), fitted.value_name, fitted.colour_unit
    for row in named.tolist():
        pours = "one pour" if means.counts[row] == 1 else f"{means.counts[row]} pours that agree"
        said = in_words(found, row, pours=pours)
        without = reasons.colour_without_fault[row]
        codes = _codes(found, row, float(colour_ebc[row]))
        if row in reasons.codes and EXCLUDING & set(codes):
            reasons.codes[row] = tuple(code for code in reasons.codes[row] if code not in EXCLUDING)
        reasons.against_beer[row] = [code for code in codes if code not in reasons.codes.get(row, ())]
        would = f"without it the {value} would read {in_digits(without, unit)} {unit}"
        would += f", not {in_digits(colour[row], unit)}"
        reasons.of_beer[row] = (
            f"against {fitted.beers[beer[row]]}: {said} (explains {found.share[row]:.0%} of the departure)"
            f"{_moved(colour[row], without, value, would)}; {_words(found.fault[row]).advice}"
        )
        _add(reasons, row, codes, reasons.of_beer[row])
    for row in np.flatnonzero(unlike & (found.fault == NO_FAULT)).tolist():
        said = f"nothing known explains how it departs from {fitted.beers[beer[row]]}"
        _add(reasons, row, [], f"{said}: measure it by transmission, then add it to the set")
    return reasons


@dataclass(frozen=True)
class Apart:
    """What was found of a sample, parted by whether it holds whatever beer it is."""

    codes: tuple[str, ...]  # warnings whatever beer it is
    explanation: str  # what explains them
    codes_if_claimed: tuple[str, ...]  # warnings only if it is the claimed beer


def apart_from_claim(reading: Mapping[str, Any]) -> Apart:
    """Part what was found of a sample from what holds only if it is the beer that it is said to be."""
    only = tuple(reading.get("warnings_if_claimed") or ())
    explanation, of_claim = (str(reading.get(column) or "") for column in ("explanation", "explanation_if_claimed"))
    # it stands last
    explanation = explanation[: len(explanation) - len(of_claim)].removesuffix("; ") if of_claim else explanation
    return Apart(tuple(code for code in reading["warnings"] if code not in only), explanation, only)


def _tell_of_conditions(reasons: Reasons, fitted: FittedHouse, samples: SampleSet, beer: Ints) -> None:
    """Say in which way samples were measured otherwise than the set, and what that or their haze costs."""
    names, depths, cautions = samples.averages.names, samples.depths, fitted.cautions
    for row, name in enumerate(names) if samples.conditions or samples.told else ():
        for sentence in samples.conditions.get(name, ()):
            _add(reasons, row, ["outside_conditions"], sentence)
        for sentence in samples.told.get(name, ()):
            _add(reasons, row, [], sentence)
    if depths is not None:
        for told, own in ((reasons.codes, depths.codes), (reasons.sentences, depths.sentences)):
            told |= {row: (*told[row], *more) if row in told else more for row, more in own.items()}
    if cautions is None or cautions.error_of_beer is None:
        return
    for row in np.flatnonzero(cautions.unfit[beer]).tolist():
        own, others = cautions.error_of_beer[beer[row]], np.delete(cautions.error_of_beer, beer[row])
        usual = float(np.sqrt(np.nanmean(others**2)))
        said = f"held-out batches of {fitted.beers[beer[row]]} err by {own:.0%} of colour, the others by {usual:.1%}"
        _add(reasons, row, [], f"{said}: haze, fruit or gas costs so much; take its colour by transmission")


def _tell_of_pours(reasons: Reasons, fitted: FittedHouse, samples: SampleSet, odd: OddPours, colour: Floats) -> None:
    row_of, pours = samples.sample_of_pour, samples.pours
    for row in np.flatnonzero(odd.disagree).tolist():
        n = int((row_of == row).sum())
        which = "the two pours differ" if n == 2 else f"the {n} pours differ"
        sentence = f"{which} by more than good pours do, and nothing tells which is right: pour again"
        _add(reasons, row, ["replicates_disagree"], sentence)
    if not odd.pours.size:
        return
    rows = np.unique(row_of[odd.pours])
    with_all = _colours(fitted, np.array([pours.reflectance[row_of == row].mean(axis=0) for row in rows]))
    colour_with = dict(zip(rows.tolist(), with_all.tolist(), strict=True))
    for k, pour in enumerate(odd.pours.tolist()):
        row = int(row_of[pour])
        mates = int(((row_of == row) & ~odd.odd).sum())
        said, codes, advice = "it departs in a way that no known fault explains", ["replicates_disagree"], "pour again"
        if odd.finding.fault[k] != NO_FAULT:
            said = in_words(odd.finding, k, usual="than in the others")
            codes += _codes(odd.finding, k, float(in_ebc(colour[[row]], fitted.colour_unit)[0]))
            advice = _words(odd.finding.fault[k]).advice
            reasons.colour_without_fault[row] = colour[row]
        would = f"with it the {fitted.value_name} would read {in_digits(colour_with[row], fitted.colour_unit)} "
        would += fitted.colour_unit
        moved = _moved(colour[row], colour_with[row], fitted.value_name, would)
        left_out = f"pour {pours.names[pour]} is left out, the {mates} others agree"
        _add(reasons, row, codes, f"{left_out}: {said}{moved}; {advice}")


def _words(fault: int) -> FaultWords:
    return FAULT_WORDS[FAULT_NAMES[fault]]


def _codes(found: Diagnosis, k: int, colour_ebc: float) -> list[str]:
    codes = [_words(fault).code for fault in (found.fault[k], found.second[k]) if fault != NO_FAULT]
    if found.rival[k] != NO_FAULT:
        rival = _words(found.rival[k]).code
        # two codes for one cause only where no spectrum can tell them apart
        pale = not colour_ebc > FOAM_LIKE_SHORT_PATH_EBC
        pair = {codes[0], rival}
        if rival not in codes and (pair == FOAM_OR_HAZE or (pair == FOAM_OR_SHORT_PATH and pale)):
            codes.append(rival)
    return codes


def _moved(colour: float, other: float, name: str, would: str) -> str:
    if not (np.isfinite(colour) and np.isfinite(other)):
        return ""
    return f"; the {name} hardly changes with it" if abs(other - colour) < SMALL_MOVE * colour else f"; {would}"


def _colours(fitted: FittedHouse, reflectance: Floats) -> Floats:
    return np.full(len(reflectance), np.nan) if fitted.colour is None else fitted.colour.predict(reflectance)


def _add(reasons: Reasons, row: int, codes: list[str], sentence: str) -> None:
    if codes:
        reasons.codes[row] = (*reasons.codes.get(row, ()), *codes)
    reasons.sentences[row] = (*reasons.sentences.get(row, ()), sentence)
