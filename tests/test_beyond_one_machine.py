"""Every block of the page on many machines runs, in order, on a small archive."""

import re
from pathlib import Path

import pandas as pd
import pytest

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.demo.folders import write_measured_folder

PAGE = Path(__file__).parent.parent / "docs" / "beyond_one_machine.md"
BLOCKS = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL)
BEERS = ("Meadow Pils", "Amber Lane", "Night Porter")


@pytest.mark.whole
@pytest.mark.filterwarnings("ignore")  # the cluster's own libraries warn of their own matters
def test_the_page_runs_from_the_top(tmp_path, monkeypatch):
    for extra in ("dask.dataframe", "pyarrow"):
        pytest.importorskip(extra, reason="the `cluster` extra is not installed")
    import dask

    brewery = Brewery(seed=1)
    past, new = brewery.draw(6, beers=BEERS), brewery.draw(2, draw=1, beers=BEERS)
    house = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches))
    house.save(tmp_path / "house.model")
    archive = pd.concat([new.spectra] * 3).set_axis([f"s{row:03}" for row in range(3 * len(new.spectra))])
    archive.rename_axis("scan_id").to_csv(tmp_path / "archive.csv")
    archive.rename_axis("scan_id").rename(columns=str).reset_index().to_parquet(tmp_path / "archive.parquet")
    for day, draw in (("monday", 2), ("tuesday", 3)):
        drawn = brewery.draw(1, draw=draw, beers=BEERS)
        write_measured_folder(tmp_path / day, drawn.raw, drawn.batches)
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    with dask.config.set({}):
        for block in BLOCKS:
            exec(compile(block, PAGE.name, "exec"), names)  # the page's own text
    whole = house.read(archive)
    for path in ("readings-0.parquet", "readings"):
        read = pd.read_parquet(path).set_index("sample")
        assert list(read.index) == list(whole.index)
        assert read["colour"].to_numpy() == pytest.approx(whole["colour"].to_numpy())
    assert len(names["judged"]) == 6 and set(names["judged"]["decision"]) <= {"consistent", "hold", "rescan"}
