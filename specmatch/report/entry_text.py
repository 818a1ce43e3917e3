"""A row of the journal, or a chart, as one line for a terminal; shown without pandas, because a person waits for it."""

from specmatch.line.charts.control_chart import ControlChart
from specmatch.line.journal.journal import Record
from specmatch.maths.statistics.control_charts import prediction_limits
from specmatch.wording import counted


def entry_line(row: Record) -> str:
    """Return one line on a row of the journal, what a tired eye must not miss in capitals."""
    head = f"{row['entry']:>5}  {row.get('measured_at') or row['written_at']:<25}  {row.get('line', ''):<6}"
    reading = row.get("reading", {})
    if row["kind"] == "left_out":
        return f"{head}  LEFT OUT  {', '.join(row['scan_files'])}: {row['reason']}"
    if row["kind"] == "review":
        who = " and ".join(name for name in (row.get("operator"), row.get("second")) if name)
        of = (
            f"entry {row['concerns']}"
            if row.get("concerns")
            else f"{row.get('claimed')}, lot {row.get('lot')}, before the fact"
        )
        outcome = f"{row['outcome']}: " if row.get("outcome") else ""
        return f"{head}  review of {of} by {who}: {outcome}{row.get('reason', '')}"
    if row["kind"] == "reference":
        return f"{head}  reference {reading['level']:.1f} counts/ms, peak {reading['peak_nm']:.2f} nm"
    decision = {"hold": "HOLD", "rescan": "RESCAN", None: "reading only"}.get(row.get("decision"), row.get("decision"))
    if row["kind"] == "control":
        return f"{head}  control {decision}: {row['reason']}"
    if "colour" not in reading:
        return f"{head}  {row['kind']}: {row.get('reason', '')}"
    colour = "no colour" if reading["colour"] is None else f"{reading['colour']:.1f} {reading['colour_unit']}"
    what = f"{row.get('claimed') or 'no claim'}, lot {row.get('lot') or 'unknown'}: {colour}"
    instead = f" (takes the place of entry {row['replaces']})" if row.get("replaces") else ""
    return f"{head}  {decision}  {what}; {row['reason']}; {row['advice']}{instead}"


def waiting_lines(row: Record) -> list[str]:
    """Return two lines on what waits for a person: what it is, and what settles it."""
    what = row["run_state"]
    whose = [row["claimed"] or "", f"lot {row['lot']}" if row["lot"] else "", row["sample"] or ""]
    named = ", ".join(part for part in whose if part)
    since = f" since {row['measured_at']}" if row["measured_at"] else ""
    head = (
        f"WAITS: entry {row['entry']}, {named or 'control'}, line {row['line'] or '-'}: {what}{since}: {row['reason']}"
    )
    return [head, f"       {row['settle']}"]


def chart_line(chart: ControlChart) -> str:
    """Return one line on a chart: where it stands against its baseline."""
    head = f"{chart.kind} of {chart.subject or 'the line'}: "
    base = chart.baseline
    if base is None:
        return f"{head}{counted(len(chart.points), 'point')}, no limits yet ({chart.baseline_name})"
    low, high = prediction_limits(base)
    outside = sum(signal.test == "single value" for signal in chart.signals)
    state = {0: "steady", 1: "DRIFTING UP", -1: "DRIFTING DOWN"}[chart.drifting]
    unit = f" {chart.unit}" if chart.unit else ""
    return (
        f"{head}{state}; last {chart.points[-1].value:.4g}{unit}, limits {low:.4g} to {high:.4g} from "
        f"{chart.baseline_name}; {outside} of {len(chart.points) - chart.n_baseline} later points outside"
    )
