"""Blank cells under a filled one, as merged cells of a spreadsheet leave them."""

from specmatch.errors import SheetError
from specmatch.measurement.folder.sheets import Sheet

# a blank in these makes a scan another sample, batch or instrument; elsewhere it only leaves something unsaid
_REFUSED = ("sample", "batch", "instrument", "session")
_ELSE_TOLD = ("pour", "beer", "cup", "cup_mm", "fill_ml", "measured_at", "stage", "reference_kind")
# one blank is a slip of its own kind; two filled cells with blanks under them are a habit of the whole column
_FEWEST = 2
_MOST_NAMED = 8


def merged_cells(sheet: Sheet, *, name: str) -> list[str]:
    """Refuse blanks that look merged where they would change what a scan is of; elsewhere tell of them."""
    table = sheet.table
    if "role" not in table:
        return []
    roles = table["role"].str.lower().tolist()
    notes = []
    for column in (c for c in (*_REFUSED, *_ELSE_TOLD) if c in table):
        under, above, alone, blanks = "", 0, False, []
        heads = set()
        for line, role, cell in zip(sheet.lines, roles, table[column], strict=True):
            # darks and references have no sample: only rows of one role follow on each other
            if role != "sample":
                under = ""
            elif cell:
                # a merged cell holds its value once
                under, above, alone = cell, line, cell != under
            elif under and alone:
                heads.add(above)
                blanks.append(line)
        if not blanks:
            continue
        lines = ", ".join(map(str, blanks[:_MOST_NAMED])) + (" and more" if len(blanks) > _MOST_NAMED else "")
        said = f"column {column}: blank under a filled cell in {len(blanks)} rows (line {lines})"
        if column in _REFUSED and (len(heads) >= _FEWEST or (column == "sample" and len(blanks) >= _FEWEST)):
            raise SheetError(
                f"{name}, {said}; merged cells keep their value in the first row only: write it in every row"
            )
        notes.append(f"{said}: taken as not stated; merged cells keep their value in the first row only")
    return notes
