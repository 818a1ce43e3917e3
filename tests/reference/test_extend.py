"""A set grows by folders and sheets: what is new enters, what was edited stands, what is doubtful is asked."""

import logging
import unicodedata

import numpy as np
import pandas as pd
import pytest
from small_house import small_tables, write_tables

from specmatch.errors import (
    ConflictError,
    OptionError,
    ReferenceSetError,
    StorageError,
    TableError,
    WavelengthMismatchError,
)
from specmatch.reference.build import build_set
from specmatch.reference.changes import extend_set, merge_sets
from specmatch.reference.reference_set import ReferenceSet
from specmatch.reference.upkeep import upkeep_of

WHY = {"reason": "because"}


def month(folder, numbers, change=None):
    """Write the batches of a month; `change` takes the batches table."""
    spectra, scans, batches = small_tables(3, 6, 2)
    batches = batches[[int(name[3]) in numbers for name in batches.index]]
    mine = scans["batch"].isin(batches.index)
    return write_tables(folder, spectra[mine], scans[mine], batches if change is None else change(batches))


@pytest.fixture
def january(tmp_path):
    def without(batches):
        return batches.assign(
            colour=[np.nan if name in ("0011", "0012") else c for name, c in batches["colour"].items()]
        )

    return month(tmp_path / "january", (0, 1, 2), without)


def late(values, **more):
    return pd.DataFrame({"colour": list(values.values()), **more}, index=pd.Index(list(values), name="batch"))


def test_late_lab_values_from_a_sheet_alone(january, tmp_path):
    refs, _ = build_set(january)
    with pytest.raises(TableError, match="spectra are a str; expected a DataFrame: of a session"):
        refs.extend(str(january), **WHY)
    late({"0011": 12.1, "0012": 12.2, "9999": 5.0}).to_csv(tmp_path / "late.csv")
    added = extend_set(refs, [tmp_path / "late.csv"], **WHY)
    assert added.lab == ("0011", "0012") and added.refs.batches.loc[["0011", "0012"], "colour"].tolist() == [12.1, 12.2]
    assert added.left_out.values.tolist() == [["late.csv", "9999", "has no scan, here or in the set"]]
    assert added.refs.sources[-1]["name"] == "late.csv" and added.refs.sources[-1]["batches"] == ["0011", "0012"]
    again = extend_set(added.refs, [tmp_path / "late.csv"], **WHY)
    assert not again.is_new and again.refs is added.refs


def test_every_edit_stands_when_the_folder_comes_again(january, tmp_path):
    refs, _ = build_set([january])
    edited = refs.relabel("0000", "Beer 1", **WHY).set_colour("0001", 6.6, **WHY).drop("0002-1", level="pour", **WHY)
    edited = edited.drop("0020", **WHY).set_colour("0021", float("nan"), **WHY).rename_beer("Beer 2", "Dark", **WHY)
    february = month(tmp_path / "february", (3, 4))
    added = extend_set(edited, [january, february], **WHY)
    for name, table in (("batches", edited.batches), ("scans", edited.scans)):
        pd.testing.assert_frame_equal(getattr(added.refs, name).loc[table.index], table)
    assert list(added.new_batches) == ["0003", "0004", "0013", "0014", "0023", "0024"]
    assert added.refs.batches.at["0024", "beer"] == "Dark"
    assert "'Beer 2' is kept as 'Dark', as an edit of the set has it" in added.told
    assert set(added.stays_out["name"]) == {"0002-1.csv", "0020-0.csv", "0020-1.csv"} and added.left_out.empty
    assert added.refs.history[:6] == edited.history


def test_what_was_dropped_comes_back_by_name_only(january):
    refs, _ = build_set([january])
    less = refs.drop(["0000", "0001"], reason="foam").drop("0002-1", level="pour", **WHY)
    back = extend_set(less, [january], restore=["0000", "0002-1"], **WHY).refs
    assert "0000" in back.batches.index and "0001" not in back.batches.index and "0002-1" in set(back.scans["pour"])
    assert extend_set(back, [january], **WHY).is_new is False
    with pytest.raises(OptionError, match="'7777' is to be restored"):
        extend_set(less, [january], restore=["7777"], **WHY)
    # a lab value of a dropped batch that comes late is not passed over in silence
    (late := january.parent / "late.csv").write_text("batch,colour\n0000,6.6\n")
    (told,) = extend_set(less, [late], **WHY).left_out["reason"]
    assert "was dropped from the set (foam)" in told


def test_what_stands_against_the_set_is_listed_and_decided(january):
    refs, _ = build_set([january])
    edited = refs.relabel("0000", "Beer 1", **WHY).set_colour("0001", 6.6, **WHY)
    new = pd.DataFrame({"beer": ["Beer 2", "", ""], "colour": [np.nan, 6.9, 99.0]}, index=["0000", "0001", "0002"])
    with pytest.raises(ConflictError, match="0000 beer: the set has 'Beer 1', the new table 'Beer 2'") as caught:
        edited.extend(batches=new, **WHY)
    rows = caught.value.conflicts
    assert rows[["kind", "subject", "set", "folder"]].values.tolist() == [
        ["beer", "0000", "Beer 1", "Beer 2"],
        ["colour", "0001", 6.6, 6.9],
        ["colour", "0002", 6.2, 99.0],
    ]
    taken = edited.extend(batches=new, take={"colour": "set", "0001": "both", "beer": "folder"}, **WHY)
    assert taken.batches.loc[["0000", "0001", "0002"], "colour"].tolist() == [6.0, 6.75, 6.2]
    assert taken.batches.at["0000", "beer"] == "Beer 2"
    # what was decided is not asked again
    with pytest.raises(ReferenceSetError, match="nothing is new"):
        taken.extend(batches=new, **WHY)
    with pytest.raises(OptionError, match="take is 'mine'"):
        edited.extend(batches=new, take="mine", **WHY)


def test_files_that_two_modules_number_alike_are_scans_of_their_own(tmp_path):
    spectra, scans, batches = small_tables(3, 3, 2)
    first = write_tables(tmp_path / "first", spectra, scans.assign(instrument="unit 1"), batches)
    second = write_tables(tmp_path / "second", spectra * 0.97, scans.assign(instrument="Unit 2"), batches)
    refs, _ = build_set([first])
    grown = extend_set(refs, [second], **WHY)
    assert grown.refs.scans["instrument"].value_counts().to_dict() == {"unit 1": 18, "Unit 2": 18}
    pd.testing.assert_frame_equal(grown.refs.spectra.loc[refs.spectra.index], refs.spectra)
    assert not extend_set(grown.refs, [second], **WHY).is_new
    # the same module, or none named, is another account of the same scans
    for name, same in (("again", {"instrument": "UNIT 1"}), ("bare", {})):
        with pytest.raises(ConflictError, match="largest difference"):
            extend_set(refs, [write_tables(tmp_path / name, spectra * 0.97, scans.assign(**same), batches)], **WHY)


def test_a_repeated_lab_value_is_averaged_once_and_told(january, caplog):
    refs, _ = build_set([january])
    second = late({"0000": 6.2}, lab="B")
    with caplog.at_level(logging.WARNING):
        grown = refs.extend(batches=second, **WHY)
    said = "batch '0000': lab colour 6.2 EBC averaged with 6 to 6.1, of 2 determinations"
    assert said in caplog.text and grown.history[-1]["edit"]["told"] == [said]
    assert grown.batches.at["0000", "colour"] == pytest.approx(6.1)
    with pytest.raises(ReferenceSetError, match="nothing is new"):
        grown.extend(batches=second, **WHY)
    third = grown.extend(batches=late({"0000": 6.25}, lab="C"), **WHY)
    # three determinations, not two means: (6.0 + 6.2 + 6.25) / 3
    assert third.batches.at["0000", "colour"] == pytest.approx(6.15) and third.batches.at["0000", "colour_n"] == 3
    assert third.set_colour("0000", 6.1, **WHY).determinations == {}


def test_the_same_scan_with_another_content_is_asked(january, tmp_path):
    refs, _ = build_set([january])
    spectra, scans, batches = small_tables(3, 6, 2)
    mine = scans["batch"] == "0000"
    other = spectra[mine] * 1.01
    with pytest.raises(ConflictError, match="largest difference"):
        refs.extend(other, scans[mine], batches.loc[["0000"]], **WHY)
    taken = refs.extend(other, scans[mine], batches.loc[["0000"]], take="folder", **WHY)
    np.testing.assert_array_equal(taken.spectra.loc[other.index], other)
    assert len(taken.spectra) == len(refs.spectra)


def test_scans_of_one_name_in_another_folder_stay_apart(january, tmp_path):
    refs, _ = build_set([january])
    spectra, scans, batches = small_tables(3, 6, 2)
    mine = scans["batch"] == "0003"
    files = {new: old for new, old in zip(scans.index[mine], scans.index[:2], strict=True)}
    folder = write_tables(
        tmp_path / "february", spectra[mine].rename(index=files), scans[mine].rename(index=files), batches.loc[["0003"]]
    )
    grown = extend_set(refs, [folder], **WHY).refs
    assert list(grown.spectra.index[-2:]) == ["february/0000-0.csv", "february/0000-1.csv"]
    assert not extend_set(grown, [folder, january], **WHY).is_new


def test_undo_is_a_new_version_and_is_undone_by_another(january, tmp_path):
    refs, _ = build_set([january])
    refs.save(tmp_path / "set")
    less = ReferenceSet.load(tmp_path / "set").drop("0000", reason="foam")
    less.save(tmp_path / "set")
    back = ReferenceSet.load(tmp_path / "set").undo(reason="it was not")
    back.save(tmp_path / "set")
    assert back.hash == refs.hash and len(back.history) == 2 and upkeep_of(back.history).dropped == {}
    again = ReferenceSet.load(tmp_path / "set").undo(reason="it was")
    assert again.hash == less.hash and upkeep_of(again.history).dropped == {"batch": {"0000": "foam"}}
    assert back.undo(reason="in memory").hash == less.hash
    again.save(tmp_path / "set")
    assert ReferenceSet.load(tmp_path / "set").undo(to=refs.hash[:6], **WHY).hash == refs.hash
    with pytest.raises(ReferenceSetError, match="0 versions begin with 'ffff'; kept are: "):
        ReferenceSet.load(tmp_path / "set").undo(to="ffff", **WHY)
    with pytest.raises(ReferenceSetError, match="no version before"):
        refs.undo(**WHY)


def test_an_undone_change_is_not_overwritten_by_one_who_did_not_see_it(january, tmp_path):
    refs, _ = build_set([january])
    refs.save(tmp_path / "set")
    less = refs.drop("0000", **WHY)
    less.save(tmp_path / "set")
    mine = ReferenceSet.load(tmp_path / "set").drop("0001", **WHY)
    less.undo(**WHY).save(tmp_path / "set")
    with pytest.raises(StorageError, match="was changed since"):
        mine.save(tmp_path / "set")
    with pytest.raises(StorageError, match="has 2 changes that this one does not go on from"):
        build_set([january], name="anew")[0].save(tmp_path / "set")
    build_set([january], name="anew")[0].save(tmp_path / "set", replace=True)
    assert ReferenceSet.load(tmp_path / "set").name == "anew"


def test_edits_written_as_words_only_bind_as_well():
    refs = ReferenceSet(*small_tables())
    history = [
        {"what": "dropped batch 'it''s', 'B, 2'", "why": "x", "parent": "0"},
        {"what": "dropped batch \"it's\", 'B, 2'", "why": "foam", "parent": "1"},
        {"what": "relabelled batch '0000' from 'Beer 0' to 'Beer 1'", "why": "x", "parent": "2"},
        {"what": "colour of batch '0001' from 6.1 to none EBC", "why": "x", "parent": "3"},
    ]
    kept = upkeep_of(history)
    assert kept.dropped["batch"]["B, 2"] == "foam" and "it's" in kept.dropped["batch"]
    assert ("0000", "beer", "Beer 0") in kept.overruled and ("0001", "colour", 6.1) in kept.overruled
    assert refs.drop("0000", **WHY).history[-1]["edit"] == {"kind": "drop", "level": "batch", "names": ["0000"]}


def test_edits_of_a_sheet_are_all_made_or_none(january):
    refs, _ = build_set([january])
    sheet = pd.DataFrame(
        [
            ("0000", "relabel", "Beer 1", "mixed up"),
            ("0011", "Colour", "12,1", ""),
            ("0020-1", "drop pour", "", "foam"),
        ],
        columns=["batch", "what", "value", "reason"],
    )
    done = refs.edit_from(sheet, reason="spring cleaning", when="14.04.2026")
    assert len(done.history) == 1 and done.history[0]["when"] == "2026-04-14"
    assert done.batches.at["0000", "beer"] == "Beer 1" and done.batches.at["0011", "colour"] == 12.1
    kept = upkeep_of(done.history)
    assert kept.dropped == {"pour": {"0020-1": "foam"}} and ("0011", "colour") in kept.edited
    with pytest.raises(ReferenceSetError, match=r"row 1 \(x\): batch 'x' is not in the set.*no edit of the sheet"):
        refs.edit_from(sheet.assign(batch=["x", "0011", "0020-1"]), reason="r")
    with pytest.raises(OptionError, match="'fly' is no edit; expected one of beer, colour"):
        refs.edit_from(sheet.assign(what="fly"), reason="r")
    with pytest.raises(OptionError, match="row 2 .0011. gives no reason"):
        refs.edit_from(sheet)


def test_a_merge_says_what_was_dropped_from_the_first_before(january, tmp_path, caplog):
    first, (other, _) = (
        build_set([january])[0].drop("0000", reason="foam"),
        build_set([month(tmp_path / "b", (0, 1, 3))]),
    )
    with caplog.at_level(logging.WARNING):
        merge_sets(first, other, take="first")
    assert "2 scans stay out, the first 0000-0.csv: batch '0000' was dropped from the set (foam)" in caplog.text


def test_a_recipe_step_sets_the_older_batches_apart(tmp_path):
    spectra, scans, batches = small_tables(2, 6, 2)
    batches["packaged_on"] = [f"2026-{1 + int(name[3])}-05".replace("-1-", "-01-") for name in batches.index]
    batches["packaged_on"] = [f"2026-0{1 + int(name[3])}-05" for name in batches.index]
    refs = ReferenceSet(spectra, scans, batches)
    after = refs.recipe_step("Beer 0", "2026-04-01", reason="new malt")
    assert after.batches["beer"].tolist()[:6] == ["Beer 0 until 2026-04-01"] * 3 + ["Beer 0"] * 3
    assert (
        after.beers.loc["Beer 0", "valid_from"]
        == after.beers.loc["Beer 0 until 2026-04-01", "valid_to"]
        == "2026-04-01"
    )
    with pytest.raises(ReferenceSetError, match="nothing is new"):
        after.extend(spectra, scans, batches, **WHY)
    older = batches.iloc[:1].set_axis(["old"], axis=0)
    row = scans.iloc[:1].assign(batch="old", sample="old", pour="old").set_axis(["old-0.csv"], axis=0)
    grown = after.extend(spectra.iloc[:1].set_axis(["old-0.csv"], axis=0), row, older, **WHY)
    assert grown.batches.at["old", "beer"] == "Beer 0 until 2026-04-01"
    with pytest.raises(ReferenceSetError, match="on one side of 2027-01-01"):
        refs.recipe_step("Beer 0", "2027-01-01", **WHY)


def test_two_sites_as_one_set(tmp_path):
    spectra, scans, batches = small_tables(3, 4, 2)
    north = scans["batch"].str.endswith(("0", "1"))
    scans = scans.assign(site=np.where(north, "north", "south"), instrument=np.where(north, "M1", "M2"))
    sets = []
    for site in ("north", "south"):
        mine = scans["site"] == site
        sets.append(
            ReferenceSet(spectra[mine], scans[mine], batches[batches.index.isin(scans.loc[mine, "batch"])], name=site)
        )
    with pytest.raises(TableError, match="got a str 'first'; expected a ReferenceSet"):
        merge_sets("first", sets[1])
    both = merge_sets(*sets)
    assert both.split("site")["south"].batches.equals(sets[1].batches) and len(both.batches) == 12
    assert both.history[-1]["what"].startswith("merged with 'south'")
    other = sets[0].relabel("0000", "Beer 2", **WHY)
    with pytest.raises(ConflictError, match="0000 beer"):
        merge_sets(both, other)
    assert merge_sets(both, other, take="second").batches.at["0000", "beer"] == "Beer 2"
    with pytest.raises(OptionError, match="expected 'first', 'second'"):
        merge_sets(both, other, take="set")
    shorter = ReferenceSet(sets[1].spectra.iloc[:, 3:], sets[1].scans, sets[1].batches, name="south")
    said = "do not fit the set: .*, the set needs .*; or name the other set first"
    with pytest.raises(WavelengthMismatchError, match=said):
        merge_sets(sets[0], shorter)
    assert len(merge_sets(shorter, sets[0]).batches) == 12


def test_samples_that_each_day_counts_anew_stay_apart(tmp_path):
    spectra, scans, batches = small_tables(3, 4, 2)
    days, counted_anew = (
        [],
        scans.assign(sample=scans["batch"].str[2], pour=scans["batch"].str[2] + scans["pour"].str[-2:]),
    )
    for day in "01":
        own = scans["batch"].str.endswith(day)
        days.append(
            write_tables(
                tmp_path / f"day{day}", spectra[own], counted_anew[own], batches[batches.index.str.endswith(day)]
            )
        )
    first, _ = build_set(days[:1])
    both, grown = build_set(days)[0], extend_set(first, days[1:], **WHY)
    assert set(grown.refs.scans["sample"]) == {"0", "1", "2", "day1/0", "day1/1", "day1/2"}
    for refs in (both, grown.refs):
        assert (refs.scans.groupby("sample")["pour"].nunique() == 2).all() and refs.scans["sample"].nunique() == 6
    assert not extend_set(grown.refs, days, **WHY).is_new
    # two sets of one name, as they are unless named
    second, _ = build_set(days[1:])
    assert len(merge_sets(first, second).batches) == 6


def test_a_choice_about_nothing_of_the_set_is_refused(january, tmp_path):
    refs, _ = build_set(january)
    with pytest.raises(
        OptionError, match=r"take names '00000', which is nothing of the set \(is '0000' meant\?\); expected"
    ):
        refs.extend(batches=late({"0000": 9.9}), take={"": "set", "00000": "folder"}, **WHY)
    with pytest.raises(ReferenceSetError, match="scans.csv lists scans; name its folder"):
        extend_set(refs, [january / "scans.csv"], **WHY)
    late({"O011": 12.1}).to_csv(tmp_path / "late.csv")
    assert "(is '0011' meant?)" in extend_set(refs, [tmp_path / "late.csv"], **WHY).left_out["reason"].iloc[0]


def test_a_folder_with_loose_accents_is_known_again():
    spectra, scans, batches = small_tables()
    loose = batches.assign(beer=batches["beer"].str.replace("Beer", "Bie\u0300r"))
    refs = ReferenceSet(spectra, scans, loose, colour_unit="EBC")
    with pytest.raises(ReferenceSetError, match="nothing is new: 18 scans are in the set already"):
        refs.extend(spectra, scans, loose, **WHY)


def test_a_folder_whose_own_name_has_loose_accents_is_known_again(tmp_path):
    spectra, scans, batches = small_tables()
    # another batch under the same names of scans and pours
    other = batches.rename(index=lambda name: f"9{name}")
    days = [
        write_tables(tmp_path / "Ma\u0308rz", spectra, scans, batches),
        write_tables(tmp_path / "April", spectra, scans.assign(batch="9" + scans["batch"]), other),
    ]
    refs, _ = build_set(days)
    assert not extend_set(refs, days, reason="again").is_new


def test_a_set_saved_with_loose_accents_is_tended_on(tmp_path, monkeypatch):
    def loosely(name):
        return unicodedata.normalize("NFD", str(name).strip())

    spectra, scans, batches = small_tables()
    scans, batches = scans.assign(batch="\u00e4" + scans["batch"]), batches.rename("\u00e4{}".format)
    tables = spectra, scans, batches.assign(beer="K\u00f6lsch " + batches["beer"])
    with monkeypatch.context() as of_before:
        of_before.setattr("specmatch.spectra.tidy_name", loosely)
        of_before.setattr("specmatch.batches.tidy_name", loosely)
        old = ReferenceSet(*tables, colour_unit="EBC").drop(loosely("\u00e40000"), **WHY)
        old.determinations[loosely("\u00e40001")] = [[6.1, 0.0, 1.0, "", ""], [6.0, 0.0, 1.0, "", ""]]
        old.save(tmp_path / "set")
    refs = ReferenceSet.load(tmp_path / "set")
    assert refs.hash == old.hash
    assert all(unicodedata.is_normalized("NFC", name) for name in [*refs.batches.index, *refs.batches["beer"]])
    assert list(refs.determinations) == ["\u00e40001"]
    with pytest.raises(ReferenceSetError, match="nothing is new"):
        refs.extend(*tables, **WHY)  # what was dropped stays out
    refs.drop("\u00e40002", **WHY).save(tmp_path / "set")
    undone = ReferenceSet.load(tmp_path / "set").undo(**WHY)
    assert undone.batches.index.equals(refs.batches.index)
    undone.save(tmp_path / "set")
