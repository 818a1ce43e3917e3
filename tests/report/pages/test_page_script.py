"""A page in a real browser: tables sort and filter by its own script, it fits a phone, and it is dark where asked."""

import numpy as np
import pandas as pd
import pytest
from browser import browsing, open_page

pytest.importorskip("matplotlib")

from specmatch.report.pages.glance import glance
from specmatch.report.pages.html import SCRIPT, Section, figure, limits, table, whole_page
from specmatch.report.pages.readings import readings_table
from specmatch.report.plots.style import new_figure, tell
from specmatch.wording import CAUTIONS

pytestmark = pytest.mark.whole


@pytest.fixture(scope="module")
def browser():
    with browsing() as found:
        yield found


@pytest.fixture(scope="module")
def page_url(tmp_path_factory):
    numbers = [10.0, 9.0, float("nan"), -2.0, 100.0, 1e-5, 30.0, 4.0, 5.0, 6.0, 7.0]
    rows = pd.DataFrame({"beer": [f"Beer {k}" for k in range(11, 0, -1)], "size": numbers})
    parts = [Section("t", "Table", table(rows, "Numbers", cards="cards")), limits(["a"] * 5, ["b"] * 5)]
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(whole_page("T", "lead", "", parts, on_first=len(parts)), encoding="utf-8")
    return path.as_uri()


def column(page, place):
    return page.locator(f"tbody tr:visible > :nth-child({place})").all_inner_texts()


def test_a_table_sorts_by_number_and_by_name_and_filters(browser, page_url):
    page = open_page(browser, page_url)
    page.get_by_role("button", name="sort by size").click()
    assert column(page, 2) == ["-2", "1e-05", "4", "5", "6", "7", "9", "10", "30", "100", ""]
    page.get_by_role("button", name="sort by size").press("Enter")
    assert column(page, 2)[:2] == ["100", "30"] and column(page, 2)[-1] == ""
    assert page.locator("th[aria-sort=descending]").count() == 1
    page.get_by_role("button", name="sort by beer").click()
    assert column(page, 1)[:3] == ["Beer 1", "Beer 2", "Beer 3"]
    page.get_by_role("searchbox").fill("beer 11")
    assert column(page, 1) == ["Beer 11"]
    assert page.get_by_role("status").inner_text().strip() == "1 of 11 rows"
    assert page.wrong == []


def test_a_beer_is_followed_and_marks_are_reached_by_keys(browser, tmp_path):
    ax = new_figure().subplots()
    (dots,) = ax.plot([0, 1, 2], [0, 1, 2], "o")
    tell(dots, ["a1, A & B, 5.0 EBC", "c1, C", "a2, A & B"], ["A & B", "C", "A & B"])
    rows = pd.DataFrame({"colour": [5.0, 9.0]}, index=pd.Index(["A & B", "C"], name="beer"))
    body = table(rows, "Beers", cards="cards dense") + figure(ax, name="f", caption="Dots", says="Three dots.")
    path = tmp_path / "page.html"
    path.write_text(whole_page("T", "lead", body, []), encoding="utf-8")
    page = open_page(browser, path.as_uri())
    said, followed = page.locator("p.told-now"), page.locator(".followed")
    page.get_by_role("button", name="A & B").press("Enter")
    assert followed.count() == 3 and said.inner_text().startswith("A & B: 3 marks and rows")
    faded = page.locator(".mark:not(.followed)")
    assert faded.count() == 1 and faded.evaluate("one => getComputedStyle(one).opacity") == "0.13"
    page.keyboard.press("Escape")
    assert followed.count() == 0 and said.inner_text() == ""
    page.get_by_role("group", name="Dots").focus()
    assert said.inner_text().startswith("3 marks")
    page.keyboard.press("ArrowRight")
    assert said.inner_text() == "a1, A & B, 5.0 EBC"
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    assert followed.count() == 2 and said.inner_text().startswith("C: 2 marks and rows")
    page.locator(".mark").last.click()
    assert followed.count() == 3 and said.inner_text() == "a2, A & B; Escape ends"
    assert page.wrong == []


LONG = "Donaudampfschiffahrtsgesellschaftsjubiläumsbockbier"


@pytest.fixture(scope="module")
def large_url(tmp_path_factory):
    """60 beers and 2,000 readings, every tenth held for a reason as long as they are."""
    beers = [f"{LONG if k % 7 == 0 else 'Beer'} {k}" for k in range(60)]
    colours = [np.linspace(4.0 + k, 4.4 + k, 10) for k in range(60)]
    rows = pd.DataFrame(
        {
            "glass": "#a05010",
            "colours": colours,
            "days": [["2025-01-07"] * 10] * 60,
            "nearest": beers[::-1],
            "held": 0.9,
        },
        index=pd.Index(beers, name="beer"),
    )
    reading = {"colour": 9.5, "colour_low": 9.1, "colour_high": 9.9, "colour_unit": "EBC", "nearest_beer": "Beer 1"}
    typical = {
        "decision": "consistent",
        "claimed": "Beer 1",
        "reason": "typical of Beer 1 (p = 0.43)",
        "advice": "go on",
    }
    odd = {
        "decision": "hold", "claimed": f"{LONG} 7",
        "advice": "keep the packages, check which beer is on the line, pour again",
        "reason": "not typical of it (p < 0.001, fewer than one true sample in 1000 lies as far out; held under 0.05)",
    }  # fmt: skip
    verified = pd.DataFrame(
        [{**reading, **(odd if k % 10 == 0 else typical), "colour": 9.1 + k / 2500} for k in range(2000)],
        index=pd.Index([f"S{k}" for k in range(2000)], name="sample"),
    )
    scans = pd.DataFrame({"sample": verified.index, "batch": [f"lot {k}" for k in range(2000)], "operator": "Ann"})
    first = readings_table(verified, scans, {"Beer 1": (9.0, 10.0)}) + glance(rows, unit="EBC")
    path = tmp_path_factory.mktemp("large") / "page.html"
    path.write_text(whole_page("T", "lead", first, []), encoding="utf-8")
    assert path.stat().st_size < 3e6
    return path.as_uri()


def test_2000_readings_of_60_beers_are_painted_in_a_second_and_sorted_in_a_tenth(browser, large_url):
    painted, sorted_in = [], []
    for _ in range(3):
        page = open_page(browser, large_url)
        clock = page.context.new_cdp_session(page)
        # time of the page's own thread: other work on the machine is none of its own
        clock.send("Performance.enable", {"timeDomain": "threadTicks"})
        painted.append(page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime"))
        for place in range(5):
            before = taken(clock)
            page.evaluate("place => document.querySelector('thead').rows[0].cells[place].click()", place)
            sorted_in.append(taken(clock) - before)
        assert page.wrong == []
    # the least of three is what the page asks for, whatever else runs beside it
    assert min(painted) < 1000.0
    assert np.median(sorted_in) < 0.1


def taken(clock):
    return {one["name"]: one["value"] for one in clock.send("Performance.getMetrics")["metrics"]}["TaskDuration"]


def test_a_long_table_waits_behind_a_button_is_sorted_whole_and_prints_whole(browser, large_url):
    page = open_page(browser, large_url, "phone")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    rows = page.locator("table").first.locator("tbody tr")
    assert rows.count() == 100 and rows.first.inner_text().startswith("S0")
    page.evaluate("document.querySelector('thead').rows[0].cells[0].click()")
    page.evaluate("document.querySelector('thead').rows[0].cells[0].click()")
    assert rows.first.inner_text().startswith("S1999")
    page.get_by_role("searchbox").first.fill("lot 1234")
    assert rows.count() == 1 and rows.first.inner_text().startswith("S1234")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert rows.count() == 2000
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    page.get_by_role("searchbox").first.fill("")
    assert rows.count() == 100
    page.get_by_role("button", name="show all").first.click()
    assert rows.count() == 2000 and page.wrong == []


def test_a_page_fits_a_phone_and_opens_whole_for_print(browser, page_url):
    page = open_page(browser, page_url, "phone")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.get_by_text("and 2 more").count() == 2
    rest = CAUTIONS.partition(". ")[2][:40]
    assert not page.get_by_text(rest).is_visible()
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.get_by_text(rest).is_visible()
    page.emulate_media(color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(21, 24, 27)"
    assert page.wrong == []


def test_without_scripts_everything_is_there(browser, page_url):
    page = browser.new_context(java_script_enabled=False).new_page()
    page.goto(page_url)
    assert page.locator("tbody tr").count() == 11 and page.get_by_role("searchbox").count() == 0
    assert len(SCRIPT.splitlines()) < 200


def test_a_long_name_without_a_blank_breaks_on_paper(browser, tmp_path):
    rows = pd.DataFrame({"entry": [1], "lot": ["a" * 90], "why": ["typical of it " * 9], "operator": ["KA"]})
    path = tmp_path / "page.html"
    path.write_text(whole_page("T", "lead", table(rows, "Entries"), []), encoding="utf-8")
    page = open_page(browser, path.as_uri())
    page.set_viewport_size({"width": 688, "height": 1017})  # the inside of an A4, where nothing can be scrolled to
    page.emulate_media(media="print")
    assert page.evaluate("document.querySelector('table').getBoundingClientRect().right") <= 688
