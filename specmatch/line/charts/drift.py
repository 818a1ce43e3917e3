"""What moved: instrument, product or model, said from the charts of a line; and what to do about the model."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from specmatch.line.charts.control_chart import COLOUR, CONTROL, LEVEL, PEAK, TYPICALITY, ControlChart
from specmatch.line.journal.journal import Journal
from specmatch.wording import counted

INSTRUMENT, PRODUCT, MODEL = "instrument_drift", "product_drift", "model_drift"
# three beers or more, and most of those charted, do not move together by themselves
FEWEST_TOGETHER, SHARE_TOGETHER = 3, 0.6


@dataclass(frozen=True)
class Drift:
    """One thing that moved."""

    code: str  # `instrument_drift`, `product_drift` or `model_drift`
    subject: str  # line or beer
    entry: int  # where the drift was first seen
    n_points: int  # points after the baseline that it took
    sentence: str
    chart: str  # kind of the chart that showed it


def find_drifts(charts: list[ControlChart]) -> list[Drift]:
    """Tell drifts of instrument, products and model apart.

    A drift is called where moving average and sum of departures are both outside their limits now: the one alone is
    too ready to call while a baseline of twenty points is itself uncertain.
    """
    moving = [chart for chart in charts if chart.drifting]
    beers = [chart for chart in charts if chart.kind == COLOUR and chart.baseline is not None]
    moved = [chart for chart in moving if chart.kind == COLOUR]
    found = [_instrument(chart) for chart in moving if chart.kind in (CONTROL, LEVEL, PEAK)]
    readings_moved = any(chart.kind in (CONTROL, PEAK) for chart in moving)
    together = _together(moved, beers)
    if together:
        names = ", ".join(sorted(chart.subject for chart in moved))
        first = min(moved, key=lambda chart: chart.points[-1].entry)
        said = (
            f"{len(moved)} of {len(beers)} beers moved the same way ({names}): not one product but what measures them"
        )
        found.append(_drift(INSTRUMENT, "all beers", first, said))
    for chart in moved:
        if not together:
            doubt = "; the control moved too, so measure it again before blaming the beer" if readings_moved else ""
            others = len(beers) - len(moved)
            still = f"{counted(others, 'other beer')} and the reference hold" if others else "the reference holds"
            said = f"{chart.subject} reads {_move(chart)} while {still}: the product or its recipe changed{doubt}"
            found.append(_drift(PRODUCT, chart.subject, chart, said))
    if not found:
        # a falling typicality with everything else still: the set no longer shows what is brewed
        found += [
            _drift(MODEL, chart.subject, chart, "readings are less typical of their beers than at the baseline")
            for chart in moving
            if chart.kind == TYPICALITY and chart.drifting < 0
        ]
    return found


def _together(moved: list[ControlChart], beers: list[ControlChart]) -> bool:
    for side in (1, -1):
        same = sum(chart.drifting == side for chart in moved)
        if same >= FEWEST_TOGETHER and same >= SHARE_TOGETHER * len(beers):
            return True
    return False


def _instrument(chart: ControlChart) -> Drift:
    what = {
        LEVEL: f"the light of the reference is {_move(chart)}: the lamp ages or the base is dirty; readings are taken "
        "over the reference and move only if the control does",
        PEAK: f"the peak of the reference stands {_move(chart)}: the wavelength scale moved, have it checked",
        CONTROL: f"the control reads {_move(chart)}: the instrument or the control itself changed",
    }[chart.kind]
    return _drift(INSTRUMENT, chart.subject, chart, what)


def _move(chart: ControlChart) -> str:
    assert chart.baseline is not None
    away = float(chart.moving_average[-1]) - chart.baseline.centre
    side = "above" if away > 0 else "below"
    share = f" ({abs(away) / abs(chart.baseline.centre):.1%})" if chart.kind != PEAK and chart.baseline.centre else ""
    return f"{abs(away):.3g} {chart.unit}{share} {side} its baseline".replace("  ", " ")


def _drift(code: str, subject: str, chart: ControlChart, said: str) -> Drift:
    since = chart.drift_since
    assert since is not None
    seen = f"; seen after {counted(since.n_points, 'point')}, since entry {since.entry}"
    return Drift(code, subject, since.entry, since.n_points, f"{said}{seen}", chart.kind)


NOTHING, NEW_REFERENCE, SERVICE = "nothing", "new reference", "check the instrument"
ADD_BATCHES, REFIT = "add batches", "refit"
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

    action: str  # `nothing`, `new reference`, `check the instrument`, `add batches` or `refit`
    subject: str  # beer, line, or ""
    evidence: str


def upkeep(journals: Sequence[Journal], drifts: Sequence[Drift]) -> list[Action]:
    """List what to do about a model, the most pressing first."""
    actions: list[Action] = []
    for drift in drifts:
        if drift.code == INSTRUMENT:
            action = NEW_REFERENCE if drift.chart == LEVEL else SERVICE
            actions.append(Action(action, drift.subject, f"{drift.sentence}{_transfer_due(drift)}"))
        elif drift.code == PRODUCT:
            said = f"{drift.sentence}; measure new batches by transmission and add them, or hold the product"
            actions.append(Action(ADD_BATCHES, drift.subject, said))
        elif drift.code == MODEL:
            actions.append(Action(REFIT, drift.subject, f"{drift.sentence}: add the batches of late and fit again"))
    actions += _thin_beers(journals)
    return actions or [Action(NOTHING, "", "no chart has moved, and the readings ask for nothing")]


def _transfer_due(drift: Drift) -> str:
    """Say when a new lamp, cup or base is to be taught: its reference scans moved."""
    if drift.chart not in (LEVEL, PEAK):
        return ""
    return "; if a lamp, cup or base was changed, name it in the sheet and teach it by batches of the set: transfer"


def _thin_beers(journals: Sequence[Journal]) -> list[Action]:
    where = "kind = 'reading' AND claimed IS NOT NULL AND decision != 'rescan'"
    rows = [row for journal in journals for row in journal.select(where, last=NEWEST)]
    totals = Counter(row["claimed"] for row in rows)
    counts = Counter((row["claimed"], code) for row in rows for code in _THIN if code in row["reading"]["warnings"])
    return [
        Action(ADD_BATCHES, beer, f"{_THIN[code]} ({n} of its last {totals[beer]} readings)")
        for (beer, code), n in counts.most_common()
        if n >= FEWEST and n >= SHARE * totals[beer]
    ]
