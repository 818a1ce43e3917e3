"""A row of the journal, a chart, a line as it stands, for a terminal; without pandas, because a person waits for it."""

from __future__ import annotations

from datetime import datetime
from textwrap import wrap
from typing import TYPE_CHECKING

from specmatch.line.charts import ControlChart
from specmatch.line.journal.journal import Record
from specmatch.maths.statistics.control_charts import prediction_limits
from specmatch.warning_codes import CONSISTENT, HOLD, RESCAN
from specmatch.wording import counted, in_digits

if TYPE_CHECKING:
    from specmatch.line.now import LineNow

# what is said on a terminal whose width nobody knows, and the widest that an eye follows
WIDTH, WIDEST = 80, 116
_WORD = 12
_MONTHS = "JanFebMarAprMayJunJulAugSepOctNovDec"
GO_ON = "go on"
_CONTROL_WORDS = {CONSISTENT: "control good", RESCAN: "CONTROL OUT", HOLD: "CONTROL HOLD", None: "control first"}
_WORDS = {HOLD: "HOLD", RESCAN: "RESCAN", CONSISTENT: CONSISTENT, None: "reading only"}


def decision_word(row: Record) -> str:
    """Return what a row comes to in a word or two, what a tired eye must not miss in capitals."""
    if row["kind"] == "control":
        return _CONTROL_WORDS.get(row.get("decision"), "control")
    if row["kind"] in ("reading", "retest"):
        return _WORDS.get(row.get("decision"), str(row.get("decision")))
    return "LEFT OUT" if row["kind"] == "left_out" else str(row["kind"]).replace("_", " ")


def subject(row: Record, *, names: bool = True) -> str:
    """Return what a row is about: beer, lot and colour, or files, or the entry that a person reviewed."""
    reading = row.get("reading", {})
    if row["kind"] == "left_out":
        return ", ".join(row["scan_files"])
    if row["kind"] == "review":
        who = " and ".join(name for name in (row.get("operator"), row.get("second")) if name)
        before = f"{row.get('claimed')}, lot {row.get('lot')}, before the fact"
        said = f"of entry {row['concerns']}" if row.get("concerns") else f"of {before}"
        outcome = f": {row['outcome']}" if row.get("outcome") else ""
        outcome += f", corrects entry {row['corrects']}" if row.get("corrects") else ""
        return f"{said} by {who}{outcome}" if names else f"{said}{outcome}"
    if row["kind"] == "reference":
        return f"{reading['level']:.1f} counts/ms, peak {reading['peak_nm']:.2f} nm"
    if row["kind"] == "control":
        return " ".join(part for part in (row.get("material"), row.get("material_lot")) if part)
    if "colour" not in reading:
        return ""
    lot = f"lot {row['lot']}" if row.get("lot") else f"sample {row.get('sample') or 'unknown'}, no lot"
    return f"{row.get('claimed') or 'no claim'}, {lot}  {shown_colour(row)}"


def shown_colour(row: Record) -> str:
    """Return the colour of a reading with its unit."""
    reading = row.get("reading", {})
    if reading.get("colour") is None:
        return "no colour"
    return f"{in_digits(reading['colour'], reading['colour_unit'])} {reading['colour_unit']}"


def short_time(row: Record, *, now: datetime | None = None) -> str:
    """Return hours and minutes as the scans state them, with the day where it is not today's."""
    moment = datetime.fromisoformat(str(row.get("measured_at") or row["written_at"]))
    today = (now or datetime.now(moment.tzinfo)).astimezone(moment.tzinfo).date()
    if moment.date() == today:
        return f"{moment:%H:%M}"
    # the months of English, whatever language the machine speaks
    month = _MONTHS[3 * moment.month - 3 : 3 * moment.month]
    return f"{moment.day} {month}{'' if moment.year == today.year else f' {moment.year}'} {moment:%H:%M}"


def entry_line(row: Record, *, width: int = WIDTH, now: datetime | None = None) -> str:
    """Return a row of the journal on a line, as wide as a terminal, and under it what to do and why."""
    width = min(width, WIDEST)
    when = "  ".join(part for part in (f"#{row['entry']}", row.get("line"), short_time(row, now=now)) if part)
    lines = _ends_with(f"{decision_word(row):<{_WORD}} {subject(row)}", when, width)
    advice, reason = row.get("advice") or "", row.get("reason") or ""
    settled = row.get("decision") == CONSISTENT and advice == GO_ON
    if advice and advice != GO_ON:
        lines += _said("to do: ", advice, width)
    if reason and not settled:
        lines += _said("why:   " if "decision" in row or row["kind"] == "left_out" else "note:  ", reason, width)
    if row.get("replaces"):
        old = (row.get("put_right") or {}).get("decision", ("",))[0]
        said = f", which said {old}" if old else ""
        lines += _said("", f"takes the place of entry {row['replaces']}{said}", width)
    return "\n".join(lines)


def _ends_with(left: str, right: str, width: int) -> list[str]:
    """Lay one text to the left and a short one to the right of a line, which breaks where both do not fit."""
    lines = wrap(left, width, subsequent_indent=" " * (_WORD + 1), drop_whitespace=True) or [""]
    if len(lines[-1]) + 2 + len(right) <= width:
        lines[-1] = f"{lines[-1]}{right:>{width - len(lines[-1])}}"
        return lines
    return [*lines, f"{right:>{width}}"]


def _said(head: str, words: str, width: int) -> list[str]:
    return wrap(words, width, initial_indent=f"  {head}", subsequent_indent="  " + " " * len(head))


def waiting_lines(row: Record, *, width: int = WIDTH) -> list[str]:
    """Return what waits for a person: what it is, why, and the command that settles it, whole for copying."""
    whose = [row["claimed"] or "", f"lot {row['lot']}" if row["lot"] else "", row["sample"] or ""]
    named = ", ".join(part for part in whose if part)
    since = f" since {row['measured_at']}" if row["measured_at"] else ""
    head = f"WAITS: entry {row['entry']}, {named or 'control'}, line {row['line'] or '-'}: {row['run_state']}{since}"
    lines = wrap(head, width, subsequent_indent=" " * 7) + _said("why:   ", row["reason"] or "", width)
    return [*lines, f"  to do: {row['settle']}"]


def now_text(now: LineNow, journal: str, *, width: int = WIDTH, height: int = 24) -> str:
    """Return one screen on how a line stands: what stops it, the last decision, the control, what waits, what was."""
    width, at = min(width, WIDEST), datetime.fromisoformat(now.at)
    name = f"line {now.line}" if now.line else "the line"
    lines = _ends_with(f"{'STOP' if now.stops else GO_ON:<{_WORD}} {name}", f"{at.astimezone():%Y-%m-%d %H:%M}", width)
    lines += _said("", now.sentence, width)
    lines.append("")
    if now.last is not None:
        lines += entry_line(now.last, width=width, now=at).splitlines()
        if now.review is not None:
            said = f"{now.review.get('outcome') or 'seen'}, entry {now.review['entry']}"
            lines += _said("reviewed since: ", said, width)
    lines += wrap(f"{'control':<{_WORD}} {now.control.sentence}", width, subsequent_indent=" " * (_WORD + 1))
    lines.append("")
    if now.waiting:
        lines += _waiting_now(now, journal, width, max(2, (height - len(lines) - 4) // 2))
    rest = [row for row in now.newest if now.last is None or row["entry"] != now.last["entry"]]
    for row in rest:
        head = entry_line({**row, "advice": "", "reason": "", "replaces": None}, width=width, now=at).splitlines()
        if len(lines) + len(head) > height - 1:
            break
        lines += head
    return "\n".join(lines)


def _waiting_now(now: LineNow, journal: str, width: int, most: int) -> list[str]:
    lines = [f"waits for a person: {len(now.waiting)}"]
    for row in now.waiting[:most]:
        said = f"{row['run_state']:<{_WORD}} {whose(row)}: {row['to_do']}"
        lines += _ends_with(said, f"#{row['entry']}", width)
    if len(now.waiting) > most:
        lines.append(f"  and {len(now.waiting) - most} more: specmatch history {journal}")
    return [*lines, f"  each is settled by: specmatch history {journal} --review ENTRY ...", ""]


def whose(row: Record) -> str:
    """Return whose packages wait: beer, and lot or sample; a control has none."""
    lot = f"lot {row['lot']}" if row["lot"] else row["sample"]
    return ", ".join(part for part in (row["claimed"], lot) if part) or "control"


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
