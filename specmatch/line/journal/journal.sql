-- The tables of a journal, and what is asked of them for everything that waits; schema.py fills what stands in braces.

-- name: schema
-- the JSON text of a row is what the chain of hashes covers; every other column is computed from it
CREATE TABLE entries (
    entry INTEGER PRIMARY KEY,
    record TEXT NOT NULL,
    previous_hash TEXT NOT NULL,
    hash TEXT NOT NULL,
{columns},
    single GENERATED ALWAYS AS ({single}) VIRTUAL
);
CREATE TABLE documents (hash TEXT PRIMARY KEY, kind TEXT NOT NULL, text TEXT NOT NULL) WITHOUT ROWID;
CREATE INDEX by_claim ON entries (claimed, kind, entry, decision);
CREATE INDEX by_kind ON entries (kind, line, measured_unix);
CREATE INDEX by_state ON entries (run_state, claimed, entry);
CREATE INDEX by_concern ON entries (concerns) WHERE concerns IS NOT NULL;
CREATE TRIGGER entries_no_update BEFORE UPDATE ON entries BEGIN SELECT RAISE(ABORT, 'a journal only grows: rows of entries are never changed or removed'); END;
CREATE TRIGGER entries_no_delete BEFORE DELETE ON entries BEGIN SELECT RAISE(ABORT, 'a journal only grows: rows of entries are never changed or removed'); END;
CREATE TRIGGER documents_no_update BEFORE UPDATE ON documents BEGIN SELECT RAISE(ABORT, 'a journal only grows: rows of documents are never changed or removed'); END;
CREATE TRIGGER documents_no_delete BEFORE DELETE ON documents BEGIN SELECT RAISE(ABORT, 'a journal only grows: rows of documents are never changed or removed'); END;
CREATE TRIGGER entries_in_order BEFORE INSERT ON entries
WHEN NEW.entry != (SELECT coalesce(max(entry), 0) + 1 FROM entries)
  OR NEW.previous_hash != coalesce((SELECT hash FROM entries ORDER BY entry DESC LIMIT 1), '{first_previous}')
BEGIN SELECT RAISE(ABORT, 'a journal only grows at its end: the row does not follow the last one'); END;
{since_2}
PRAGMA application_id = {application_id};
PRAGMA user_version = {format};

-- name: since 2
-- what the first format had not
CREATE TABLE scans_recorded (sha256 TEXT NOT NULL, path TEXT NOT NULL, entry INTEGER NOT NULL,
    PRIMARY KEY (sha256, path, entry)) WITHOUT ROWID;
CREATE INDEX by_run ON entries (line, claimed, lot, sample);
CREATE INDEX by_replaced ON entries (replaces) WHERE replaces IS NOT NULL;
CREATE INDEX by_single ON entries (single, claimed) WHERE single IS NOT NULL;
CREATE TRIGGER scans_recorded_no_update BEFORE UPDATE ON scans_recorded BEGIN SELECT RAISE(ABORT, 'a journal only grows: rows of scans_recorded are never changed or removed'); END;
CREATE TRIGGER scans_recorded_no_delete BEFORE DELETE ON scans_recorded BEGIN SELECT RAISE(ABORT, 'a journal only grows: rows of scans_recorded are never changed or removed'); END;

-- name: from 1
-- a journal of format 1 is brought to 2 in place; what it held of scans is read anew out of the sealed texts
ALTER TABLE entries ADD COLUMN replaces GENERATED ALWAYS AS (json_extract(record, '$.replaces')) VIRTUAL;
ALTER TABLE entries ADD COLUMN single GENERATED ALWAYS AS ({single}) VIRTUAL;
DROP INDEX by_run;
{since_2}
INSERT INTO scans_recorded SELECT f.value, f.key, e.entry FROM entries e, json_each(e.record, '$.scan_files') f;
DROP TABLE scans_seen;
PRAGMA user_version = 2;

-- name: view of 1
-- one of format 1 that may not be written to is looked at through this
CREATE TEMP VIEW entries AS SELECT *, NULL AS replaces, {single} AS single FROM main.entries

-- name: runs
-- a run waits while its departure stands, or a retest of it does, and no later row of it is clear
SELECT {shown} FROM entries e
WHERE e.entry IN (SELECT entry FROM entries WHERE run_state IN ('open', 'held')) AND {only}
AND +e.kind = 'reading' AND e.concerns IS NULL
AND NOT EXISTS (SELECT 1 FROM entries later WHERE later.concerns = +e.entry AND +later.run_state = 'clear'
                AND later.entry {unreplaced})
AND (e.entry {unreplaced} OR EXISTS (SELECT 1 FROM entries later WHERE later.concerns = +e.entry
     AND +later.run_state IN ('open', 'held') AND later.entry {unreplaced}))
ORDER BY e.entry

-- name: holds
-- held by itself, whatever its run
SELECT {shown} FROM entries e
WHERE e.single = 'hold' AND {only}
AND e.entry {unreplaced} AND json_extract(e.record, '$.overridden_by') IS NULL AND NOT {reviewed}
ORDER BY e.entry

-- name: unjudged
-- sent back to be poured again, and nothing good came of its run since
SELECT {shown} FROM entries e
WHERE e.single = 'rescan' AND {only}
AND e.entry {unreplaced} AND NOT {reviewed}
AND NOT EXISTS (SELECT 1 FROM entries later WHERE later.line = e.line AND later.claimed = e.claimed
                AND later.lot = e.lot AND later.entry > e.entry AND (e.lot != '' OR later.sample = e.sample
                    AND abs(coalesce(later.measured_unix - e.measured_unix, 0)) <= 86400)
                AND (later.decision = 'consistent' OR later.run_state IN ('open', 'held')
                     OR later.kind = 'review'))
ORDER BY e.entry

-- name: left out
-- files that could not be used
SELECT {shown}, e.scan_files FROM entries e
WHERE e.kind = 'left_out' AND e.entry {unreplaced} AND NOT {reviewed} ORDER BY e.entry

-- name: controls
-- the newest control of its material, lot and module on a line
SELECT {shown}, e.decision FROM entries e
WHERE e.kind = 'control' AND e.decision IN ('rescan', 'hold') AND e.entry {unreplaced} AND NOT {reviewed}
AND NOT EXISTS (
    SELECT 1 FROM entries later WHERE later.kind = 'control' AND later.line = e.line AND later.entry > e.entry
    AND later.decision IS NOT 'hold' AND later.entry {unreplaced}
    AND coalesce(json_extract(later.record, '$.material'), '') = coalesce(json_extract(e.record, '$.material'), '')
    AND coalesce(json_extract(later.record, '$.material_lot'), '')
        = coalesce(json_extract(e.record, '$.material_lot'), '')
    AND coalesce(json_extract(later.record, '$.instrument'), '')
        = coalesce(json_extract(e.record, '$.instrument'), ''))
ORDER BY e.entry
