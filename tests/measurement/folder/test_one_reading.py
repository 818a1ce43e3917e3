"""What a shift leaves in its sheets and can be read one way only is read; what cannot be right is said."""

import pandas as pd
import pytest
from tiny_folder import tiny_folder

import specmatch as sm
from specmatch.errors import SheetError


def edited(folder, edit, name="scans.csv"):
    table = pd.read_csv(folder / name, dtype=str, keep_default_na=False)
    edit(table).to_csv(folder / name, index=False)
    return folder


def noted(folder):
    return " ".join(sm.measure(folder).notes["note"])


def test_files_in_a_sub_folder_listed_by_bare_name_are_read(tmp_path):
    folder = tiny_folder(tmp_path / "monday")
    (folder / "scans").mkdir()
    for path in folder.glob("*-*.csv"):
        path.rename(folder / "scans" / path.name.upper())
    session = sm.measure(folder)
    assert len(session.spectra) == 9 and session.left_out.empty
    assert "9 files by other names or in sub-folders" in " ".join(session.notes["note"])
    # two files of one name: nothing tells which is meant
    (folder / "old").mkdir()
    first = next((folder / "scans").iterdir())
    (folder / "old" / first.name).write_bytes(first.read_bytes())
    assert len(sm.measure(folder).left_out) == 1


@pytest.mark.parametrize(("said", "kind"), [("Wasser", "water"), ("Bare Base", "base"), ("", "")])
def test_kinds_of_reference_are_known_in_other_words(tmp_path, said, kind):
    folder = edited(tiny_folder(tmp_path / "monday"), lambda table: table.assign(reference_kind=said))
    assert sm.measure(folder).reference_kind == kind


@pytest.mark.parametrize("said", ["air", "?", "none"])
def test_a_kind_of_reference_that_is_none_is_refused(tmp_path, said):
    folder = edited(tiny_folder(tmp_path / "monday"), lambda table: table.assign(reference_kind=said))
    with pytest.raises(SheetError, match=r"line 2, column reference_kind: .* is not known; write water"):
        sm.measure(folder)


def test_names_that_differ_in_case_or_marks_only_are_named_beside_each_other(tmp_path):
    hands = ["KA", "ka ", "JD"] * 4
    folder = edited(tiny_folder(tmp_path / "monday"), lambda table: table.assign(operator=hands[: len(table)]))
    assert "column operator: 'KA' and 'ka' differ in case or marks only" in noted(folder)


def test_a_claim_beside_another_beer_in_the_sheet_of_batches_is_said(tmp_path):
    folder = tiny_folder(tmp_path / "monday")
    assert "claimed to be another beer" not in noted(folder)
    edited(folder, lambda table: table.assign(beer=table["beer"].replace("Pale", "Amber")))
    assert "there 'Pale', here 'Amber'" in noted(folder)


def test_a_day_that_has_not_come_is_said_and_a_count_is_whole(tmp_path):
    folder = edited(
        tiny_folder(tmp_path / "monday"), lambda table: table.assign(packaged_on="2999-01-01"), "batches.csv"
    )
    assert "packaged_on: 2999-01-01 has not come yet, nor have those of 2 lines below" in noted(folder)
    edited(folder, lambda table: table.assign(colour_n="2.5"), "batches.csv")
    with pytest.raises(SheetError, match=r"line 2, column colour_n: 2.5 is no count"):
        sm.measure(folder)
