"""Conditions of a set, and departures from them."""

import numpy as np
import pandas as pd
import pytest

from specmatch.errors import TableError
from specmatch.house.fitting.fitted import departures_from, learn_conditions, learn_offered, not_used

SET = pd.DataFrame(
    {
        "sample": ["a", "b"],
        "stage": ["package", "Package"],
        "cup": ["C40", ""],
        "cup_mm": [40.0, np.nan],
        "fill_ml": ["10", "10.2"],
        "temperature_c": [18.0, 22.0],
    }
)


def departures(**cells):
    return departures_from(learn_conditions(SET), pd.DataFrame({"sample": ["s"], **{k: [v] for k, v in cells.items()}}))


def test_a_set_keeps_every_word_and_the_range_of_every_number():
    got = learn_conditions(SET, "water")
    assert got.stage == ("Package", "package") and got.cup == ("C40",) and got.reference_kind == ("water",)
    assert got.fill_ml == (10.0, 10.2) and got.cup_mm == (40.0, 40.0) and got.temperature_c == (18.0, 22.0)


def test_what_is_not_known_departs_from_nothing():
    assert departures(stage="", cup=None, temperature_c=np.nan, fill_ml="", operator="KA") == {}
    nothing = learn_conditions(pd.DataFrame({"sample": ["a"]}))
    assert departures_from(nothing, pd.DataFrame({"sample": ["s"], "stage": ["tank"], "fill_ml": [99.0]})) == {}


def test_what_is_recorded_where_the_set_records_nothing_is_told():
    known = learn_conditions(SET)
    scans = pd.DataFrame({"sample": ["s", "s", "t"], "lamp": ["L1", "L2", ""], "cup": "C9", "operator": "KA"})
    assert not_used(known, scans) == {"s": ["recorded here but nowhere in the set, so not used: the lamp (L1, L2)"]}
    nothing = learn_conditions(pd.DataFrame({"sample": ["a"]}))
    scans = pd.DataFrame({"sample": ["s", "s"], "lamp": ["L1", None], "temperature_c": [35.0, np.nan]})
    assert "the lamp (L1), the temperature (35 deg C)" in not_used(nothing, scans)["s"][0]


def test_margins_are_those_of_common_practice():
    assert departures(stage="PACKAGE", fill_ml=10.5, temperature_c=24.9, cup_mm=40.4) == {}
    assert departures(fill_ml=10.7)["s"] == ["the fill is 10.7 mL, the set holds 10-10.2 mL"]
    assert departures(temperature_c=26.0)["s"] == ["measured at 26 deg C, the set holds 18-22 deg C"]
    assert "it may hold chill haze" in departures(temperature_c=4.0)["s"][0]


def test_several_departures_of_a_sample_are_all_told():
    assert len(departures(stage="tank", cup="C60", fill_ml=14.0)["s"]) == 3


def test_a_beer_that_ends_before_it_begins_is_refused():
    table = pd.DataFrame({"valid_from": ["2026-01-01"], "valid_to": ["2025-01-01"]}, index=["Pale"])
    with pytest.raises(TableError, match="beer 'Pale' has valid_from 2026-01-01 after valid_to 2025-01-01"):
        learn_offered(("Pale", "Amber"), table)
