"""Report pages: whole in one file, every name escaped, said in words as well as drawn, one A4 for a held reading."""

import re
import shutil
import sqlite3
import subprocess
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from types import SimpleNamespace

import pandas as pd
import pytest

import specmatch as sm
from specmatch.errors import TableError
from specmatch.house.decision.specification import GUARDED, ColourLimits, Specification
from specmatch.wording import CAUTIONS

pytest.importorskip("matplotlib")

from specmatch.house.assessment.validation import ColourCorrection
from specmatch.report import pages  # noqa: E402
from specmatch.report.pages.glance import blends_by_part, evaluated_abilities, thin_beers  # noqa: E402
from specmatch.report.pages.html import ALLOWED, SCRIPT, Section, bullets, figure, table, whole_page  # noqa: E402  # noqa: E402
from specmatch.report.pages.readings import (  # noqa: E402
    interval_bar,
    reading_sheet,  # noqa: E402
    readings_verdict,
    what_to_do_and_why,
)
from specmatch.report.text import FIGURE_WORDS, figures_in_words  # noqa: E402

# names that would end a tag, an attribute, a comment, a formula or a legend
WICKED = {
    "Chalk Lager": "<script>alert(1)</script>",
    "Amber Lane": '"><img src=x onerror=alert(2)> & Söhne',
    "Peat Stout": "_--><b>$\\frac{x}$",
}


@pytest.fixture(scope="module")
def small_set():
    """Three beers with wicked names, five batches each, and one new batch of each."""
    from specmatch.demo.brewery import Brewery

    brewery = Brewery(seed=1)
    past, new = (brewery.draw(n, draw=draw, beers=list(WICKED)) for n, draw in ((5, 0), (1, 1)))
    past.batches["beer"] = past.batches["beer"].map(WICKED)
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, name="A <b>house</b>", colour_unit="EBC")
    return refs, new


@pytest.fixture(scope="module")
def house(small_set):
    return sm.HouseModel().fit(small_set[0])


@pytest.fixture(scope="module")
def evaluation(small_set, house):
    return sm.evaluate(house, small_set[0], n_folds=2)


@pytest.fixture(scope="module")
def set_html(small_set, house, evaluation):
    return pages.set_page(small_set[0], house=house, evaluation=evaluation)


@pytest.fixture(scope="module")
def shift(small_set):
    """What a session has that a model reads: one new sample of each beer, one of its scans with a check."""
    _, new = small_set
    columns = ["scan_id", "code", "size", "sentence"]
    checks = pd.DataFrame([(new.spectra.index[0], "stale_dark", 1.0, "differs")], columns=columns)
    return SimpleNamespace(spectra=new.spectra, scans=new.scans, checks=checks)


@pytest.fixture(scope="module")
def verified(small_set, house, shift):
    """Every sample is claimed to be another beer than it is, so that all are held."""
    _, new = small_set
    beers = list(WICKED)
    really = new.scans.groupby("sample", sort=False)["batch"].first().map(new.batches["beer"])
    claims = {sample: WICKED[beers[beers.index(beer) - 1]] for sample, beer in really.items()}
    return house.verify(shift, claimed=claims)


class Tags(HTMLParser):
    """Collects tags, attributes and text, and holds closing tags against opening ones."""

    EMPTY = {"meta", "br", "img", "path", "use", "rect", "link"}

    def __init__(self, page):
        super().__init__()
        self.tags, self.attributes, self.open, self.words = Counter(), [], [], []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags[tag] += 1
        self.attributes += [(tag, *pair) for pair in attrs]
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags[tag] += 1
        self.attributes += [(tag, *pair) for pair in attrs]

    def handle_endtag(self, tag):
        if tag not in self.EMPTY:
            assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


def check_page(page):
    """What holds for every page."""
    found = Tags(page)
    assert not found.open
    assert not {"img", "iframe", "link", "object", "b"} & set(found.tags)
    # the one script is the page's own, and the policy runs no other
    assert found.tags["script"] == 1
    assert page.count(f"<script>{SCRIPT}</script>") == 1
    assert (
        "meta",
        "content",
        f"default-src 'none'; style-src 'unsafe-inline'; script-src {ALLOWED}",
    ) in found.attributes
    assert found.tags["h1"] == found.tags["main"] == 1
    ids = Counter(value for _, name, value in found.attributes if name == "id")
    assert max(ids.values()) == 1
    for tag, name, value in found.attributes:
        assert not name.startswith("on"), (tag, name)
        if name in ("href", "xlink:href", "src"):
            assert value.startswith("#"), value
            assert value[1:] in ids, value
    assert "url(http" not in page
    assert not re.findall(r"(?<!xmlns=\")(?<!xmlns:xlink=\")https?://", page)
    svgs = re.findall(r"<svg[^>]*>", page)
    assert all('role="img"' in svg and re.search(r'aria-label="[^"]{10,}"', svg) for svg in svgs)
    assert CAUTIONS[:60] in "".join(found.words)
    return "".join(found.words), found


def test_the_set_page_begins_with_its_verdict_and_its_beers(set_html, evaluation):
    words, found = check_page(set_html)
    order = [
        "A model of this set reads colour within",
        "at a glance",
        "What it can do",
        "What it cannot do",
        "Cautions",
    ]
    assert [words.index(said) for said in order] == sorted(words.index(said) for said in order)
    assert f"{evaluation.figures['relative_error']:.1%}" in words
    assert f"{evaluation.figures['false_hold']:.1%} were held" in words
    assert "Prove what a liquid is" in words
    # nine figures, and of each of three beers a glass and a line
    assert found.tags["svg"] == 9 + 6  # five batches tell no curve of errors
    for name in WICKED.values():
        assert name in words


@pytest.mark.whole
def test_the_set_page_is_the_same_every_time(small_set, house, evaluation, set_html):
    assert pages.set_page(small_set[0], house=house, evaluation=evaluation) == set_html


def test_a_set_page_shows_findings_and_history(small_set, undrawn):
    refs, _ = small_set
    mended = refs.set_colour(refs.batches.index[0], float("nan"), reason="<i>typing</i> error", who="KA")
    words, found = check_page(pages.set_page(mended, why_not="there are too few batches"))
    assert "Answer yet: there are too few batches." in words
    assert "missing lab" in words
    assert "<i>typing</i> error" in words
    assert mended.hash in words
    assert refs.hash in words
    assert found.tags["svg"] == 3 + 6


@pytest.mark.whole
def test_a_set_page_tells_how_the_reference_scans_went_on(small_set, house, evaluation):
    refs, _ = small_set
    given = {"house": house, "evaluation": evaluation}
    words, found = check_page(pages.set_page(refs, **given))
    assert "specmatch report SET --measured FOLDER" in words
    drawings = found.tags["svg"]
    level = [1.0, 0.99, 0.9]
    rows = {"folder": "f<1>", "measured_at": "", "instrument": "<i>A</i>", "session": "", "level": level, "code": ""}
    history = pd.DataFrame(rows, index=["r1", "r2", "r3"])
    history.loc["r3", "code"] = "lamp_drift"
    words, found = check_page(pages.set_page(refs, history=history, **given))
    assert found.tags["svg"] == drawings + 1
    said = "The last of 3 reference scans of <i>A</i> carries 90.0% of the light of the first; off those before them: 1"
    assert any(value.startswith(said) for _, name, value in found.attributes if name == "aria-label")
    assert "--measured" not in words
    assert "f<1>" in words


@pytest.mark.whole
def test_long_lists_are_cut_and_say_so(small_set):
    refs, _ = small_set
    finding = ("thin_beer", "beer", "Pale", 2.0, "2 batches", "add some", "")
    columns = ["code", "level", "subject", "size", "sentence", "action", "suggestion"]
    words, _ = check_page(pages.set_page(refs, findings=pd.DataFrame([finding] * 50, columns=columns)))
    assert "50 findings of the audit, worst first; 40 are shown" in words
    assert thin_beers(list("abcdefghi"))[0].startswith("Say much of a, b, c, d, e, f and 3 more beers:")


def test_the_model_page_says_what_it_was_fitted_on(house):
    words, found = check_page(pages.model_page(house, model_hash="f" * 64))
    assert house.fitted.set_hash in words
    assert "f" * 64 in words
    assert "to cover 90% of lab values" in words
    assert "package" in words
    assert found.tags["svg"] == 1 + 6


def test_the_model_page_says_what_limits_come_to(house, undrawn):
    beer, middle = house.beers_[0], float(house.fitted.colour.lab_colour[house.fitted.beer_of_batch == 0].mean())
    row = ColourLimits(beer, middle, 0.9 * middle, 1.1 * middle, house.fitted.colour_unit, GUARDED, 0.05, None, None)
    words, _ = check_page(pages.model_page(house, specification=Specification((row,))))
    assert "What the colour limits come to" in words and "conform and held" in words
    assert "A share of right claims held is of single readings" in words
    assert "What the colour limits come to" not in check_page(pages.model_page(house))[0]


@pytest.mark.whole
def test_the_model_page_has_a_sheet_for_each_departure(house, shift, verified):
    assert set(verified["decision"]) == {"hold"}
    words, found = check_page(pages.model_page(house, session=shift, verified=verified))
    # the map, glasses and lines of the beers, bars of the readings, and two drawings a sheet
    assert found.tags["svg"] == 1 + 6 + 3 * len(verified)
    for sample, row in verified.iterrows():
        assert f"Sample {sample}" in words
        assert row["reason"][1:] in words
    assert words.count("what was done") == len(verified)


def test_a_sheet_says_apart_what_holds_only_of_the_claimed_beer(verified):
    row = verified.iloc[0].to_dict() | {
        "claimed": "Amber",
        "plausible_beers": ("Brown",),
        "warnings": ("lamp_drift", "too_few_batches"),
        "warnings_if_claimed": ("lamp_drift",),
        "explanation": "against Amber: about 14% less light from the lamp than at its reference",
        "explanation_if_claimed": "against Amber: about 14% less light from the lamp than at its reference",
        "colour_without_fault": 12.3,
    }
    sheet = reading_sheet(row, about={})
    assert "If it is Amber after all: lamp_drift." in sheet and "<code>too_few_batches</code>" in sheet
    assert "<code>lamp_drift</code>" not in sheet and "12.3" not in sheet and "What was found" not in sheet
    counted = {"plausible_beers": ("Amber",), "warnings_if_claimed": (), "explanation_if_claimed": ""}
    typical = reading_sheet(row | counted, about={})
    assert "after all" not in typical and "<code>lamp_drift</code>" in typical and "12.3" in typical
    assert "14% less light" in typical


def test_readings_that_need_somebody_stand_first_in_words(house, shift, verified, undrawn):
    mixed = verified.assign(decision=["consistent", "rescan", "hold"])
    first, second, third = map(str, mixed.index)
    assert (
        readings_verdict(mixed) == f"2 of 3 samples need somebody: 1 hold ({third}), 1 rescan ({second}); 1 consistent."
    )
    assert readings_verdict(mixed.iloc[:1]) == "Nothing is held: of 1 sample 1 consistent."
    words, found = check_page(pages.model_page(house, session=shift, verified=mixed.iloc[:2]))
    assert words.index("1 of 2 samples needs somebody") < words.index("↻ RESCAN") < words.index("✓ consistent")
    assert ("a", "href", "#sheet-0") in found.attributes
    bar = interval_bar({"colour": 8.0, "colour_low": 7.5, "colour_high": 8.5}, "A & B", (6.0, 9.0)).html
    # the numbers stand beside the bar as text; it says what it is held against
    assert ">8.0 (7.5 to 8.5)<" in bar and 'aria-label="lab colours of A &amp; B in the set: 6.0 to 9.0"' in bar
    assert "<svg" not in str(
        interval_bar({"colour": 8.0, "colour_low": -float("inf"), "colour_high": 9.0}, "A", (6.0, 9.0))
    )
    told = what_to_do_and_why({"reason": "it <is>", "advice": "go on", "warnings": ("foam", "saturated")}).html
    assert told.startswith('<div class="told"><strong>Why:</strong> it &lt;is&gt;<br><strong>Warnings:</strong> the ')
    assert "To do" not in told and "counts reached" not in told


def test_a_reading_page_holds_one_reading(house, shift, verified, undrawn):
    sample = verified.index[0]
    words, _ = check_page(pages.reading_page(house, shift, verified, sample))
    assert f"Sample {sample}" in words
    assert "hold" in words
    assert "stale_dark" in words
    with pytest.raises(TableError, match="there is no reading of 'S0'"):
        pages.reading_page(house, shift, verified, "S0")


def test_the_line_page_draws_charts_and_tells_what_waits_and_what_was_altered(tmp_path, house, verified, undrawn):
    from datetime import UTC, datetime

    from specmatch.line.journal.journal import Journal
    from specmatch.report.json_document import jsonable

    sample, held = verified.index[0], jsonable(verified.iloc[0].to_dict())
    path = tmp_path / "line.db"
    common = {"line": "<b>1</b>", "model_hash": "ab", "decision": "consistent", "reason": "within its limits"}
    with Journal(path) as journal, journal.writing():
        for i in range(62):
            unix = 1.7e9 + 1800 * i
            colour = 25.0 + 0.1 * (i % 3) + (2.0 if i > 25 else 0.0)
            control = {"kind": "control", "sample": f"c{i}", "reading": {"colour": colour, "colour_unit": "EBC"}}
            time = {"measured_at": datetime.fromtimestamp(unix, UTC).isoformat(), "measured_unix": unix}
            journal.append({**common, **control, **time})
        departure = {name: held[name] for name in ("claimed", "decision", "reason", "advice")}
        about = {"kind": "reading", "sample": sample, "lot": "7", "run_state": "open", "reading": held}
        journal.append({**common, **departure, **about, **time})
    with Journal(path, read_only=True) as journal:
        words, found = check_page(pages.journal_page([journal]))
    assert "1 entry waits for somebody" in words and "lot 7: pour again" in words
    assert "2023-11-14 22:13 to 2023-11-16" in words  # of the whole record, not of the rows shown
    assert f"Sample {sample}" in words
    assert "control of <b>1</b>" in words
    assert found.tags["svg"] == 1
    assert "Damage" not in words
    database = sqlite3.connect(path)
    database.execute("DROP TRIGGER entries_no_update")
    database.commit()
    database.close()
    with Journal(path, read_only=True) as journal:
        words, _ = check_page(pages.journal_page([journal]))
    assert "Be trusted as it stands" in words
    assert "entries_no_update" in words


def test_a_figure_comes_with_its_numbers_and_a_table_with_row_names():
    from specmatch.report.plots.style import new_figure

    ax = new_figure().subplots()
    ax.plot([0, 1], [0, 1], label="<a>")
    ax.legend()
    numbers = pd.DataFrame({"n": [1]}, index=pd.Index(["<r>"], name="row"))
    body = figure(ax, name="f1", caption="A <caption>", says="It rises & rises.", numbers=numbers)
    words, found = check_page(whole_page("T", "lead", f"<p>{CAUTIONS}</p>", [Section("s", "S", body)]))
    assert "<r>" in words
    assert "<a>" in words
    assert ("svg", "aria-label", "It rises & rises.") in found.attributes
    assert 'scope="row">b' in table(pd.DataFrame({"x": ["b"], "y": [2.0]}), "c")


def test_a_pointer_finds_words_on_each_mark_of_a_figure():
    from specmatch.report.plots.style import new_figure, tell

    ax = new_figure().subplots()
    (marks,) = ax.plot([0, 1, 2], [0, 1, 2], "o")
    (lone,) = ax.plot([0, 1], [1, 0])
    tell(marks, ["a", "<b>", "c"])
    tell(lone, ["a & b"])
    drawn = figure(ax, name="f", caption="c", says="It rises and falls.")
    assert re.findall(r"<title>(.*?)</title>", drawn) == ["a", "&lt;b&gt;", "c", "a &amp; b"]
    assert len(re.findall(r'<g class="mark"><title>[^<]*</title><use [^>]*/></g>', drawn)) == 3
    check_page(whole_page("T", "lead", f"<p>{CAUTIONS}</p>", [Section("s", "S", drawn)]))


def test_a_set_shows_itself_in_a_notebook_escaped(small_set):
    shown = small_set[0]._repr_html_()
    found = Tags(shown)
    assert not {"script", "img", "b"} & set(found.tags)
    words = "".join(found.words)
    assert "15 batches of 3 beers" in words
    assert all(name in words for name in WICKED.values())


@pytest.fixture(scope="module")
def chromium():
    path = next(
        (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None
    )
    return path or pytest.skip("no Chromium on this machine: pages are not rendered")


def render(chromium, folder, page, *more):
    source = folder / "page.html"
    source.write_text(page, encoding="utf-8")
    subprocess.run(
        [
            chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            "--disable-dev-shm-usage", "--hide-scrollbars", f"--user-data-dir={folder / 'profile'}", *more,
            source.as_uri(),
        ],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip


def pages_of(pdf):
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf.read_bytes()))


@pytest.mark.whole
@pytest.mark.parametrize("width", [500, 1200])
def test_the_set_page_is_drawn_at_phone_and_desktop_width(chromium, tmp_path, set_html, width):
    from matplotlib import image

    render(chromium, tmp_path, set_html, f"--window-size={width},2400", f"--screenshot={tmp_path / 'page.png'}")
    drawn = image.imread(tmp_path / "page.png")
    assert drawn.shape[1] == width
    # ink over the whole height, and nothing runs off the right edge
    rows = drawn[..., :3].min(axis=(1, 2)) < 0.5
    assert rows[: drawn.shape[0] // 2].mean() > 0.3
    assert drawn[:, -3:, :3].min() > 0.9


@pytest.mark.whole
def test_pages_print_on_a4_and_a_held_reading_on_one(chromium, tmp_path, set_html, house, shift, verified):
    reading = verified.copy()
    sample = reading.index[0]
    # the most that a sheet may have to say
    for column in ("reason", "advice", "explanation"):
        reading[column] = "a long sentence about what was found in this pour; " * 40
    reading.at[sample, "warnings"] = tuple(sm.WARNING_CODES)[:9]
    page = pages.reading_page(house, shift, reading, sample, model_hash="f" * 64)
    render(chromium, tmp_path, page, "--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'one.pdf'}")
    assert pages_of(tmp_path / "one.pdf") == 1
    # a sheet of paper for each reading that departs, whatever stands before them
    page = pages.model_page(house, session=shift, verified=verified)
    printed = []
    for name, shown in (
        ("all", page),
        ("no_sheets", page.replace("</head>", "<style>.sheet { display: none; }</style></head>")),
    ):
        render(chromium, tmp_path, shown, "--no-pdf-header-footer", f"--print-to-pdf={tmp_path / name}.pdf")
        printed.append(pages_of(tmp_path / f"{name}.pdf"))
    assert printed[0] == printed[1] + len(verified)
    width, height = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", (tmp_path / "one.pdf").read_bytes()).groups()
    # A4 is 210 by 297 mm, that is 595.3 by 841.9 points; browsers round to a point
    assert float(width) == pytest.approx(595.3, abs=1.0)
    assert float(height) == pytest.approx(841.9, abs=1.0)


def test_blends_are_told_by_the_part_of_the_other_beer():
    """A beer named for a part of another is not taken for a blend."""
    rows = [
        ("blend", "Pale", "Pale with 10% Amber", 0.1),
        ("blend", "Pale", "Pale with 30% Amber", 0.3),
        ("blend", "Shandy with 10% Pale", "Shandy with 10% Pale with 20% Amber", 0.2),
        ("pair", "Pale", "Amber", float("nan")),
    ]
    parts = blends_by_part(pd.DataFrame(rows, columns=["kind", "claimed", "really", "share"]))
    assert {part: table["really"].tolist() for part, table in parts.items()} == {
        0.1: [rows[0][2]],
        0.2: [rows[2][2]],
        0.3: [rows[1][2]],
    }


def test_what_a_model_can_do_is_said_in_its_figures(evaluation):
    can, _ = evaluated_abilities(evaluation, "EBC")
    colour = evaluation.colour
    error = colour["colour"] / colour["lab"] - 1.0
    relative, batches = re.match(r"Read colour within (\S+)% of the lab value .* over (\d+) batches", can[0]).groups()
    assert int(batches) == len(colour)
    assert float(relative) == pytest.approx(100 * float((error**2).mean()) ** 0.5, rel=0.1)


def test_figures_come_with_their_words():
    told = figures_in_words(pd.Series({"covered": 0.9, "a_new_figure": 1.0}))
    assert told["value"].tolist() == [0.9, 1.0]
    assert told["says"].tolist() == [FIGURE_WORDS["covered"], ""]


def test_sentences_in_a_list_are_escaped():
    assert bullets(["a < b", "c & d"]) == "<ul><li>a &lt; b</li><li>c &amp; d</li></ul>"


def test_names_in_a_correction_are_text_on_the_page(small_set, house, undrawn):
    _, new = small_set
    batches = new.batches.assign(beer=new.batches["beer"].map(WICKED))
    found = sm.validate(house, new.spectra, new.scans, batches)
    wicked = ColourCorrection(
        0.02, 0.0, 3.0, 0.01, 0.01, 5.0, 70.0, tuple(WICKED.values()), "<i>module</i>", "<b>lab</b>", 6, "", "", ""
    )
    page = pages.validation_page(replace(found, correction=wicked), house=house)
    assert "A correction is offered" in page and "&lt;b&gt;lab&lt;/b&gt;" in page
    assert not any(name in page for name in ("<b>lab</b>", "<i>module</i>", *WICKED.values()))


def test_a_budget_says_each_part_once_and_folds_its_numbers(house):
    from specmatch.report.pages.study_pages import budget_part

    budget = house.budget()
    words = budget_part(budget)
    assert "The numbers of this figure" in words
    advice = budget["advice"].xs("fill", level="component").iloc[0]
    assert words.count(advice) == 1


def test_a_set_of_one_beer_has_nothing_to_tell_apart(undrawn):
    drawn = sm.Brewery(seed=3).draw(6, n_pours=2, beers=["Amber Lane"])
    refs = sm.ReferenceSet(drawn.spectra, drawn.scans, drawn.batches)
    house = sm.HouseModel().fit(refs)
    page = pages.set_page(refs, house=house, evaluation=sm.evaluate(house, refs, n_folds=2))
    assert "holds one beer only" in page and "Of no beer can the error be told yet" in page
    for said in ("nearest beer", "Name the nearest of", "its beers apart", "claimed to be another"):
        assert said not in page
