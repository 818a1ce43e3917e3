"""A row of the journal, or a chart, as one line for a terminal; shown without pandas, because a person waits for it."""

from specmatch.line.charts.control_chart import ControlChart
from specmatch.line.journal.journal import Record
from specmatch.maths.statistics.control_charts import individuals_limits
from specmatch.wording import counted


def entry_line(row: Record) -> str:
    """Return one line on a row of the journal, what a tired eye must not miss in capitals."""
    head = f"{row['entry']:>5}  {row.get('measured_at') or row['written_at']:<25}  {row.get('line', ''):<6}"
    reading = row.get("reading", {})
    if row["kind"] == "left_out":
        return f"{head}  LEFT OUT  {', '.join(row['scan_files'])}: {row['reason']}"
    if row["kind"] == "reference":
        return f"{head}  reference {reading['level']:.1f} counts/ms, peak {reading['peak_nm']:.2f} nm"
    decision = {"hold": "HOLD", "rescan": "RESCAN", None: "reading only"}.get(row.get("decision"), row.get("decision"))
    if row["kind"] == "control":
        return f"{head}  control {decision}: {row['reason']}"
    if "colour" not in reading:
        return f"{head}  {row['kind']}: {row.get('reason', '')}"
    colour = "no colour" if reading["colour"] is None else f"{reading['colour']:.1f} {reading['colour_unit']}"
    what = f"{row.get('claimed') or 'no claim'}, lot {row.get('lot') or 'unknown'}: {colour}"
    return f"{head}  {decision}  {what}; {row['reason']}; {row['advice']}"


def chart_line(chart: ControlChart) -> str:
    """Return one line on a chart: where it stands against its baseline."""
    head = f"{chart.kind} of {chart.subject or 'the line'}: "
    base = chart.baseline
    if base is None:
        return f"{head}{counted(len(chart.points), 'point')}, no limits yet ({chart.baseline_name})"
    low, high = individuals_limits(base)
    outside = sum(signal.test == "single value" for signal in chart.signals)
    state = {0: "steady", 1: "DRIFTING UP", -1: "DRIFTING DOWN"}[chart.drifting]
    unit = f" {chart.unit}" if chart.unit else ""
    return (
        f"{head}{state}; last {chart.points[-1].value:.4g}{unit}, limits {low:.4g} to {high:.4g} from "
        f"{chart.baseline_name}; {outside} of {len(chart.points) - chart.n_baseline} later points outside"
    )
