"""Decisions: every path from a reading and a claim to a decision, and claims of every form."""

import numpy as np
import pandas as pd
import pytest

from specmatch.errors import TableError, UnknownBeerError
from specmatch.house.decision.decision import DECISIONS, check_claims, decide
from specmatch.warning_codes import HOLD, NOTE, RESCAN, WARNING_CODES, worst_effect

BEERS = ("Amber", "Pale")


def judge(p=0.5, plausible=("Pale",), warnings=()):
    return decide(
        "Pale",
        claimed_p_value=p,
        false_reject_rate=0.05,
        nearest_beer="Pale",
        plausible_beers=plausible,
        warnings=warnings,
    )


def test_a_typical_sample_is_consistent_and_never_released():
    got = judge()
    assert got.decision == "consistent"
    assert "typical of Pale (p = 0.50)" in got.reason
    assert "release" not in got.reason + got.advice


def test_a_twin_is_said_every_time():
    got = judge(plausible=("Amber", "Pale"))
    assert got.decision == "consistent"
    assert "cannot tell Pale from Amber" in got.advice


def test_another_beer_is_held_and_named():
    got = judge(p=0.0004, plausible=("Amber",))
    assert got.decision == "hold"
    assert "typical of Amber" in got.reason
    assert "p < 0.001" in got.reason


def test_a_beer_of_no_set_is_held_and_sent_to_transmission():
    got = judge(p=0.01, plausible=())
    assert got.decision == "hold"
    assert "nor of any beer of the set" in got.reason
    assert "transmission" in got.advice


@pytest.mark.parametrize("code", [code for code, row in WARNING_CODES.items() if row.effect == RESCAN])
def test_only_rescan_codes_ask_for_a_rescan_whatever_the_spectrum_says(code):
    assert judge(warnings=("ambiguous_beer", code)).decision == "rescan"
    assert WARNING_CODES[code].sentence in judge(warnings=(code,)).reason


def test_notes_alone_do_not_change_a_decision():
    notes = tuple(code for code, row in WARNING_CODES.items() if row.effect == NOTE)
    assert judge(warnings=notes).decision == "consistent"
    assert worst_effect(notes) == "note"
    assert set(DECISIONS) == {"consistent", "hold", "rescan"}


@pytest.mark.parametrize("code", [code for code, row in WARNING_CODES.items() if row.effect == HOLD])
def test_every_hold_code_holds_and_says_why(code):
    got = judge(warnings=("ambiguous_beer", code))
    assert got.decision == "hold" and WARNING_CODES[code].sentence in got.reason
    assert worst_effect((code, "foam")) == "hold"
    departs = judge(p=0.0004, plausible=("Amber",), warnings=(code,))
    assert "typical of Amber" in departs.reason
    assert departs.reason.endswith(WARNING_CODES[code].sentence)
    assert "keep the packages" in departs.advice


def test_claims_in_every_form():
    samples = pd.Index(["007", "8"])
    assert check_claims("Pale", samples, BEERS) == ["Pale", "Pale"]
    assert check_claims(pd.Series({"007": "Pale", "8": " "}), samples, BEERS) == ["Pale", None]
    assert check_claims({"007": " Amber "}, samples, BEERS) == ["Amber", None]
    assert check_claims(pd.Series({"007": float("nan"), "8": "Pale"}), samples, BEERS) == [None, "Pale"]


def test_bad_claims_are_refused_by_name():
    samples = pd.Index(["s1"])
    with pytest.raises(UnknownBeerError, match="'s1' is claimed to be 'Stout', which is no beer .* Amber, Pale"):
        check_claims("Stout", samples, BEERS)
    with pytest.raises(TableError, match="verify needs a claim"):
        check_claims(None, samples, BEERS)
    with pytest.raises(TableError, match="sample 's2', which has no scan"):
        check_claims({"s2": "Pale"}, samples, BEERS)


def test_a_beer_named_by_a_number_is_claimed_by_it():
    assert check_claims(12, pd.Index(["s1"]), ("12", "Pale")) == ["12"]
    assert check_claims(np.int64(12), pd.Index(["s1"]), ("12", "Pale")) == ["12"]


def test_a_hold_code_never_lets_a_claim_pass():
    told = dict(
        claimed_p_value=0.5, false_reject_rate=0.05, nearest_beer="Pils", plausible_beers=("Pils",), beers=("Pils",)
    )
    assert decide("Pils", **told, warnings=("stale_dark",)).decision == "consistent"
    held = decide("Pils", **told, warnings=("stale_dark", "sheet_disagrees_with_file"))
    assert held.decision == "hold" and "state one thing differently" in held.reason
    assert decide("Pils", **told, warnings=("sheet_disagrees_with_file", "spike")).decision == "rescan"
    assert worst_effect(("stale_dark", "sheet_disagrees_with_file")) == "hold"


@pytest.mark.parametrize("claimed", [float("nan"), 3, True, ["Pils"], ("Pils", "Ale")])
def test_a_claim_that_is_no_name_is_refused_by_what_it_is(claimed):
    with pytest.raises(
        TableError, match=r"claimed is .*, no name; expected a beer by its name, or a Series sample -> beer"
    ):
        check_claims(claimed, pd.Index(["S1"]), BEERS)
