"""Every command of the tutorial runs, in order, on beers that stand for the reader's own."""

import re
import shlex
from pathlib import Path

import pytest
from tiny_folder import tiny_folder, write_sheet

from specmatch.cli import main

PAGE = Path(__file__).parent.parent / "docs" / "tutorial.md"
COMMANDS = [
    line
    for block in re.findall(r"```sh\n(.*?)```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL)
    for line in block.splitlines()
]
BEERS = {"pils": 8.0, "amber": 22.0, "dark": 60.0}


def first_batches(folder, batches, seed):
    """A folder of so many batches of each beer, all scanned in one sitting."""
    colours = {f"{beer}-{n}": ebc * (1.0 + 0.03 * (n % 4 - 1.5)) for n in range(batches) for beer, ebc in BEERS.items()}
    named = {name: f"House {name.split('-')[0].title()}" for name in colours}
    tiny_folder(
        folder, beers=colours, pours=2, seed=seed, batches=False,
        rows=lambda rows: [{**row, "beer": named.get(row["beer"], row["beer"])} for row in rows],
    )  # fmt: skip
    lab = [{"batch": f"{name}-b", "beer": named[name], "colour": round(ebc, 2)} for name, ebc in colours.items()]
    write_sheet(folder, lab, "batches.csv")


@pytest.mark.whole
def test_the_tutorial_runs_from_the_top(tmp_path, monkeypatch, capsys):
    pytest.importorskip("matplotlib")
    first_batches(tmp_path / "first", 4, 0)
    first_batches(tmp_path / "today", 1, 1)
    monkeypatch.chdir(tmp_path)
    assert [line.split()[1] for line in COMMANDS] == [
        "inspect", "measure", "build", "audit", "fit", "evaluate", "verify", "report",
    ]  # fmt: skip
    for line in COMMANDS:
        code = main(shlex.split(line)[1:])
        said = capsys.readouterr()
        # 1 is an answer too: twelve batches are few, and an audit or a check has something to say of them
        assert code in (0, 1), (line, said.err)
        if " verify " in line:
            assert "House Pils" in said.out and "consistent" in said.out
    assert (tmp_path / "mine.html").exists()
