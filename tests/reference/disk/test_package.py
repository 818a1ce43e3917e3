"""The disk form: exact, checked, atomic, safe to open when it comes from a stranger."""

import json
import multiprocessing
import os
import random
import signal
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_house import small_tables

from specmatch.errors import LockedError, ReferenceSetError, StorageError, UnitError
from specmatch.reference.reference_set import ReferenceSet
from specmatch.storage import locked, sha256_of


def made_up(**changes):
    spectra, scans, batches = small_tables()
    return ReferenceSet(spectra, scans, batches, **changes)


def awkward():
    """A set with everything that a round trip could spoil."""
    spectra, scans, batches = small_tables()
    spectra = spectra * np.random.default_rng(1).uniform(0.3, 1.0, spectra.shape)
    spectra.iloc[0, 0], spectra.iloc[1, 1] = np.nan, -0.0
    spectra.iloc[2, 2], spectra.iloc[3, 3] = 5e-324, 0.1 + 0.2
    names = ["NA", "nan", "=1+1", "-007", "'quoted", 'a "b", c', "ünï\ncode", "1E5", "None"]
    renamed = dict(zip(batches.index, names, strict=True))
    scans["batch"] = scans["batch"].map(renamed)
    scans["operator"] = ["", "NA"] * (len(scans) // 2)
    batches = batches.rename(index=renamed)
    batches["colour"] = [*batches["colour"].iloc[:-1], np.nan]
    batches["tank"] = range(len(batches))
    batches["blended"] = [True, False, True] * 3
    batches["note"] = ["@cmd", "+1", None, "  x ", "", "\tq", "＝1", "plain", "é"]
    beers = pd.DataFrame({"recipe": ["r1", None, "NA"]}, index=["Beer 0", "Beer 1", "Beer 2"])
    return ReferenceSet(spectra, scans, batches, beers, name="A, B", band_nm=(430.0, 650.5), licence="CC0-1.0")


def same(one, two):
    # exact: shortest text of a float64 reads back as the same float64
    pd.testing.assert_frame_equal(one.spectra, two.spectra, check_exact=True)
    pd.testing.assert_frame_equal(one.scans, two.scans, check_exact=True)
    pd.testing.assert_frame_equal(one.batches, two.batches, check_exact=True)
    assert (one.beers is None) == (two.beers is None)
    if one.beers is not None:
        pd.testing.assert_frame_equal(one.beers, two.beers)
    kept = ("hash", "name", "colour_unit", "band_nm", "reference_kind", "licence", "history", "parent")
    assert [getattr(one, name) for name in kept] == [getattr(two, name) for name in kept]


def test_round_trip_is_exact_and_repeats_byte_for_byte(tmp_path):
    refs = awkward()
    refs.save(tmp_path / "a")
    again = ReferenceSet.load(tmp_path / "a")
    same(refs, again)
    assert np.signbit(again.spectra.to_numpy()[1, 1])
    again.save(tmp_path / "b")
    files = sorted(os.listdir(tmp_path / "a"))
    assert files == sorted(os.listdir(tmp_path / "b"))
    assert all((tmp_path / "a" / f).read_bytes() == (tmp_path / "b" / f).read_bytes() for f in files)


def test_files_are_named_by_their_content_and_listed_with_schema(tmp_path):
    awkward().save(tmp_path)
    content = json.loads((tmp_path / "datapackage.json").read_text())
    assert [resource["name"] for resource in content["resources"]] == ["spectra", "scans", "batches", "beers"]
    for resource in content["resources"]:
        digest = sha256_of(tmp_path / resource["path"])
        assert resource["path"] == f"{resource['name']}-{digest[:12]}.csv"
        assert resource["hash"] == f"sha256:{digest}"
        assert resource["bytes"] == (tmp_path / resource["path"]).stat().st_size
    fields = content["resources"][0]["schema"]["fields"]
    assert fields[1] == {"name": "420.0", "type": "number", "unit": "1"}
    assert {field["name"]: field.get("unit") for field in content["resources"][2]["schema"]["fields"]}[
        "colour"
    ] == "EBC"


def test_opens_with_plain_pandas(tmp_path):
    refs = made_up()
    refs.save(tmp_path)
    table = pd.read_csv(next(tmp_path.glob("spectra-*.csv")), index_col="scan_id")
    # the quick number parser of older pandas may miss the last bit
    np.testing.assert_allclose(table.to_numpy(), refs.spectra.to_numpy(), rtol=1e-15)


def test_no_cell_begins_like_a_formula(tmp_path):
    awkward().save(tmp_path)
    for name in ("scans", "batches", "beers"):
        table = pd.read_csv(next(tmp_path.glob(f"{name}-*.csv")), dtype=str, keep_default_na=False)
        assert not table.map(lambda cell: cell.startswith(("=", "+", "-", "@", "\t", "＝"))).any(axis=None)


def test_a_changed_byte_in_any_file_is_reported_with_its_name(tmp_path):
    awkward().save(tmp_path)
    rng = random.Random(1)
    for file in sorted(tmp_path.iterdir()):
        data = file.read_bytes()
        for position in [0, len(data) - 2, *(rng.randrange(len(data)) for _ in range(40))]:
            file.write_bytes(data[:position] + bytes([data[position] ^ (1 << rng.randrange(8))]) + data[position + 1 :])
            with pytest.raises(ReferenceSetError, match=file.name.replace(".", r"\.")):
                ReferenceSet.load(tmp_path)
        file.write_bytes(data[:-1])
        with pytest.raises(ReferenceSetError, match=file.name.replace(".", r"\.")):
            ReferenceSet.load(tmp_path)
        file.write_bytes(data)
    same(awkward(), ReferenceSet.load(tmp_path))


def test_a_missing_file_and_no_set_at_all(tmp_path):
    made_up().save(tmp_path / "s")
    file = next((tmp_path / "s").glob("scans-*.csv"))
    file.unlink()
    with pytest.raises(ReferenceSetError, match=rf"{file.name} is missing"):
        ReferenceSet.load(tmp_path / "s")
    with pytest.raises(ReferenceSetError, match=r"holds no datapackage\.json"):
        ReferenceSet.load(tmp_path)


def test_a_new_version_replaces_the_old_and_spares_what_is_not_ours(tmp_path):
    made_up().save(tmp_path)
    (tmp_path / "README.md").write_text("ours")
    (tmp_path / ".spectra-0.csv.abc.part").write_text("left by a killed save")
    made_up(colour_unit="SRM").save(tmp_path)
    names = sorted(os.listdir(tmp_path))
    assert len(names) == 6 and {"README.md", "versions"} <= set(names)
    assert ReferenceSet.load(tmp_path).colour_unit == "SRM"


def edit(folder: Path, change):
    """Change a descriptor and take its seal off, as a stranger would who knows how."""
    file = folder / "datapackage.json"
    content = json.loads(file.read_text())
    del content["sha256"], content["specmatch"]["format"]
    change(content)
    file.write_text(json.dumps(content))


@pytest.mark.parametrize(
    "path",
    [
        "../x.csv",
        "/etc/passwd",
        "http://a.b/x.csv",
        "C:x.csv",
        "a\\..\\x.csv",
        "~/x",
        "a/../../x",
        "",
        ["a", "b"],
        None,
        7,
    ],
)
def test_paths_that_leave_the_folder_are_refused(tmp_path, path):
    made_up().save(tmp_path / "s")
    (tmp_path / "x.csv").write_text("outside")
    edit(tmp_path / "s", lambda content: content["resources"][0].update(path=path))
    with pytest.raises(ReferenceSetError, match="inside its folder|no single file"):
        ReferenceSet.load(tmp_path / "s")


def test_links_out_of_the_folder_are_refused(tmp_path):
    made_up().save(tmp_path / "s")
    file = next((tmp_path / "s").glob("scans-*.csv"))
    (tmp_path / "outside.csv").write_bytes(file.read_bytes())
    file.unlink()
    file.symlink_to(tmp_path / "outside.csv")
    with pytest.raises(ReferenceSetError, match="link out of the folder"):
        ReferenceSet.load(tmp_path / "s")


def test_declared_size_that_is_not_the_size_is_refused(tmp_path):
    made_up().save(tmp_path)
    edit(tmp_path, lambda content: content["resources"][0].update(bytes=10**15))
    with pytest.raises(ReferenceSetError, match="says 1000000000000000"):
        ReferenceSet.load(tmp_path)


def test_a_later_format_is_named(tmp_path):
    made_up().save(tmp_path)
    edit(tmp_path, lambda content: None)
    content = json.loads((tmp_path / "datapackage.json").read_text())
    from specmatch.reference.disk.encoding import encode_descriptor

    content.pop("$schema")
    content["specmatch"]["format"] = 3
    (tmp_path / "datapackage.json").write_bytes(encode_descriptor(content))
    with pytest.raises(ReferenceSetError, match="has format 3; this version reads up to format 2"):
        ReferenceSet.load(tmp_path)


def test_hostile_json_is_refused(tmp_path):
    file = tmp_path / "datapackage.json"
    for text in (
        "[" * 100_000,
        "{",
        '{"resources": NaN}',
        "[]",
        '{"resources": [3]}',
        '{"resources": [], "specmatch": 1}',
    ):
        file.write_text(text)
        with pytest.raises(ReferenceSetError, match=r"datapackage\.json"):
            ReferenceSet.load(tmp_path)


def test_a_unit_that_cannot_be_told_is_refused(tmp_path):
    made_up().save(tmp_path)

    def forget(content):
        content["specmatch"]["colour_unit"] = None
        batches = content["resources"][2]
        file = tmp_path / batches["path"]
        file.write_text(file.read_text().replace(",EBC", ","))
        batches.pop("hash"), batches.pop("bytes")

    edit(tmp_path, forget)
    with pytest.raises(UnitError, match="EBC or SRM"):
        ReferenceSet.load(tmp_path)


def test_two_writers_at_once_one_is_told(tmp_path):
    refs = made_up()
    refs.save(tmp_path)
    with locked(tmp_path / ".lock"), pytest.raises(LockedError, match="another process"):
        refs.save(tmp_path)
    same(refs, ReferenceSet.load(tmp_path))


def test_two_changes_from_one_version_do_not_overwrite_each_other(tmp_path):
    first = made_up()
    first.save(tmp_path)
    mine = made_up(colour_unit="SRM", parent=first.hash, history=[{"what": "mine", "parent": first.hash}])
    theirs = made_up(reference_kind="base", parent=first.hash, history=[{"what": "theirs", "parent": first.hash}])
    theirs.save(tmp_path)
    with pytest.raises(StorageError, match="was changed since"):
        mine.save(tmp_path)
    same(theirs, ReferenceSet.load(tmp_path))


def _save_when_told(folder, refs, together, told):
    together.wait(10)
    try:
        refs.save(folder)
        told.put(refs.hash)
    except StorageError as error:  # LockedError, or changed since
        told.put(type(error).__name__)


def test_two_processes_that_change_one_version_at_once(tmp_path, whole):
    fork = multiprocessing.get_context("fork")
    for turn in range(8 if whole else 2):
        folder = tmp_path / str(turn)
        first = made_up()
        first.save(folder)
        changes = [first.drop("0000", reason="one"), first.relabel("0001", "Beer 2", reason="other")]
        together, told = fork.Barrier(2), fork.Queue()
        writers = [fork.Process(target=_save_when_told, args=(folder, refs, together, told)) for refs in changes]
        for writer in writers:
            writer.start()
        answers = {told.get(timeout=20), told.get(timeout=20)}
        for writer in writers:
            writer.join()
        # exactly one change was taken, the other's maker was told, and the folder holds the one that was taken
        taken = answers & {refs.hash for refs in changes}
        assert len(taken) == 1 and answers - taken <= {"LockedError", "StorageError"} and len(answers) == 2
        assert ReferenceSet.load(folder).hash in taken


def _save_again_and_again(folder, sets, started):
    started.set()
    while True:
        for refs in sets:
            refs.save(folder)


def test_killed_saves_leave_a_whole_version(tmp_path, full_size, whole):
    kills = 200 if full_size else 25 if whole else 3
    versions = [made_up(), made_up(colour_unit="SRM")]
    versions[0].save(tmp_path)
    hashes = {refs.hash for refs in versions}
    fork = multiprocessing.get_context("fork")
    rng = random.Random(7)
    seen = set()
    for killed in range(10 * kills):
        if killed >= kills and seen == hashes:
            break  # on a busy machine it takes longer until both versions were met
        started = fork.Event()
        writer = fork.Process(target=_save_again_and_again, args=(tmp_path, versions, started))
        writer.start()
        started.wait(10)
        time.sleep(rng.uniform(0.0, 0.05) * (1 + killed // kills))
        os.kill(writer.pid, signal.SIGKILL)
        writer.join()
        seen.add(ReferenceSet.load(tmp_path).hash)
        assert seen <= hashes
    versions[0].save(tmp_path)  # the lock died with its holders
    assert len(list(tmp_path.iterdir())) == 5  # three tables, the descriptor, and what was kept
    assert {ReferenceSet.load(version).hash for version in (tmp_path / "versions").iterdir()} == hashes
    assert seen == hashes


def test_a_large_set_keeps_its_numbers_in_a_block(tmp_path, monkeypatch):
    refs = awkward()
    monkeypatch.setattr("specmatch.reference.disk.large_block.LARGE_CELLS", 10)
    refs.save(tmp_path)
    block = next(tmp_path.glob("spectra-*.npy"))
    # any reader of .npy files can open it
    np.testing.assert_array_equal(np.load(block, allow_pickle=False), refs.spectra.to_numpy())
    opened = ReferenceSet.load(tmp_path)
    assert "_spectra" not in vars(opened) and "_scans" not in vars(opened)
    same(refs, opened)
    assert opened.select(beers=["Beer 1"]).batches["beer"].unique().tolist() == ["Beer 1"]
    changed = opened.drop("NA", reason="test")
    changed.save(tmp_path)
    assert len(list(tmp_path.iterdir())) == 7
    same(changed, ReferenceSet.load(tmp_path))


def test_a_spoilt_block_is_refused_at_opening_or_before_its_first_use(tmp_path, monkeypatch):
    monkeypatch.setattr("specmatch.reference.disk.large_block.LARGE_CELLS", 10)
    made_up().save(tmp_path)
    block = next(tmp_path.glob("spectra-*.npy"))
    data = block.read_bytes()
    block.write_bytes(data[:-8])
    with pytest.raises(ReferenceSetError, match=r"has \d+ bytes"):
        ReferenceSet.load(tmp_path)
    for place, message in ((20, "is no block"), (len(data) - 3, "does not match its hash")):
        block.write_bytes(data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :])
        with pytest.raises(ReferenceSetError, match=message):
            len(ReferenceSet.load(tmp_path).spectra)
    block.write_bytes(data)
    scans = next(tmp_path.glob("scans-*.csv"))
    scans.write_bytes(scans.read_bytes().replace(b"0000-0", b"0000-9"))
    with pytest.raises(ReferenceSetError, match=scans.name.replace(".", r"\.")):
        len(ReferenceSet.load(tmp_path).spectra)


KEPT = Path(__file__).parents[2] / "data" / "sets_by_format"


def test_the_set_kept_of_format_1_loads_for_ever(tmp_path):
    refs = ReferenceSet.load(KEPT / "format-1")
    spectra, scans, batches = small_tables(2, 2, 2)
    # 10 ** x of another mathematical library may differ in the last bits
    pd.testing.assert_frame_equal(refs.spectra, ReferenceSet(spectra, scans, batches).spectra, rtol=1e-12)
    assert refs.batches["beer"].tolist() == ["Beer 0", "Beer 1", "Beer 1", "Beer 1"]
    assert (refs.name, refs.band_nm, refs.licence) == ("kept set, format 1", (430.0, 680.0), "CC0-1.0")
    assert refs.beers is not None and refs.beers["recipe"].tolist() == ["r1", "=r2"]
    assert refs.history[0]["why"] == "to keep a history"
    refs.save(tmp_path)
    for file in (KEPT / "format-1").iterdir():
        assert (tmp_path / file.name).read_bytes() == file.read_bytes()


@pytest.mark.parametrize("version", ["standard-1", "standard-2"])
def test_descriptors_of_both_versions_of_the_standard_are_read(version):
    refs = ReferenceSet.load(KEPT / version)
    assert list(refs.batches.index) == ["007", "7", "1E5"]
    assert refs.batches["beer"].tolist() == ["=Pale", "=Pale", "NA"]
    assert refs.colour_unit == "EBC" and np.isnan(refs.batches.at["7", "colour"])
    assert refs.spectra.columns.tolist() == [450.0, 500.0, 600.0]
    assert refs.spectra.loc["a"].tolist() == [0.21, 0.35, 0.7] and np.isnan(refs.spectra.loc["b", 500.0])


@pytest.mark.whole
def test_an_independent_validator_finds_the_package_valid(tmp_path):
    frictionless = pytest.importorskip("frictionless", reason="the Data Package validator is not installed")
    for name, refs in (("plain", made_up()), ("awkward", awkward()), ("kept", ReferenceSet.load(KEPT / "format-1"))):
        refs.save(tmp_path / name)
        report = frictionless.validate(str(tmp_path / name / "datapackage.json"))
        assert report.valid, report.flatten(["type", "note"])
        assert {task.name for task in report.tasks} >= {"spectra", "scans", "batches"}
    changed = next((tmp_path / "plain").glob("batches-*.csv"))
    changed.write_bytes(changed.read_bytes().replace(b"6.0", b"x.0"))
    assert not frictionless.validate(str(tmp_path / "plain" / "datapackage.json")).valid


def test_a_set_is_whole_even_where_numpy_prints_twelve_figures_only(tmp_path):
    refs = awkward()
    # another library in the same process may have asked for this
    np.set_printoptions(legacy="1.13")
    refs.save(tmp_path / "set")
    again = ReferenceSet.load(tmp_path / "set")
    assert again.hash == refs.hash
    np.testing.assert_array_equal(again.spectra, refs.spectra)
