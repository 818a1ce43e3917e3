"""The page of speeds: what it says of figures, not the figures."""

import pytest

pytest.importorskip("benchmarks.page", reason="the benchmarks are not installed with the package")

from benchmarks.page import page_of  # noqa: E402


def test_a_figure_that_fell_since_the_last_release_is_marked():
    before = {"fit / own": 1.0, "read / log": 8.0}
    page = page_of({"fit / own": 1.05, "read / log": 9.0, "help / numpy": 0.5}, before, "0.0.9")
    rows = [line for line in page.splitlines() if line.startswith("| ")]
    assert rows[0].split("|")[3].strip() == "0.0.9"
    assert rows[2:] == [
        "| fit / own | 1.05 | 1.00 |  |",
        "| read / log | 9.00 | 8.00 | **slower** |",
        "| help / numpy | 0.50 |  |  |",
    ]
