"""The list of what to do about a model, each with its evidence."""

import pytest

from specmatch.line.charts import Drift, upkeep
from specmatch.line.journal.journal import Journal

LIGHT = Drift(
    "instrument_drift", "L1", 7, 3, "the light of the reference is 20 counts/ms below its baseline", "reference level"
)
PEAK = Drift(
    "instrument_drift", "L1", 7, 3, "the peak of the reference stands 1 nm above its baseline", "reference peak"
)
PRODUCT = Drift("product_drift", "Pale", 7, 3, "Pale reads 1 EBC above its baseline", "colour")
MODEL = Drift("model_drift", "all beers", 7, 3, "readings are less typical of their beers", "typicality")


def test_nothing_is_said_as_such():
    (action,) = upkeep([], [])
    assert (action.action, action.subject) == ("nothing", "")
    assert "no chart has moved" in action.evidence


@pytest.mark.parametrize(
    ("drift", "action"),
    [(LIGHT, "new reference"), (PEAK, "check the instrument"), (PRODUCT, "add batches"), (MODEL, "refit")],
)
def test_what_moved_decides_what_to_do(drift, action):
    (got,) = upkeep([], [drift])
    assert (got.action, got.subject) == (action, drift.subject)
    assert drift.sentence in got.evidence
    # a new lamp, cup or base shows in the reference scans, and is taught by shared batches
    assert ("teach it by batches of the set" in got.evidence) == drift.chart.startswith("reference")


def test_beers_that_the_set_knows_too_little_of(tmp_path):
    with Journal(tmp_path / "line.db") as journal:
        with journal.writing():
            for i in range(20):
                for beer, codes in (("Pale", ["ambiguous_beer"] if i < 6 else []), ("Amber", ["foam"]), ("Stout", [])):
                    codes = [*codes, "too_few_batches"] if beer == "Stout" and i == 0 else codes
                    journal.append(
                        {"kind": "reading", "claimed": beer, "decision": "consistent", "reading": {"warnings": codes}}
                    )
        (action,) = upkeep([journal], [])
    assert (action.action, action.subject) == ("add batches", "Pale")
    assert "6 of its last 20 readings" in action.evidence


def test_what_an_older_model_wanted_is_asked_of_the_newest_alone(tmp_path):
    with Journal(tmp_path / "line.db") as journal:
        with journal.writing():
            for i in range(20):
                row = {"kind": "reading", "claimed": "Pale", "decision": "consistent", "model_hash": "ab"[i // 10] * 64}
                journal.append({**row, "reading": {"warnings": ["too_few_batches"] if i < 10 else []}})
        assert [action.action for action in upkeep([journal], [])] == ["nothing"]
