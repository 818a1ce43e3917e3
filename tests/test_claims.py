"""The page of claims says what the list of claims and the last run at full size say."""

import json
import re
from pathlib import Path

import pytest
from claims import CLAIMS, FIGURES, PAGE, page

TESTS = Path(__file__).parent
CALLED = re.compile(r'\bclaim\(\s*"(\w+)"')
FOUND = json.loads(FIGURES.read_text(encoding="utf-8"))


def test_the_page_is_what_was_measured():
    assert PAGE.read_text(encoding="utf-8") == page(FOUND), "run tests/claims.py"
    assert set(FOUND) == {claim.key for claim in CLAIMS}


@pytest.mark.parametrize("claim", CLAIMS, ids=lambda claim: claim.key)
def test_a_claim_stands_and_its_test_makes_it(claim):
    assert claim.least <= FOUND[claim.key]["figure"] <= claim.most
    file, _, name = claim.test.partition("[")[0].partition("::")
    body = re.split(r"^def ", (TESTS / file).read_text(encoding="utf-8"), flags=re.MULTILINE)
    own = next(part for part in body if part.startswith(f"{name}("))
    assert claim.key in CALLED.findall(own)


def test_no_test_claims_what_is_not_listed():
    said = {key for file in TESTS.rglob("test_*.py") for key in CALLED.findall(file.read_text(encoding="utf-8"))}
    assert said == {claim.key for claim in CLAIMS}
