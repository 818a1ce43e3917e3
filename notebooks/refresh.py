"""Run the notebooks and keep their outputs: `python notebooks/refresh.py [NAME...]` (needs the `notebooks` extra)."""

import sys
import tempfile
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent


def executed(path: Path, folder: Path) -> Any:
    """Return a notebook with the outputs that it has when run from the top, in some folder, by this Python."""
    import nbformat
    from nbclient import NotebookClient

    notebook = nbformat.read(path, as_version=4)
    # times and versions of a machine would change the file at every run
    client = NotebookClient(
        notebook, timeout=300, kernel_name="python3", record_timing=False, resources={"metadata": {"path": str(folder)}}
    )
    client.execute()
    notebook.metadata["language_info"] = {"name": "python"}
    return notebook


if __name__ == "__main__":
    import nbformat

    for notebook_path in sorted(HERE.glob("*.ipynb")):
        if len(sys.argv) == 1 or notebook_path.name in sys.argv[1:]:
            with tempfile.TemporaryDirectory() as room:
                nbformat.write(executed(notebook_path, Path(room)), notebook_path)
            sys.stdout.write(f"{notebook_path.name}\n")
