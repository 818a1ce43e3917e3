"""Four folders of a year of the invented brewery, as a newcomer would hand them over: messy, late, typed by hand."""

import contextlib
import io
import re
from pathlib import Path

import pandas as pd

import specmatch as sm

NAMES = ("quarter-1", "quarter-2", "quarter-3", "quarter-4")


def write_year(folder: Path) -> None:
    """Write the folders; what is wrong in them stands here, line by line."""
    year = sm.Brewery(seed=7).draw(8)
    spectra, scans, batches = year.spectra.copy(), year.scans.copy(), year.batches.copy()
    order = batches["packaged_on"].sort_values(kind="stable").index
    part = pd.Series(NAMES, index=range(4)).loc[[place * 4 // len(order) for place in range(len(order))]]
    part = pd.Series(part.to_numpy(), index=order)
    true = batches["colour"].copy()

    def some(quarter: str, beer: str) -> str:
        return next(name for name in order if part[name] == quarter and batches.at[name, "beer"] == beer)

    corrected = some("quarter-1", "Peat Stout")
    # a wrong label, a wrong lab value, a foamy pour
    batches.loc[some("quarter-1", "Amber Lane"), "beer"] = "Hedge Dunkel"
    batches.loc[some("quarter-3", "Mill Bitter"), "colour"] *= 1.3
    batches.loc[corrected, "colour"] *= 1.15  # a slip of the lab's, which it finds by itself
    foamy = scans["pour"] == scans.loc[scans["batch"] == some("quarter-1", "Lantern Gold"), "pour"].iloc[0]
    spectra.loc[foamy] += 0.08 * (1.2 - spectra.loc[foamy])
    # nine lab values of the second quarter came with the fourth
    late = [name for name in order if part[name] == "quarter-2"][:9]
    batches.loc[late, "colour"] = float("nan")
    for name in NAMES:
        own = batches[(part == name).reindex(batches.index)].copy()
        mine = scans["batch"].isin(own.index)
        if name == "quarter-2":  # another hand writes the beers otherwise
            own["beer"] = own["beer"].replace({"Chalk Lager": "chalk-lager", "Meadow Pils": "MEADOW PILS"})
        if name == "quarter-3":  # dates as they are said
            own["packaged_on"] = own["packaged_on"].str.replace(r"(\d+)-(\d+)-(\d+)", r"\3.\2.\1", regex=True)
        if name == "quarter-4":
            came = pd.DataFrame({"colour": true[late], "lab": own["lab"].iloc[0]})
            again = some("quarter-1", "Night Porter")  # a second lab measured it too
            came.loc[again, ["colour", "lab"]] = [round(true[again] * 1.01, 2), "second lab"]
            came.loc[corrected, ["colour", "lab"]] = [true[corrected], own["lab"].iloc[0]]
            own = pd.concat([own, came.assign(colour_unit="EBC")])
            wrong = some("quarter-3", "Mill Bitter")  # what the lab says when it is asked again
            (folder / "repeat.csv").write_text(f"batch,colour\n{wrong},{true[wrong]}\n", encoding="utf-8")
        place = folder / name
        place.mkdir()
        spectra[mine].to_csv(place / "spectra.csv", index_label="scan_id")
        scans[mine].to_csv(place / "scans.csv", index_label="scan_id")
        own.to_csv(place / "batches.csv", index_label="batch")


PAGE = Path(__file__).parents[1] / "docs" / "a_year_of_a_set.md"
_BLOCK = re.compile(r"```console\n(.*?)```", flags=re.DOTALL)


def commands() -> list[str]:
    """Return the commands of the page, in order."""
    return [
        line[2:]
        for block in _BLOCK.findall(PAGE.read_text(encoding="utf-8"))
        for line in block.splitlines()
        if line.startswith("$ ")
    ]


def transcript(command: str) -> tuple[int, str]:
    """Run a command and return its exit code and all that it printed."""
    import shlex

    from specmatch.cli import main

    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = main(shlex.split(command)[1:])
    return code, said.getvalue()


def renewed() -> str:
    """Return the page with what the commands print now, in the current folder."""

    def again(block: re.Match[str]) -> str:
        lines = []
        for command in (line[2:] for line in block[1].splitlines() if line.startswith("$ ")):
            said = transcript(command)[1].splitlines()
            lines += [f"$ {command}", *said]
        return "```console\n" + "\n".join(lines) + "\n```"

    return _BLOCK.sub(again, PAGE.read_text(encoding="utf-8"))


if __name__ == "__main__":  # write the page anew
    import os
    import tempfile

    with tempfile.TemporaryDirectory() as place:
        write_year(Path(place))
        os.chdir(place)
        text = renewed()
    PAGE.write_text(text, encoding="utf-8")
