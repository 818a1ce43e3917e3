"""The series that charts are made of, read out of one or several journals."""

from collections.abc import Iterable, Sequence

import numpy as np

from specmatch.line.control_chart import (
    COLOUR,
    CONTROL,
    LEVEL,
    PEAK,
    TYPICALITY,
    ControlChart,
    Point,
    make_chart,
)
from specmatch.line.controls import named_baseline
from specmatch.line.journal import Journal

# of a long record the first readings give the baseline and these many of the newest give the state of today
OLDEST, NEWEST = 400, 2000
# p-values below this say no more than "far out"
LEAST_P = 1e-4


def line_charts(journals: Sequence[Journal], *, beer: str | None = None) -> list[ControlChart]:
    """Make every chart that the journals have points for.

    Parameters
    ----------
    journals : sequence of Journal
    beer : str, optional
        Only the chart of this beer.

    Returns
    -------
    list of ControlChart
        Reference, control, then beers by name, then typicality.

    Notes
    -----
    Colours, controls and typicality are those of the newest model: another model reads on another scale.
    """
    period, name = _period(journals)
    charts: list[ControlChart] = []

    def add(kind: str, subject: str, unit: str, points: list[Point]) -> None:
        if points:
            charts.append(make_chart(kind, subject, unit, points, period=period, period_name=name))

    if beer is None:
        for line in _names(journals, "line", "kind = 'reference'"):
            add(
                LEVEL,
                line,
                "counts/ms",
                _values(journals, "'$.reading.level'", "kind = 'reference' AND line = ?", line),
            )
            add(PEAK, line, "nm", _values(journals, "'$.reading.peak_nm'", "kind = 'reference' AND line = ?", line))
        for line in _names(journals, "line", "kind = 'control'"):
            where = f"kind = 'control' AND line = ? AND {_newest_model(journals)}"
            add(CONTROL, line, "EBC", _values(journals, "'$.reading.colour'", where, line))
    scores: list[tuple[float, Point]] = []
    beers = _names(journals, "claimed", "kind = 'reading' AND claimed IS NOT NULL") if beer is None else [beer]
    for claimed in beers:
        runs = _runs(journals, claimed)
        add(COLOUR, claimed, runs[0][2] if runs else "", [_mean(run, 0) for run in runs])
        scores += [(point.unix, point) for point in (_mean(run, 1) for run in runs)]
    if beer is None:
        add(TYPICALITY, "all beers", "", [point for _, point in sorted(scores, key=lambda item: item[0])])
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
    newest = max((row for journal in journals for row in journal.query(sql)), default=("", ""))
    # a hash is made of hexadecimal digits; anything else was put there by hand and selects nothing
    return f"model_hash = '{newest[1]}'" if str(newest[1]).isalnum() else "0"


def _rows(journals: Sequence[Journal], columns: str, where: str, value: str) -> list[tuple]:
    rows: list[tuple] = []
    for journal in journals:
        sql = f"SELECT {columns} FROM entries WHERE {where} ORDER BY entry"
        oldest = journal.query(f"{sql} LIMIT {OLDEST}", (value,))
        newest = journal.query(f"{sql} DESC LIMIT {NEWEST}", (value,))[::-1]
        rows += oldest + [row for row in newest if not oldest or row[0] > oldest[-1][0]]
    return sorted(rows, key=lambda row: row[2])


def _values(journals: Sequence[Journal], path: str, where: str, value: str) -> list[Point]:
    columns = f"entry, measured_at, measured_unix, json_extract(record, {path})"
    return [Point(*row) for row in _rows(journals, columns, where, value) if row[3] is not None]


_Run = tuple[list[tuple], bool, str]


def _runs(journals: Sequence[Journal], claimed: str) -> list[_Run]:
    """Readings of a beer by run, in the order of time; those that a fault or a control spoilt are left aside."""
    columns = "entry, measured_at, measured_unix, colour, p_value, line, lot, sample, colour_unit"
    where = (
        f"claimed = ? AND kind = 'reading' AND colour IS NOT NULL AND (decision = 'consistent' OR run_state = 'open') "
        f"AND {_newest_model(journals)}"
    )
    sql = "SELECT line, lot FROM entries WHERE run_state = 'held' AND claimed = ?"
    held = {key for journal in journals for key in journal.query(sql, (claimed,))}
    runs: dict[tuple[str, str], list[tuple]] = {}
    for row in _rows(journals, columns, where, claimed):
        # where no lot is known every sample stands alone
        runs.setdefault((row[5], row[6] or row[7]), []).append(row)
    return [(rows, key in held, rows[0][8]) for key, rows in runs.items()]


def _mean(run: _Run, which: int) -> Point:
    rows = run[0]
    last = rows[-1]
    if which == 0:
        value = float(np.mean([row[3] for row in rows]))
    else:
        value = float(np.mean([np.log10(max(row[4] or 0.0, LEAST_P)) for row in rows]))
    return Point(last[0], last[1], last[2], value, run[1])
