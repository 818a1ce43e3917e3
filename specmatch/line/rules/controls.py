"""The control of a line: a sealed beer, dye or tile that opens a shift and vouches for the module."""
# A control is held against earlier ones of its own material, lot and module, by its optical density at a few
# wavelengths and by its reading. A new model reads the kept scans of earlier controls anew, so that it has limits from
# its first day. A scan's own time is held against the clock of this machine and against the scan before it.

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.batches import COLOUR_UNITS, in_colour_unit, unit_of
from specmatch.errors import SheetError
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.journal.queries import named_baseline
from specmatch.line.journal.schema import UNREPLACED
from specmatch.line.rules.run_rule import DAY_S, newest_review, with_grid
from specmatch.maths.statistics.control_charts import SETTLED, Held, hold, independent_number
from specmatch.warning_codes import CONSISTENT, HOLD, RESCAN
from specmatch.wording import counted

DOUBTFUL = "clock_doubtful"
# clocks of two machines agree to a few minutes; farther off, one of them is wrong
_CLOCK_SLACK_S = 600.0
# without sessions a scan of another day is of another folder, recorded late, not of a clock set back
# doubtful ones among the last are passed over; so many in a row are a clock that nobody looks after
_LAST = 8


def clock_trouble(journal: Journal, record: Record) -> str | None:
    """Return what is doubtful in the time of a scan that is about to be recorded, or None."""
    at, now = float(record["measured_unix"]), journal.clock().timestamp()
    if at > now + _CLOCK_SLACK_S:
        return f"the scan is dated {record['measured_at']}, {_span(at - now)} after the clock of this machine"
    last = _last_before(journal, record, now + _CLOCK_SLACK_S)
    if last is None or at >= last[1] - _CLOCK_SLACK_S:
        return None
    if not record.get("session") and last[1] - at > DAY_S:
        return None
    return (
        f"the scan is dated {record['measured_at']}, {_span(last[1] - at)} before entry {last[0]} that came before it"
    )


def _last_before(journal: Journal, record: Record, until: float) -> tuple[int, float] | None:
    """The newest sample of the same line, module and session whose time nobody doubted: entry and time."""
    found: list[tuple[Any, ...]] = []
    for kind in ("reading", "retest"):
        found += journal.query(
            "SELECT entry, measured_unix, warnings, json_extract(record, '$.instrument'), "
            "json_extract(record, '$.session') FROM entries WHERE kind = ? AND line = ? AND measured_unix <= ? "
            "ORDER BY measured_unix DESC LIMIT ?",
            (kind, record["line"], until, _LAST if kind == "reading" else 2),
        )
    here = (record.get("instrument") or "", record.get("session") or "")
    fit = [row[:2] for row in found if (row[3] or "", row[4] or "") == here and DOUBTFUL not in (row[2] or "")]
    return max(fit, key=lambda row: row[1], default=None)


def _span(seconds: float) -> str:
    return f"{seconds / 86400:.1f} days" if seconds >= 2 * DAY_S else f"{seconds / 3600:.1f} h"


CONTROL = "control"
OVERDUE, OUT = "control_overdue", "control_out"
RELEASED = "released after check"
# a control vouches for a shift of eight hours and the hand-over after it
CONTROL_HOURS = 12.0
# chance that a control is called out while nothing moved, all its wavelengths and its reading together: a house whose
# controls scatter less normally than the limits assume stays under 0.35 %
FALSE_OUT_RATE = 0.002
# optical density is taken from this far about each of these
DENSITY_NM, HALF_WINDOW_NM = (450.0, 520.0, 590.0, 660.0), 10.0
READING = "reading"
# between a reference and a scan the lamp's level moves so much, in optical density (common practice, no source)
LEVEL_SD = 0.003
# A dye is no beer: the model may read it off its statement by this share until another lot has shown by how much
STATED_SHARE, STATED_BESIDE_A_LOT = 0.25, 0.10
# later controls that the moving average looks back on; older ones weigh nothing any more
LOOK_BACK = 40


@dataclass(frozen=True)
class Statement:
    """What the maker or the lab says of one lot of a material."""

    colour: float
    sd: float  # 0.0 where none is stated
    unit: str


Statements = Mapping[tuple[str, str], Statement]


def statements_of(materials: pd.DataFrame, *, unit: str) -> dict[tuple[str, str], Statement]:
    """Return what is stated of each material and lot of a session, in a unit of colour."""
    found = {}
    for row in materials.to_dict("records"):
        if pd.isna(row["colour"]):
            continue
        own = unit_of(str(row.get("colour_unit") or unit))
        if own not in COLOUR_UNITS:
            raise SheetError(f"materials.csv: colour_unit is {own!r}; write EBC or SRM")
        sd = row.get("colour_sd")
        values = [float(row["colour"]), 0.0 if sd is None or pd.isna(sd) else float(sd)]
        colour, spread = in_colour_unit(np.array(values), own, unit) if own != unit else values
        found[str(row["material"]), str(row.get("material_lot") or "")] = Statement(float(colour), float(spread), unit)
    return found


@dataclass(frozen=True)
class ControlName:
    """What a control's limits belong to."""

    material: str
    material_lot: str
    module: str  # name of the instrument; where nobody stated it, `line L1`

    def __str__(self) -> str:
        lot = f" lot {self.material_lot}" if self.material_lot else ""
        return f"{self.material or 'control'}{lot}"


@dataclass(frozen=True)
class ControlDecision:
    """What is decided of one control."""

    decision: str | None  # `consistent` vouches for the line, `rescan` is out, None is a first one: it does neither
    reason: str
    limits: dict[str, list[float]] = field(default_factory=dict)  # name of the variable -> low, high


def control_name(record: Record) -> ControlName:
    """Return whose limits a control is held against."""
    module = record.get("instrument") or f"line {record.get('line', '')}"
    return ControlName(record.get("material") or "", record.get("material_lot") or "", module)


def optical_density(spectrum: pd.Series) -> dict[str, float]:
    """Return the optical density of a control at the few wavelengths that its scan covers."""
    nm, reflectance = spectrum.index.to_numpy(float), spectrum.to_numpy(float)
    found = {}
    for at in DENSITY_NM:
        window = reflectance[np.abs(nm - at) <= HALF_WINDOW_NM]
        window = window[np.isfinite(window)]
        if nm[0] <= at <= nm[-1] and window.size and window.mean() > 0.0:
            found[f"{at:g} nm"] = float(-np.log10(window.mean()))
    return found


def _of_name(journal: Journal, name: ControlName) -> list[Record]:
    module = "coalesce(nullif(json_extract(record, '$.instrument'), ''), 'line ' || line)"
    lot = "coalesce(json_extract(record, '$.material_lot'), '')"
    rows = journal.select(
        f"kind = ? AND coalesce(json_extract(record, '$.material'), '') = ? AND {lot} = ? AND {module} = ? "
        f"AND entry {UNREPLACED}",
        (CONTROL, name.material, name.material_lot, name.module),
    )
    return [row for row in rows if DOUBTFUL not in row["reading"].get("warnings", ())]


Reread = Callable[[Sequence[Record]], Sequence[float]]


@dataclass(frozen=True)
class _Values:
    """Variables of one control and of those before it; NaN where a record has none."""

    names: tuple[str, ...]
    now: Floats  # (k,)
    baseline: Floats  # (n, k)
    later: Floats  # (m, k)


def judge_control(
    journal: Journal,
    record: Record,
    *,
    reread: Reread,
    pour_share: float,
    statement: Statement | None = None,
    lots: Sequence[tuple[Statement, ControlName]] = (),
    without: Collection[int] = (),
) -> ControlDecision:
    """Judge a control that is about to be recorded."""
    # without: entries that it is about to take the place of; it is not held against itself
    # reread: gives the present model's reading of kept scans. pour_share: sd of a pour's strength, a share
    # lots: other lots of the same material with their statements
    name, colour = control_name(record), record["reading"]["colour"]
    unit = record["reading"]["colour_unit"]
    every = [row for row in _of_name(journal, name) if row["entry"] not in without]
    counted_out = [row["entry"] for row in every if _counted_out(journal, row)]
    history = [row for row in every if row["entry"] not in counted_out]
    found = _values(journal, record, history, reread, since=max(counted_out, default=0))
    if not len(found.baseline):
        return _first(journal, name, colour, unit, statement, lots)
    rate = FALSE_OUT_RATE / _tests(found)
    now = dict(zip(found.names, found.now.tolist(), strict=True))
    held: dict[str, Held] = {}
    for k, (variable, value) in enumerate(now.items()):
        before = found.baseline[np.isfinite(found.baseline[:, k]), k]
        later = found.later[np.isfinite(found.later[:, k]), k]
        if before.size:
            prior = _prior_sd(record, variable, value, pour_share)
            held[variable] = hold(value, before, later, prior_sd=prior, rate=rate)
    out = [v for v, one in held.items() if not one.inside(now[v])]
    shown = "; ".join(_shown(v, now[v], held[v], unit) for v in (out or list(held)[-1:]))
    n = len(found.baseline)
    many = counted(n, "control") + (", its limits are still wide" if n < SETTLED else "")
    said = f"{name} {'outside' if out else 'within'} its limits: {shown}, from {many}"
    limits = {v: [one.low, one.high] for v, one in held.items()}
    return ControlDecision(RESCAN if out else CONSISTENT, said, limits)


def _values(journal: Journal, record: Record, history: list[Record], reread: Reread, *, since: int) -> _Values:
    # since: the last control that was called out. The base was cleaned then, and moving averages start anew
    named = named_baseline(journal, record.get("line", ""))
    if named is None:
        first, after = history[:SETTLED], history[SETTLED:]
    else:
        first = [row for row in history if named["from_unix"] <= row["measured_unix"] <= named["to_unix"]]
        after = [row for row in history if row["measured_unix"] > named["to_unix"]]
    after = [row for row in after if row["entry"] > since][-LOOK_BACK:]
    rows = [*first, *after]
    other = [row for row in rows if row.get("model_hash") != record.get("model_hash")]
    kept = [row for row in other if row.get("kept")]
    # what another model read is read again, where its scan was kept
    colours: dict[int, Any] = {row["entry"]: row["reading"]["colour"] for row in rows}
    colours |= {row["entry"]: None for row in other}
    colours |= dict(zip([row["entry"] for row in kept], reread(kept) if kept else (), strict=True))
    now = {**record.get("optical_density", {}), READING: record["reading"]["colour"]}
    names = tuple(variable for variable, value in now.items() if value is not None)
    values = [{**row.get("optical_density", {}), READING: colours[row["entry"]]} for row in rows]
    table = np.array([[one.get(v) for v in names] for one in values], dtype=float).reshape(len(rows), len(names))
    known = np.isfinite(table).any(axis=1)
    table, n = table[known], int(known[: len(first)].sum())
    return _Values(names, np.array([now[v] for v in names], float), table[:n], table[n:])


def _tests(found: _Values) -> float:
    whole = found.baseline[np.isfinite(found.baseline).all(axis=1)]
    return independent_number(whole) if len(whole) >= SETTLED // 2 else float(len(found.names))


def _prior_sd(record: Record, variable: str, value: float, pour_share: float) -> float:
    """Scatter of a control before it has shown its own: the house's pours, and the level of the lamp."""
    if variable != READING:
        return float(np.hypot(pour_share * value, LEVEL_SD))
    densest = max(record.get("optical_density", {}).values(), default=0.3)
    return float(abs(value) * np.hypot(pour_share, LEVEL_SD / max(densest, 0.02)))


def _shown(variable: str, value: float, held: Held, unit: str) -> str:
    if variable == READING:
        what, digits, behind = "reads", 2, f" {unit}"
    else:
        what, digits, behind = f"optical density at {variable}", 4, ""
    said = f"{what} {value:.{digits}f}{behind}, limits {held.low:.{digits}f} to {held.high:.{digits}f}"
    if held.average is not None and not held.average_low <= held.average <= held.average_high:
        between = f"{held.average_low:.{digits}f} to {held.average_high:.{digits}f}"
        said += f" (moving average {held.average:.{digits}f}, {between})"
    return said


def _first(
    journal: Journal, name: ControlName, colour: float | None, unit: str, statement: Statement | None,
    lots: Sequence[tuple[Statement, ControlName]],
) -> ControlDecision:  # fmt: skip
    """Say how far a first control lies from its statement; it vouches for nothing."""
    behind = "a first one vouches for nothing: measure it again"
    if colour is None:
        return ControlDecision(RESCAN, f"first control of {name} on {name.module}: no reading")
    of = f" of {name}" if name.material else ""
    reads = f"first control{of} on {name.module}: reads {colour:.2f} {unit}"
    if statement is None:
        return ControlDecision(None, f"{reads}, and nothing is stated to hold it against; {behind}")
    expected, share, said = statement.colour, STATED_SHARE, f"its statement of {statement.colour:.2f} {unit}"
    ratios = [_read_over_stated(journal, other, lot) for other, lot in lots]
    known = [ratio for ratio in ratios if ratio is not None]
    if known:
        expected, share = expected * float(np.mean(known)), STATED_BESIDE_A_LOT
        said += f" ({expected:.2f} as other lots read)"
    half = float(np.hypot(3.0 * statement.sd, share * expected))
    away = f"{reads}, {colour - expected:+.2f} ({colour / expected - 1.0:+.0%}) from {said}"
    limits = {READING: [expected - half, expected + half]}
    if abs(colour - expected) > half:
        return ControlDecision(RESCAN, f"{away}; at most {half:.2f} is allowed", limits)
    return ControlDecision(None, f"{away}; {behind}", limits)


def _read_over_stated(journal: Journal, statement: Statement, name: ControlName) -> float | None:
    rows = [row for row in _of_name(journal, name) if not _counted_out(journal, row)]
    values = [row["reading"]["colour"] for row in rows if row["reading"]["colour"] is not None][-LOOK_BACK:]
    return float(np.mean(values)) / statement.colour if len(values) >= 3 else None


def control_trouble(
    journal: Journal, line: str, at_unix: float, *, instrument: str = "", control_hours: float = CONTROL_HOURS
) -> tuple[str, str] | None:
    """Return what is the matter with the controls of a line at a time, or None."""
    # control_hours: how long a good control vouches for the line; 0 asks for none
    if control_hours <= 0:
        return None
    rows = [
        row
        for row in journal.select(
            # one whose time nobody trusts counts for nothing: it takes no other's place
            f"kind = ? AND line = ? AND decision IS NOT ? AND measured_unix BETWEEN ? AND ? AND entry {UNREPLACED}",
            (CONTROL, line, HOLD, at_unix - control_hours * 3600.0, at_unix + _CLOCK_SLACK_S),
        )
        if not instrument or not row.get("instrument") or row["instrument"] == instrument
    ]
    newest: dict[ControlName, Record] = {}
    for row in sorted(rows, key=lambda row: (row["measured_unix"], row["entry"])):
        newest[control_name(row)] = row
    for row in newest.values():
        if row["decision"] == RESCAN and newest_review(journal, row["entry"]) is None:
            return OUT, f"entry {row['entry']}: {row['reason']}; nothing is decided until a good one"
    if any(row["decision"] == CONSISTENT for row in rows):
        return None
    return _overdue(journal, line, at_unix, control_hours)


def _overdue(journal: Journal, line: str, at_unix: float, control_hours: float) -> tuple[str, str] | None:
    sql = "SELECT measured_unix, entry FROM entries WHERE kind = ? AND line = ? AND decision = ? AND measured_unix"
    key = (CONTROL, line, CONSISTENT, at_unix + _CLOCK_SLACK_S)
    last = journal.query(f"{sql} <= ? ORDER BY measured_unix DESC LIMIT 1", key)
    if last:
        measured, entry = last[0]
        age_h = (at_unix - measured) / 3600.0
        if age_h <= control_hours:
            said = f"the last good control (entry {entry}) was of another module; measure one on this module"
            return OVERDUE, said
        return OVERDUE, f"the last good control (entry {entry}) is {age_h:.1f} h old, {control_hours:g} h are allowed"
    if journal.query(f"{sql} > ? LIMIT 1", key):
        return OVERDUE, "no control of this line was measured before this sample: measure one"
    return None  # a line that has had no good control yet is not asked for one


def _counted_out(journal: Journal, row: Record) -> bool:
    return row["decision"] == RESCAN and (newest_review(journal, row["entry"]) or {}).get("outcome") != RELEASED


def reread_with(house: Any, journal: Journal) -> Reread:
    """Return how a model reads kept scans of controls: those of one wavelength grid at one go."""

    def reread(rows: Sequence[Record]) -> list[float]:
        found = [float("nan")] * len(rows)
        grids: dict[str, list[int]] = {}
        for i, row in enumerate(rows):
            grids.setdefault(row["kept"]["wavelengths"], []).append(i)
        for places in grids.values():
            kept = [with_grid(journal, rows[i]["kept"]) for i in places]
            values = [[np.nan if v is None else v for v in one["reflectance"]] for one in kept]
            names = [str(i) for i in places]
            table = pd.DataFrame(values, index=names, columns=kept[0]["wavelength_nm"])
            stated = [{**(one.get("filling") or {}), **(one.get("module") or {})} for one in kept]
            scans = pd.DataFrame(stated, index=names).assign(sample=names)
            for i, colour in zip(places, house.read(table, scans)["colour"], strict=True):
                found[i] = float(colour)
        return found

    return reread


def pour_share(house: Any) -> float:
    """Return the standard deviation of a pour's strength in the house's set, as a share."""
    return float(np.sqrt(house.fitted.faults.scatter.pour[0]))
