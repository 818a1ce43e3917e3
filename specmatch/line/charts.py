"""Charts of what a line measures: limits from a baseline that stays put, and what moved: module, beer or model."""
# The batch is the unit: a beer's chart has one point a run, the mean of its readings, because readings of one run share
# its batch. What the reference and the control do is the instrument's doing; what one beer does is the beer's.

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from statistics import NormalDist

import numpy as np

from specmatch.array_types import Floats
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.journal.queries import named_baseline
from specmatch.line.journal.schema import UNREPLACED
from specmatch.maths.statistics import control_charts
from specmatch.wording import counted

COLOUR, CONTROL, LEVEL, PEAK, TYPICALITY = "colour", "control", "reference level", "reference peak", "typicality"
# so many first points are the baseline unless somebody names a period
FIRST_POINTS = 20
# half of the charts that are steady are called out in so many days by chance: about a year
_FALSE_ALARM_DAYS = 365.0


@dataclass(frozen=True)
class Point:
    """One value of a chart."""

    entry: int  # the entry that completed it
    at: str  # when, ISO 8601
    unix: float  # the same in seconds since 1970
    value: float
    held: bool = False  # whether its run was held


@dataclass(frozen=True)
class Signal:
    """A point outside the limits of one of the three tests."""

    test: str  # `single value`, `moving average` or `sum of departures`
    entry: int
    at: str
    direction: int  # 1 upwards, -1 downwards
    n_points: int  # points after the baseline up to this one


@dataclass(frozen=True)
class ControlChart:
    """One chart."""

    kind: str  # `colour`, `control`, `reference level`, `reference peak` or `typicality`
    subject: str  # beer, or line
    unit: str
    baseline: control_charts.Baseline | None  # none while there are too few points
    baseline_name: str
    points: tuple[Point, ...]  # in the order of time
    n_baseline: int  # how many of the first points are the baseline or come before it
    moving_average: Floats  # moving_average, upper_sum, lower_sum: after each point behind the baseline
    upper_sum: Floats
    lower_sum: Floats
    signals: tuple[Signal, ...]  # in the order of time
    lines: str = ""  # that one model judges, where lines have models of their own

    @property
    def drifting(self) -> int:
        """Direction of a drift that stands now (1, -1), or 0: moving average and sum of departures both outside."""
        if not self.points:
            return 0
        last = len(self.points) - self.n_baseline
        now = {signal.test: signal.direction for signal in self.signals if signal.n_points == last}
        average, total = now.get("moving average", 0), now.get("sum of departures", 0)
        return average if average == total else 0

    @property
    def drift_since(self) -> Signal | None:
        """First signal of the unbroken row of them that the drift of now ends."""
        if not self.drifting:
            return None
        # by place: entries of two journals may bear one number
        outside = {signal.n_points: signal for signal in self.signals if signal.test != "single value"}
        first = len(self.points) - self.n_baseline
        while first - 1 in outside:
            first -= 1
        return outside[first]


def make_chart(
    kind: str,
    subject: str,
    unit: str,
    points: list[Point],
    *,
    period: tuple[float, float] | None = None,
    period_name: str = "",
    false_alarm_days: float = _FALSE_ALARM_DAYS,
    lines: str = "",
) -> ControlChart:
    """Chart points in the order of time, against limits that change only when somebody names another baseline."""
    # runs that were held are no part of a baseline; in the running tests a point counts for four standard deviations at
    # most
    # false_alarm_days: half of the steady charts of as many points a day as this one are called out in so many days
    if period is None:
        chosen = [point for point in points if not point.held][:FIRST_POINTS]
        after = points.index(chosen[-1]) + 1 if chosen else 0
        enough, name = len(chosen) >= FIRST_POINTS, f"its first {FIRST_POINTS} points"
    else:
        chosen = [point for point in points if period[0] <= point.unix <= period[1] and not point.held]
        after = sum(point.unix <= period[1] for point in points)
        enough, name = len(chosen) >= 2, period_name
    nothing = np.empty(0)
    if not enough:
        said = f"{name}: {len(chosen)} so far"
        return ControlChart(
            kind, subject, unit, None, said, tuple(points), len(points), nothing, nothing, nothing, (), lines
        )
    base = control_charts.baseline_of([point.value for point in chosen])
    later = points[after:]
    values = np.array([point.value for point in later])
    near = np.clip(
        values, base.centre - control_charts.FARTHEST_SD * base.sd, base.centre + control_charts.FARTHEST_SD * base.sd
    )
    average = control_charts.ewma(near, base.centre)
    upper, lower = control_charts.cusum(near, base.centre, control_charts.CUSUM_ALLOWANCE * base.sd)
    factor = control_charts.limit_factor(base.n, false_alarm_days * _points_a_day(points))
    signals = _signals(later, values, base, average, upper, lower, factor)
    return ControlChart(kind, subject, unit, base, name, tuple(points), after, average, upper, lower, signals, lines)


def _points_a_day(points: list[Point]) -> float:
    days = (points[-1].unix - points[0].unix) / 86400.0
    return (len(points) - 1) / days if days > 0.0 else 1.0


def _signals(
    points: list[Point],
    values: Floats,
    base: control_charts.Baseline,
    average: Floats,
    upper: Floats,
    lower: Floats,
    factor: float,
) -> tuple[Signal, ...]:
    # factor: on the limits of the running tests
    single, moving = control_charts.prediction_limits(base), control_charts.ewma_limits(base, width=3.0 * factor)
    limit = factor * control_charts.CUSUM_DECISION * base.sd
    found = []
    for i, point in enumerate(points):
        sums = int(upper[i] > limit) - int(lower[i] > limit)
        tests = (
            ("single value", _side(values[i], single)),
            ("moving average", _side(average[i], moving)),
            ("sum of departures", sums),
        )
        found += [Signal(test, point.entry, point.at, side, i + 1) for test, side in tests if side]
    return tuple(found)


def _side(value: float, limits: tuple[float, float]) -> int:
    return int(value > limits[1]) - int(value < limits[0])


INSTRUMENT, PRODUCT, MODEL = "instrument_drift", "product_drift", "model_drift"
# a drift is as large as the median of so many of its newest points
LATEST = 5
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
    """Tell drifts of instrument, products and model apart."""
    # A drift is called where moving average and sum of departures are both outside their limits now: the one alone is
    # too ready to call while a baseline of twenty points is itself uncertain.
    moving = [chart for chart in charts if chart.drifting]
    found = [_instrument(chart) for chart in moving if chart.kind in (CONTROL, LEVEL, PEAK)]
    readings_moved = any(chart.kind in (CONTROL, PEAK) for chart in moving)
    beers = [chart for chart in charts if chart.kind == COLOUR and chart.baseline is not None]
    for lines in dict.fromkeys(chart.lines for chart in beers):
        found += _of_colours([chart for chart in beers if chart.lines == lines], lines, readings_moved)
    if not found:
        # a falling typicality with everything else still: the set no longer shows what is brewed
        found += [
            _drift(MODEL, chart.subject, chart, "readings are less typical of their beers than at the baseline")
            for chart in moving
            if chart.kind == TYPICALITY and chart.drifting < 0
        ]
    return found


def _of_colours(beers: list[ControlChart], lines: str, readings_moved: bool) -> list[Drift]:
    """Tell what moved the beers of the lines that one model judges: what measures them all, or a product."""
    moved = [chart for chart in beers if chart.drifting]
    if _together(moved, beers):
        names = ", ".join(sorted(chart.subject for chart in moved))
        first = min(moved, key=lambda chart: chart.points[-1].entry)
        said = (
            f"{len(moved)} of {len(beers)} beers moved the same way ({names}): not one product but what measures them"
        )
        return [_drift(INSTRUMENT, f"all beers, line {lines}" if lines else "all beers", first, said)]
    doubt = "; the control moved too, so measure it again before blaming the beer" if readings_moved else ""
    others = len(beers) - len(moved)
    still = f"{counted(others, 'other beer')} and the reference hold" if others else "the reference holds"
    return [
        _drift(
            PRODUCT, chart.subject, chart,
            f"{chart.subject} reads {_move(chart)} while {still}: the product or its recipe changed{doubt}",
        )
        for chart in moved
    ]  # fmt: skip


def _together(moved: list[ControlChart], beers: list[ControlChart]) -> bool:
    same = max(sum(chart.drifting == side for chart in moved) for side in (1, -1))
    return same >= FEWEST_TOGETHER and same >= SHARE_TOGETHER * len(beers)


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
    since = chart.drift_since
    assert since is not None
    later = [point.value for point in chart.points[chart.n_baseline + since.n_points - 1 :]]
    # the moving average takes far values as less far, and alone would understate what moved far
    now = (float(chart.moving_average[-1]), float(np.median(later[-LATEST:])))
    away = max(chart.drifting * (value - chart.baseline.centre) for value in now)
    side = "above" if chart.drifting > 0 else "below"
    share = f" ({away / abs(chart.baseline.centre):.1%})" if chart.kind != PEAK and chart.baseline.centre else ""
    return f"{away:.3g} {chart.unit}{share} {side} its baseline".replace("  ", " ")


def _drift(code: str, subject: str, chart: ControlChart, said: str) -> Drift:
    since = chart.drift_since
    assert since is not None
    seen = f"; seen after {counted(since.n_points, 'point')}, since entry {since.entry}"
    return Drift(code, subject, since.entry, since.n_points, f"{said}{seen}", chart.kind)


NOTHING, NEW_REFERENCE, SERVICE = "nothing", "new reference", "check the instrument"
ADD_BATCHES, REFIT = "add batches", "refit"
# of the newest readings; older ones were of another time
NEWEST_READINGS = 500
# a beer is worth batches of its own once one reading in five says so, and five readings at least
SHARE, FEWEST = 0.2, 5
_THIN = {
    "too_few_batches": "the set holds too few batches of it for a scatter of its own",
    "ambiguous_beer": "more than one beer is plausible on it",
    "outside_conditions": "it is measured under conditions that the set does not hold",
    "outside_colour_range": "its colour lies outside the lab colours of the set",
    "unlike_any_beer": "it is unlike every beer of the set",
}


_TRANSFER_DUE = (
    "; if a lamp, cup or base was changed, name it in the sheet and teach it by batches of the set: transfer"
)


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
            due = _TRANSFER_DUE if drift.chart in (LEVEL, PEAK) else ""
            actions.append(Action(action, drift.subject, f"{drift.sentence}{due}"))
        elif drift.code == PRODUCT:
            said = f"{drift.sentence}; measure new batches by transmission and add them, or hold the product"
            actions.append(Action(ADD_BATCHES, drift.subject, said))
        elif drift.code == MODEL:
            actions.append(Action(REFIT, drift.subject, f"{drift.sentence}: add the batches of late and fit again"))
    actions += _thin_beers(journals)
    return actions or [Action(NOTHING, "", "no chart has moved, and the readings ask for nothing")]


def _thin_beers(journals: Sequence[Journal]) -> list[Action]:
    # what an older model wanted, a newer one may have been given
    where = f"kind = 'reading' AND claimed IS NOT NULL AND decision != 'rescan' AND entry {UNREPLACED}"
    rows = [row for journal in journals for row in journal.select(where, last=NEWEST_READINGS)]
    models = {None, *_newest_models(journals).values()}
    rows = [row for row in rows if row.get("model_hash") in models]
    totals = Counter(row["claimed"] for row in rows)
    counts = Counter((row["claimed"], code) for row in rows for code in _THIN if code in row["reading"]["warnings"])
    return [
        Action(ADD_BATCHES, beer, f"{_THIN[code]} ({n} of its last {totals[beer]} readings)")
        for (beer, code), n in counts.most_common()
        if n >= FEWEST and n >= SHARE * totals[beer]
    ]


# of a long record the first readings give the baseline and these many of the newest give the state of today
OLDEST, NEWEST = 400, 1000
# p-values closer to 0 or 1 than this say no more than "far out" and "in the middle"
LEAST_P = 1e-4


def line_charts(
    journals: Sequence[Journal], *, beer: str | None = None, false_alarm_days: float = _FALSE_ALARM_DAYS
) -> list[ControlChart]:
    """Make every chart that the journals have points for, a line that is judged by a model of its own by itself."""
    # Colours and typicality are those of the newest model: another model reads on another scale. A control is charted
    # by its optical density, which no model moves; without one, by its reading.
    period, name = _period(journals)
    make = partial(make_chart, period=period, period_name=name, false_alarm_days=false_alarm_days)
    charts: list[ControlChart] = []

    def add(kind: str, subject: str, unit: str, points: list[Point], lines: str = "") -> None:
        if points:
            charts.append(make(kind, subject, unit, points, lines=lines))

    newest, lines_of_model = _newest_models(journals), dict[str, list[str]]()
    for line, model in newest.items():
        lines_of_model.setdefault(model, []).append(line)
    if beer is None:
        for line in _names(journals, "line", "kind = 'reference'"):
            parts = _parts(_records(journals, "kind = 'reference' AND line = ?", (line,)), line, ())
            for kind, unit, name in ((LEVEL, "counts/ms", "level"), (PEAK, "nm", "peak_nm")):
                for subject, rows in parts.items():
                    add(kind, subject, unit, _values(rows, name))
        for line in _names(journals, "line", "kind = 'control'"):
            model = newest.get(line or "") or next(iter(newest.values()), "")  # a line that was idle has no newest one
            for subject, unit, points in _controls(journals, line, model):
                add(CONTROL, subject, unit, points)
    typicality: list[Point] = []
    beers = _names(journals, "claimed", "kind = 'reading' AND claimed IS NOT NULL") if beer is None else [beer]
    for claimed in beers:
        for model, lines in lines_of_model.items():
            together = ", ".join(lines) if len(lines_of_model) > 1 else ""
            own = f", line {together}" if together else ""
            for subject, runs in _by_beer(claimed, _runs(journals, claimed, model, alone=not own)).items():
                unit = runs[0][0][0]["reading"]["colour_unit"]
                points = [_point(rows[-1], _colour(rows), held=held) for rows, held in runs]
                add(COLOUR, f"{subject}{own}", unit, points, together)
                typicality += [_point(rows[-1], _typicality(rows), held=held) for rows, held in runs]
    if beer is None:
        add(TYPICALITY, "all beers", "", sorted(typicality, key=lambda point: point.unix))
    return charts


def _period(journals: Iterable[Journal]) -> tuple[tuple[float, float] | None, str]:
    named = [row for journal in journals if (row := named_baseline(journal, "")) is not None]
    if not named:
        return None, ""
    newest = max(named, key=lambda row: row["written_at"])
    return (newest["from_unix"], newest["to_unix"]), f"{newest['from']} to {newest['to']} ({newest['reason']})"


def _names(journals: Iterable[Journal], column: str, where: str) -> list[str]:
    sql = f"SELECT DISTINCT {column} FROM entries WHERE {where}"
    return sorted({name for journal in journals for (name,) in journal.query(sql)})


def _newest_models(journals: Sequence[Journal]) -> dict[str, str]:
    """Newest model of each line that was measured of late, by line."""
    # the last rows of the file, whatever index may look tempting
    sql = (
        "SELECT written_at, coalesce(line, ''), model_hash FROM entries NOT INDEXED WHERE model_hash IS NOT NULL "
        f"ORDER BY entry DESC LIMIT {NEWEST_READINGS}"
    )
    rows = sorted((row for journal in journals for row in journal.query(sql)[::-1]), key=lambda row: str(row[0]))
    return {line: model for _, line, model in rows}


def _first_entry(journal: Journal, model: str) -> int:
    """Entry from which the journal is of one model on, found by halving: models follow one another."""
    sql = "SELECT model_hash FROM entries WHERE entry >= ? AND model_hash IS NOT NULL ORDER BY entry LIMIT 1"
    low, high = 1, 1 + int(journal.query("SELECT coalesce(max(entry), 0) FROM entries")[0][0])
    while low < high:
        middle = (low + high) // 2
        found = journal.query(sql, (middle,))
        if found and found[0][0] != model:
            low = middle + 1
        else:
            high = middle
    return low


def _records(
    journals: Sequence[Journal], where: str, values: Sequence[str], model: str | None = None, *, alone: bool = True
) -> list[Record]:
    """The oldest and the newest records that fit, of one model where it is named, in the order of time."""
    # alone: no other model is in force now, so that all but a few of its rows are of it
    if not alone:
        where, values = f"{where} AND model_hash = ?", (*values, model or "")
    rows: list[Record] = []
    for journal in journals:
        start = 1 if model is None or not alone else _first_entry(journal, model)
        # whole texts, read once each in Python: reading columns out of them in SQL would read a text once a column
        fit = f"{where} AND entry {UNREPLACED} AND entry >= ?"
        sql = f"SELECT entry, record FROM entries WHERE {fit} ORDER BY entry"
        oldest = journal.query(f"{sql} LIMIT {OLDEST}", (*values, start))
        after = start if not oldest else oldest[-1][0] + 1
        newest = journal.query(f"{sql} DESC LIMIT {NEWEST}", (*values, after))[::-1]
        rows += [json.loads(text) for _, text in (*oldest, *newest)]
    rows = [row for row in rows if model is None or row.get("model_hash") == model]
    return sorted(rows, key=lambda row: row.get("measured_unix") or 0.0)


def _controls(journals: Sequence[Journal], line: str, model: str) -> list[tuple[str, str, list[Point]]]:
    """Subject, unit and points of each material and lot on a line: optical density, else the newest model's reading."""
    fit = "kind = 'control' AND line = ? AND decision IS NOT 'hold'"
    found = []
    for subject, own in _parts(_records(journals, fit, (line,)), line, ("material", "material_lot")).items():
        if all(row.get("optical_density") for row in own):
            points = [_point(row, float(np.mean(list(row["optical_density"].values())))) for row in own]
            found.append((subject, "OD", points))
        else:
            own = [row for row in own if row.get("model_hash") == model]
            found.append((subject, own[0]["reading"]["colour_unit"] if own else "", _values(own, "colour")))
    return found


# what a reference scan is taken with, where its row of the sheet states it
LIGHT_PARTS = ("lamp", "base", "reference_kind")


def _parts(rows: Sequence[Record], line: str, names: Sequence[str]) -> dict[str, list[Record]]:
    """Records of a line by module and lamp, where it had several, and by what else parts them: those still in use."""
    several = [name for name in ("instrument", *LIGHT_PARTS) if len({row.get(name) or "" for row in rows}) > 1]
    parts: dict[str, list[Record]] = {}
    for row in rows:
        said = [line, *(row.get(name) or "" for name in (*several, *names))]
        if row.get("material_lot"):
            said[-1] = f"lot {row['material_lot']}"
        parts.setdefault(", ".join(filter(None, said)), []).append(row)
    # a module or lot behind which others have a baseline of their own was given up: how it ended moves nobody
    late = {id(row) for row in rows[-FIRST_POINTS:]}
    return {subject: own for subject, own in parts.items() if id(own[-1]) in late}


def _point(row: Record, value: float, *, held: bool = False) -> Point:
    return Point(row["entry"], row["measured_at"], row["measured_unix"], value, held)


def _values(rows: list[Record], name: str) -> list[Point]:
    return [_point(row, row["reading"][name]) for row in rows if row["reading"].get(name) is not None]


Runs = list[tuple[list[Record], bool]]


def _runs(journals: Sequence[Journal], claimed: str, model: str, *, alone: bool) -> Runs:
    """Readings of a beer by run in the order of time, and whether each was held; without spoilt ones."""
    # where no lot is known every sample stands alone, and its name for a day
    sql = (
        "SELECT line, coalesce(nullif(lot, ''), sample || ', ' || substr(measured_at, 1, 10)) FROM entries "
        f"WHERE run_state = 'held' AND claimed = ? AND entry {UNREPLACED}"
    )
    held = {key for journal in journals for key in journal.query(sql, (claimed,))}
    runs: dict[tuple[str, str], list[Record]] = {}
    for row in _records(journals, "claimed = ? AND kind = 'reading'", (claimed,), model, alone=alone):
        fit = row["decision"] == "consistent" or row.get("run_state") == "open"
        if fit and row.get("reading", {}).get("colour") is not None:
            own = row["lot"] or f"{row['sample']}, {row['measured_at'][:10]}"
            runs.setdefault((row["line"], own), []).append(row)
    return [(rows, key in held) for key, rows in runs.items()]


def _by_beer(claimed: str, runs: Runs) -> dict[str, Runs]:
    """Runs under the claim of a beer as one series; under a label of several, by the beer that each looks like."""
    nearest = [rows[-1]["reading"].get("nearest_beer") for rows, _ in runs]
    label = claimed not in nearest and len({*nearest}) > 1
    parts: dict[str, Runs] = {}
    for run, beer in zip(runs, nearest, strict=True):
        parts.setdefault(f"{claimed}, {beer}" if label else claimed, []).append(run)
    return parts


def _colour(rows: list[Record]) -> float:
    return float(np.mean([row["reading"]["colour"] for row in rows]))


def _typicality(rows: list[Record]) -> float:
    p_values = [min(max(row["reading"]["p_value"] or 0.0, LEAST_P), 1.0 - LEAST_P) for row in rows]
    # the limits of a chart are those of normal values: p-values of good readings are even, their normal scores normal
    return float(np.mean([NormalDist().inv_cdf(p) for p in p_values]))
