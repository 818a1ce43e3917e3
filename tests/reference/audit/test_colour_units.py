"""Lab colours in another unit than is said, on invented houses that no threshold was set on."""

import numpy as np
import pytest
from some_of import some_of

from benchmarks.houses.drawn import drawn_house
from benchmarks.houses.house import House
from benchmarks.houses.members import SHOWN, members
from specmatch import ReferenceSet
from specmatch.cli import main
from specmatch.reference.audit.batches import unit_findings
from specmatch.reference.tables.pours import pours_of

FACTOR = 1.97
# these two scatter by a fifth of the factor or more about their spectra: the audit stays silent on parts of them
TOO_WIDE = ("long_ladder", "wave_year")
# no beer of this house is pale enough at 430 nm to be held against its depth
TOO_DARK = ("night_cellar",)


@pytest.fixture(scope="module", params=some_of(3, SHOWN))
def house(request):
    drawn = House(members()[request.param], 3).draw()
    return request.param, drawn, pours_of(drawn.spectra, drawn.scans, drawn.batches, drawn.band_nm)


def judge(house, wrong, *, recorded=True, labs=None):
    """Findings where the batches of `wrong` are in SRM and said to be in EBC."""
    _, drawn, pours = house
    colour = drawn.batches.loc[list(pours.batch_names), "colour"].to_numpy(float) / np.where(wrong, FACTOR, 1.0)
    scans = drawn.scans if recorded else drawn.scans.drop(columns=["fill_ml", "cup_mm"])
    return unit_findings(pours, colour, np.full(len(colour), "") if labs is None else labs, scans, "EBC")


def some(house, share):
    return np.random.default_rng(7).random(len(house[2].batch_names)) < share


def test_a_clean_house_has_no_doubtful_unit(house):
    none = some(house, 0.0)
    for recorded in (True, False):
        found, told = judge(house, none, recorded=recorded)
        assert found == [] and told == (recorded and house[0] not in TOO_DARK)


def test_a_whole_set_in_the_other_unit_is_found_where_depth_is_recorded(house):
    found, told = judge(house, some(house, 1.0))
    if house[0] in TOO_DARK:
        assert found == [] and not told
        return
    assert [(f.code, f.level, f.suggestion) for f in found] == [("unit_doubtful", "set", "SRM")]
    assert judge(house, some(house, 1.0), recorded=False) == ([], False)


@pytest.mark.parametrize("share", [0.05, 0.3, 0.5])
def test_batches_in_the_other_unit_are_found_by_name(house, share):
    wrong = some(house, share)
    found, _ = judge(house, wrong)
    meant = {name for name, off in zip(house[2].batch_names, wrong, strict=True) if off}
    named = {f.subject for f in found if f.level == "batch"}
    assert not named - meant
    if house[0] not in TOO_WIDE:
        assert len(named & meant) >= 0.9 * len(meant)


def test_a_lab_in_the_other_unit_is_named_as_a_whole(house):
    wrong = some(house, 0.3)
    found, _ = judge(house, wrong, labs=np.where(wrong, "North", "South"))
    if house[0] not in TOO_WIDE:
        assert [(f.level, f.subject) for f in found] == [("set", "North")] and "by North" in found[0].sentence


@pytest.mark.whole
def test_the_audit_says_it_and_says_what_it_cannot_tell(tmp_path, capsys):
    drawn = House(members()["own_day"], 3).draw()
    batches = drawn.batches.assign(colour=drawn.batches["colour"] / FACTOR)
    audited = ReferenceSet(drawn.spectra, drawn.scans, batches).audit()
    assert "unit_doubtful" in set(audited["code"]) and audited.attrs["notes"] == ()
    bare = ReferenceSet(drawn.spectra, drawn.scans.drop(columns=["fill_ml", "cup_mm"]), batches)
    audited = bare.audit()
    assert "unit_doubtful" not in set(audited["code"]) and "cannot be told" in audited.attrs["notes"][0]
    bare.save(tmp_path / "set")
    main(["audit", str(tmp_path / "set")])
    assert "a factor common to all lab colours" in capsys.readouterr().out


def test_a_line_that_bends_at_one_end_of_the_colours_is_no_unit():
    drawn = House(drawn_house(33), 1).draw()
    pours = pours_of(drawn.spectra, drawn.scans, drawn.batches, drawn.band_nm)
    assert judge(("drawn_33", drawn, pours), np.zeros(len(pours.batch_names), bool)) == ([], False)


def test_a_stray_batch_is_no_unit_whichever_side_the_many_are_taken_for():
    drawn = House(drawn_house(120), 1).draw()
    found = judge(("drawn_120", drawn, pours_of(drawn.spectra, drawn.scans, drawn.batches, drawn.band_nm)), False)[0]
    assert found == []
