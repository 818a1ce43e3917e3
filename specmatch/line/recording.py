"""From what was measured to rows of the journal, in the order of time, and from the rows back to readings."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from specmatch.house.reading.readings import READING_COLUMNS
from specmatch.line.acquisition import Measured, ScanFile, peak_position, reference_level
from specmatch.line.charts import LIGHT_PARTS
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.rules.controls import (
    CONTROL,
    DOUBTFUL,
    ControlDecision,
    Statements,
    clock_trouble,
    control_name,
    control_trouble,
    judge_control,
    optical_density,
    pour_share,
    reread_with,
    statements_of,
)
from specmatch.line.rules.judging import (
    LEFT_OUT,
    LIGHT,
    PUT_RIGHT,
    REFERENCE,
    LineSetting,
    Standing,
    changed_since,
    judge_pooled,
    judge_sample,
    kept_mean,
    left_out_before,
    part_of,
    reading_record,
    standing_of,
    stated_of,
    with_bytes,
)
from specmatch.line.rules.run_rule import (
    CLEAR,
    HELD,
    OPEN,
    READING,
    RETEST,
    Judged,
    find_run,
    judge_in_run,
    without_grid,
)
from specmatch.measurement.folder.columns import folded
from specmatch.spectra import tidy_name
from specmatch.warning_codes import CONSISTENT, HOLD, RESCAN, WARNING_CODES
from specmatch.wording import listed

# darks and references whose rows of the sheet stand behind a judgement: so many of each, the nearest in time
NEAREST_LIGHTS = 4
# what a reading says of the filling and module of a control; a sealed one has no filling to be missed
OF_RECORDED = ("path_out_of_range", "other_instrument")
_CLOCK_ADVICE = "set the clock of the instrument, mend the time in the sheet or pour again"


def record_measured(
    journal: Journal, setting: LineSetting, measured: Measured, *, stated: Mapping[str, str] | None = None
) -> list[Record]:
    """Judge what was measured and add it to the journal; scans that stand there as they are now are left alone."""
    # stated: of all files of the sheet, where only a part of it was measured
    session = measured.session
    lights = measured.rows["file"][measured.rows["role"].isin(LIGHT)]
    stated = with_bytes(
        stated_of(measured.rows) if stated is None else stated, {path: measured.files[path].sha256 for path in lights}
    )
    times = {scan_id: measured.time_of(scan_id) for scan_id in measured.rows.index}
    rows = list(_references(journal, setting, measured, stated))
    if len(session.controls):
        known = statements_of(session.materials, unit=setting.house.fitted.colour_unit)
        for scan_id in sorted(session.controls.index, key=lambda name: times[name][1]):
            rows += _control(journal, setting, measured, scan_id, times[scan_id], stated, known)
    samples = session.scans.groupby("sample", sort=False).groups
    for _, ids in sorted(samples.items(), key=lambda item: max(times[name][1] for name in item[1])):
        last = max(ids, key=lambda name: times[name][1])
        rows += _sample(journal, setting, measured, list(ids), times[last], stated)
    return rows


def record_left_out(
    journal: Journal, setting: LineSetting, file: ScanFile, reason: str, *, stated: Mapping[str, str] | None = None
) -> list[Record]:
    """Add a row about a file that cannot be used, in the place of what was judged of it before the sheet was mended."""
    with journal.writing():
        standing = standing_of(journal, file.path, file.sha256, stated, claim=setting.claim)
        if standing.entry is not None and not standing.again:
            return []
        old = None if standing.entry is None else journal.entry(standing.entry)
        if old is not None and old["kind"] == LEFT_OUT and old["reason"] == reason:
            return []
        record: Record = {"kind": LEFT_OUT, "line": setting.line, "operator": setting.operator, "reason": reason}
        if replaced := _replaced(journal, [file.path], [standing]):
            record["replaces"] = replaced[-1]
        if old is not None and old["kind"] != LEFT_OUT:
            record["put_right"] = {"decision": [old.get("decision"), None]}
        return _with_others(journal, {**record, "scan_files": {file.path: file.sha256}}, replaced)


def _with_others(journal: Journal, record: Record, replaced: Sequence[int], **options: Any) -> list[Record]:
    """Add a row that replaces the last of some entries, and a row for each of the others, so that none waits on."""
    row = journal.append(record, **options)
    rows = [row]
    for entry in replaced:
        if entry != record.get("replaces"):
            said = f"entry {entry} is put right by entry {row['entry']}"
            names: Record = {name: record[name] for name in ("line", "operator") if name in record}
            rows.append(journal.append({"kind": PUT_RIGHT, **names, "replaces": entry, "reason": said}))
    return rows


def _common(setting: LineSetting, time: tuple[str, float], rows: pd.DataFrame) -> Record:
    def said(column: str) -> str:
        # several hands at the pours of one sample are all named
        values = rows.get(column, ())
        return ", ".join(dict.fromkeys(value for value in values if isinstance(value, str) and value))

    record: Record = {
        "measured_at": time[0], "measured_unix": time[1], "line": setting.line,
        # the sheet knows who poured; a name given for the whole watch only fills its blanks
        "operator": said("operator") or setting.operator,
        "instrument": said("instrument"), "model_hash": setting.model_hash,
    }  # fmt: skip
    if session := said("session"):
        record["session"] = session
    if setting.in_force is not None:
        record["in_force"] = setting.in_force
    return record


def _lights(measured: Measured, scan_id: str, stated: Mapping[str, str]) -> dict[str, str]:
    """Return what the sheet states of the darks and references that a scan may rest on, by their paths."""
    rows, at = measured.rows, measured.time_of(scan_id)[1]
    found: dict[str, str] = {}
    for role in LIGHT:
        module = rows[(rows["role"] == role) & (rows["instrument"] == rows.at[scan_id, "instrument"])]
        own = module[module["session"] == rows.at[scan_id, "session"]]
        ids = sorted((own if len(own) else module).index, key=lambda name: abs(measured.time_of(name)[1] - at))
        found |= {path: stated[path] for path in rows.loc[ids[:NEAREST_LIGHTS], "file"]}
    return found


def _references(
    journal: Journal, setting: LineSetting, measured: Measured, stated: Mapping[str, str]
) -> Iterator[Record]:
    session = measured.session
    usable = session.usable.to_numpy(bool)
    nm = session.references.columns.to_numpy(float)
    for scan_id, light in zip(session.references.index, session.references.to_numpy(float), strict=True):
        file = measured.file_of[scan_id]
        with journal.writing():
            standing = standing_of(journal, file.path, file.sha256, stated, claim=None)
            if standing.entry is not None and not standing.again:
                continue
            common = _common(setting, measured.time_of(scan_id), measured.rows.loc[[scan_id]])
            stands = {name: measured.rows.at[scan_id, name] for name in LIGHT_PARTS if name in measured.rows}
            common |= {name: value for name, value in stands.items() if isinstance(value, str) and value}
            reading = {"level": reference_level(light, usable), "peak_nm": peak_position(light, nm)}
            record = {
                "kind": REFERENCE, **common, "sample": scan_id, "reading": reading,
                "scan_files": {file.path: file.sha256}, "stated": {file.path: stated[file.path]},
            }  # fmt: skip
            if replaced := _replaced(journal, [file.path], [standing]):
                record["replaces"] = replaced[-1]
            yield from _with_others(journal, record, replaced)


def _control(
    journal: Journal, setting: LineSetting, measured: Measured, scan_id: str, time: tuple[str, float],
    stated: Mapping[str, str], statements: Statements,
) -> list[Record]:  # fmt: skip
    session, file = measured.session, measured.file_of[scan_id]
    standing = standing_of(journal, file.path, file.sha256, stated, claim=None)
    if standing.entry is not None and not standing.again:
        return []
    checks = session.checks
    codes = [code for name, code in zip(checks["scan_id"], checks["code"], strict=True) if name == scan_id]
    # sample and pour are its own: what the sheet states of filling, cup and module reaches the reading
    row = session.control_scans.loc[[scan_id]].assign(sample=scan_id, pour=scan_id)
    reading = reading_record(
        setting.house.read(session.controls.loc[[scan_id]], row.drop(columns="batch", errors="ignore")).iloc[0]
    )
    codes += [code for code in OF_RECORDED if code in reading["warnings"]]
    words = {
        name: str(row[name].iloc[0])
        for name in ("material", "material_lot")
        if name in row and isinstance(row[name].iloc[0], str) and row[name].iloc[0]
    }
    record = {
        **_common(setting, time, row), **words, "sample": scan_id, "scan_files": {file.path: file.sha256},
        "stated": {file.path: stated[file.path], **_lights(measured, scan_id, stated)},
        "optical_density": optical_density(session.controls.loc[scan_id]),
    }  # fmt: skip
    kept = kept_mean(session.controls.loc[[scan_id]], row)
    with journal.writing():
        if standing_of(journal, file.path, file.sha256, stated, claim=None) != standing:
            return []  # another process was quicker
        replaced = _replaced(journal, [file.path], [standing])
        if replaced:
            record["replaces"] = replaced[-1]
        return record_control(
            journal, setting, reading, codes, record, kept=kept, statements=statements, replaced=replaced
        )


def record_control(
    journal: Journal, setting: LineSetting, reading: Record, codes: Sequence[str], record: Record,
    *, kept: Record | None = None, statements: Statements | None = None, replaced: Sequence[int] = (),
) -> list[Record]:  # fmt: skip
    """Judge a control by those of its material, lot and module, and add it; call it inside `writing`."""
    # a control is no beer: what the model says of its identity is left out of the record
    shown = {key: reading[key] for key in ("colour", "colour_unit", "n_pours")}
    faults = [code for code in codes if WARNING_CODES[code].effect == RESCAN]
    warnings = list(codes)
    clock = None if replaced else clock_trouble(journal, record)
    whole = {"kind": CONTROL, **record, "reading": {**shown, "warnings": warnings}}
    if faults:
        got = ControlDecision(RESCAN, f"control not fit to be judged: {WARNING_CODES[faults[0]].sentence}")
    elif clock is not None:
        warnings.append(DOUBTFUL)
        got = ControlDecision(HOLD, f"{clock}: the control counts for nothing")
    else:
        got = _judged_control(journal, setting, whole, statements or {}, replaced)
        warnings += ["control_out"] if got.decision == RESCAN else []
    advice = {
        None: "measure it again: the second one vouches for the line",
        RESCAN: "clean base and cup, take a new reference, measure the control again",
        HOLD: _CLOCK_ADVICE,
    }.get(got.decision, "go on")
    whole |= {"decision": got.decision, "reason": got.reason, "advice": advice, "limits": got.limits}
    documents = []
    if kept:
        whole["kept"], grid = without_grid(kept)
        documents.append(grid)
    return _with_others(journal, whole, replaced, documents=documents)


def _judged_control(
    journal: Journal, setting: LineSetting, record: Record, statements: Statements, replaced: Sequence[int]
) -> ControlDecision:
    name = control_name(record)
    others = [
        (statement, replace(name, material_lot=other))
        for (material, other), statement in statements.items()
        if material == name.material and other != name.material_lot
    ]
    own = statements.get((name.material, name.material_lot))
    got = judge_control(
        journal, record, reread=reread_with(setting.house, journal), pour_share=pour_share(setting.house),
        statement=own, lots=others, without=replaced,
    )  # fmt: skip
    if got.decision is None and own is None and statements:
        # a slip in a name or a lot would else look like a material that nobody states
        there = listed([str(replace(name, material=one, material_lot=lot)) for one, lot in statements], 3)
        return replace(got, reason=f"{got.reason}; materials.csv states {there}, and this one is {name}")
    return got


def _sample(
    journal: Journal, setting: LineSetting, measured: Measured, scan_ids: list[str], time: tuple[str, float],
    stated: Mapping[str, str],
) -> list[Record]:  # fmt: skip
    session = measured.session
    name = str(session.scans.at[scan_ids[0], "sample"])
    in_sheet = session.claims.get(name)
    claim = setting.claim if setting.claim is not None else in_sheet
    files = {scan: measured.file_of[scan] for scan in scan_ids}

    def standing(scan: str) -> Standing:
        return standing_of(journal, files[scan].path, files[scan].sha256, stated, claim=setting.claim)

    standings = {scan: standing(scan) for scan in scan_ids}
    new = [scan for scan, one in standings.items() if one.entry is None or one.again or one.kind == REFERENCE]
    if not new:
        return []
    on = datetime.fromisoformat(time[0]).date()
    judged = judge_sample(setting, part_of(session, new, _copies(journal, files, new)), claim, on)
    record: dict[str, Any] = {
        **_common(setting, time, session.scans.loc[new]),
        "claimed": claim,
        # as the sheet states it: where nobody did, the gate has put the sample's own name into the table
        "lot": _stated_lot(measured, new),
        "sample": name,
        "scan_files": {files[scan].path: files[scan].sha256 for scan in new},
        "stated": {files[scan].path: stated[files[scan].path] for scan in new} | _lights(measured, new[-1], stated),
    }
    if setting.claim is not None and in_sheet not in (None, setting.claim):
        record["claim_of_sheet"] = in_sheet
        judged = replace(judged, reason=f"{judged.reason}; claimed for the whole watch, the sheet says {in_sheet}")
    with journal.writing():
        if any(standing(scan) != standings[scan] for scan in new):
            return []  # another process was quicker
        replaced = _replaced(journal, list(record["scan_files"]), [standings[scan] for scan in new])
        return record_sample(journal, setting, judged, record, replaced=replaced)


def _stated_lot(measured: Measured, scan_ids: Sequence[str]) -> str:
    lots = measured.rows.loc[list(scan_ids), "batch"]
    return next((lot for lot in lots if isinstance(lot, str) and lot), "")


def _replaced(journal: Journal, paths: Sequence[str], standings: Sequence[Standing]) -> list[int]:
    """Entries that a new judgement takes the place of: files left out first, the newest judgement last."""
    left = {entry for path in paths for entry in left_out_before(journal, path)}
    judged = {one.entry for one in standings if one.entry is not None and one.kind != LEFT_OUT}
    return [*sorted(left), *sorted(judged)]


def record_sample(
    journal: Journal, setting: LineSetting, judged: Judged, record: Record, *, replaced: Sequence[int] = ()
) -> list[Record]:
    """Decide on a sample by its run and its line's control and add it; call it inside `writing`."""
    basis, documents = setting.basis, setting.documents
    if replaced:
        basis["replaces"] = replaced[-1]
        basis["put_right"] = changed_since(journal.entry(replaced[-1]), record)
    # a judgement put right was dated when it was first made
    elif (clock := clock_trouble(journal, record)) is not None:
        judged = _doubtful(judged, clock)
    claim = record["claimed"]
    if claim is None:
        plain = {"decision": None, "reason": judged.reason, "advice": judged.advice, "reading": judged.reading}
        return _with_others(journal, {"kind": READING, **record, **basis, **plain}, replaced, documents=documents)
    at = record["measured_unix"]
    run = find_run(journal, setting.line, claim, record["lot"], record["sample"], at=at, without=replaced)
    trouble = control_trouble(
        journal, setting.line, record["measured_unix"], instrument=record.get("instrument", ""),
        control_hours=setting.control_hours,
    )  # fmt: skip
    pooled = None
    if run.state == OPEN and trouble is None and not judged.faults and not judged.stops:
        on = datetime.fromisoformat(record["measured_at"]).date()
        pooled = judge_pooled(setting, [*run.parts, judged.kept], run.first or 0, claim, on)
    got = judge_in_run(run, judged, pooled, control=trouble)
    if record["lot"] and got.decision == CONSISTENT:
        got = replace(got, reason=got.reason + _waits_elsewhere(journal, setting.line, claim, record["lot"], replaced))
    decided = {
        "kind": got.kind, "concerns": got.concerns, **record, **basis, "decision": got.decision, "reason": got.reason,
        "advice": got.advice, "run_state": got.run_state, "reading": got.reading,
    }  # fmt: skip
    if got.overridden:
        decided["overridden_by"] = run.override
    if got.kind == RETEST and pooled is not None:
        decided["alone"] = judged.reading
    if trouble is None and judged.kept:
        # pours measured under a bad control are no evidence for or against the run
        decided["kept"], grid = without_grid(judged.kept)
        documents.append(grid)
    return _with_others(journal, decided, replaced, documents=documents)


def _waits_elsewhere(journal: Journal, line: str, claim: str, lot: str, replaced: Sequence[int]) -> str:
    """Say that a run of this lot waits under another line or claim, or a spelling that a slip may have made."""
    departed = journal.query("SELECT DISTINCT line, claimed, lot FROM entries WHERE run_state IN (?, ?)", (OPEN, HELD))
    waits = [
        f"lot {other[2]!r} waits as {other[1]} on line {other[0]!r}"
        for other in departed
        if other[2]
        and folded(other[2]).replace("_", "") == folded(lot).replace("_", "")
        and tuple(map(tidy_name, other)) != tuple(map(tidy_name, (line, claim, lot)))
        and find_run(journal, *other, without=replaced).state != CLEAR
    ]
    return f"; but {'; '.join(waits)}" if waits else ""


def _doubtful(judged: Judged, clock: str) -> Judged:
    """Hold a sample whose time nobody can trust, whatever it reads; a fault of its scan comes first."""
    reading = {**judged.reading, "warnings": [*judged.reading["warnings"], DOUBTFUL]}
    if judged.faults:
        return replace(judged, reading=reading)
    said = f"{clock}; apart from that: {judged.reason}"
    return replace(judged, reading=reading, decision=HOLD, reason=said, advice=_CLOCK_ADVICE, departs=False, stops=True)


def _copies(journal: Journal, files: Mapping[str, ScanFile], scan_ids: Sequence[str]) -> pd.DataFrame | None:
    """Return checks of the scans whose bytes the journal held before under another name."""
    rows = []
    for scan_id in scan_ids:
        file = files[scan_id]
        times = journal.entries_of(file.sha256)
        own = min((entry for path, entry in times if path == file.path), default=None)
        before = [(path, entry) for path, entry in times if path != file.path and (own is None or entry < own)]
        if before:
            path, entry = before[0]
            said = f"{file.path} holds the same bytes as {path} of entry {entry}: pour and measure anew"
            rows.append((scan_id, "repeated_scan", 1.0, said))
    return pd.DataFrame(rows, columns=["scan_id", "code", "size", "sentence"]) if rows else None


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
    for column in ("claimed", "decision", "reason", "advice", "entry", "run_state", "line"):
        table[column] = pd.Series([row.get(column) for row in rows.values()], index=table.index, dtype=object)
    return table


def _cell(value: Any, column: str) -> Any:
    if value is None and column in ("colour_low", "colour_high"):
        return -np.inf if column == "colour_low" else np.inf
    if value is None and column in ("colour", "p_value", "distance"):
        return np.nan
    return tuple(value) if isinstance(value, list) else value
