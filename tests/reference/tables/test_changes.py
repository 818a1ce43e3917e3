"""Changes to a set: each a new version with its reason, and what `compare` tells of them."""

import numpy as np
import pandas as pd
import pytest
from small_house import small_tables

from specmatch.errors import (
    ConflictError,
    OptionError,
    ParentsError,
    ReferenceSetError,
    UnitError,
    WavelengthMismatchError,
)
from specmatch.reference.changes import compare_sets
from specmatch.reference.reference_set import ReferenceSet
from specmatch.reference.tables.alignment import average_lab_values

WHY = {"reason": "because", "who": "JD", "when": "2026-01-31"}


def a_set(**changes):
    return ReferenceSet(*small_tables(), **changes)


def more(batch="0100", beer="Beer 1", colour=11.0):
    spectra, scans, batches = small_tables(n_beers=1, n_batches=1)
    rename = {name: name.replace("0000", batch) for name in scans.index}
    scans = scans.rename(index=rename).assign(pour=[f"{batch}-0", f"{batch}-1"], sample=f"{batch}-s", batch=batch)
    return spectra.rename(index=rename), scans, pd.DataFrame({"beer": [beer], "colour": [colour]}, index=[batch])


def changes(before, after):
    return [tuple(row) for row in compare_sets(before, after).itertuples(index=False)]


def test_every_change_makes_a_new_version_and_leaves_the_old_one():
    first = a_set()
    kept = first.hash
    second = first.relabel("0000", "Beer 2", **WHY)
    third = second.drop("0001", **WHY)
    assert first.hash == kept and first.history == () and first.batches.at["0000", "beer"] == "Beer 0"
    assert (second.parent, third.parent) == (first.hash, second.hash)
    assert [entry["parent"] for entry in third.history] == [first.hash, second.hash]
    assert third.history[0] == {
        "what": "relabelled batch '0000' from 'Beer 0' to 'Beer 2'",
        "who": "JD",
        "when": "2026-01-31",
        "why": "because",
        "parent": first.hash,
        "edit": {"kind": "relabel", "batch": "0000", "before": "Beer 0", "beer": "Beer 2"},
    }
    assert "0001" not in third.batches.index and not (third.scans["batch"] == "0001").any()
    assert third.hash == first.drop("0001", **WHY).relabel("0000", "Beer 2", **WHY).hash


def test_a_year_of_upkeep_is_told_by_compare_and_history(tmp_path):
    start = a_set(name="worked example")
    start.save(tmp_path / "january")
    grown = start.extend(*more(), reason="new batch of February", who="JD", when="2026-02-03")
    fixed = grown.set_colour("0010", 11.9, reason="lab repeated it", who="LB", when="2026-03-01", lab="A", colour_n=2)
    fixed = fixed.relabel("0002", "Beer 1", reason="labels mixed up", who="JD", when="2026-04-12")
    fixed = fixed.drop("0021-1", level="pour", reason="foam", who="JD", when="2026-05-02")
    end = fixed.drop("0022", reason="recipe trial", who="JD", when="2026-12-01")
    end.save(tmp_path / "december")
    end = ReferenceSet.load(tmp_path / "december")
    assert [entry["why"] for entry in end.history] == [
        "new batch of February", "lab repeated it", "labels mixed up", "foam", "recipe trial",
    ]  # fmt: skip
    told = changes(ReferenceSet.load(tmp_path / "january"), end)
    assert [row[:2] for row in told] == [
        ("batch added", "0100"),
        ("batch removed", "0022"),
        ("relabelled", "0002"),
        ("colour changed", "0010"),
        ("batch record", "0010: colour_n"),
        ("batch record", "0010: lab"),
        ("scan added", "0100-0.csv"),
        ("scan added", "0100-1.csv"),
        ("scan removed", "0021-1.csv"),
        ("scan removed", "0022-0.csv"),
        ("scan removed", "0022-1.csv"),
    ]
    assert told[2][2:] == ("Beer 0", "Beer 1") and told[3][2:] == (12.0, 11.9)
    assert changes(end, end) == []


def test_compare_tells_changed_numbers_and_settings():
    spectra, scans, batches = small_tables()
    other = spectra.copy()
    other.iloc[3, 4] += 0.25
    told = changes(ReferenceSet(spectra, scans, batches), ReferenceSet(other, scans, batches, name="b"))
    assert told[0] == ("setting", "name", "house", "b")
    assert told[1][:2] == ("reflectance changed", spectra.index[3]) and told[1][3] == pytest.approx(0.25, rel=1e-9)


def test_extend_takes_more_scans_of_a_batch_and_averages_its_lab_values():
    first = a_set()
    spectra, scans, batches = more()
    scans = scans.assign(batch="0010")
    grown = first.extend(spectra, scans, batches.rename(index={"0100": "0010"}), **WHY)
    row = grown.batches.loc["0010"]
    # two determinations, 12.0 and 11.0: mean 11.5, standard deviation sqrt(0.5)
    assert (row["colour"], row["colour_n"]) == (11.5, 2.0) and row["colour_sd"] == pytest.approx(np.sqrt(0.5))
    assert len(grown.scans) == len(first.scans) + 2 and len(grown.batches) == len(first.batches)


def test_what_cannot_be_changed_is_refused():
    first = a_set()
    with pytest.raises(ReferenceSetError, match="are in the set already"):
        first.extend(*small_tables(), **WHY)
    spectra, scans, batches = more()
    other_beer = (
        spectra,
        scans.assign(batch="0010"),
        pd.DataFrame({"beer": ["Beer 2"], "colour": [1.0]}, index=["0010"]),
    )
    with pytest.raises(ConflictError, match="0010 beer: the set has 'Beer 1', the new table 'Beer 2'"):
        first.extend(*other_beer, **WHY)
    spectra, scans, batches = more()
    with pytest.raises(WavelengthMismatchError, match="the new scans do not fit the set"):
        first.extend(spectra.iloc[:, 3:], scans, batches, **WHY)
    with pytest.raises(OptionError, match="needs a reason"):
        first.drop("0000", reason=" ")
    with pytest.raises(ReferenceSetError, match="batch 'x' is not in the set"):
        first.drop("x", **WHY)
    with pytest.raises(ReferenceSetError, match="nothing would be left"):
        first.drop(list(first.batches.index), **WHY)
    with pytest.raises(OptionError, match="level is 'keg'"):
        first.drop("0000", level="keg", **WHY)
    with pytest.raises(ReferenceSetError, match="is not in the set"):
        first.relabel("x", "Beer 1", **WHY)
    with pytest.raises(ReferenceSetError, match="is labelled 'Beer 0' already"):
        first.relabel("0000", "Beer 0", **WHY)
    with pytest.raises(OptionError, match="the new beer is blank"):
        first.relabel("0000", " ", **WHY)
    with pytest.raises(OptionError, match="expected a number above 0"):
        first.set_colour("0000", -1.0, **WHY)
    with pytest.raises(OptionError, match="takes no 'operator'"):
        first.set_colour("0000", 1.0, operator="JD", **WHY)
    with pytest.raises(UnitError, match="keep them apart"):
        a_set(reference_kind="water").merge(a_set(reference_kind="base"), **WHY)


def test_merge_joins_two_sets():
    left = a_set()
    merged = left.merge(ReferenceSet(*more()), **WHY)
    assert list(merged.batches.index) == [*left.batches.index, "0100"]
    assert merged.history[-1]["what"].startswith("merged with 'house'")


def test_select_and_split():
    spectra, scans, batches = small_tables()
    months = [f"2026-{1 + row % 3:02d}-05T08:00:00+01:00" for row in range(len(scans))]
    refs = ReferenceSet(spectra, scans.assign(instrument=["S1", "S2"] * 9, measured_at=months), batches)
    parts = refs.split("instrument")
    assert list(parts) == ["S1", "S2"] and sum(len(part.scans) for part in parts.values()) == len(scans)
    assert set(refs.select(beers=["Beer 1"]).batches["beer"]) == {"Beer 1"}
    span = refs.select(since="2026-02-01", until="2026-03-01")
    assert set(span.scans["measured_at"].str[:7]) == {"2026-02"}
    with pytest.raises(ReferenceSetError, match="beer 'Stout' is not in the set"):
        refs.select(beers=["Stout"])
    with pytest.raises(ReferenceSetError, match="no column 'cup'"):
        refs.split("cup")
    with pytest.raises(ReferenceSetError, match="says when it was measured"):
        a_set().select(since="2026")


def test_lab_values_of_several_labs_are_pooled_with_counts_and_scatter():
    rows = pd.DataFrame(
        {
            "batch": ["b", "b", "c", "b"],
            "beer": ["Pale", "Pale", "Dark", ""],
            "colour": [8.0, 8.4, 40.0, 8.4],
            "colour_n": [2, 1, np.nan, 1],
            "colour_sd": [0.2, np.nan, np.nan, np.nan],
            "lab": ["A", "B", "A", "B"],
        }
    )
    one = average_lab_values(rows)
    # the last row repeats the second; three determinations: mean (2 x 8.0 + 8.4)/3, squares 0.2^2 + 2 x 0.0178 + 0.0711
    assert one.loc["b", "colour"] == pytest.approx(24.4 / 3)
    assert one.loc["b", "colour_n"] == 3 and one.loc["b", "lab"] == "A + B"
    by_hand = np.sqrt((0.2**2 + 2 * (8.0 - 24.4 / 3) ** 2 + (8.4 - 24.4 / 3) ** 2) / 2)
    assert one.loc["b", "colour_sd"] == pytest.approx(by_hand)
    assert one.loc["c", "colour"] == 40.0
    with pytest.raises(ParentsError, match="under beer 'Pale' and under beer 'Dark'"):
        average_lab_values(rows.assign(beer=["Pale", "Dark", "Dark", ""]))


def test_a_slip_in_a_name_is_asked_about():
    refs = ReferenceSet(*small_tables())
    with pytest.raises(ReferenceSetError, match=r"batch '000' is not in the set \(is '00\d\d' meant\?\); names are"):
        refs.drop("000", reason="r")
    with pytest.raises(ReferenceSetError, match=r"beer 'Beer  1' is not in the set \(is 'Beer 1' meant\?\)"):
        refs.rename_beer("Beer  1", "Pale", reason="r")
