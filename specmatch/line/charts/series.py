"""The series that charts are made of, read out of one or several journals."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from specmatch.line.charts.control_chart import (
    COLOUR,
    CONTROL,
    FALSE_ALARM_DAYS,
    LEVEL,
    PEAK,
    TYPICALITY,
    ControlChart,
    Point,
    make_chart,
)
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.journal.queries import named_baseline
from specmatch.line.journal.schema import UNREPLACED

# of a long record the first readings give the baseline and these many of the newest give the state of today
OLDEST, NEWEST = 400, 1000
# p-values closer to 0 or 1 than this say no more than "far out" and "in the middle"
LEAST_P = 1e-4


def line_charts(
    journals: Sequence[Journal], *, beer: str | None = None, false_alarm_days: float = FALSE_ALARM_DAYS
) -> list[ControlChart]:
    """Make every chart that the journals have points for.

    Colours and typicality are those of the newest model: another model reads on another scale. A control is charted by
    its optical density, which no model moves; without one, by its reading.
    """
    period, name = _period(journals)
    charts: list[ControlChart] = []

    def add(kind: str, subject: str, unit: str, points: list[Point]) -> None:
        if points:
            charts.append(
                make_chart(
                    kind, subject, unit, points, period=period, period_name=name, false_alarm_days=false_alarm_days
                )
            )

    model = _newest_model(journals)
    if beer is None:
        for line in _names(journals, "line", "kind = 'reference'"):
            rows = _records(journals, "kind = 'reference' AND line = ?", (line,))
            add(LEVEL, line, "counts/ms", _values(rows, "level"))
            add(PEAK, line, "nm", _values(rows, "peak_nm"))
        for line in _names(journals, "line", "kind = 'control'"):
            for subject, unit, points in _controls(journals, line, model):
                add(CONTROL, subject, unit, points)
    typicality: list[Point] = []
    beers = _names(journals, "claimed", "kind = 'reading' AND claimed IS NOT NULL") if beer is None else [beer]
    for claimed in beers:
        runs = _runs(journals, claimed, model)
        add(COLOUR, claimed, runs[0].rows[0]["reading"]["colour_unit"] if runs else "", [_colour(r) for r in runs])
        typicality += [_typicality(run) for run in runs]
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


def _newest_model(journals: Sequence[Journal]) -> str:
    # the last rows of the file, whatever index may look tempting
    sql = (
        "SELECT written_at, model_hash FROM entries NOT INDEXED WHERE model_hash IS NOT NULL "
        "ORDER BY entry DESC LIMIT 1"
    )
    return str(max((row for journal in journals for row in journal.query(sql)), default=("", ""))[1])


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


def _records(journals: Sequence[Journal], where: str, values: Sequence[str], model: str | None = None) -> list[Record]:
    """The oldest and the newest records that fit, of one model where it is named, in the order of time."""
    rows: list[Record] = []
    for journal in journals:
        start = 1 if model is None else _first_entry(journal, model)
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
    rows: dict[str, list[Record]] = {}
    for row in _records(journals, fit, (line,)):
        material, lot = row.get("material", ""), row.get("material_lot", "")
        subject = ", ".join(part for part in (line, material, f"lot {lot}" if lot else "") if part)
        rows.setdefault(subject, []).append(row)
    found = []
    for subject, own in rows.items():
        if all(row.get("optical_density") for row in own):
            points = [_point(row, float(np.mean(list(row["optical_density"].values())))) for row in own]
            found.append((subject, "OD", points))
        else:
            own = [row for row in own if row.get("model_hash") == model]
            found.append((subject, own[0]["reading"]["colour_unit"] if own else "", _values(own, "colour")))
    return found


def _point(row: Record, value: float) -> Point:
    return Point(row["entry"], row["measured_at"], row["measured_unix"], value)


def _values(rows: list[Record], name: str) -> list[Point]:
    return [_point(row, row["reading"][name]) for row in rows if row["reading"].get(name) is not None]


@dataclass(frozen=True)
class _Run:
    rows: list[Record]
    held: bool

    def point(self, value: float) -> Point:
        last = self.rows[-1]
        return Point(last["entry"], last["measured_at"], last["measured_unix"], value, self.held)


def _runs(journals: Sequence[Journal], claimed: str, model: str) -> list[_Run]:
    """Readings of a beer by run, in the order of time; those that a fault or a control spoilt are left aside."""
    sql = "SELECT line, lot FROM entries WHERE run_state = 'held' AND claimed = ?"
    held = {key for journal in journals for key in journal.query(sql, (claimed,))}
    runs: dict[tuple[str, str], list[Record]] = {}
    for row in _records(journals, "claimed = ? AND kind = 'reading'", (claimed,), model):
        fit = row["decision"] == "consistent" or row.get("run_state") == "open"
        if fit and row.get("reading", {}).get("colour") is not None:
            # where no lot is known every sample stands alone
            runs.setdefault((row["line"], row["lot"] or row["sample"]), []).append(row)
    return [_Run(rows, key in held) for key, rows in runs.items()]


def _colour(run: _Run) -> Point:
    return run.point(float(np.mean([row["reading"]["colour"] for row in run.rows])))


def _typicality(run: _Run) -> Point:
    p_values = [min(max(row["reading"]["p_value"] or 0.0, LEAST_P), 1.0 - LEAST_P) for row in run.rows]
    # the limits of a chart are those of normal values: p-values of good readings are even, their normal scores normal
    return run.point(float(np.mean([NormalDist().inv_cdf(p) for p in p_values])))
