"""One list: what to do about this model, each with its evidence."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from specmatch.line.charts.drift import INSTRUMENT, MODEL, PRODUCT, Drift
from specmatch.line.journal.journal import Journal

NOTHING, NEW_REFERENCE, SERVICE = "nothing", "new reference", "check the instrument"
ADD_BATCHES, CORRECT_BIAS, REFIT = "add batches", "correct the bias", "refit"
# of the newest readings; older ones were of another time
NEWEST = 500
# a beer is worth batches of its own once one reading in five says so, and five readings at least
SHARE, FEWEST = 0.2, 5
_THIN = {
    "too_few_batches": "the set holds too few batches of it for a scatter of its own",
    "ambiguous_beer": "more than one beer is plausible on it",
    "outside_conditions": "it is measured under conditions that the set does not hold",
    "outside_colour_range": "its colour lies outside the lab colours of the set",
    "unlike_any_beer": "it is unlike every beer of the set",
}


@dataclass(frozen=True)
class Action:
    """One thing to do."""

    action: str  # `nothing`, `new reference`, `check the instrument`, `add batches`, `correct the bias` or `refit`
    subject: str  # beer, line, or ""
    evidence: str


def upkeep(
    journals: Sequence[Journal], drifts: Sequence[Drift], *, validation: Mapping[str, float] | None = None
) -> list[Action]:
    """List what to do about a model, the most pressing first."""
    # validation: `bias` and `bias_limit` in the unit of colour, `sep` and `sep_limit`, of lab values that the model had
    # not seen
    actions: list[Action] = []
    for drift in drifts:
        if drift.code == INSTRUMENT:
            light = "light of the reference" in drift.sentence
            actions.append(Action(NEW_REFERENCE if light else SERVICE, drift.subject, drift.sentence))
        elif drift.code == PRODUCT:
            said = f"{drift.sentence}; measure new batches by transmission and add them, or hold the product"
            actions.append(Action(ADD_BATCHES, drift.subject, said))
        elif drift.code == MODEL:
            actions.append(Action(REFIT, drift.subject, f"{drift.sentence}: add the batches of late and fit again"))
    actions += _validated(validation or {})
    actions += _thin_beers(journals)
    return actions or [Action(NOTHING, "", "no chart has moved, and the readings ask for nothing")]


def _validated(validation: Mapping[str, float]) -> list[Action]:
    found = []
    bias, limit = validation.get("bias", 0.0), validation.get("bias_limit", float("inf"))
    sep, sep_limit = validation.get("sep", 0.0), validation.get("sep_limit", float("inf"))
    if sep > sep_limit:
        # a scatter that grew is no shift: taking the bias off would hide it
        said = f"against new lab values the error is {sep:.3g}, more than the {sep_limit:.3g} that the fit explains"
        found.append(Action(REFIT, "", said))
    elif abs(bias) > limit:
        said = (
            f"new lab values are {bias:+.3g} from the readings on average, more than the {limit:.3g} that chance allows"
        )
        found.append(Action(CORRECT_BIAS, "", said))
    return found


def _thin_beers(journals: Sequence[Journal]) -> list[Action]:
    counts: dict[tuple[str, str], int] = {}
    totals: dict[str, int] = {}
    for journal in journals:
        for row in journal.select("kind = 'reading' AND claimed IS NOT NULL AND decision != 'rescan'", last=NEWEST):
            beer = row["claimed"]
            totals[beer] = totals.get(beer, 0) + 1
            for code in set(row["reading"]["warnings"]) & set(_THIN):
                counts[beer, code] = counts.get((beer, code), 0) + 1
    found = []
    for (beer, code), n in sorted(counts.items(), key=lambda item: -item[1]):
        if n >= FEWEST and n >= SHARE * totals[beer]:
            found.append(Action(ADD_BATCHES, beer, f"{_THIN[code]} ({n} of its last {totals[beer]} readings)"))
    return found
