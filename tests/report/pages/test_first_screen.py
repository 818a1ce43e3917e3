"""Ten questions that a stranger is asked about each kind of page, answered from the first screen alone; and axe."""

import re

import pytest
from browser import browsing
from every_page import every_page

pytest.importorskip("matplotlib")
pytestmark = pytest.mark.whole

# of paper the inside of an A4 with its margins, in CSS pixels
SCREENS = {"phone": (390, 844, "screen"), "desktop": (1440, 900, "screen"), "A4": (688, 1017, "print")}
DAY, WHEN = r"2025-\d\d-\d\d", r"measured 20\d\d-\d\d-\d\d \d\d:\d\d"
NO_PROOF = "it cannot prove what (a|the) liquid is"
QUESTIONS = {
    "set": {
        "What is this page about?": "Reference set house",
        "Is anything wrong?": "look first at 1 finding",
        "Which beers?": "4 beers.*Meadow Pils",
        "What colour are they?": r"6\.5 ± 0\.3",
        "How near to the lab is it?": r"within 2\.\d% of the lab",
        "How sure is that?": "how sure .* of 24 lab colours lay in their 90% interval",
        "Which beers may be mixed up?": "most alike Walnut Brown and Night Porter",
        "What do I do next?": "do next 6.99-21.3 EBC: add batches",
        "When was it measured?": f"measured {DAY} to {DAY}",
        "What can it not do?": NO_PROOF,
    },
    "young set": {
        "What is this page about?": "Reference set young",
        "Is anything wrong?": "look first at 3 findings",
        "Can it be used?": "No model of this set can be judged yet",
        "Why not?": "the set holds 2 batches",
        "Which beers?": "Meadow Pils.*Amber Lane",
        "What colour are they?": r"21\.2",
        "How sure is that?": "how sure nothing is known of that yet",
        "What do I do next?": "do next Amber Lane: add batches of it",
        "When was it measured?": f"measured {DAY}",
        "What can it not do?": NO_PROOF,
    },
    "model": {
        "What is this page about?": "House model of the set house",
        "What was it fitted on?": r"4 beers, 24 batches.*fitted on the set house \(\w{12}\)",
        "Which beers?": "Meadow Pils",
        "What colour are they?": r"6\.5 ± 0\.3",
        "How near to the lab is it?": r"within 2\.\d% of the lab",
        "How sure is that?": "how sure stated: 90% of lab colours",
        "Which beers may be mixed up?": "most alike Walnut Brown and Night Porter",
        "What do I do next?": "do next hold it against new lab colours",
        "When was it measured?": "on the page of its set",
        "What can it not do?": NO_PROOF,
    },
    "readings": {
        "What is this page about?": "Readings of 8 samples",
        "Is anything wrong?": "7 of 8 samples need somebody: 7 hold",
        "Which ones?": "NP-1-002-S1, MP-1-002-S1",
        "What was it said to be?": "HOLD Amber Lane",
        "Which beer is it?": "nearest: Night Porter",
        "What colour is it, how sure?": r"63\.7 \(61\.0 to 66\.0\)",
        "How often does it err?": "5% of right claims are held",
        "What do I do next?": "do next NP-1-002-S1: keep the packages, check which beer is on the line",
        "When was it measured?": WHEN,
        "What can it not do?": NO_PROOF,
    },
    "reading": {
        "What is this page about?": "Sample NP-1-002-S1",
        "Is anything wrong?": "(?i)hold",
        "Why?": "Why. Not typical of Amber Lane",
        "What was it said to be?": "claimed Amber Lane",
        "Which beer is it?": "plausible beers Night Porter",
        "What colour is it, how sure?": r"63\.7 EBC \(interval 61\.0 to 66\.0\)",
        "What does it rest on?": "12 batches|24 batches",
        "What do I do next?": "What to do. Keep the packages, check which beer is on the line",
        "When was it measured?": f"measured {DAY}",
        "What can it not do?": "It cannot prove what a liquid is",
    },
    "validation": {
        "What is this page about?": "Validation",
        "May the model be used?": "Not enough to say",
        "Why?": r"a bias of 3\.1% would be found 80% of the time",
        "What is missing?": "needed: about 3 batches more",
        "Which beers?": "7 batches of 4 beers",
        "How near to the lab is it?": r"within 2\.1% of the lab.*bias \+0\.10 EBC",
        "How sure is that?": r"intervals hold 86% \(42% to 100%\)",
        "What do I do next?": "do next measure what is missing",
        "When was it measured?": WHEN,
        "What can it not do?": "it cannot say how well beers are told apart",
    },
    "gauge": {
        "What is this page about?": "Gauge study",
        "How far do readings scatter?": r"scatter by 1\.6% of the colour",
        "Is that too much?": "of the tolerance",
        "How sure is that?": r"\(1\.2% to 2\.4%\).*95 % bounds",
        "Between what?": "between pours",
        "What adds most?": "largest part pours",
        "Which beers?": "24 pours of 8 batches.*beers Amber Lane, Meadow Pils",
        "What do I do next?": "do next measure two batches or more under every condition",
        "When was it measured?": WHEN,
        "What can it not do?": "it cannot say how near readings are to the lab",
    },
    "commissioning": {
        "What is this page about?": "Commissioning",
        "Which module?": "invented-288",
        "Is it fit for use?": "within its limits",
        "Is anything wrong?": "14 within, 1 not measured",
        "What is nearest its limit?": "nearest limits stray light at 48%",
        "What was not measured?": "not measured dark per degree",
        "How sure is that?": "95 % reach",
        "What do I do next?": "do next dark per degree: scan darks at two temperatures",
        "When was it measured?": "measured 2031-03-03",
        "What can it not do?": "it cannot say what a beer reads",
    },
    "plan": {
        "What is this page about?": "Plan before the first batch",
        "Do I get what I wish?": "Every wish met",
        "How many batches?": "4 batches of each beer",
        "How many pours, in which cup?": "1 pour a sample, 10 mL in a cup of 40 mm",
        "How long does it take?": "ready after 4 weeks",
        "How near to the lab will it be?": r"colour within \d+\.\d%",
        "How sure is that?": "how sure simulated; nine houses of ten",
        "Which beers may be mixed up?": "most alike Pils and Amber",
        "What do I do next?": "do next week 1, session 1: dark, reference, control",
        "What can it not do?": "it cannot promise it",
    },
    "line": {
        "What is this page about?": "What the line did",
        "Is anything wrong?": "7 entries wait for somebody",
        "What was said to be in the package?": "Amber Lane, lot NP-1-002",
        "Which beer is it?": "typical of Night Porter",
        "Why does it wait?": "not typical of Amber Lane",
        "How sure is that?": "a right claim is held in 5.0% of readings",
        "What do I do next?": "do next Amber Lane, lot NP-1-002: pour again",
        "When was it measured?": WHEN,
        "Is the record whole?": "12 entries, none altered",
        "What can it not do?": "it cannot say what a liquid is",
    },
    "lot": {
        "What is this page about?": "Lot NP-1-002",
        "Is anything wrong?": "1 entry of this lot waits",
        "What was it said to be?": "Amber Lane; by the record",
        "Which beer is it?": "typical of Night Porter",
        "What colour is it, how sure?": r"63\.7 EBC \(61\.0 to 66\.0\)",
        "How often does it err?": "a right claim is held in 5.0%",
        "What do I do next?": "do next entry 6: pour again",
        "When was it measured?": f"measured {DAY}",
        "By what was it judged?": "judged by model .* of house",
        "What can it not do?": NO_PROOF,
    },
    "tag": {
        "Is it held?": "(?i)rescan",
        "Which beer is on the label?": "Amber Lane",
        "Which lot?": "lot NP-1-002",
        "Which line and sample?": "sample NP-1-002-S1 · line 1",
        "When was it measured?": f"{DAY} ",
        "What colour was it?": r"63\.7 EBC",
        "What do I do?": "(?i)keep the packages of this run apart and pour again",
        "Why?": "Not typical of Amber Lane.*typical of Night Porter",
        "Where is the record?": r"SM-\d+-",
        "What can it not do?": "A screening check: people release",
    },
}  # fmt: skip
SHOWN = """() => {
  const said = [], range = document.createRange();
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node; (node = walk.nextNode());) {
    range.selectNodeContents(node);
    const box = [...range.getClientRects()].find(one => one.width > 0);
    const inside = box && box.left >= 0 && box.left < innerWidth && box.top >= 0 && box.bottom <= innerHeight;
    if (inside && !node.parentElement.closest("script")) said.push(node.data);
  }
  return said.join(" ").replace(/\\s+/g, " ");
}"""


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    pages = every_page(folder)
    for name, page in pages.items():
        (folder / f"{name}.html").write_text(page, encoding="utf-8")
    return {name: (folder / f"{name}.html").as_uri() for name in pages}


@pytest.fixture(scope="module")
def browser():
    with browsing() as found:
        yield found


@pytest.mark.parametrize("screen", SCREENS)
def test_ten_questions_are_answered_from_the_first_screen(browser, made, screen):
    width, height, media = SCREENS[screen]
    page = browser.new_context(viewport={"width": width, "height": height}).new_page()
    page.emulate_media(media=media)
    unanswered = []
    for name, asked in QUESTIONS.items():
        assert len(asked) == 10
        page.goto(made[name])
        shown = page.evaluate(SHOWN)
        unanswered += [f"{name}: {question}" for question, answer in asked.items() if not re.search(answer, shown)]
    assert set(QUESTIONS) == set(made)
    assert unanswered == []


# a phone, and a desktop at 200 %: what a screen of 1440 by 900 shows then
@pytest.mark.parametrize(("scheme", "width", "height"), [("light", 390, 844), ("dark", 720, 450)])
def test_axe_finds_nothing_and_no_page_scrolls_sideways(browser, made, scheme, width, height):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    found = []
    page = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme).new_page()
    for name, url in made.items():
        page.goto(url)
        found += [(name, width, rule["id"]) for rule in axe.run(page).response["violations"]]
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert found == []
