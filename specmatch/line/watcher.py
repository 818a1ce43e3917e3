"""Watch a folder: judge scans as an instrument writes them, once each, whatever happens in between."""
# What is in the journal is done; everything else in the folder is still to do. That is all the state there is, so a
# watch that was killed goes on where the journal ends. There is one watcher a folder and journal.

import logging
import os
import threading
import time
from collections.abc import Callable, Hashable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import pandas as pd

from specmatch.errors import LockedError, MissingScanError, SheetError, SpecmatchError, StorageError
from specmatch.line.acquisition import Measured, ScanFile, ScanReader, measure_bare, measure_listed
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.recording import record_left_out, record_measured
from specmatch.line.rules.judging import LIGHT, LineSetting, standing_of, stated_of, with_bytes
from specmatch.measurement.folder.dates import one_refusal
from specmatch.measurement.folder.folder import SHEETS, FolderSheets, listed_scans, no_materials, read_materials
from specmatch.measurement.folder.sheets import find_sheet
from specmatch.storage import locked, sha256_of

log = logging.getLogger(__name__)

# an instrument writes a file within a tenth of a second: one that stays the same from look to look is whole
POLL_S = 0.1

# a file that cannot be used may still be growing; after so long without a change it is what it is
PATIENCE_S = 5.0
RETRY_S = 1.0
SCAN_SUFFIXES = (".csv", ".txt", ".tsv", ".dat", ".asc", ".prn", ".jdx", ".dx", ".jcm")
AT_ONE_GO = 8
# a scan may be written before its row of the sheet; one that lies so long without a row was forgotten
STRAY_S = 600.0
NOT_LISTED = "is not listed in scans.csv: list it there, or take it out of the folder"

# darks and references before a sample that may still be wanted beside those of its own session
EARLIER_REFERENCES = 8
Mark = tuple[int, int]


class Watch:
    """Judges what is new in a folder."""

    def __init__(
        self,
        journal: Journal,
        setting: LineSetting,
        folder: Path,
        *,
        patience_s: float = PATIENCE_S,
        date_order: str | None = None,
    ) -> None:
        self.date_order = date_order
        self._told: set[str] = set()
        self.journal, self.setting, self.folder, self.patience_s = journal, setting, folder, patience_s
        self.waiting: dict[str, str] = {}
        self._reader = ScanReader(folder)
        self._marks: dict[str, tuple[Mark, float]] = {}
        self._done: dict[str, Mark] = {}
        # files left out, and how sheet, darks and references stood then: they are tried again once those change
        self._left: dict[str, Hashable] = {}
        self._stated: dict[str, str] | None = None
        # darks and references, as they were when last looked at, and when that was
        self._lights: dict[str, tuple[Mark, str]] = {}
        self._lights_at = -float("inf")
        self._sheet: tuple[Mark, pd.DataFrame] | None = None
        self._groups: list[list[int]] = []
        self._closed: set[int] = set()

    def run(
        self, stop: threading.Event, tell: Callable[[Record], None], *, complain: Callable[[str], None] = log.warning,
        beat: Callable[[Sequence[str]], None] | None = None,
    ) -> None:  # fmt: skip
        """Look again and again until told to stop."""
        # beat: called after each look with what could not be used, or why the look itself failed
        said: set[str] = set()
        while not stop.is_set():
            pause = POLL_S
            try:
                for row in self.rows(stop):
                    tell(row)
                trouble = [f"{name}: {reason}" for name, reason in self.waiting.items() if self._stale(name)]
            except (StorageError, OSError) as error:
                # a full disk or a share that is away: nothing is lost, the folder still holds the scans
                trouble, pause = [str(error)], RETRY_S
            for sentence in trouble:
                if sentence not in said:
                    complain(sentence)
            said = set(trouble)
            if beat is not None:
                beat(trouble)
            stop.wait(pause)

    def once(self) -> list[Record]:
        """Judge everything that is whole by now; what is not is left in `waiting`."""
        self.patience_s = min(self.patience_s, POLL_S)
        rows = list(self.rows())
        time.sleep(2 * POLL_S)
        return rows + list(self.rows())

    def rows(self, stop: threading.Event | None = None) -> Iterator[Record]:
        """Look once; each row is given out as soon as it is in the journal."""
        self.waiting.clear()
        sheet = find_sheet(self.folder, "scans")
        if sheet is None:
            self._stated = None
            work = self._bare()
        else:
            listed = self._listed(sheet)
            work = iter(()) if listed is None else self._samples(listed)
        for measured_rows in work:
            yield from measured_rows
            if stop is not None and stop.is_set():
                return

    def _bare(self) -> Iterator[list[Record]]:
        together: list[ScanFile] = []
        for path in sorted(self.folder.iterdir()):
            file = self._new(path.name)
            if file is None:
                continue
            # those of one grid are measured at one go: most of the time goes into laying tables out
            if together and (len(together) >= AT_ONE_GO or _grid(file) != _grid(together[0])):
                yield self._record(partial(measure_bare, together), together)
                together = []
            together.append(file)
        if together:
            yield self._record(partial(measure_bare, together), together)

    def _new(self, name: str) -> ScanFile | None:
        """A scan file that is whole and not judged yet; None for anything else."""
        if not _is_scan_file(self.folder / name) or self._is_nameless(name) or self._is_done(name):
            return None
        return self._whole(name)

    def _strays(self, rows: pd.DataFrame) -> Iterator[list[Record]]:
        """Scan files that the sheet does not list: they wait, and are left out by name once they have lain a while."""
        listed = set(rows["file"])
        for name in _unlisted(self.folder, listed):
            path = self.folder / name
            file = None if path.stem in SHEETS else self._new(name)
            if file is None:
                continue
            if not file.scans:
                # a note or a table of something else is no scan that anybody waits for
                self._done[name] = _mark(path)
                continue
            if time.time() - path.stat().st_mtime < STRAY_S:
                self.waiting[name] = NOT_LISTED
                continue
            yield self._leave_out(file, NOT_LISTED)

    def _listed(self, path: Path) -> pd.DataFrame | None:
        """The rows of the sheet; None until it is whole for the first time."""
        if self._sheet is not None and self._sheet[0] == _mark(path):
            self._look_at_lights(self._sheet[1])
            return self._sheet[1]
        before = None if self._sheet is None else self._sheet[1]
        if not self._steady(path.name) or (
            path.suffix == ".csv" and not path.read_bytes().endswith(b"\n") and not self._stale(path.name)
        ):
            self.waiting.setdefault(path.name, "is being written")
            return before
        mark = _mark(path)
        try:
            with one_refusal() as doubtful:
                rows, left_out, notes = listed_scans(path, doubtful, date_order=self.date_order)
        except SheetError as error:
            self.waiting[path.name] = str(error)
            return before
        for name, reason in left_out:
            log.warning("%s: %s", name, reason)
        self._take_in(with_bytes(stated_of(rows), self._light_bytes(rows)))
        for _, note in notes:
            # a sheet grows by the minute; what is to be known of it is said once
            if note not in self._told:
                log.warning("%s", note)
                self._told.add(note)
        self._sheet, self._groups, self._closed = (mark, rows), _groups(rows), set()
        return rows

    def _look_at_lights(self, rows: pd.DataFrame) -> None:
        """See whether a dark or a reference was written anew; not at each look, as a long sheet lists thousands."""
        if time.monotonic() - self._lights_at >= self.patience_s and self._stated is not None:
            stated = with_bytes(self._stated, self._light_bytes(rows))
            if stated != self._stated:
                self._take_in(stated)
                self._closed.clear()

    def _light_bytes(self, rows: pd.DataFrame) -> dict[str, str]:
        """SHA-256 of each dark and reference, by path; of one that was put away as it last was."""
        self._lights_at = time.monotonic()
        for name in rows["file"][rows["role"].isin(LIGHT)]:
            try:
                mark = _mark(self.folder / name)
                if self._lights.get(name, (None, ""))[0] != mark:
                    self._lights[name] = mark, sha256_of(self.folder / name)
            except OSError:
                continue
        return {name: sha for name, (_, sha) in self._lights.items()}

    def _take_in(self, stated: dict[str, str]) -> None:
        """Take in what the sheet states now: what was judged of a row that was mended is to do again."""
        before = self._stated if self._stated is not None else stated
        self._stated = stated
        if self._sheet is not None:
            rows = self._sheet[1]
            lights = rows["file"][rows["role"].isin(LIGHT)]
            if any(before.get(name) != stated.get(name) for name in lights):
                self._done.clear()  # whatever was read over it is looked at again
        for name in [name for name in self._done if before.get(name) != stated.get(name)]:
            mark = self._done.pop(name, None)
            if mark is None or name not in stated:
                continue
            for entry in self.journal.seen(sha256_of(self.folder / name)).values():
                # those judged together with it are judged again together
                for mate in self.journal.entry(entry).get("scan_files", {}):
                    self._done.pop(mate, None)

    def _surroundings(self) -> Hashable:
        """How the sheet, the darks and the references stand: what a file left out may be waiting for."""
        if self._sheet is None:
            return None
        mark, rows = self._sheet
        marks = []
        for name in rows["file"][rows["role"].isin(LIGHT)]:
            try:
                marks.append(_mark(self.folder / name))
            except OSError:
                marks.append((0, 0))
        return mark, tuple(marks)

    def _samples(self, rows: pd.DataFrame) -> Iterator[list[Record]]:
        """Files of one control or sample at a time, in the order of the sheet, darks and references with them."""
        now = self._surroundings() if self._left else None
        for name in [name for name, then in self._left.items() if then != now]:
            del self._left[name]
            self._done.pop(name, None)
            self._closed.clear()
        yield from self._strays(rows)
        for number, places in enumerate(self._groups):
            # a long sheet must not cost a look at every old file ten times a second; a new sheet is looked at whole
            if number in self._closed:
                continue
            new = [i for i in places if not self._is_done(rows["file"].iat[i])]
            files = [self._whole(rows["file"].iat[i]) for i in new]
            ready = [file for file in files if file is not None]
            if not new:
                self._closed.add(number)
            if not new or len(ready) < len(files):
                continue
            light = self._light(rows, max(places))
            if light is None:
                continue
            part, every = rows.iloc[[*light, *new]], [*light.values(), *ready]
            measure = partial(self._measure, part, every)
            yield self._record(measure, ready)

    def _measure(self, part: pd.DataFrame, files: list[ScanFile]) -> Measured:
        """Measure rows of the sheet; what is known of controls among them is read each time."""
        controls = bool((part["role"] == "control").any())
        sheets = FolderSheets(part, materials=read_materials(self.folder, []) if controls else no_materials())
        return measure_listed(sheets, files, folder=str(self.folder))

    def _light(self, rows: pd.DataFrame, place: int) -> dict[int, ScanFile] | None:
        """Darks and references of the sample's session and some before it, by place; None while one is on its way."""
        instrument, session = rows["instrument"].iat[place], rows["session"].iat[place]
        near = [int(i) for i in (rows["role"].isin(LIGHT) & (rows["instrument"] == instrument))
                .to_numpy().nonzero()[0]]  # fmt: skip
        earlier = [i for i in near if i < place][-EARLIER_REFERENCES:]
        wanted = sorted({*earlier, *(i for i in near if session and rows["session"].iat[i] == session)}) or near
        found: dict[int, ScanFile] = {}
        for i in wanted:
            name = rows["file"].iat[i]
            file = self._whole(name)
            if file is None and not self._stale(name):
                return None
            if file is not None and file.scans:
                found[i] = file
        return found

    def _record(self, measure: Callable[[], Measured], files: list[ScanFile]) -> list[Record]:
        names, listed = ", ".join(file.path for file in files), self._stated is not None
        try:
            measured = measure()
            unused = {path: reason for path, reason in measured.session.left_out.itertuples(index=False)}
            waits = [file for file in files if file.path in unused]
            no_light = listed and measured.session.references.empty
            if waits and (no_light or not all(self._stale(file.path) for file in waits)):
                self.waiting[names] = unused[waits[0].path]
                return []
            rows = record_measured(self.journal, self.setting, measured, stated=self._stated)
        except (StorageError, OSError):
            raise
        except SpecmatchError as error:
            if isinstance(error, MissingScanError) and not any(self._was_judged(file) for file in files):
                self.waiting[names] = str(error)
                return []
            if not listed and len(files) > 1:
                # one of them is at fault: alone, each answers for itself
                alone = [self._record(partial(measure_bare, [file]), [file]) for file in files]
                return [row for part in alone for row in part]
            if not all(self._stale(file.path) for file in files):
                self.waiting[names] = str(error)
                return []
            rows, unused = [], {file.path: str(error) for file in files}
        for file in files:
            if file.path in unused:
                rows += self._leave_out(file, unused[file.path])
            else:
                self._done[file.path] = _mark(self.folder / file.path)
        return rows

    def _leave_out(self, file: ScanFile, reason: str) -> list[Record]:
        self._done[file.path] = _mark(self.folder / file.path)
        self._left[file.path] = self._surroundings()
        return record_left_out(self.journal, self.setting, file, reason, stated=self._stated)

    def _was_judged(self, file: ScanFile) -> bool:
        """Whether the journal holds these bytes: then a dark or reference that they had is no longer listed."""
        return file.path in self.journal.seen(file.sha256)

    def _is_nameless(self, name: str) -> bool:
        """Whether a file bears bytes that are no text, which no record can hold; it waits until it is renamed."""
        try:
            name.encode()
        except UnicodeEncodeError:
            self.waiting[ascii(name)] = "its name is no text: rename the file"
            return True
        return False

    def _is_done(self, name: str) -> bool:
        """Whether these bytes under this name are in the journal; a file that was written anew is not."""
        try:
            mark = _mark(self.folder / name)
        except OSError:
            return False
        if name not in self._done and name not in self._marks:
            digest = sha256_of(self.folder / name)
            found = standing_of(self.journal, name, digest, self._stated, claim=self.setting.claim)
            if found.entry is not None and not found.again:
                self._done[name] = mark
        return self._done.get(name) == mark

    def _whole(self, name: str) -> ScanFile | None:
        """The file as read if it is whole; else None, with a word in `waiting`."""
        try:
            steady = self._steady(name)
        except OSError:
            self.waiting[name] = "is listed but not there yet"
            return None
        if not steady:
            self.waiting[name] = "is being written"
            return None
        file = self._reader.read(name)
        cut = not file.scans or not all(scan.open_end is None for scan in file.scans)
        if cut and not self._stale(name):
            self.waiting[name] = file.reason or "has no line end yet"
            return None
        return file

    def _steady(self, name: str) -> bool:
        """Whether a file is the same as at the last look."""
        mark, before = _mark(self.folder / name), self._marks.get(name)
        if before is None or before[0] != mark:
            self._marks[name] = (mark, time.monotonic())
            # a file that nobody has touched for a while was whole before we came
            return abs(time.time() - mark[0] / 1e9) > self.patience_s
        return True

    def _stale(self, name: str) -> bool:
        """Whether a file has stayed as it is for longer than anybody waits."""
        parts = name.split(", ")
        now = time.monotonic()
        for part in parts:
            if part not in self._marks:
                self._marks[part] = ((0, 0), now)
        return all(
            now - self._marks[part][1] > self.patience_s
            or 0 < self.patience_s < time.time() - self._marks[part][0][0] / 1e9 < 1e9
            for part in parts
        )


def _groups(rows: pd.DataFrame) -> list[list[int]]:
    """Places of the rows that are judged together: those of a sample, a control alone; in the order of the sheet."""
    together: dict[tuple[str, str], list[int]] = {}
    for i, (role, sample, file) in enumerate(zip(rows["role"], rows["sample"], rows["file"], strict=True)):
        if role in ("sample", "control"):
            together.setdefault((role, sample if sample and role == "sample" else f"\0{file}"), []).append(i)
    return list(together.values())


def _is_scan_file(path: Path) -> bool:
    return path.suffix.lower() in SCAN_SUFFIXES and not path.name.startswith(".") and path.is_file()


def _unlisted(folder: Path, listed: set[str]) -> list[str]:
    """Names of what lies beside the files that the sheet lists, in their folders, and is not listed itself."""
    beside = {"", *(name.rpartition("/")[0] for name in listed)}
    found = []
    for part in sorted(beside):
        try:
            names = os.listdir(folder / part)
        except OSError:
            continue
        found += [f"{part}/{name}" if part else name for name in sorted(names)]
    return [name for name in found if name not in listed]


def _grid(file: ScanFile) -> bytes:
    return b"".join(scan.wavelength_nm.tobytes() for scan in file.scans)


def _mark(path: Path) -> Mark:
    state = path.stat()
    return state.st_mtime_ns, state.st_size


@contextmanager
def only_watcher(journal: Path, folder: Path) -> Iterator[None]:
    """Hold the right to watch a folder with a journal; a second watcher is refused by name."""
    name = sha256_of(str(folder.resolve()).encode())[:12]
    lock = journal.with_name(f".{journal.name}.{name}.lock")
    try:
        with locked(lock):
            yield
    except LockedError as error:
        if error.path != lock:  # the block's own work met another lock
            raise
        raise LockedError(f"{folder} is being watched already, with {journal}; one watcher is enough") from error
