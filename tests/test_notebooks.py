"""The notebooks run from the first cell to the last, and what is committed of them is small and of no one's machine."""

import importlib.util
import json
from pathlib import Path

import pytest

ROOM = Path(__file__).parent.parent / "notebooks"
NOTEBOOKS = sorted(ROOM.glob("*.ipynb"))
spec = importlib.util.spec_from_file_location("refresh", ROOM / "refresh.py")
refresh = importlib.util.module_from_spec(spec)
spec.loader.exec_module(refresh)
# small enough to be looked at in a review; pictures are most of it
LARGEST_BYTES = 300_000


def cells(path):
    return json.loads(path.read_text(encoding="utf-8"))["cells"]


def test_there_are_six():
    assert [path.name[0] for path in NOTEBOOKS] == ["1", "2", "3", "4", "5", "6"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_what_is_committed_is_small_whole_and_clean(path):
    text = path.read_text(encoding="utf-8")
    assert len(text.encode()) < LARGEST_BYTES
    for place in ("/tmp", "/home", "/root", "/work", "site-packages", "C:\\\\"):
        assert place not in text, place
    first = "".join(cells(path)[0]["source"])
    assert first.startswith("# ")
    assert "?*" in first  # a question that a brewer would ask, in italics
    assert "invented" in "".join("".join(cell["source"]) for cell in cells(path)[:2]).lower()
    code = [cell for cell in cells(path) if cell["cell_type"] == "code"]
    # run in one go from the first cell to the last
    assert [cell["execution_count"] for cell in code] == list(range(1, len(code) + 1))
    kinds = {output["output_type"] for cell in code for output in cell["outputs"]}
    assert kinds & {"stream", "execute_result"}
    assert "error" not in kinds
    assert not any(cell["metadata"].get("execution") for cell in code)


@pytest.mark.parametrize(("number", "told"), [("1", "mislabelled"), ("4", "not_reflectance")])
def test_what_is_kept_is_of_the_library_as_it_is(number, told):
    # what the text beside it says, or a column of today: else run notebooks/refresh.py
    path = NOTEBOOKS[int(number) - 1]
    outputs = [output for cell in cells(path) for output in cell.get("outputs", ())]
    assert told in json.dumps([output for output in outputs if "image/png" not in output.get("data", {})])


@pytest.mark.whole
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_it_runs(path, tmp_path):
    for needed in ("nbclient", "ipykernel", "matplotlib"):
        pytest.importorskip(needed, reason="the `notebooks` extra is not installed")
    notebook = refresh.executed(path, tmp_path)
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", ())]
    assert not [output for output in outputs if output.get("name") == "stderr"]
    assert not list(tmp_path.iterdir())
