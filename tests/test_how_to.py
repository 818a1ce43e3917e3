"""Every command and every Python block of the how-to page runs, in order, on a small house."""

import re
import shlex
from pathlib import Path

import pytest
from tiny_folder import tiny_folder

from specmatch.cli import main

PAGE = Path(__file__).parent.parent / "docs" / "how_to.md"
BLOCKS = re.findall(r"```(sh|python)\n(.*?)```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL)
BEERS = {"pils": ("House Pils", 8.0), "amber": ("House Amber", 22.0), "dark": ("House Dark", 60.0)}


def measured_folder(folder, day, scales, seed):
    """Batches of a day, named for it, one of each beer for each of `scales`, as strong as that."""
    brews = {
        f"{name}{'' if i == 0 else i + 1}": (beer, ebc * scale)
        for i, scale in enumerate(scales)
        for name, (beer, ebc) in BEERS.items()
    }
    tiny_folder(folder, beers={name: ebc for name, (_, ebc) in brews.items()}, seed=seed)
    for sheet in ("scans.csv", "batches.csv"):
        text = (folder / sheet).read_text(encoding="utf-8")
        for name, (beer, _) in brews.items():
            text = text.replace(f"{name}-b,{name},", f"{name}-{day},{beer},").replace(f"{name}-s,", f"{name}-{day}-s,")
            text = text.replace(f"{name}-p", f"{name}-{day}-p")
        (folder / sheet).write_text(text, encoding="utf-8")


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    folder = tmp_path_factory.mktemp("how_to")
    measured_folder(folder / "monday", "mon", [1.0], 0)
    measured_folder(folder / "tuesday", "tue", [1.04], 1)
    measured_folder(folder / "april", "apr", [0.98, 1.02], 2)
    measured_folder(folder / "unit-2", "mon", [1.0], 3)
    listed = "".join(f"{beer},{ebc}\n" for beer, ebc in BEERS.values())
    (folder / "beers.csv").write_text(f"beer,colour\n{listed}", encoding="utf-8")
    return folder


@pytest.mark.whole
def test_the_page_runs_from_the_top(house, monkeypatch, capsys):
    pytest.importorskip("matplotlib")
    from matplotlib import pyplot

    monkeypatch.chdir(house)
    names: dict[str, object] = {}
    for language, block in BLOCKS:
        if language == "python":
            exec(compile(block, PAGE.name, "exec"), names)  # the page's own text
            continue
        for line in block.splitlines():
            words = shlex.split(line)
            assert words[0] == "specmatch"
            # 1 is an answer too: six batches are few, and an audit or a check has something to say of them
            assert main(words[1:]) in (0, 1), (line, capsys.readouterr().err)
    pyplot.close("all")
    for made in ("monday.csv", "sets/house/datapackage.json", "house.model", "set.html", "line1.db", "spectra.png"):
        assert (house / made).exists(), made


def test_every_command_has_its_place_on_the_page():
    from specmatch.cli import COMMANDS

    told = set(re.findall(r"specmatch (\w+)", PAGE.read_text(encoding="utf-8")))
    # the demo stands in the README
    assert set(COMMANDS) - {"demo"} <= told


def test_every_task_is_in_the_list_at_the_top():
    text = PAGE.read_text(encoding="utf-8")
    titles = re.findall(r"^## (.+)$", text, flags=re.MULTILINE)
    listed = re.findall(r"^- \[(.+)\]\(#(.+)\)$", text, flags=re.MULTILINE)
    assert [name for name, _ in listed] == titles
    for name, anchor in listed:
        assert anchor == re.sub(r"[^\w -]", "", name.lower()).replace(" ", "-")
