"""Two years of a set, through the command line: every edit stands, and the history says all that was done."""

import multiprocessing
import os
import random
import shutil
import signal
import time

import numpy as np
import pandas as pd
import pytest
from small_house import write_tables

from specmatch.cli import main
from specmatch.errors import StorageError
from specmatch.reference.changes import history_since, rebuild_set
from specmatch.reference.reference_set import ReferenceSet
from specmatch.reference.upkeep import edits_of

NM = np.arange(420.0, 700.0, 20.0)
BEERS = {"House Pils": 7.0, "Amber": 20.0, "Stout": 80.0}
LATER = {4: ("Weizen", 9.0), 10: ("Bock", 30.0), 16: ("Rauch", 45.0)}  # month -> beer that is new in it
N_MONTHS, N_LATE, LOST, STEP = 24, 40, 5, 12
# each step of the two years alone is tested beside this file
pytestmark = pytest.mark.whole


class House:
    """Folders of two years, made up: what is measured, what comes late, and what is wrong in them."""

    def __init__(self, folder):
        rng = np.random.default_rng(3)
        self.folder, self.late, self.wrong, self.truth = folder, {}, {}, {}
        beers = dict(BEERS)
        for month in range(N_MONTHS):
            if month in LATER:
                beers[LATER[month][0]] = LATER[month][1]
            spectra, scans, batches = {}, {}, {}
            for beer, colour in beers.items():
                batch = f"{beer[:2].upper()}{month:02d}"
                ebc = colour * float(np.exp(rng.normal(0, 0.03)))
                if beer == "Amber" and month >= STEP:
                    ebc *= 1.3  # the recipe changed
                day = f"20{25 + month // 12}-{1 + month % 12:02d}-10"
                row = {"beer": beer, "colour": round(ebc, 2), "packaged_on": day, "lab": "A"}
                self.truth[batch] = dict(row)
                if len(self.late) < N_LATE and rng.random() < 0.6 and month < N_MONTHS - 1:
                    self.late[batch], row["colour"] = row["colour"], np.nan
                if month % 4 == 1 and beer == "House Pils":
                    self.wrong[batch], row["beer"] = beer, "Stout"
                batches[batch] = row
                for pour in range(3):
                    # files are numbered anew each month: names repeat from folder to folder
                    scan = f"s{len(scans):03d}.csv"
                    instrument = "M2" if month >= 15 and pour == 2 else "M1"
                    scans[scan] = {
                        "pour": f"{batch}-{pour}", "sample": f"{batch}-s", "batch": batch, "instrument": instrument,
                        "measured_at": f"{day}T08:00:00+01:00",
                    }  # fmt: skip
                    light = 0.9 * 10 ** (-ebc / 30 * np.exp(-(NM - 430) / 80)) + rng.normal(0, 1e-3, NM.size)
                    spectra[scan] = light
            tables = (pd.DataFrame.from_dict(t, orient="index") for t in (spectra, scans, batches))
            spectra_table, scans_table, batches_table = tables
            write_tables(self.month(month), spectra_table.set_axis(NM, axis=1), scans_table, batches_table)

    def month(self, number):
        return self.folder / f"month-{number:02d}"

    def late_sheet(self, number, part):
        file = self.folder / f"late-{number:02d}.csv"
        rows = [f"{batch},{self.late[batch]}" for batch in part]
        file.write_text("\n".join(["batch,colour", *rows]) + "\n")
        return file


def run(*words):
    return main([str(word) for word in words])


def _extend(place, folder, when):
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    run("extend", place, folder, "--when", when)


def killed_and_repeated(place, folder, when, n_kills, rng):
    """Extend, killed at random moments `n_kills` times, then whole; a whole version stands after each kill."""
    fork = multiprocessing.get_context("fork")
    before = ReferenceSet.load(place)
    for _ in range(n_kills):
        worker = fork.Process(target=_extend, args=(place, folder, when))
        worker.start()
        time.sleep(rng.uniform(0.0, 0.25))
        os.kill(worker.pid, signal.SIGKILL)
        worker.join()
        there = ReferenceSet.load(place)
        assert there.hash == before.hash or there.parent == before.hash
    run("extend", place, folder, "--when", when)


def _edit(place, batch, beer, gate, answers):
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    refs = ReferenceSet.load(place)
    mended = refs.relabel(batch, beer, reason="wrong label", who=batch)
    gate.wait(20)
    try:
        mended.save(place)
        answers.put((batch, True))
    except StorageError:
        answers.put((batch, False))


def two_at_once(place, edits):
    """Two people mend a label each, from one version; one is told, and repeats it."""
    fork = multiprocessing.get_context("fork")
    gate, answers = fork.Barrier(2), fork.Queue()
    workers = [fork.Process(target=_edit, args=(place, *edit, gate, answers)) for edit in edits]
    for worker in workers:
        worker.start()
    done = dict(answers.get(timeout=60) for _ in workers)
    for worker in workers:
        worker.join()
    assert sorted(done.values()) == [False, True]
    batch, beer = next(edit for edit in edits if not done[edit[0]])
    assert run("edit", place, "--relabel", batch, beer, "--reason", "wrong label", "--who", batch) == 0


def the_two_years(house, place, kills):
    rng = random.Random(5)
    late, mended = list(house.late), []
    assert run("build", house.month(0), "--out", place) in (0, 1)
    for month in range(1, N_MONTHS):
        when = f"10.{1 + month % 12:02d}.20{25 + month // 12}"
        killed_and_repeated(place, house.month(month), when, -(-kills // (N_MONTHS - 1)), rng)
        if month == LOST + 2:
            shutil.rmtree(house.month(LOST))
        came = [batch for batch in late if batch in ReferenceSet.load(place).batches.index][:3]
        late = [batch for batch in late if batch not in came]
        if came:
            assert run("extend", place, house.late_sheet(month, came), "--when", when) in (0, 1)
        if month % 8 == 7:
            wrong = [batch for batch in house.wrong if batch not in mended][:2]
            mended += wrong
            two_at_once(place, [(batch, house.wrong[batch]) for batch in wrong])
        if month == 9:
            assert run("edit", place, "--drop-pour", "ST03-1", "--reason", "foam", "--when", when) == 0
            assert run("edit", place, "--drop", "ST04", "--reason", "trial brew", "--when", when) == 0
            assert run("undo", place, "--reason", "no trial", "--when", when) == 0
            assert run("extend", place, house.month(3), "--when", when) == 0  # the foamy pour stays out
        if month == 14:
            step = f"2026-{1 + STEP % 12:02d}-01"
            assert run("edit", place, "--recipe", "Amber", step, "--reason", "new malt", "--when", when) == 0
        if month == 18:
            # a second lab measured four batches again
            rows = [f"{b},{house.truth[b]['colour'] * 1.02:.2f},B" for b in ("ST16", "ST17", "HO16", "AM17")]
            sheet = house.folder / "second-lab.csv"
            sheet.write_text("\n".join(["batch,colour,lab", *rows]) + "\n")
            assert run("extend", place, sheet, "--when", when) == 0
    sheet = house.folder / "edits.csv"
    rest = [f"{batch},beer,{beer},wrong label" for batch, beer in house.wrong.items() if batch not in mended]
    sheet.write_text("\n".join(["batch,what,value,reason", *rest]) + "\n")
    if rest:
        assert run("edit", place, "--sheet", sheet) == 0


@pytest.fixture(scope="module")
def life(tmp_path_factory):
    folder = tmp_path_factory.mktemp("life")
    house, place = House(folder), folder / "set"
    the_two_years(house, place, 50)
    return house, place


def test_at_the_end_every_edit_stands(life):
    house, place = life
    refs = ReferenceSet.load(place)
    assert set(refs.batches.index) == set(house.truth)
    older = refs.batches["packaged_on"] < "2026-01-01"
    for batch, truth in house.truth.items():
        beer = "Amber until 2026-01-01" if truth["beer"] == "Amber" and older[batch] else truth["beer"]
        assert refs.batches.at[batch, "beer"] == beer
    late = [batch for batch in house.late if refs.batches.notna().at[batch, "colour"]]
    assert len(house.late) == N_LATE == len(late)
    twice = {"ST16", "ST17", "HO16", "AM17"}
    for batch in set(late) - twice:
        assert refs.batches.at[batch, "colour"] == house.late[batch]
    assert set(refs.determinations) == twice and (refs.batches.loc[list(twice), "colour_n"] == 2).all()
    assert "ST03-1" not in set(refs.scans["pour"]) and "ST04" in refs.batches.index
    assert {"M1", "M2"} == set(refs.scans["instrument"])


def test_nothing_was_undone_in_silence(life):
    _, place = life
    refs = ReferenceSet.load(place)
    kept = {version.name: ReferenceSet.load(version) for version in (place / "versions").iterdir()}
    parents = [entry["parent"] for entry in refs.history]
    assert all(parent[:12] in kept for parent in parents)
    chain = [*(kept[parent[:12]] for parent in parents), refs]
    for before, after, entry in zip(chain[:-1], chain[1:], refs.history, strict=True):
        said = {
            str(batch) for edit in edits_of(entry) for batch in (edit.get("batch"), *edit.get("names", ())) if batch
        }
        shared = before.batches.index.intersection(after.batches.index)
        changed = shared[(before.batches.loc[shared, "beer"] != after.batches.loc[shared, "beer"]).to_numpy()]
        assert set(changed) <= said or entry["edit"]["kind"] in ("step", "undo")
        gone = set(before.spectra.index) - set(after.spectra.index)
        assert not gone or entry["edit"]["kind"] in ("drop", "undo")
    last = history_since(chain[0], refs)
    assert len(last) == len(refs.history)


def test_the_story_stands_on_one_screen(life, capsys):
    _, place = life
    first = ReferenceSet.load(place).history[0]["parent"][:12]
    assert run("compare", place / "versions" / first, place) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= 40 and max(map(len, lines)) <= 260
    text = "\n".join(lines)
    for told in ("batch added", "recipe of beer 'Amber' stepped", "went back to version", "extended", "foam"):
        assert told in text, text


def test_the_set_is_made_again_from_its_sources_and_its_history(life, tmp_path):
    house, place = life
    files = [path for path in house.folder.iterdir() if path.name.startswith(("month", "late", "second"))]
    assert house.month(LOST) not in files
    again = rebuild_set(place, sorted(files))
    refs = ReferenceSet.load(place)
    assert again.hash == refs.hash and again.history == refs.history and again.sources == refs.sources
    again.save(tmp_path / "again")
    for file in (tmp_path / "again").iterdir():
        if file.suffix == ".csv":
            assert file.read_bytes() == (place / file.name).read_bytes()


def test_a_build_over_it_is_refused_and_keeps_it(life, tmp_path, capsys):
    house, place = life
    copy = shutil.copytree(place, tmp_path / "copy")
    assert run("build", house.month(0), "--out", copy) == 2
    err = capsys.readouterr().err
    assert "specmatch extend" in err and "--replace" in err
    before = ReferenceSet.load(copy).hash
    assert run("build", house.month(0), "--out", copy, "--replace") == 0
    assert ReferenceSet.load(copy / "versions" / before[:12]).hash == before
    assert run("undo", copy, "--reason", "it was the wrong command") == 0
    assert ReferenceSet.load(copy).hash == before
