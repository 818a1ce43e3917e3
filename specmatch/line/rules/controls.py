"""The control of a line: a sealed beer, dye or tile that opens a shift and vouches for the instrument."""

from specmatch.line.journal.journal import Journal, Record
from specmatch.maths.statistics.control_charts import Baseline, baseline_of, individuals_limits

CONTROL, BASELINE = "control", "baseline"
OVERDUE, OUT = "control_overdue", "control_out"
# a control vouches for a shift of eight hours and the hand-over after it
CONTROL_HOURS = 12.0
# so many first controls are the baseline unless another is named: about a week of three shifts
FIRST_VALUES = 20
# clocks of two machines agree to a few minutes; a control from farther in the future was stamped by a wrong clock
CLOCK_SLACK_S = 600.0


def named_baseline(journal: Journal, line: str) -> Record | None:
    """Return the newest baseline period that somebody named for a line (or for all lines), if any."""
    found = journal.select("kind = ? AND line IN (?, '')", (BASELINE, line), last=1)
    return found[0] if found else None


def control_baseline(journal: Journal, line: str) -> Baseline | None:
    """Return the baseline of a line's control: the period named, else its first 20; None before there are enough."""
    named = named_baseline(journal, line)
    sql = "SELECT colour FROM entries WHERE kind = ? AND line = ? AND colour IS NOT NULL"
    if named is not None:
        rows = journal.query(
            f"{sql} AND measured_unix BETWEEN ? AND ? ORDER BY entry",
            (CONTROL, line, named["from_unix"], named["to_unix"]),
        )
    else:
        rows = journal.query(f"{sql} ORDER BY entry LIMIT ?", (CONTROL, line, FIRST_VALUES))
        if len(rows) < FIRST_VALUES:
            return None
    return baseline_of([value for (value,) in rows]) if len(rows) >= 2 else None


def judge_control(colour: float, unit: str, baseline: Baseline | None) -> tuple[str, str]:
    """Return the decision on a control and its reason."""
    # colour: as the model reads it: no statement about beer, only a number that must stay what it was
    if baseline is None:
        return "consistent", f"control reads {colour:.2f} {unit}; no limits yet, the baseline is still being gathered"
    low, high = individuals_limits(baseline)
    shown = f"{colour:.2f} {unit}, limits {low:.2f} to {high:.2f} from {baseline.n} controls"
    if low <= colour <= high:
        return "consistent", f"control within its limits: {shown}"
    return "rescan", f"control outside its limits: {shown}"


def control_trouble(
    journal: Journal, line: str, at_unix: float, *, control_hours: float = CONTROL_HOURS
) -> tuple[str, str] | None:
    """Return what is the matter with the control of a line at a time, or None."""
    # control_hours: how long a good control vouches for the line; 0 asks for none
    if control_hours <= 0:
        return None
    last = journal.query(
        "SELECT measured_unix, decision, reason, entry FROM entries WHERE kind = ? AND line = ? AND measured_unix <= ? "
        "ORDER BY measured_unix DESC, entry DESC LIMIT 1",
        (CONTROL, line, at_unix + CLOCK_SLACK_S),
    )
    if not last:
        ever = journal.query("SELECT 1 FROM entries WHERE kind = ? AND line = ? LIMIT 1", (CONTROL, line))
        return (OVERDUE, "no control of this line was measured before this sample: measure one") if ever else None
    measured, decision, reason, entry = last[0]
    if decision != "consistent":
        return OUT, f"entry {entry}: {reason}; nothing is decided until a good one"
    age_h = (at_unix - measured) / 3600.0
    if age_h > control_hours:
        return OVERDUE, f"the last control (entry {entry}) is {age_h:.1f} h old, {control_hours:g} h are allowed"
    return None
