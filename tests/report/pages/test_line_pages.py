"""The tag of a hold and the sheet of a lot: what stands on them, and that a scanner reads their codes off the paper."""

import re
import subprocess

import pytest
from board_room import WICKED, add, add_hold
from browser import browsing

from specmatch.cli import main
from specmatch.errors import OptionError, TableError
from specmatch.house.decision.specification import load_specification
from specmatch.line.journal.journal import Journal
from specmatch.line.journal.queries import entry_code, entry_number
from specmatch.report.pages import hold_tag, journal_page, lot_sheet
from specmatch.report.pages.html import OWN_SCRIPT

LIMITS = "== house.limits.csv\nbeer,target,tolerance,unit,risk\nSaddle Pale,14,10%,EBC,0.02\nAmber Lane,30,2,EBC,\n"


@pytest.fixture
def path(tmp_path):
    return tmp_path / "line.db"


def opened(path):
    return Journal(path, read_only=True)


def words(page):
    return re.sub(r"\s+", " ", re.sub(r"<(style|svg).*?</\1>|<[^>]+>", " ", page, flags=re.DOTALL))


def test_a_tag_says_what_is_held_and_what_to_do_and_a_review_takes_its_code(path, capsys):
    held = add_hold(path)
    with opened(path) as journal:
        page, code = hold_tag(journal, held), entry_code(journal, held)
        said = words(page)
        parts = ("HOLD", "Saddle Pale", "lot 7", "sample S1", "line L1", "Keep the packages")
        assert all(part in said for part in parts)
        assert code in said and "people release" in said
        assert entry_number(journal, f" {code.lower()} ") == held and entry_number(journal, str(held)) == held
        with pytest.raises(TableError, match="is not the one of this tag"):
            entry_number(journal, code[:-1] + ("0" if code[-1] != "0" else "1"))
        with pytest.raises(TableError, match="or the code of a tag such as"):
            entry_number(journal, "SM-1")
        with pytest.raises(TableError, match="has no entry 99"):
            hold_tag(journal, 99)
    assert main(["history", str(path), "--review", code, "--outcome", "rework", "--operator", "KA", "--note", "x"]) == 0
    with opened(path) as journal:
        assert "Reviewed: rework" in words(hold_tag(journal, held))
    passed = add(path)
    with opened(path) as journal, pytest.raises(OptionError, match="is consistent: a tag is for what is held"):
        hold_tag(journal, passed)
    capsys.readouterr()


def test_a_lots_sheet_says_what_was_checked_by_which_limits_and_what_it_does_not_prove(path):
    basis = {"model_hash": "m" * 64, "set_name": "house", "set_hash": "s" * 64, "specification_hash": "h" * 64}
    basis |= {"false_reject_rate": 0.05, "coverage": 0.9}
    with Journal(path) as journal, journal.writing():
        journal.append({"kind": "put_right"}, documents=[("h" * 64, "specification", LIMITS)])
    reading = {
        "colour": 14.2,
        "colour_low": 13.1,
        "colour_high": 15.3,
        "colour_unit": "EBC",
        "warnings": [],
        "n_pours": 3,
    }
    add(path, "control", minutes=50, claimed=None, lot=None, material="dye", material_lot="7")
    add(path, minutes=40, reading={**reading, "plausible_beers": ["Saddle Pale", "Amber Lane"]}, **basis)
    with opened(path) as journal:
        said = words(lot_sheet([journal], "7"))
    assert "Nothing waits for this lot" in said and "consistent" in said and "14.2 EBC (13.1 to 15.3)" in said
    assert "5.0% of readings" in said and "90% of lab values" in said and "m" * 16 in said
    assert "Saddle Pale 14 10% EBC 0.02" in said and "Amber Lane 30" not in said
    assert "dye 7" in said and "3 pours of 1 sample were looked at" in said
    assert "other beers of the house are as plausible: Amber Lane" in said and "screening check" in said
    add_hold(path, **basis)
    add(path, line="L2", **basis)
    with opened(path) as journal:
        said = words(lot_sheet([journal], "7"))
        assert "1 entry of this lot waits" in said and ": a person reviews it" in said
        assert "L2" in said and "L2" not in words(lot_sheet([journal], "7", line="L1"))
        with pytest.raises(OptionError, match="no journal holds a lot '8'"):
            lot_sheet([journal], "8")


def test_a_control_read_without_an_interval_shows_none(path):
    reading = {"colour": 28.25, "colour_low": None, "colour_high": None, "colour_unit": "EBC", "warnings": []}
    add(path, "control", claimed=None, lot=None, material="dye", material_lot="7", reading=reading)
    with opened(path) as journal:
        said = words(journal_page([journal]))
    assert "28.2 EBC" in said or "28.3 EBC" in said
    assert "no limit to no limit" not in said


def test_paper_goes_by_what_stands_now_and_by_the_hours_that_the_line_asks_for(path):
    force = add(path, "in_force", claimed=None, lot=None, control_hours=24.0, coverage=0.9, false_reject_rate=0.05)
    held = add_hold(path, in_force=force)
    with opened(path) as journal:
        assert "None is recorded in the 24 hours before" in words(lot_sheet([journal], "7"))
    add(path, "control", minutes=20 * 60, claimed=None, lot=None, material="dye", material_lot="B")
    right = add(path, replaces=held, in_force=force)
    add(path, "review", concerns=held - 1, measured_at="2125-01-01T00:00:00+00:00", measured_unix=4891363200.0)
    with opened(path) as journal:
        assert "dye B" in words(lot_sheet([journal], "7"))
        with pytest.raises(OptionError, match=f"entry {held} was put right by entry {right}"):
            hold_tag(journal, held)
        said = words(journal_page([journal]))
    assert "90% of lab colours lie in their interval" in said.split("What waits")[0]
    assert "2125" not in said.split("What waits")[0]


def test_names_that_attack_stay_text_on_paper_too(path):
    for wicked in WICKED.values():
        held = add_hold(path, **dict.fromkeys(("claimed", "lot", "sample", "advice", "reason"), wicked))
        with opened(path) as journal:
            for page in (hold_tag(journal, held), lot_sheet([journal], wicked)):
                assert (
                    not re.search(r"<(img|script)", page.replace(OWN_SCRIPT, ""))
                    and "\u202e" not in page
                    and "\x1b" not in page
                )


def test_report_makes_them_without_matplotlib(path, tmp_path, capsys, monkeypatch):
    held = add_hold(path)
    monkeypatch.setitem(__import__("sys").modules, "matplotlib", None)
    assert main(["report", str(path), "--tag", str(held), "--out", str(tmp_path / "tag.html")]) == 0
    assert main(["report", str(path), "--lot", "7", "--line", "L1", "--out", str(tmp_path / "lot.html")]) == 0
    assert "a tag" in capsys.readouterr().out
    for wrong in (["--tag", "1", "--lot", "7"], ["--line", "L1"], ["--tag", "x"]):
        assert main(["report", str(path), *wrong, "--out", str(tmp_path / "x.html")]) == 2
    monkeypatch.setitem(__import__("sys").modules, "segno", None)
    assert main(["report", str(path), "--tag", str(held), "--out", str(tmp_path / "x.html")]) == 2
    assert "pip install '.[board]'" in capsys.readouterr().err


@pytest.fixture(scope="module")
def browser():
    with browsing() as browser:
        yield browser


def printed(browser, folder, page, name):
    """Print a page, and return its sheets as pictures."""
    import shutil

    from matplotlib import image

    if shutil.which("pdftoppm") is None:
        pytest.skip("no pdftoppm on this machine: what is printed is not looked at")
    (folder / f"{name}.html").write_text(page, encoding="utf-8")
    sheet = browser.new_page()
    sheet.goto((folder / f"{name}.html").as_uri())
    sheet.pdf(path=folder / f"{name}.pdf", prefer_css_page_size=True)
    sheet.close()
    subprocess.run(["pdftoppm", "-r", "150", "-png", folder / f"{name}.pdf", folder / name], check=True, timeout=60)
    return [image.imread(path)[..., :3] for path in sorted(folder.glob(f"{name}-*.png"))]


@pytest.mark.whole
@pytest.mark.parametrize("wicked", [None, *WICKED])
def test_the_codes_are_read_off_the_printed_sheets(browser, path, tmp_path, wicked):
    decoder = pytest.importorskip("zxingcpp")
    names = {} if wicked is None else dict.fromkeys(("claimed", "lot", "sample", "advice", "reason"), WICKED[wicked])
    held = add_hold(path, **names)
    with opened(path) as journal:
        tag, code = hold_tag(journal, held), entry_code(journal, held)
        sheet = lot_sheet([journal], names.get("lot", "7"))
    (small,) = printed(browser, tmp_path, tag, "tag")  # one sheet, whatever stands on it
    assert small.shape[0] / 150 == pytest.approx(148 / 25.4, abs=0.02)  # A6: 105 by 148 mm, rounded to a point
    assert small.shape[1] / 150 == pytest.approx(105 / 25.4, abs=0.02)
    assert small[:, :10].min() > 0.9 and small[-10:].min() > 0.9  # nothing runs off its edge
    large = printed(browser, tmp_path, sheet, "lot")
    assert large[0].shape[0] / 150 == pytest.approx(297 / 25.4, abs=0.02)
    for picture in (small, large[0]):
        grey = (picture.mean(axis=2) * 255).astype("uint8")
        found = decoder.read_barcodes(grey)
        assert [(one.text, one.format.name) for one in found] == [(code, "QRCode")]
    with opened(path) as journal:
        assert entry_number(journal, found[0].text) == held


def test_a_lots_sheet_says_which_entries_each_row_of_limits_is_of(path):
    old, new = LIMITS, "== house.limits.csv\nbeer,target,tolerance,unit\nSaddle Pale,15,1.5,EBC\n"
    dated = (
        "== house.limits.csv\nbeer,low,high,unit,valid_from,valid_to\n"
        "Saddle Pale,11,12,EBC,,13.05.2025\nSaddle Pale,12,13,EBC,14.05.2025,03.06.2025\n"
    )
    with Journal(path) as journal, journal.writing():
        sheets = [(name * 64, "specification", one) for name, one in (("o", old), ("n", new), ("d", dated))]
        journal.append({"kind": "put_right"}, documents=sheets)
    first, second = (add(path, specification_hash="o" * 64) for _ in range(2))
    third = add(path, specification_hash="n" * 64)
    fourth = add(path, specification_hash="d" * 64, measured_at="2025-05-14T00:10:00+02:00")
    with opened(path) as journal:
        said = words(lot_sheet([journal], "7"))
    assert f"{first}, {second} Saddle Pale 14 10% EBC 0.02" in said
    assert f"{third} Saddle Pale 15 1.5 EBC" in said
    assert f"{fourth} Saddle Pale EBC 12 13 14.05.2025 03.06.2025" in said
    assert " 11 12 " not in said  # what was in force on no day of this lot


def test_a_lots_sheet_shows_limits_however_their_sheet_is_written_and_those_behind_a_label(path, tmp_path):
    (tmp_path / "house.limits.csv").write_text("Beer;Target;Tolerance;Unit\nSaddle Pale;14,5;10%;EBC\nAmber;30;2;EBC\n")
    (tmp_path / "house.labels.csv").write_bytes("label;beer\nSummer can;Saddle Pale\n".encode("utf-16"))
    spec = load_specification(tmp_path / "house.model")
    with Journal(path) as journal, journal.writing():
        journal.append({"kind": "put_right"}, documents=[(spec.hash, "specification", spec.text)])
    add(path, minutes=40, claimed="Summer can", specification_hash=spec.hash)
    with opened(path) as journal:
        said = words(lot_sheet([journal], "7"))
    assert "14,5 10% EBC" in said and "Summer can" in said and "Amber" not in said and "identity only" not in said
