"""The public way to the watch: a model file, a folder and a journal, by their paths."""

import logging
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from specmatch.array_types import is_number
from specmatch.errors import MissingScanError, OptionError, SheetError
from specmatch.house.decision.decision import refuse_unknown_claim
from specmatch.house.decision.specification import load_specification
from specmatch.house.house_model import HouseModel
from specmatch.line.hand_over import handing_on
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.reviews import put_in_force
from specmatch.line.rules.controls import CONTROL_HOURS
from specmatch.line.rules.judging import LineSetting
from specmatch.line.watcher import Watch, only_watcher
from specmatch.measurement.folder.sheets import read_sheet
from specmatch.spectra import tidy_name
from specmatch.storage import path_of, sha256_of
from specmatch.warning_codes import CONSISTENT

log = logging.getLogger(__name__)
# setting in the sheet beside the model: whether a review of a hold takes a second name
SECOND_NAME = "second_name"


@dataclass(frozen=True)
class Watched:
    """What a watch came to."""

    n_recorded: int  # rows that went into the journal
    n_departures: int  # of them, those that somebody must look at: a hold, a rescan, a file left out
    waiting: dict[str, str]  # what could not be used yet, and why, when the watch ended


def watch(
    model: str | Path,
    folder: str | Path,
    *,
    journal: str | Path,
    once: bool = False,
    claim: str | None = None,
    line: str = "",
    operator: str = "",
    control_hours: float = CONTROL_HOURS,
    date_order: str | None = None,
    on_hold: str | None = None,
    hand_over: str | Path | None = None,
    tell: Callable[[Record], None] | None = None,
    complain: Callable[[str], None] | None = None,
    beat: Callable[[Sequence[str]], None] | None = None,
    stop: threading.Event | None = None,
) -> Watched:
    """Verify scans as they land in a folder, and record every decision; none that the journal holds is judged twice.

    Parameters
    ----------
    model : str or Path
        Model file; colour limits and package labels are looked for beside it.
    folder : str or Path
        Folder that the instrument writes to. With `scans.csv`, which says what each file is; without it each file is
        a sample of its own, of reflectance.
    journal : str or Path
        Journal to record in, on a disk of this machine; made if it is not there.
    once : bool, default False
        Judge what is there and return. Otherwise the call returns only after `stop` is set.
    claim : str, optional
        Beer or package label that every sample is said to be; by default the sheet says it.
    line, operator : str, optional
        Packaging line, and who measured where the sheet does not say it, for the journal.
    control_hours : float, default 12
        Hours that a good control vouches for a line that measures one; 0 asks for none.
    date_order : {"dmy", "mdy", "ymd"}, optional
        Order of day, month and year in dates of the sheet that can be read in two ways.
    on_hold : str, optional
        Command to run for each hold, as on a command line but never through a shell; it gets the entry as JSON on its
        standard input, and ten seconds.
    hand_over : str or Path, optional
        Folder to write each entry of this line to, as a JSON file of its own.
    tell : callable, optional
        Gets each row (dict) as soon as it is in the journal.
    complain : callable, optional
        Gets a sentence when something waits or cannot be written, once for each; by default it is logged.
    beat : callable, optional
        Gets, after each look at the folder, the sentences on what cannot be used now; `Board.beat` takes them.
    stop : threading.Event, optional
        Set from a signal handler or another thread; the sample in hand is finished first.

    Returns
    -------
    Watched
        `n_recorded`, `n_departures`, `waiting`.

    Raises
    ------
    MissingScanError
        If there is no such folder.
    ModelFileError
        If the model file is missing or damaged.
    UnknownBeerError
        If `claim` names neither a beer nor a label.
    OptionError
        If there is no such command or folder to hand over to.
    LockedError
        If another process watches this folder with this journal.
    StorageError
        If the journal is none, lies on a network share, or cannot be written; without `once` the watch complains and
        tries again.

    Examples
    --------
    >>> rows = []
    >>> sm.watch("house.model", "tuesday", journal="watched.db", once=True, line="1", tell=rows.append)
    Watched(n_recorded=5, n_departures=0, waiting={})
    >>> [row["kind"] for row in rows]
    ['reference', 'control', 'reading', 'reading', 'reading']
    >>> sm.watch("house.model", "tuesday", journal="watched.db", once=True)  # all of it is in the journal
    Watched(n_recorded=0, n_departures=0, waiting={})
    """
    count = {True: 0, False: 0}
    setting = load_setting(model, line=line, operator=operator, claim=claim, control_hours=control_hours)
    complain_of = complain or log.warning
    with (
        watching(setting, folder, journal, date_order=date_order) as watcher,
        handing_on(Path(journal), line, on_hold=on_hold, folder=hand_over, complain=complain_of) as hand_on,
    ):

        def note(row: Record) -> None:
            count[needs_look(row)] += 1
            hand_on(row)
            if tell is not None:
                tell(row)

        if once:
            for row in watcher.once():
                note(row)
            for name, reason in watcher.waiting.items() if complain is not None else ():
                complain_of(f"{name}: {reason}")
        else:
            watcher.run(stop or threading.Event(), note, complain=complain_of, beat=beat)
        return Watched(count[True] + count[False], count[True], dict(watcher.waiting))


@contextmanager
def watching(
    setting: LineSetting, folder: str | Path, journal: str | Path, *, date_order: str | None = None
) -> Iterator[Watch]:
    """Hold the journal and the right to watch a folder with it while the block runs."""
    folder, journal = path_of(folder), path_of(journal)
    if not folder.is_dir():
        raise MissingScanError(f"{folder}: no such folder; name the folder that the instrument writes to")
    with Journal(journal) as opened, only_watcher(journal, folder):
        setting = replace(setting, in_force=put_in_force(opened, setting))
        yield Watch(opened, setting, folder, date_order=date_order)


def load_setting(
    model: str | Path, *, line: str, operator: str, claim: str | None, control_hours: float
) -> LineSetting:
    """Load a model and what lies beside it, and refuse a claim that it does not know."""
    if not (is_number(control_hours) and 0 <= control_hours < float("inf")):
        raise OptionError(
            f"control_hours (--control-hours) is {control_hours!r}; expected hours, or 0 to ask for no controls"
        )
    house = HouseModel.load(model)
    specification = load_specification(model, beers=house.beers_)
    refuse_unknown_claim(claim, house.beers_, specification.label_names, said="--claim is")
    claim, second = claim and tidy_name(claim), asks_for_two_names(model)
    return LineSetting(house, sha256_of(path_of(model)), specification, line, operator, claim, control_hours, second)


def asks_for_two_names(model: str | Path) -> bool:
    """Return whether the house asks for two names on a review: `house.line.csv` beside `house.model`."""
    model = path_of(model)
    path = model.with_name(f"{model.stem}.line.csv")
    if not path.is_file():
        return False
    sheet = read_sheet(path, known=("setting", "value"))
    if list(sheet.table.columns) != ["setting", "value"]:
        raise SheetError(f"{path.name}: expected the columns setting and value, got {', '.join(sheet.table.columns)}")
    found = False
    for line, name, value in zip(sheet.lines, sheet.table["setting"], sheet.table["value"], strict=True):
        if name != SECOND_NAME or value.lower() not in ("yes", "no"):
            raise SheetError(f"{path.name}, line {line}: got {name!r}, {value!r}; expected {SECOND_NAME}, yes or no")
        found = value.lower() == "yes"
    return found


def needs_look(row: Record) -> bool:
    """Return whether somebody must look at a row: a hold, a rescan, a file left out."""
    return row.get("decision") not in (CONSISTENT, None) or row["kind"] == "left_out"
