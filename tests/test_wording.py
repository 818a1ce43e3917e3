"""One batch is no "1 batches": texts count in the singular after 1, seen on what the commands and pages say."""

import pandas as pd
import pytest
from small_house import small_tables, write_tables
from tiny_folder import tiny_folder

from specmatch.cli import main
from specmatch.errors import TooFewBatchesError
from specmatch.house.assessment.choose import learning_curve
from specmatch.house.house_model import HouseModel
from specmatch.line.charts import Point, find_drifts, make_chart
from specmatch.measurement.session import measure
from specmatch.reference.reference_set import ReferenceSet
from specmatch.report.entry_text import chart_line
from specmatch.report.pages.glance import thin_beers
from specmatch.wording import counted, in_ten_lines


def one_batch():
    spectra, scans, batches = small_tables(n_pours=1)
    scans = scans[scans["batch"] == batches.index[0]]
    scans = scans[scans["pour"] == scans["pour"].iloc[0]]
    return spectra.loc[scans.index], scans, batches.iloc[:1]


@pytest.mark.parametrize(
    ("number", "noun", "said"),
    [
        (1, "beer", "1 beer"), (0, "beer", "0 beers"), (1, "batch", "1 batch"), (2, "batch", "2 batches"),
        (1, "entry", "1 entry"), (3, "entry", "3 entries"), (2, "held-out batch", "2 held-out batches"),
        (2, "control scan", "2 control scans"),
    ],
)  # fmt: skip
def test_the_noun_follows_the_number(number, noun, said):
    assert counted(number, noun) == said


def test_a_set_of_one_batch_is_built_and_looked_into(capsys, tmp_path):
    tables = write_tables(tmp_path / "t", *one_batch())
    main(["build", str(tables), "--out", str(tmp_path / "s")])
    assert "1 scan of 1 batch (1 with a lab colour) of 1 beer," in capsys.readouterr().out
    main(["inspect", str(tmp_path / "s")])
    assert "batches: 1 row\n" in capsys.readouterr().out


def test_what_one_batch_is_too_few_for():
    refs = ReferenceSet(*one_batch(), colour_unit="EBC")
    with pytest.raises(TooFewBatchesError, match="holds 1 batch; a house model needs"):
        HouseModel().fit(refs)
    with pytest.raises(TooFewBatchesError, match="holds 1 batch of 1 beer; a curve needs"):
        learning_curve(refs)


def test_pages_and_lines():
    assert "and 1 more beer:" in thin_beers([f"beer {k}" for k in range(7)])[0]
    chart = make_chart("colour", "Pale", "EBC", [Point(1, "", 0.0, 8.1)])
    assert "1 point, no limits yet" in chart_line(chart)


@pytest.mark.parametrize(("others", "said"), [(0, "while the reference holds"), (1, "while 1 other beer and the")])
def test_a_beer_that_moved_alone(others, said):
    steady = [8.0, 8.1] * 10
    beers = {"Pale": [*steady, *[8.4] * 8], **{f"other {k}": [*steady, *steady[:8]] for k in range(others)}}
    charts = [
        make_chart("colour", name, "EBC", [Point(i, "", float(i), value) for i, value in enumerate(values)])
        for name, values in beers.items()
    ]
    (drift,) = find_drifts(charts)
    assert drift.code == "product_drift" and said in drift.sentence


def test_the_page_of_a_young_set(undrawn):
    pytest.importorskip("matplotlib")
    from specmatch.report.pages import set_page

    page = set_page(ReferenceSet(*one_batch(), colour_unit="EBC"), findings=pd.DataFrame(), why_not="too young")
    assert "A reference set of 1 scan, 1 batch, 1 beer;" in page and "Keep 1 scan of 1 batch for the day" in page


def test_what_a_notebook_shows_has_ten_lines_at_most():
    shown = in_ten_lines("<Set>", [f"<b>{k}" for k in range(12)])
    assert shown.startswith("<p><code>&lt;Set&gt;</code></p>") and shown.count("<li>") == 9
    assert shown.endswith("<li>and 4 more</li></ul>") and "<b>" not in shown
    assert in_ten_lines("alone", []) == "<p><code>alone</code></p>"
    assert in_ten_lines("nine", list("123456789")).count("<li>") == 9


def test_a_session_shows_itself_on_a_line_and_in_a_notebook_in_ten(tmp_path):
    session = measure(tiny_folder(tmp_path / "a & b"))
    assert repr(session).startswith("<Session ") and len(repr(session).splitlines()) == 1
    shown = session._repr_html_()
    assert "a &amp; b" in shown and "a & b" not in shown
    assert 4 < shown.count("<li>") < 10 and "reference scan" in shown
