"""From what was measured to rows of the journal: references, controls, then samples in the order of time.

What a journal holds of samples, as a table of verified readings.

What people add to the journal: a review of a run, and the name of a baseline period.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from specmatch.errors import TableError
from specmatch.house.reading.readings import READING_COLUMNS
from specmatch.line.acquisition import Measured, ScanFile, peak_position, reference_level
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.journal.schema import unix_time
from specmatch.line.rules.controls import BASELINE, CONTROL, control_baseline, control_trouble, judge_control
from specmatch.line.rules.judging import LineSetting, judge_pooled, judge_sample, part_of, reading_record
from specmatch.line.rules.run_rule import (
    CLEAR,
    OPEN,
    READING,
    RETEST,
    REVIEW,
    Judged,
    find_run,
    judge_in_run,
    without_grid,
)
from specmatch.warning_codes import RESCAN, WARNING_CODES

REFERENCE, LEFT_OUT = "reference", "left_out"


def record_measured(journal: Journal, setting: LineSetting, measured: Measured) -> list[Record]:
    """Judge what was measured and add it to the journal; scans that it holds already are not judged again."""
    session = measured.session
    times = {scan_id: measured.time_of(scan_id) for scan_id in measured.rows.index}
    rows = list(_references(journal, setting, measured))
    for scan_id in sorted(session.controls.index, key=lambda name: times[name][1]):
        rows += _control(journal, setting, measured, scan_id, times[scan_id])
    samples = session.scans.groupby("sample", sort=False).groups
    for _, ids in sorted(samples.items(), key=lambda item: max(times[name][1] for name in item[1])):
        last = max(ids, key=lambda name: times[name][1])
        rows += _sample(journal, setting, measured, list(ids), times[last])
    return rows


def record_left_out(journal: Journal, setting: LineSetting, file: ScanFile, reason: str) -> list[Record]:
    """Add a row about a file that could not be used; none if these bytes were recorded already."""
    with journal.writing():
        if file.path in journal.seen(file.sha256):
            return []
        record = {"kind": LEFT_OUT, "line": setting.line, "operator": setting.operator, "reason": reason}
        return [journal.append({**record, "scan_files": {file.path: file.sha256}})]


def _common(setting: LineSetting, time: tuple[str, float], row: pd.Series) -> Record:
    instrument = row.get("instrument", "")
    operator = row.get("operator", "")
    return {
        "measured_at": time[0],
        "measured_unix": time[1],
        "line": setting.line,
        "operator": setting.operator or (operator if isinstance(operator, str) else ""),
        "instrument": instrument if isinstance(instrument, str) else "",
        "model_hash": setting.model_hash,
    }


def _references(journal: Journal, setting: LineSetting, measured: Measured) -> Iterator[Record]:
    session = measured.session
    usable = session.usable.to_numpy(bool)
    nm = session.references.columns.to_numpy(float)
    for scan_id, light in zip(session.references.index, session.references.to_numpy(float), strict=True):
        file = measured.file_of[scan_id]
        with journal.writing():
            if file.path in journal.seen(file.sha256):
                continue
            time = measured.time_of(scan_id)
            level, peak = reference_level(light, usable), peak_position(light, nm)
            yield journal.append(
                {
                    "kind": REFERENCE,
                    **_common(setting, time, measured.rows.loc[scan_id]),
                    "sample": scan_id,
                    "reading": {"level": level, "peak_nm": peak},
                    "scan_files": {file.path: file.sha256},
                }
            )


def _control(
    journal: Journal, setting: LineSetting, measured: Measured, scan_id: str, time: tuple[str, float]
) -> list[Record]:
    session, file = measured.session, measured.file_of[scan_id]
    reading = reading_record(setting.house.read(session.controls.loc[[scan_id]]).iloc[0])
    checks = session.checks
    codes = [code for name, code in zip(checks["scan_id"], checks["code"], strict=True) if name == scan_id]
    record = {
        **_common(setting, time, session.control_scans.loc[scan_id]),
        "sample": scan_id,
        "scan_files": {file.path: file.sha256},
    }
    with journal.writing():
        if file.path in journal.seen(file.sha256):
            return []
        return [record_control(journal, setting, reading, codes, record)]


def record_control(
    journal: Journal, setting: LineSetting, reading: Record, codes: Sequence[str], record: Record
) -> Record:
    """Judge a control by its chart and add it; call it inside `writing`."""
    # a control is no beer: what the model says of its identity is left out of the record
    kept = {key: reading[key] for key in ("colour", "colour_unit", "n_pours")}
    faults = [code for code in codes if WARNING_CODES[code].effect == RESCAN]
    warnings = list(codes)
    if faults:
        decision, reason = RESCAN, f"control not fit to be judged: {WARNING_CODES[faults[0]].sentence}"
    else:
        decision, reason = judge_control(kept["colour"], kept["colour_unit"], control_baseline(journal, setting.line))
        warnings += ["control_out"] if decision == RESCAN else []
    advice = "go on" if decision != RESCAN else "clean base and cup, take a new reference, measure the control again"
    decided = {"decision": decision, "reason": reason, "advice": advice, "reading": {**kept, "warnings": warnings}}
    return journal.append({"kind": CONTROL, **record, **decided})


def _sample(
    journal: Journal, setting: LineSetting, measured: Measured, scan_ids: list[str], time: tuple[str, float]
) -> list[Record]:
    session = measured.session
    name = str(session.scans.at[scan_ids[0], "sample"])
    claim = setting.claim if setting.claim is not None else session.claims.get(name)
    new, repeated = _unseen(journal, measured, scan_ids)
    if not new:
        return []
    on = datetime.fromisoformat(time[0]).date()
    judged = judge_sample(setting, part_of(session, new, repeated), claim, on)
    batch = str(session.scans.at[scan_ids[0], "batch"])
    files = {file.path: file.sha256 for file in (measured.file_of[scan] for scan in new)}
    record: dict[str, Any] = {
        **_common(setting, time, session.scans.loc[new[0]]),
        "claimed": claim,
        # where nobody wrote a lot down, the gate has put the sample's own name there
        "lot": "" if batch == name else batch,
        "sample": name,
        "scan_files": files,
    }
    with journal.writing():
        if any(path in journal.seen(digest) for path, digest in files.items()):
            return []  # another process was quicker
        return [record_sample(journal, setting, judged, record)]


def record_sample(journal: Journal, setting: LineSetting, judged: Judged, record: Record) -> Record:
    """Decide on a sample by its run and its line's control and add it; call it inside `writing`."""
    house, specification = setting.house, setting.specification
    basis = {
        "set_name": house.fitted.set_name,
        "set_hash": house.fitted.set_hash,
        "coverage": house.coverage,
        "false_reject_rate": house.false_reject_rate,
        "specification_hash": specification.hash,
    }
    documents = [(specification.hash, "specification", specification.text)] if specification.hash else []
    claim = record["claimed"]
    if claim is None:
        plain = {"decision": None, "reason": judged.reason, "advice": judged.advice, "reading": judged.reading}
        return journal.append({"kind": READING, **record, **basis, **plain}, documents=documents)
    run = find_run(journal, setting.line, claim, record["lot"])
    trouble = control_trouble(journal, setting.line, record["measured_unix"], control_hours=setting.control_hours)
    pooled = None
    if run.state == OPEN and trouble is None and not judged.faults:
        on = datetime.fromisoformat(record["measured_at"]).date()
        pooled = judge_pooled(setting, [*run.parts, judged.kept], run.first or 0, claim, on)
    got = judge_in_run(run, judged, pooled, control=trouble)
    decided = {
        "kind": got.kind,
        "concerns": got.concerns,
        **record,
        **basis,
        "decision": got.decision,
        "reason": got.reason,
        "advice": got.advice,
        "run_state": got.run_state,
        "reading": got.reading,
    }
    if got.kind == RETEST and pooled is not None:
        decided["alone"] = judged.reading
    if trouble is None and judged.kept:
        # pours measured under a bad control are no evidence for or against the run
        decided["kept"], grid = without_grid(judged.kept)
        documents.append(grid)
    return journal.append(decided, documents=documents)


def _unseen(journal: Journal, measured: Measured, scan_ids: Sequence[str]) -> tuple[list[str], pd.DataFrame | None]:
    """Return the scans whose files the journal does not hold, and checks of those that are copies of others."""
    new, rows = [], []
    for scan_id in scan_ids:
        file = measured.file_of[scan_id]
        seen = journal.seen(file.sha256)
        if file.path in seen:
            continue
        new.append(scan_id)
        if seen:
            path, entry = next(iter(seen.items()))
            said = f"{file.path} holds the same bytes as {path} of entry {entry}: pour and measure anew"
            rows.append((scan_id, "repeated_scan", 1.0, said))
    return new, pd.DataFrame(rows, columns=["scan_id", "code", "size", "sentence"]) if rows else None


def readings_of(journal: Journal, measured: Measured) -> pd.DataFrame:
    """Return what the journal holds of the samples measured, as `HouseModel.verify` shows it, with `entry`."""
    rows: dict[str, Record] = {}
    for sample, ids in measured.session.scans.groupby("sample", sort=False).groups.items():
        files = [measured.file_of[scan_id] for scan_id in ids]
        entries = [journal.seen(file.sha256)[file.path] for file in files if file.path in journal.seen(file.sha256)]
        if entries:
            rows[str(sample)] = journal.entry(max(entries))
    table = pd.DataFrame(
        [[_cell(row["reading"].get(column), column) for column in READING_COLUMNS] for row in rows.values()],
        index=pd.Index(list(rows), dtype=object, name="sample"),
        columns=list(READING_COLUMNS),
    )
    for column in ("claimed", "decision", "reason", "advice", "entry", "run_state"):
        table[column] = pd.Series([row.get(column) for row in rows.values()], index=table.index, dtype=object)
    return table


def _cell(value: Any, column: str) -> Any:
    if value is None and column in ("colour_low", "colour_high"):
        return -np.inf if column == "colour_low" else np.inf
    if value is None and column in ("colour", "p_value", "distance"):
        return np.nan
    return tuple(value) if isinstance(value, list) else value


def review(journal: Journal, entry: int, *, operator: str, note: str) -> Record:
    """Add a person's review of a run that waits or is held; the run is clear afterwards. Call it inside `writing`."""
    _signed(operator, note)
    row = journal.entry(entry)
    key = [row.get(name) or "" for name in ("line", "claimed", "lot")]
    run = find_run(journal, *key)
    if run.state == CLEAR:
        raise TableError(f"entry {entry} belongs to no run that waits for anybody; name an entry of a run on hold")
    line, claimed, lot = key
    return journal.append(
        {
            "kind": REVIEW,
            "concerns": run.first,
            "line": line,
            "operator": operator,
            "claimed": claimed,
            "lot": lot,
            "reason": note,
            "run_state": CLEAR,
        }
    )


def name_baseline(journal: Journal, start: str, end: str, *, operator: str, note: str, line: str = "") -> Record:
    """Name the period that every chart takes its limits from. Call it inside `writing`."""
    _signed(operator, note)
    from_unix, to_unix = unix_time(start, "start of the baseline"), unix_time(end, "end of the baseline")
    if not from_unix < to_unix:
        raise TableError(f"the baseline runs from {start} to {end}; it must end after its start")
    return journal.append(
        {
            "kind": BASELINE,
            "line": line,
            "operator": operator,
            "reason": note,
            "from": start,
            "to": end,
            "from_unix": from_unix,
            "to_unix": to_unix,
        }
    )


def _signed(operator: str, note: str) -> None:
    if not operator.strip() or not note.strip():
        raise TableError("say who (--operator) and what was found (--note): the record must hold both")
