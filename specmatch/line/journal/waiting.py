"""Everything that waits for a person, in one list, each with the command that settles it."""

import json
from collections.abc import Sequence
from typing import Any

from specmatch.line.journal.journal import Journal, Record
from specmatch.line.journal.schema import UNREPLACED

OPEN, HELD = "open", "held"
_SHOWN = "e.entry, e.kind, e.line, e.claimed, e.lot, e.measured_at, e.reason, e.sample"
# a plus keeps SQLite from an index of no use: `concerns` is found by its own only where it meets a value without a type
_REVIEWED = "EXISTS (SELECT 1 FROM entries r WHERE r.concerns = +e.entry AND +r.kind = 'review')"

# a run waits while its departure stands, or a retest of it does, and no later row of it is clear
_RUNS = f"""
    SELECT {_SHOWN} FROM entries e
    WHERE e.entry IN (SELECT entry FROM entries WHERE run_state IN ('open', 'held')) AND {{only}}
    AND +e.kind = 'reading' AND e.concerns IS NULL
    AND NOT EXISTS (SELECT 1 FROM entries later WHERE later.concerns = +e.entry AND +later.run_state = 'clear'
                    AND later.entry {UNREPLACED})
    AND (e.entry {UNREPLACED} OR EXISTS (SELECT 1 FROM entries later WHERE later.concerns = +e.entry
         AND +later.run_state IN ('open', 'held') AND later.entry {UNREPLACED}))
    ORDER BY e.entry"""
# held by itself, whatever its run
_HOLDS = f"""
    SELECT {_SHOWN} FROM entries e
    WHERE e.single = 'hold' AND {{only}}
    AND e.entry {UNREPLACED} AND json_extract(e.record, '$.overridden_by') IS NULL AND NOT {_REVIEWED}
    ORDER BY e.entry"""
# sent back to be poured again, and nothing good came of its run since
_UNJUDGED = f"""
    SELECT {_SHOWN} FROM entries e
    WHERE e.single = 'rescan' AND {{only}}
    AND e.entry {UNREPLACED} AND NOT {_REVIEWED}
    AND NOT EXISTS (SELECT 1 FROM entries later WHERE later.line = e.line AND later.claimed = e.claimed
                    AND later.lot = e.lot AND later.entry > e.entry AND (e.lot != '' OR later.sample = e.sample)
                    AND (later.decision = 'consistent' OR later.run_state IN ('open', 'held')
                         OR later.kind = 'review'))
    ORDER BY e.entry"""
_LEFT_OUT = f"""
    SELECT {_SHOWN}, e.scan_files FROM entries e
    WHERE e.kind = 'left_out' AND e.entry {UNREPLACED} AND NOT {_REVIEWED} ORDER BY e.entry"""
# the newest control of its material, lot and module on a line
_CONTROLS = f"""
    SELECT {_SHOWN}, e.decision FROM entries e
    WHERE e.kind = 'control' AND e.decision IN ('rescan', 'hold') AND e.entry {UNREPLACED} AND NOT {_REVIEWED}
    AND NOT EXISTS (
        SELECT 1 FROM entries later WHERE later.kind = 'control' AND later.line = e.line AND later.entry > e.entry
        AND later.decision IS NOT 'hold' AND later.entry {UNREPLACED}
        AND coalesce(json_extract(later.record, '$.material'), '') = coalesce(json_extract(e.record, '$.material'), '')
        AND coalesce(json_extract(later.record, '$.material_lot'), '')
            = coalesce(json_extract(e.record, '$.material_lot'), '')
        AND coalesce(json_extract(later.record, '$.instrument'), '')
            = coalesce(json_extract(e.record, '$.instrument'), ''))
    ORDER BY e.entry"""
_MEND = "mend its row in scans.csv, or the file, and verify or watch again"
# what settles each state, beside a review; in a held run nothing else does
_TO_DO = {
    OPEN: "pour again",
    HELD: "a person reviews it",
    "hold": _MEND,
    "unjudged": "pour again",
    "left out": _MEND,
    "control out": "find the cause and measure the control again",
}


def waiting(journals: Sequence[Journal], *, beer: str | None = None) -> list[Record]:
    """Return every entry that waits for a person: `run_state` says how, `to_do` and `settle` what to do."""
    found: list[Record] = []
    for journal in journals:
        only, key = ("1", ()) if beer is None else ("e.claimed = ?", (beer,))
        rows: list[Record] = []
        for sql, state in ((_RUNS, ""), (_HOLDS, "hold"), (_UNJUDGED, "unjudged")):
            rows += [_row(journal, row, state) for row in journal.query(sql.format(only=only), key)]
        if beer is None:
            rows += [_row(journal, row, "left out") for row in journal.query(_LEFT_OUT)]
            rows += [_row(journal, row, "control out") for row in journal.query(_CONTROLS)]
        found += sorted(rows, key=lambda row: int(row["entry"]))
    return found


def waits(journal: Journal, entry: int) -> bool:
    """Whether an entry is one of those that wait."""
    return any(row["entry"] == entry for row in waiting([journal]))


def _row(journal: Journal, row: tuple[Any, ...], state: str) -> Record:
    entry, kind, line, claimed, lot, measured_at, reason, sample, *more = row
    if not state:
        last = journal.query(
            f"SELECT run_state FROM entries WHERE (concerns = ? OR entry = ?) AND run_state IS NOT NULL "
            f"AND entry {UNREPLACED} ORDER BY entry DESC LIMIT 1",
            (entry, entry),
        )
        state = last[0][0] if last else OPEN
    if kind == "left_out":
        sample = ", ".join(json.loads(more[0])) if more[0] else ""
    to_do = _TO_DO[state]
    if state in (OPEN, "unjudged") and not lot:
        to_do += f" and list it as sample {sample}, whose lot is not stated"
    review = f"specmatch history {journal.path} --review {entry} --outcome OUTCOME --operator NAME --note TEXT"
    return {
        "journal": str(journal.path), "entry": entry, "line": line, "claimed": claimed, "lot": lot, "sample": sample,
        "run_state": state, "measured_at": measured_at, "reason": reason, "to_do": to_do,
        "settle": review if state == HELD else f"{to_do}; or {review}",
    }  # fmt: skip
