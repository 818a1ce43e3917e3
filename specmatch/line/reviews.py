"""What people add to the journal: reviews, what is in force, and the name of a baseline period."""

import logging

from specmatch.errors import TableError
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.journal.queries import BASELINE, lines_of, waits
from specmatch.line.journal.schema import unix_time
from specmatch.line.rules.judging import LineSetting
from specmatch.line.rules.run_rule import CLEAR, REVIEW, find_run, newest_review
from specmatch.measurement.folder.columns import folded
from specmatch.wording import nearest_name

log = logging.getLogger(__name__)

OUTCOMES = ("released after check", "rework", "reject", "wrong claim")
IN_FORCE = "in_force"
# what a line may be judged by otherwise under the same model, in words
_SETTINGS = {
    "specification_hash": "colour limits or labels", "control_hours": "hours that a control vouches for",
    "second_name": "whether a review takes two names", "claims": "beers and labels that may be claimed",
}  # fmt: skip


def review(
    journal: Journal, entry: int, *, outcome: str, operator: str, note: str, second: str = "", correct: bool = False
) -> Record:
    """Add a person's review of an entry that waits, or of its run, which is clear then. Call it inside `writing`."""
    # correct: whether a review of what was reviewed before is taken for a correction: its outcome counts from then on
    row = journal.entry(entry)
    signed = _signed(journal, row.get("line", ""), outcome, operator, note, second)
    key: dict[str, str] = {name: row.get(name) or "" for name in ("line", "claimed", "lot")}
    if row.get("run_state") is not None:
        about = (key["line"], key["claimed"], key["lot"], row.get("sample") or "")
        run = find_run(journal, *about, at=row.get("measured_unix"))
        if run.state != CLEAR:
            own = {} if key["lot"] else {"sample": row.get("sample") or ""}
            return journal.append({"kind": REVIEW, "concerns": run.first, **key, **own, **signed, "run_state": CLEAR})
    if not waits(journal, entry):
        before = newest_review(journal, entry, row.get("concerns"))
        if before is not None and correct:
            corrects = {"concerns": before["concerns"], "corrects": before["entry"]}
            return journal.append({"kind": REVIEW, **corrects, **key, **signed})
        raise TableError(f"entry {entry} waits for nobody, nor does its run; `history` lists what waits")
    return journal.append({"kind": REVIEW, "concerns": entry, **key, **signed})


def override(
    journal: Journal, beer: str, lot: str, *, line: str, outcome: str, operator: str, note: str, second: str = ""
) -> Record:
    """Add a review of a run before anything departs: departures are recorded and stop nothing. Inside `writing`."""
    signed = _signed(journal, line, outcome, operator, note, second)
    if not beer.strip() or not lot.strip():
        raise TableError("a review before the fact is of one beer and one lot: name both")
    _refuse_other_line(journal, line)
    claims = [name for (name,) in journal.query("SELECT DISTINCT claimed FROM entries WHERE claimed IS NOT NULL")]
    force = journal.select("kind = ? AND line = ?", (IN_FORCE, line), last=1)
    # a journal of before holds no names: there a beer that was never claimed may be a new one
    known = force[0].get("claims") if force else None
    if beer not in {*claims, *(known or ())} and (known or folded(beer) in map(folded, claims)):
        near = nearest_name(beer, [*claims, *(known or ())])
        raise TableError(f"no claim of {beer!r} is recorded{near}: name a beer or label as claims do")
    run = find_run(journal, line, beer, lot)
    if run.state != CLEAR:
        raise TableError(f"the run of {beer}, lot {lot}, waits already, since entry {run.first}: review that entry")
    of_run = {"kind": REVIEW, "line": line, "claimed": beer, "lot": lot}
    return journal.append({**of_run, **signed, "before_the_fact": True, "run_state": CLEAR})


def name_baseline(journal: Journal, start: str, end: str, *, operator: str, note: str, line: str = "") -> Record:
    """Name the period that every chart takes its limits from. Call it inside `writing`."""
    _named(operator, note)
    if line:
        _refuse_other_line(journal, line)
    from_unix, to_unix = unix_time(start, "start of the baseline"), unix_time(end, "end of the baseline")
    if not from_unix < to_unix:
        raise TableError(f"the baseline runs from {start} to {end}; it must end after its start")
    measured = "SELECT max(measured_unix), total(measured_unix BETWEEN ? AND ?) FROM entries WHERE ? IN (line, '')"
    ((newest, inside),) = journal.query(measured, (from_unix, to_unix, line))
    if not inside and newest is not None and newest > to_unix:
        raise TableError(f"nothing was measured from {start} to {end}, and later scans were: name another period")
    period = {"from": start, "to": end, "from_unix": from_unix, "to_unix": to_unix}
    return journal.append({"kind": BASELINE, "line": line, "operator": operator, "reason": note, **period})


def put_in_force(journal: Journal, setting: LineSetting) -> int:
    """Return the entry that says what a line is judged by, added where anything of it is new; who put it there too."""
    house = setting.house
    wanted = {
        "line": setting.line, "model_hash": setting.model_hash, "put_in_force_by": house.fitted_by, **setting.basis,
        "control_hours": setting.control_hours, "second_name": setting.second_name,
        "claims": [*house.beers_, *sorted(setting.specification.label_names)],
    }  # fmt: skip
    with journal.writing():
        last = journal.select("kind = ? AND line = ?", (IN_FORCE, setting.line), last=1)
        if last and all(last[0].get(name) == value for name, value in wanted.items()):
            return int(last[0]["entry"])
        others = [name for name in lines_of(journal) if name] if not last else []
        if others:
            log.warning(
                "line %r is new in this journal, beside %s: its runs and its controls are its own", setting.line,
                ", ".join(others),
            )  # fmt: skip
        who = house.fitted_by or "a person who left no name (fit --who)"
        said = f"model {setting.model_hash[:12]} of set {house.fitted.set_name} put in force; fitted by {who}"
        if last and last[0].get("model_hash") == setting.model_hash:
            changed = [_SETTINGS.get(name, name) for name, value in wanted.items() if last[0].get(name) != value]
            said += f"; changed since entry {last[0]['entry']}: {', '.join(changed)}"
        row = {"kind": IN_FORCE, **wanted, "operator": setting.operator, "reason": said}
        return int(journal.append(row, documents=setting.documents)["entry"])


def _signed(journal: Journal, line: str, outcome: str, operator: str, note: str, second: str) -> Record:
    outcome = outcome.strip().casefold()
    if outcome not in OUTCOMES:
        raise TableError(f"say what came of it (--outcome): {', '.join(OUTCOMES)}; got {outcome!r}")
    _named(operator, note)
    last = journal.select("kind = ? AND line = ?", (IN_FORCE, line), last=1)
    if last and last[0].get("second_name") and not second.strip():
        raise TableError("the house asks for two names on a review: add --second NAME")
    one, other = ("".join(filter(str.isalnum, name.casefold())) for name in (operator, second))
    if second.strip() and one == other:
        raise TableError(f"both names are {second.strip()!r}; the second is another person's")
    record: Record = {"outcome": outcome, "operator": operator, "reason": note}
    if second.strip():
        record["second"] = second
    return record


def _refuse_other_line(journal: Journal, line: str) -> None:
    sql = "SELECT DISTINCT coalesce(line, '') FROM entries WHERE kind NOT IN (?, ?)"
    lines = [name for (name,) in journal.query(sql, (REVIEW, BASELINE))]
    if lines and line not in lines:
        raise TableError(f"nothing of line {line!r} is recorded, but of {', '.join(lines)}: name its line (--line)")


def _named(operator: str, note: str) -> None:
    if not operator.strip() or not note.strip():
        raise TableError("say who (--operator) and what was found (--note): the record must hold both")
