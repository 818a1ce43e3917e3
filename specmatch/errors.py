"""Named errors: what was wrong, got, expected, and the way out; all are `SpecmatchError`, a `ValueError`."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pandas import DataFrame


class SpecmatchError(ValueError):
    """Base of every error that this library raises on purpose."""


class OptionError(SpecmatchError):
    """An option or argument has a value outside its range."""


class ScanFileError(SpecmatchError):
    """A scan file cannot be read; the message names the file and, where there is one, the line.

    Attributes
    ----------
    stage : {"table", "content"}
        How far reading came: `table` where no table of spectra was found at all, `content` where one was and
        something in it is wrong.

    Examples
    --------
    >>> ScanFileError("a.csv: a header but no table", stage="table").stage, ScanFileError("a.csv: cut").stage
    ('table', 'content')
    """

    def __init__(self, *args: object, stage: str = "content") -> None:
        super().__init__(*args)
        self.stage = stage


class AmbiguousScanFileError(ScanFileError):
    """A scan file can be read in two ways; the message names both and the keyword that settles it."""


class SheetError(SpecmatchError):
    """A sheet (`scans.csv`, `batches.csv`) is damaged; the message names file, row and column."""


@dataclass(frozen=True)
class DoubtfulDate:
    """A cell of a sheet whose date can be read in more than one way.

    Attributes
    ----------
    sheet, column, cell : str
        Where it stands, with its folder where several were read, and what it holds.
    line : int
        Line (or spreadsheet row) of the cell.
    readings : tuple of str
        The days that it may be, ISO 8601.

    Examples
    --------
    >>> DoubtfulDate("scans.csv", 2, "measured_at", "03/04/2024", ("2024-03-04", "2024-04-03")).readings
    ('2024-03-04', '2024-04-03')
    """

    sheet: str
    line: int
    column: str
    cell: str
    readings: tuple[str, ...]


class DateOrderError(SheetError):
    """Dates of a sheet can be read in more than one way; the message lists all of them and the keyword that settles it.

    Attributes
    ----------
    cells : tuple of DoubtfulDate
        Every doubtful cell of all folders that were asked for.

    Examples
    --------
    >>> cell = DoubtfulDate("scans.csv", 2, "measured_at", "03/04/2024", ("2024-03-04", "2024-04-03"))
    >>> str(DateOrderError(cells=(cell,)))[:78]
    "scans.csv, column measured_at: line 2 '03/04/2024' is 2024-03-04 or 2024-04-03"
    """

    def __init__(self, *args: object, cells: tuple[DoubtfulDate, ...] = ()) -> None:
        super().__init__(*(args or (_dates_said(cells),)))
        self.cells = cells


def _dates_said(cells: tuple[DoubtfulDate, ...]) -> str:
    columns: dict[tuple[str, str], dict[str, tuple[str, list[int]]]] = {}
    for c in cells:
        of_column = columns.setdefault((c.sheet, c.column), {})
        of_column.setdefault(c.cell, (" or ".join(c.readings), []))[1].append(c.line)
    listed = "; ".join(
        f"{sheet}, column {column}: "
        + ", ".join(f"{_lines_said(lines)} {cell!r} is {readings}" for cell, (readings, lines) in of_column.items())
        for (sheet, column), of_column in columns.items()
    )
    return f'{listed}; say date_order="dmy", "mdy" or "ymd" (--dates on the command line), or write 2024-03-12'


def _lines_said(lines: list[int]) -> str:
    """Name the lines of a sheet, an unbroken run by its ends."""
    if len(lines) == 1:
        return f"line {lines[0]}"
    unbroken = lines == list(range(lines[0], lines[-1] + 1))
    return f"lines {lines[0]}-{lines[-1]}" if unbroken else f"lines {', '.join(map(str, lines))}"


class MissingScanError(SpecmatchError):
    """A scan that is needed (a file listed, a dark, a reference) is not there."""


class TableError(SpecmatchError):
    """A table of spectra, scans or batches does not have the form it must have."""


class ParentsError(TableError):
    """A pour, sample or batch stands under two parents."""


class WavelengthMismatchError(SpecmatchError):
    """A spectrum does not cover the wavelengths that are needed."""


class UnitError(SpecmatchError):
    """A unit is missing, unknown or mixed."""


class TooFewBatchesError(SpecmatchError):
    """There are too few batches for what was asked."""


class UnknownBeerError(SpecmatchError):
    """A claim names a beer that the set does not hold."""


class ModelFileError(SpecmatchError):
    """A model file is damaged, foreign, or of a later format."""


class ReferenceSetError(SpecmatchError):
    """A reference set on disk is damaged or does not follow its form."""


class ConflictError(ReferenceSetError):
    """What is to be added says something against the set, and nobody has said which of the two is right.

    Attributes
    ----------
    conflicts : DataFrame
        Columns `kind, subject, column, set, folder, source`: both values of each fact, and the folder that states it.

    Examples
    --------
    >>> import pandas as pd
    >>> error = ConflictError("B17 beer: two values", conflicts=pd.DataFrame({"subject": ["B17"]}))
    >>> error.conflicts["subject"].tolist()
    ['B17']
    """

    def __init__(self, *args: object, conflicts: "DataFrame") -> None:
        super().__init__(*args)
        self.conflicts = conflicts


class StorageError(SpecmatchError):
    """A file cannot be written or read as it must be."""


class MissingExtraError(SpecmatchError):
    """An optional part (pictures, say) is not installed; the message says how to install it."""


class LockedError(StorageError):
    """Another process is writing to the same place.

    Attributes
    ----------
    path : Path or None
        The lock file that somebody else holds; None where the place is locked by other means.

    Examples
    --------
    >>> LockedError("sets/house is being written to", path=Path("sets/house/.lock")).path.name
    '.lock'
    """

    def __init__(self, *args: object, path: Path | None = None) -> None:
        super().__init__(*args)
        self.path = path


class MissingGroupsWarning(UserWarning):
    """No batches were given to `fit`: every row was taken as a batch of its own."""


class ImplausibleReflectanceWarning(UserWarning):
    """Rows were given to an estimator that cannot be reflectance, such as percent or absorbance."""
