"""The sheets of a measured folder: where they are, and what to say where they are not."""

from pathlib import Path

from specmatch.errors import SheetError

_SPREADSHEETS = (".csv", ".txt", ".tsv", ".xlsx", ".xlsm", ".xls", ".ods")
_SET_DESCRIPTOR = "datapackage.json"
_MOST_NAMED = 3


def find_sheet(folder: Path, stem: str) -> Path | None:
    """Return the sheet `stem` of a folder (`scans.csv`, or a spreadsheet of that name), or None.

    Parameters
    ----------
    folder : Path
    stem : str
        Name without its ending.

    Returns
    -------
    Path or None

    Raises
    ------
    SheetError
        If there are several.

    Examples
    --------
    >>> find_sheet(Path("no_such_folder"), "scans") is None
    True
    """
    found = _sheets(folder, stem)
    if len(found) > 1:
        raise SheetError(f"{folder}: both {found[0].name} and {found[1].name}; keep the one that counts")
    return found[0] if found else None


def scans_sheet(folder: Path) -> Path:
    """Return the sheet of scans of a folder.

    Parameters
    ----------
    folder : Path
        That there is.

    Returns
    -------
    Path

    Raises
    ------
    SheetError
        If there is none, or several; a neighbour that has one is named, for one level up or down is soon mistaken.

    Examples
    --------
    >>> scans_sheet(Path("monday")).name
    'scans.csv'
    """
    found = find_sheet(folder, "scans")
    if found is None:
        raise SheetError(f"{folder}: no scans.csv; {_way_out(folder)}")
    return found


def _sheets(folder: Path, stem: str) -> list[Path]:
    return [folder / f"{stem}{suffix}" for suffix in _SPREADSHEETS if (folder / f"{stem}{suffix}").is_file()]


def _way_out(folder: Path) -> str:
    if (folder / _SET_DESCRIPTOR).is_file():
        return "it is a reference set, for audit, fit and evaluate; name a measured folder here"
    inside = sorted(path for path in folder.iterdir() if path.is_dir() and _sheets(path, "scans"))
    near = inside or [path for path in (folder.parent,) if _sheets(path, "scans")]
    if near:
        named = ", ".join(str(path) for path in near[:_MOST_NAMED])
        return f"{named} {'has' if len(near) == 1 else 'have'} one: name that folder"
    return "the folder needs one with the columns file and role"
