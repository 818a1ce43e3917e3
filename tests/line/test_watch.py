"""The watch: whole files once each, half-written ones wait, bad ones stop nothing, a killed watch goes on."""

import os
import signal
import sys
import threading
import time

import numpy as np
import pytest
from line_room import reflectance_text, write_pour, write_sheet

import specmatch as sm
from specmatch.demo.brewery import write_shift
from specmatch.demo.folders import write_measured_folder
from specmatch.demo.physics import PourConditions
from specmatch.errors import LockedError, MissingScanError, StorageError, UnknownBeerError
from specmatch.line import watcher as watch_module
from specmatch.line.acquisition import ScanReader, measure_listed, measure_source
from specmatch.line.journal.journal import Journal
from specmatch.line.journal.schema import UNREPLACED
from specmatch.line.recording import record_measured
from specmatch.line.watcher import Watch, only_watcher
from specmatch.measurement.folder.folder import FolderSheets, read_sheets
from specmatch.report.entry_text import entry_line

BEER = "Saddle Pale"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "scans").mkdir()
    return tmp_path / "scans"


@pytest.fixture
def journal(tmp_path):
    with Journal(tmp_path / "line.db") as journal:
        yield journal


def until_idle(watch, looks=3):
    """Look a few times, a moment apart, as `run` would."""
    rows = []
    for _ in range(looks):
        rows += list(watch.rows())
        time.sleep(0.02)
    return rows


def samples(rows):
    return [row["sample"] for row in rows if row["kind"] in ("reading", "retest")]


def test_files_are_judged_once_each_and_a_restart_repeats_nothing(line_room, folder, journal):
    for i, pour in enumerate(line_room.pours(BEER, n_pours=3)):
        write_pour(folder, f"p{i}.csv", pour)
    watch = Watch(journal, line_room.setting(claim=BEER), folder)
    assert samples(until_idle(watch)) == ["p0.csv", "p1.csv", "p2.csv"]
    assert until_idle(watch) == []
    assert until_idle(Watch(journal, line_room.setting(claim=BEER), folder)) == []
    write_pour(folder, "p3.csv", line_room.pours(BEER, draw=2)[0])
    assert samples(until_idle(Watch(journal, line_room.setting(claim=BEER), folder))) == ["p3.csv"]
    row = journal.select(last=1)[0]
    assert row["claimed"] == BEER
    assert len(row["scan_files"]["p3.csv"]) == 64
    assert row["measured_at"].endswith("+00:00")
    assert journal.check().faults == ()


def test_a_half_written_file_waits_until_it_is_whole(line_room, folder, journal):
    text = reflectance_text(line_room.pours(BEER)[0])
    watch = Watch(journal, line_room.setting(claim=BEER), folder)
    path = folder / "slow.csv"
    with open(path, "w") as file:
        for part in (text[:700], text[700:2000]):
            file.write(part)
            file.flush()
            assert until_idle(watch) == []
            assert "slow.csv" in watch.waiting
        file.write(text[2000:])
    assert samples(until_idle(watch)) == ["slow.csv"]
    assert watch.waiting == {}


def test_a_bad_file_is_left_out_after_a_while_and_stops_nothing(line_room, folder, journal):
    (folder / "bad.csv").write_text("no\nnumbers\nat all\n")
    (folder / "counts.csv").write_text(
        "wavelength_nm;counts\n" + "".join(f"{nm};{nm * 40}\n" for nm in range(400, 720, 2))
    )
    write_pour(folder, "good.csv", line_room.pours(BEER)[0])
    watch = Watch(journal, line_room.setting(claim=BEER), folder, patience_s=0.05)
    rows = until_idle(watch, 6)
    assert samples(rows) == ["good.csv"]
    left_out = {next(iter(row["scan_files"])): row["reason"] for row in rows if row["kind"] == "left_out"}
    assert set(left_out) == {"bad.csv", "counts.csv"}
    assert "counts need scans.csv" in left_out["counts.csv"]
    assert until_idle(Watch(journal, line_room.setting(claim=BEER), folder, patience_s=0.05)) == []
    # mended under the same name, it is a new file
    write_pour(folder, "bad.csv", line_room.pours(BEER)[1])
    assert samples(until_idle(watch, 6)) == ["bad.csv"]


def test_a_sheet_says_what_each_file_is_and_a_sample_waits_for_its_pours(line_room, folder, journal):
    pours = line_room.pours(BEER)
    rows = [
        {"file": f"{s}{i}.csv", "role": "sample", "sample": s, "batch": "lot 7", "beer": BEER,
         "measured_at": f"2025-06-24T08:{10 * n + i}:00+02:00"}
        for n, s in enumerate(("A", "B"), 1) for i in range(3)
    ]  # fmt: skip
    write_sheet(folder, rows)
    for i in (0, 1):
        write_pour(folder, f"A{i}.csv", pours[i])
    watch = Watch(journal, line_room.setting(), folder)
    assert until_idle(watch) == []
    assert watch.waiting["A2.csv"] == "is listed but not there yet"
    write_pour(folder, "A2.csv", pours[2])
    assert samples(until_idle(watch)) == ["A"]
    row = journal.select(last=1)[0]
    assert (row["lot"], row["reading"]["n_pours"], row["measured_at"]) == ("lot 7", 3, "2025-06-24T08:12:00+02:00")
    assert sorted(row["scan_files"]) == ["A0.csv", "A1.csv", "A2.csv"]


@pytest.mark.whole
def test_counts_with_darks_and_references(line_room, tmp_path, journal):
    write_shift(tmp_path / "shift", line_room.brewery)
    rows = Watch(journal, line_room.setting(), tmp_path / "shift").once()
    kinds = [row["kind"] for row in rows]
    assert kinds.count("control") == 1
    assert kinds.count("reference") == 1
    assert kinds.count("reading") == 13
    assert {row["decision"] for row in rows if row["kind"] == "reading"} == {"consistent", "rescan"}
    reference = next(row for row in rows if row["kind"] == "reference")
    assert 440 < reference["reading"]["peak_nm"] < 470  # the blue peak of a white LED


def test_what_was_read_over_a_wrong_reference_is_judged_again_once_its_row_is_mended(line_room, tmp_path, journal):
    brewery, two = line_room.brewery, [PourConditions()] * 2
    liquids = brewery.batches(1, draw=3, beers=[BEER, "Peat Stout"])
    write_measured_folder(tmp_path / "day", brewery.scan(liquids, [two, two], draw=3, per_session=None))
    sheet = tmp_path / "day/scans.csv"
    right = sheet.read_text().splitlines()
    # somebody wrote `reference` beside a pour of the stout
    cells = right[-1].split(",")
    wrong = ",".join([cells[0], "reference", "", "", "", "", *cells[6:]])

    def standing(lines):
        sheet.write_text("\n".join(lines) + "\n")
        record_measured(journal, line_room.setting(), measure_source(tmp_path / "day"))
        rows = journal.select(f"kind IN ('reading', 'control', 'reference') AND entry {UNREPLACED}")
        told = [(row["kind"], row["sample"], row.get("decision")) for row in rows if row["kind"] != "reading"]
        return rows, sorted(told, key=str), {row["sample"]: row["decision"] for row in rows if row["kind"] == "reading"}

    rows, lights, decided = standing([*right[:-1], wrong])
    assert [light[0] for light in lights].count("reference") == 2
    assert "rescan" in decided.values()
    rows, lights, decided = standing(right)
    assert [light[0] for light in lights].count("reference") == 1
    assert {row.get("reference_kind") for row in rows if row["kind"] == "reference"} == {"water"}
    assert set(decided.values()) == {"consistent"}
    assert [row["reading"]["n_pours"] for row in rows if row["kind"] == "reading"] == [2, 2]
    # a first control that is judged again vouches for nothing still: it is not held against itself
    assert [light[2] for light in lights if light[0] == "control"] == [None]
    # who took the reference reaches no answer
    n = len(journal.select())
    assert standing([line.replace(",KA,", ",LB,") if ",reference," in line else line for line in right])[2] == decided
    assert len(journal.select()) == n
    # a watch that goes on does the same
    with Journal(tmp_path / "watch.db") as other:
        watch = Watch(other, line_room.setting(), tmp_path / "day", patience_s=0.0)
        standing([*right[:-1], wrong])
        until_idle(watch)
        sheet.write_text("\n".join(right) + "\n")
        found = [row["decision"] for row in until_idle(watch) if row["kind"] == "reading"]
    assert found
    assert set(found) == {"consistent"}


def measured_alone(folder, files):
    """Measure some files of a folder with all its darks and references, as a watch does sample by sample."""
    sheets, reader = read_sheets(folder), ScanReader(folder)
    rows = sheets.rows[sheets.rows["role"].isin(["dark", "reference"]) | sheets.rows["file"].isin(files)]
    part = FolderSheets(rows, materials=sheets.materials)
    return measure_listed(part, [reader.read(name) for name in rows["file"]], folder="").session


def day_of_two(line_room, path):
    """Write a measured folder of two beers, a control and one set of darks and references."""
    brewery, two = line_room.brewery, [PourConditions()] * 2
    liquids = brewery.batches(1, draw=3, beers=[BEER, "Peat Stout"])
    write_measured_folder(path, brewery.scan(liquids, [two, two], draw=3, per_session=None))
    return path / "scans.csv"


def test_a_watch_reads_a_sample_as_verify_does_with_the_whole_folder(line_room, tmp_path, journal):
    brewery, good = line_room.brewery, PourConditions()
    liquids = brewery.batches(1, draw=5, beers=line_room.house.beers_[:6])
    poured = [[good, PourConditions(fill=0.93), good], *[[good] * 3] * 5]
    write_measured_folder(tmp_path / "day", brewery.scan(liquids, poured, draw=5, per_session=None))
    house, session = line_room.house, measure_source(tmp_path / "day").session
    read = house.read(session)
    for sample, own in session.scans.groupby("sample"):
        alone = house.read(measured_alone(tmp_path / "day", own.index)).loc[sample]
        # the session may weigh a pixel of the edge otherwise, which moves a colour by a rounding
        assert alone["colour"] == pytest.approx(read.at[sample, "colour"], rel=1e-3)
        assert (alone["warnings"], alone["n_pours"]) == (read.at[sample, "warnings"], read.at[sample, "n_pours"])


def test_a_verdict_whose_scans_a_mended_time_makes_unusable_is_withdrawn(line_room, tmp_path, journal):
    sheet = day_of_two(line_room, tmp_path / "day")
    right = sheet.read_text()

    def look():
        return until_idle(Watch(journal, line_room.setting(), tmp_path / "day", patience_s=0.0))

    decided = {row["entry"]: row for row in look() if row["kind"] in ("reading", "control")}
    place = right.splitlines()[0].split(",").index("integration_ms")
    lines = [line.split(",") for line in right.splitlines()]
    for cells in lines:
        cells[place] = "999" if cells[1] == "dark" else cells[place]
    sheet.write_text("\n".join(map(",".join, lines)) + "\n")
    told = Watch(journal, line_room.setting(), tmp_path / "day").once()
    assert {row["kind"] for row in told} == {"left_out"}
    assert {row["replaces"] for row in told} == set(decided)
    reading = next(row for row in told if decided[row["replaces"]]["kind"] == "reading")
    assert reading["put_right"] == {"decision": ["consistent", None]}
    assert f"takes the place of entry {reading['replaces']}, which said consistent" in entry_line(reading)
    assert not journal.select(f"kind IN ('reading', 'control') AND entry {UNREPLACED}")
    # a sheet that lists no dark at all leaves them out as well
    sheet.write_text("\n".join(",".join(cells) for cells in lines if cells[1] != "dark") + "\n")
    assert {row["kind"] for row in look()} == {"left_out"}
    sheet.write_text(right)
    assert {row["decision"] for row in look() if row["kind"] == "reading"} == {"consistent"}
    assert not journal.select(f"kind = 'left_out' AND entry {UNREPLACED}")


def test_a_light_written_anew_under_its_name_has_what_was_read_over_it_judged_anew(line_room, tmp_path, journal):
    sheet = day_of_two(line_room, tmp_path / "day")
    setting, folder = line_room.setting(), tmp_path / "day"
    watch = Watch(journal, setting, folder, patience_s=0.0)
    first = {row["sample"]: row for row in until_idle(watch) if row["kind"] == "reading"}
    name = next(line.split(",")[0] for line in sheet.read_text().splitlines() if ",reference," in line)
    text = (folder / name).read_text()
    # the same lines with a remark: other bytes, the same light
    (folder / name).write_text(f"# cleaned the cup\n{text}")

    def judged(rows):
        return {row["sample"]: row["replaces"] for row in rows if row["kind"] == "reading"}

    wanted = {sample: row["entry"] for sample, row in first.items()}
    assert judged(until_idle(watch)) == wanted
    assert until_idle(watch) == []
    assert judged(record_measured(journal, setting, measure_source(folder))) == {}
    (folder / name).write_text(text)
    assert set(judged(record_measured(journal, setting, measure_source(folder)))) == set(wanted)
    # a light that was put away says nothing against what was read over it
    (folder / name).rename(tmp_path / "away.csv")
    assert judged(until_idle(Watch(journal, setting, folder, patience_s=0.0))) == {}


def test_a_sheet_that_is_being_written_waits(line_room, folder, journal):
    write_pour(folder, "A0.csv", line_room.pours(BEER)[0])
    (folder / "scans.csv").write_text("file,role,sample,batch,beer\nA0.csv,sample,A,lot 7," + BEER[:4])
    watch = Watch(journal, line_room.setting(), folder)
    assert until_idle(watch) == []
    assert watch.waiting["scans.csv"] == "is being written"
    (folder / "scans.csv").write_text(f"file,role,sample,batch,beer\nA0.csv,sample,A,lot 7,{BEER}\n")
    assert samples(until_idle(watch)) == ["A"]


def test_a_time_without_offset_is_left_out_with_the_reason(line_room, folder, journal):
    write_pour(folder, "A0.csv", line_room.pours(BEER)[0])
    write_sheet(folder, [{"file": "A0.csv", "role": "sample", "beer": BEER, "measured_at": "2025-06-24T08:00:00"}])
    (row,) = until_idle(Watch(journal, line_room.setting(), folder, patience_s=0.05), 6)
    assert row["kind"] == "left_out"
    assert "without an offset" in row["reason"]


def test_an_unknown_claim_is_held_and_recorded(line_room, folder, journal):
    write_pour(folder, "A0.csv", line_room.pours(BEER)[0])
    write_sheet(folder, [{"file": "A0.csv", "role": "sample", "beer": "Nobody's Ale"}])
    (row,) = until_idle(Watch(journal, line_room.setting(), folder))
    assert row["decision"] == "hold"
    assert "'Nobody's Ale'" in row["reason"].replace('"', "'")


def test_a_copied_file_is_a_repeated_scan(line_room, folder, journal):
    path = write_pour(folder, "a.csv", line_room.pours(BEER)[0])
    watch = Watch(journal, line_room.setting(claim=BEER), folder)
    until_idle(watch)
    (folder / "b.csv").write_bytes(path.read_bytes())
    (row,) = until_idle(watch)
    assert row["decision"] == "rescan"
    assert "repeated_scan" in row["reading"]["warnings"]


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names of files are text there")
def test_a_file_whose_name_is_no_text_waits_in_sight_and_stops_nothing(line_room, folder, journal):
    pours = line_room.pours(BEER)
    for sheet in (False, True):
        with open(os.fsencode(folder) + b"/p\xff\x1b.csv", "w") as file:
            file.write(reflectance_text(pours[0]))
        write_pour(folder, f"good{sheet}.csv", pours[1 + sheet])
        if sheet:
            row = {"file": "goodTrue.csv", "role": "sample", "sample": "S", "batch": "7", "beer": BEER}
            write_sheet(folder, [row])
        watch = Watch(journal, line_room.setting(claim=BEER), folder, patience_s=0.05)
        assert len(samples(until_idle(watch))) == 1
        (name,) = [name for name, why in watch.waiting.items() if why == "its name is no text: rename the file"]
        assert name == ascii("p\udcff\x1b.csv")


def test_two_watchers_on_one_folder(line_room, folder, journal, tmp_path):
    first, second = (only_watcher(tmp_path / "line.db", folder) for _ in range(2))
    with first, pytest.raises(LockedError, match="being watched already"), second:
        pass
    # even without that lock, none is recorded twice
    for i, pour in enumerate(line_room.pours(BEER, n_pours=4)):
        write_pour(folder, f"p{i}.csv", pour)
    with Journal(tmp_path / "line.db") as other:
        one, two = (Watch(j, line_room.setting(claim=BEER), folder) for j in (journal, other))
        rows = [row for _ in range(4) for watch in (one, two) for row in watch.rows()]
    assert sorted(samples(rows)) == ["p0.csv", "p1.csv", "p2.csv", "p3.csv"]


def test_a_full_disk_is_told_once_and_the_scan_is_judged_when_there_is_room(line_room, folder, journal, monkeypatch):
    write_pour(folder, "p.csv", line_room.pours(BEER)[0])
    monkeypatch.setattr(watch_module, "RETRY_S", 0.01)
    real, failures = journal.append, iter([True, True, False])

    def append(*args, **options):
        if next(failures, False):
            raise StorageError("database or disk is full; nothing was recorded")
        return real(*args, **options)

    monkeypatch.setattr(journal, "append", append)
    stop, told, said = threading.Event(), [], []

    def tell(row):
        told.append(row)
        stop.set()

    Watch(journal, line_room.setting(claim=BEER), folder).run(stop, tell, complain=said.append)
    assert samples(told) == ["p.csv"]
    assert said == ["database or disk is full; nothing was recorded"]


def test_it_stops_when_told_after_the_samples_in_hand(line_room, folder, journal, monkeypatch):
    monkeypatch.setattr(watch_module, "AT_ONE_GO", 1)
    for i, pour in enumerate(line_room.pours(BEER, n_pours=4)):
        write_pour(folder, f"p{i}.csv", pour)
    stop, told = threading.Event(), []

    def tell(row):
        told.append(row)
        stop.set()

    Watch(journal, line_room.setting(claim=BEER), folder).run(stop, tell)
    assert len(told) == 1
    assert journal.check().n_entries == 1


def entries(path):
    with Journal(path) as journal:
        return journal.check().n_entries


@pytest.mark.whole
@pytest.mark.slow
# newer Pythons warn of forks in processes with threads: the child runs nothing that a thread of the parent holds
@pytest.mark.filterwarnings("ignore:.*multi-threaded:DeprecationWarning")
@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills a forked process with SIGKILL")
def test_killed_at_random_moments_nothing_is_lost_doubled_or_half_written(line_room, folder, tmp_path, full_size):
    """A watch is killed with SIGKILL while files land in pieces; at the end every file stands in the journal once."""
    n_kills = 200 if full_size else 8
    rng = np.random.default_rng(7)
    pours = line_room.pours(BEER, n_pours=6)
    path = tmp_path / "line.db"
    with Journal(path):
        pass
    written = []
    for round_ in range(n_kills):
        before = entries(path)
        child = os.fork()
        if child == 0:
            with Journal(path) as journal:
                watch = Watch(journal, line_room.setting(claim=BEER), folder)
                watch.run(threading.Event(), lambda row: None, complain=lambda said: None)
            os._exit(0)
        # every second one is killed from its first entry on, however long that takes it; the others from their start
        seen, given_up = round_ % 2 == 1, time.monotonic() + 120.0
        moment = time.monotonic() + rng.uniform(0.0, 0.5)
        while not seen or time.monotonic() < moment:
            if not seen and entries(path) > before:
                seen, moment = True, time.monotonic() + rng.uniform(0.0, 0.5)
            assert seen or time.monotonic() < given_up, "nothing was recorded in two minutes"
            # every file has bytes of its own, in two pieces with a moment between them
            text = reflectance_text(pours[len(written) % 6] * (1 + 1e-4 * len(written)))
            name = f"p{len(written):04d}.csv"
            cut = int(rng.integers(1, len(text)))
            with open(folder / name, "w") as file:
                file.write(text[:cut])
                file.flush()
                time.sleep(rng.uniform(0.0, 0.02))
                file.write(text[cut:])
            written.append(name)
            time.sleep(rng.uniform(0.0, 0.1))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    with Journal(path) as journal:
        assert journal.check().n_entries > 0
        Watch(journal, line_room.setting(claim=BEER), folder).once()
        assert journal.check().faults == ()
        rows = journal.select("kind != 'left_out'")
        assert sorted(name for row in rows for name in row["scan_files"]) == written
        assert len(rows) == len(written)
        assert journal.select("kind = 'left_out'") == []


@pytest.fixture(scope="module")
def model(line_room, tmp_path_factory):
    path = tmp_path_factory.mktemp("model") / "house.model"
    line_room.house.save(path)
    return path


def test_the_public_watch_records_what_is_there_and_says_what_waits(line_room, folder, tmp_path, model):
    write_pour(folder, "p0.csv", line_room.pours(BEER)[0])
    write_pour(folder, "p1.csv", line_room.pours("Peat Stout")[0])
    (folder / "cut.csv").write_text("wavelength_nm,reflectance\n400,0.2\n4")
    os.utime(folder / "cut.csv")
    rows, said = [], []
    options = {"journal": tmp_path / "line.db", "once": True, "claim": BEER, "line": "L1", "operator": "KA"}
    found = sm.watch(model, folder, **options, tell=rows.append, complain=said.append)
    # a dark beer under a pale one's name, and a file without an end that nobody goes on writing
    assert found.n_recorded == len(rows)
    assert samples(rows) == ["p0.csv", "p1.csv"]
    assert [row["decision"] for row in rows if row["kind"] == "reading"] == ["consistent", "rescan"]
    assert {(row["line"], row["operator"]) for row in rows} == {("L1", "KA")}
    left_out = sum(row["kind"] == "left_out" for row in rows)
    assert left_out + len(found.waiting) == 1
    assert found.n_departures == 1 + left_out
    assert said == [f"{name}: {reason}" for name, reason in found.waiting.items()]
    assert sm.watch(model, folder, **options).n_recorded == 0
    with Journal(tmp_path / "line.db", read_only=True) as journal:
        assert samples(journal.select()) == samples(rows)


def test_the_public_watch_goes_on_until_it_is_stopped(line_room, folder, tmp_path, model):
    stop, rows = threading.Event(), []

    def tell(row):
        rows.append(row)
        stop.set()

    write_pour(folder, "p0.csv", line_room.pours(BEER)[0])
    # a watch that does not hear of its stop must not hang the tests
    late = threading.Timer(60.0, stop.set)
    late.start()
    found = sm.watch(model, folder, journal=tmp_path / "line.db", claim=BEER, tell=tell, stop=stop)
    late.cancel()
    assert samples(rows) == ["p0.csv"]
    assert (found.n_recorded, found.n_departures) == (1, 0)


def test_the_public_watch_refuses_what_cannot_be_watched(folder, tmp_path, model):
    with pytest.raises(MissingScanError, match="nowhere: no such folder"):
        sm.watch(model, tmp_path / "nowhere", journal=tmp_path / "line.db", once=True)
    with pytest.raises(UnknownBeerError, match="no beer of the set"):
        sm.watch(model, folder, journal=tmp_path / "line.db", once=True, claim="Nobody's Ale")
    with (
        only_watcher(tmp_path / "line.db", folder),
        pytest.raises(LockedError, match="is being watched already"),
    ):
        sm.watch(model, folder, journal=tmp_path / "line.db", once=True)


def test_a_lock_met_while_watching_is_not_taken_for_a_second_watcher(tmp_path):
    folder = tmp_path / "scans"
    folder.mkdir()
    other = pytest.raises(LockedError, match="set is being written to")
    with other, only_watcher(tmp_path / "line.db", folder):
        raise LockedError("set is being written to by another process", path=tmp_path / "set" / ".lock")
