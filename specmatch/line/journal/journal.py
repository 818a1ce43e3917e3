"""The journal of a line: one SQLite file that only grows, one row a reading, sealed row to row."""
# What is promised is that a change shows, not that it cannot be made: whoever can write the file can also rebuild it
# whole. A last hash kept elsewhere shows that, and a cut tail.

import json
import sqlite3
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from specmatch.errors import LockedError, StorageError, TableError
from specmatch.line.journal import schema
from specmatch.storage import path_of, sha256_of
from specmatch.wording import CAUTIONS

Record = dict[str, Any]

# another process holds the file for a few milliseconds a row; half a minute of waiting means that it hangs
BUSY_S = 30.0


class Journal:
    """A journal file, open for reading and, unless `read_only`, for adding rows.

    Parameters
    ----------
    path : str or Path
        Made if it is not there (not with `read_only`); never on a network share.
    read_only : bool, default False
    clock : callable, optional
        Gives the time that stands in `written_at`.

    Raises
    ------
    StorageError
        If the file is no journal, of a later format, on a network share, or cannot be opened.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.TemporaryDirectory()
    >>> with Journal(Path(folder.name) / "line.db") as journal:
    ...     with journal.writing():
    ...         entry = journal.append({"kind": "review", "reason": "only trying"})
    ...     journal.check().faults
    ()
    >>> folder.cleanup()
    """

    def __init__(
        self, path: str | Path, *, read_only: bool = False, clock: Callable[[], datetime] = schema.utc_now
    ) -> None:
        self.path, self.clock = path_of(path), clock
        self._written: list[int] = []
        self._scans, self._triggers = "scans_recorded", schema.TRIGGERS
        share = network_file_system(self.path)
        if share is not None and not read_only:
            raise StorageError(
                f"{self.path} lies on a network share ({share}), whose locks a journal cannot rest on; keep it on a "
                "disk of this machine and copy it to the share"
            )
        if read_only and not self.path.is_file():
            raise StorageError(f"{self.path}: no such journal")
        with self._named_errors():
            self._db = self._connect(read_only)
            try:
                schema.patiently(lambda: self._prepare(read_only), BUSY_S)
            except BaseException:
                self._db.close()
                raise

    def __enter__(self) -> "Journal":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; leaving the `with` block does the same.

        Examples
        --------
        >>> Journal("closed.db").close()
        """
        self._db.close()

    def _connect(self, read_only: bool) -> sqlite3.Connection:
        # transactions are begun by name below, never by the module behind our back
        options: dict[str, Any] = {"timeout": BUSY_S, "isolation_level": None}
        if not read_only:
            return sqlite3.connect(self.path, **options)
        address = self.path.absolute().as_uri()
        try:
            db = sqlite3.connect(f"{address}?mode=ro", uri=True, **options)
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()
            return db
        except sqlite3.OperationalError:
            # a medium that cannot be written to has no room for the log's index: nobody else can be writing either
            return sqlite3.connect(f"{address}?mode=ro&immutable=1", uri=True, **options)

    def _prepare(self, read_only: bool) -> None:
        db = self._db
        made = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] > 0
        if not made and not read_only:
            mode = db.execute("PRAGMA journal_mode = WAL").fetchone()[0]
            if mode != "wal":
                raise StorageError(f"{self.path}: this disk does not take a write-ahead log; choose a local disk")
            with self.writing():
                # another process may have made the tables since we looked
                if db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
                    for statement in schema.statements(schema.sql_of("schema")):
                        db.execute(statement)
                    for kind, text in (("cautions", CAUTIONS), ("how to check", schema.HOW_TO_CHECK)):
                        self._keep(sha256_of(text.encode()), kind, text)
        application, number = (
            db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version")
        )
        if application != schema.APPLICATION_ID:
            raise StorageError(f"{self.path} is no journal; name a file that verify or watch has made")
        if number > schema.FORMAT:
            raise StorageError(
                f"{self.path} is a journal of format {number}, this version reads up to {schema.FORMAT}; use a newer "
                "version"
            )
        if not read_only:
            # every row reaches the disk before its decision is shown
            db.execute("PRAGMA synchronous = FULL")
        if number == 1 and read_only:
            self._scans, self._triggers = "scans_seen", schema.TRIGGERS_OF_1
            db.execute(schema.sql_of("view of 1"))
        elif number == 1:
            with self.writing():
                self._bring_from_1()

    def _bring_from_1(self) -> None:
        """Bring a journal of the first format to today's; rows that no sealed text stands behind are told and go."""
        db = self._db
        if db.execute("PRAGMA user_version").fetchone()[0] != 1:
            return  # another process was quicker
        lost = sorted(schema.TRIGGERS_OF_1 - self._standing_triggers())
        planted = db.execute(
            "SELECT sha256, path, entry FROM scans_seen EXCEPT "
            "SELECT f.value, f.key, e.entry FROM entries e, json_each(e.record, '$.scan_files') f"
        ).fetchall()
        for statement in schema.statements(schema.sql_of("from 1")):
            db.execute(statement)
        self._keep(sha256_of(schema.HOW_TO_CHECK.encode()), "how to check", schema.HOW_TO_CHECK)
        said = "brought from format 1 to format 2"
        if planted:
            said += f"; {len(planted)} rows of scans_seen that no entry stands behind were dropped"
        if lost:
            said += f"; triggers were gone: {', '.join(lost)}"
        dropped = [{"sha256": sha, "path": path, "entry": entry} for sha, path, entry in planted]
        self.append({"kind": "format", "reason": said, "dropped": dropped})

    def _keep(self, digest: str, kind: str, text: str) -> None:
        if self._db.execute("SELECT 1 FROM documents WHERE hash = ?", (digest,)).fetchone() is None:
            self._db.execute("INSERT INTO documents VALUES (?, ?, ?)", (digest, kind, text))

    def _standing_triggers(self) -> set[str]:
        return {name for (name,) in self._db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")}

    def _so_far(self) -> str:
        """Say exactly what this opening of the journal has written before something went wrong."""
        if not self._written:
            return "nothing was recorded"
        first, last = self._written[0], self._written[-1]
        entries = f"entry {first} was" if first == last else f"entries {first} to {last} were"
        return f"{entries} recorded before, what came after was not"

    @contextmanager
    def _named_errors(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            if schema.error_kind(error) in schema.BUSY_KINDS:
                raise LockedError(
                    f"{self.path}: another process has held the journal for {BUSY_S:g} s; {self._so_far()}: "
                    "run it again"
                ) from error
            raise StorageError(f"{self.path}: {error}; {_way_out(error).format(so_far=self._so_far())}") from error

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the journal alone while the block reads and adds rows; all of them are kept, or none.

        Yields
        ------
        None
            While it is held.

        Raises
        ------
        LockedError
            If another process has held it for half a minute.
        StorageError
            If it cannot be written.

        Examples
        --------
        >>> with Journal("written.db") as journal, journal.writing():
        ...     row = journal.append({"kind": "review", "reason": "only trying"})
        """
        with self._named_errors():
            self._db.execute("BEGIN IMMEDIATE")
            self._pending: list[int] = []
            try:
                yield
                self._db.execute("COMMIT")
                self._written = [*self._written[:1], *self._pending[:1], *self._pending[-1:]]
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def append(self, record: Mapping[str, Any], *, documents: Sequence[tuple[str, str, str]] = ()) -> Record:
        """Add one row at the end; call it inside `writing`.

        Parameters
        ----------
        record : mapping
            What JSON can hold; `kind` is needed. `entry` and `written_at` are filled in here.
        documents : sequence of (hash, kind, text)
            Texts that the record names by their hash; each is kept once.

        Returns
        -------
        dict
            The record as written.

        Raises
        ------
        StorageError
            If it holds a scan file that is recorded already, and does not say which entry it `replaces`; or outside
            `writing`.
        TableError
            If it has no `kind`, states what is filled in here, or holds what JSON does not, such as NaN.

        Examples
        --------
        >>> with Journal("appended.db") as journal, journal.writing():
        ...     journal.append({"kind": "review", "reason": "only trying"})["entry"]
        1
        """
        db = self._db
        self._refuse_unfit(record)
        if record.get("replaces") is None:
            for path, digest in record.get("scan_files", {}).items():
                if (there := self.seen(digest).get(path)) is not None:
                    raise StorageError(f"{self.path}: scan file {path} is recorded already, in entry {there}")
        last = db.execute("SELECT entry, hash FROM entries ORDER BY entry DESC LIMIT 1").fetchone()
        number, previous = (0, schema.FIRST_PREVIOUS) if last is None else last
        written = self.clock().astimezone(UTC).isoformat(timespec="milliseconds")
        whole = {"entry": number + 1, "written_at": written, **record}
        text = schema.record_text(whole)
        db.execute(
            "INSERT INTO entries (entry, record, previous_hash, hash) VALUES (?, ?, ?, ?)",
            (number + 1, text, previous, schema.seal(previous, text)),
        )
        for path, digest in record.get("scan_files", {}).items():
            db.execute("INSERT OR IGNORE INTO scans_recorded VALUES (?, ?, ?)", (digest, path, number + 1))
        for document in documents:
            self._keep(*document)
        self._pending.append(number + 1)
        return whole

    def _refuse_unfit(self, record: Mapping[str, Any]) -> None:
        if not self._db.in_transaction:
            raise StorageError(f"{self.path}: append is called inside `with journal.writing():`; nothing was recorded")
        if not isinstance(record, Mapping) or not (isinstance(record.get("kind"), str) and record["kind"].strip()):
            raise TableError(f"the record is {record!r:.60}; expected a mapping with a kind, such as 'review'")
        own = {"entry", "written_at"}.intersection(record)
        if own:
            raise TableError(f"the record states {min(own)}, which the journal fills in; leave it out")
        if not isinstance(record.get("scan_files", {}), Mapping):
            raise TableError("scan_files is no mapping; expected path -> SHA-256 of each file")
        if record.get("measured_at"):
            schema.unix_time(record["measured_at"], f"a record of kind {record['kind']!r}")

    def seen(self, sha256: str) -> dict[str, int]:
        """Return path -> newest entry of every scan file recorded with these contents.

        Parameters
        ----------
        sha256 : str
            Of the file's bytes, in hexadecimal.

        Returns
        -------
        dict of str to int

        Examples
        --------
        >>> with Journal("line1.db", read_only=True) as journal:
        ...     journal.seen("0" * 64)
        {}
        """
        return dict(self.entries_of(sha256))

    def entries_of(self, sha256: str) -> list[tuple[str, int]]:
        """Return path and entry of every time that these contents were recorded, oldest first.

        Parameters
        ----------
        sha256 : str
            Of the file's bytes, in hexadecimal.

        Returns
        -------
        list of (str, int)

        Examples
        --------
        >>> with Journal("line1.db", read_only=True) as journal:
        ...     journal.entries_of("0" * 64)
        []
        """
        sql = (
            f"SELECT s.path, s.entry, e.scan_files FROM {self._scans} s JOIN entries e ON e.entry = s.entry "
            "WHERE s.sha256 = ? ORDER BY s.entry"
        )
        with self._named_errors():
            rows = self._db.execute(sql, (sha256,)).fetchall()
        # only a sealed text counts: a row that somebody planted must not hide a scan
        return [(path, entry) for path, entry, files in rows if json.loads(files or "{}").get(path) == sha256]

    def select(self, where: str = "1", values: Sequence[Any] = (), *, last: int | None = None) -> list[Record]:
        """Return records in the order written.

        Parameters
        ----------
        where : str
            An SQL condition over the columns of `entries`, written by this library; values go in by `?`.
        values : sequence
        last : int, optional
            Only so many of the newest.

        Returns
        -------
        list of dict

        Examples
        --------
        >>> with Journal("line1.db", read_only=True) as journal:
        ...     [row["decision"] for row in journal.select("kind = ?", ["reading"])]
        ['consistent', 'consistent', 'consistent']
        """
        limit = "" if last is None else f" LIMIT {int(last)}"
        with self._named_errors():
            rows = self._db.execute(
                f"SELECT record FROM entries WHERE {where} ORDER BY entry DESC{limit}", tuple(values)
            ).fetchall()
        return [json.loads(text) for (text,) in reversed(rows)]

    def query(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Return the rows of an SQL query over the columns of `entries`, written by this library.

        Parameters
        ----------
        sql : str
        values : sequence
            They go in by `?`.

        Returns
        -------
        list of tuple

        Examples
        --------
        >>> with Journal("line1.db", read_only=True) as journal:
        ...     journal.query("SELECT count(*) FROM entries WHERE kind = ?", ["reading"])
        [(3,)]
        """
        with self._named_errors():
            return self._db.execute(sql, tuple(values)).fetchall()

    def entry(self, number: int) -> Record:
        """Return one record.

        Parameters
        ----------
        number : int
            Of the entry, from 1.

        Returns
        -------
        dict

        Raises
        ------
        TableError
            If there is no such entry.

        Examples
        --------
        >>> with Journal("line1.db", read_only=True) as journal:
        ...     journal.entry(1)["kind"]
        'reference'
        """
        found = self.select("entry = ?", (number,))
        if not found:
            raise TableError(f"{self.path} has no entry {number}")
        return found[0]

    def document(self, digest: str) -> str:
        """Return a text that records name by its hash.

        Parameters
        ----------
        digest : str

        Returns
        -------
        str

        Raises
        ------
        StorageError
            If the journal does not hold it.

        Examples
        --------
        >>> with Journal("line1.db", read_only=True) as journal:
        ...     journal.document("0" * 64)
        Traceback (most recent call last):
        specmatch.errors.StorageError: line1.db lacks the document 000000000000 that its records name
        """
        found = self.query("SELECT text FROM documents WHERE hash = ?", (digest,))
        if not found:
            raise StorageError(f"{self.path} lacks the document {digest[:12]} that its records name")
        return found[0][0]

    def check(self, *, expect: str = "") -> schema.ChainCheck:
        """Follow the chain of hashes, and look whether triggers and the index of scans still stand as they must.

        Parameters
        ----------
        expect : str, optional
            A last hash that was kept elsewhere: a fault is found unless the chain still goes through it.

        Returns
        -------
        ChainCheck
            `n_entries`, `last_hash`, `faults`, `clock_notes`.

        Examples
        --------
        >>> with Journal("line1.db", read_only=True) as journal:
        ...     found = journal.check()
        >>> found.n_entries, found.faults
        (5, ())
        """
        with self._named_errors():
            found = schema.check_chain(
                self._db.execute("SELECT entry, record, previous_hash, hash FROM entries ORDER BY entry"),
                self._db.execute(f"SELECT sha256, path, entry FROM {self._scans}"),
                expect=expect,
            )
            lost = [
                schema.ChainFault(0, f"the trigger {name}, which refuses changes, is gone")
                for name in sorted(self._triggers - self._standing_triggers())
            ]
        return schema.ChainCheck(found.n_entries, found.last_hash, (*found.faults, *lost), found.clock_notes)

    def backup(self, path: str | Path) -> schema.ChainCheck:
        """Copy the journal to a new file and check the copy, while others may go on writing.

        Parameters
        ----------
        path : str or Path
            There must be no such file yet.

        Returns
        -------
        ChainCheck
            Of the copy; its `last_hash` is what to write into another book.

        Raises
        ------
        StorageError
            If the file is there already, cannot be written, or the copy is not the same.

        Examples
        --------
        >>> with Journal("line1.db", read_only=True) as journal:
        ...     journal.backup("copy.db").n_entries
        5
        """
        path = Path(path)
        if path.exists():
            raise StorageError(f"{path} is there already; a backup never writes over a file: name a new one")
        if not path.parent.is_dir():
            raise StorageError(f"{path}: there is no folder {path.parent}; make it, or name another")
        part = path.with_name(f".{path.name}.part")
        part.unlink(missing_ok=True)
        try:
            try:
                with closing(sqlite3.connect(part, isolation_level=None)) as copy:
                    self._db.backup(copy)
                    copy.execute("PRAGMA journal_mode = DELETE")  # one file, that needs no log beside it
            except sqlite3.Error as error:
                said = "no copy was made, and the journal is as it was: name a file where there is room"
                raise StorageError(f"{path}: {error}; {said}") from error
            with Journal(part, read_only=True) as copied:
                found = copied.check()
            if not found.faults and self.query("SELECT 1 FROM entries WHERE hash = ?", (found.last_hash,)) == []:
                raise StorageError(f"{path}: the copy ends in another hash than the journal; copy it again")
            part.rename(path)
        finally:
            part.unlink(missing_ok=True)
        return found


_WAYS_OUT = {
    sqlite3.SQLITE_READONLY: "the file or its folder cannot be written to; {so_far}",
    sqlite3.SQLITE_FULL: "{so_far}: free some space and run it again, no scan is lost",
    sqlite3.SQLITE_NOTADB: "it is no journal; name a file that verify or watch has made",
    sqlite3.SQLITE_CANTOPEN: "its folder must be there and writable",
    sqlite3.SQLITE_CORRUPT: "the file is damaged; keep it, and go on in a new journal",
}


def _way_out(error: sqlite3.Error) -> str:
    if sqlite3.sqlite_version_info < (3, 31):
        return "this needs SQLite 3.31 or later"
    return _WAYS_OUT.get(schema.error_kind(error), "{so_far}")


# file systems over a network: their locks are not those that SQLite's write-ahead log rests on
NETWORK_FILE_SYSTEMS = frozenset(
    {"nfs", "nfs4", "cifs", "smb2", "smb3", "smbfs", "afs", "ceph", "fuse.sshfs", "fuse.glusterfs", "davfs",
     "fuse.davfs", "ncpfs", "lustre", "gpfs", "beegfs", "fuse.rclone", "fuse.s3fs"}
)  # fmt: skip


def network_file_system(path: str | Path) -> str | None:
    """Return the kind of network share that a path lies on, or None where it lies on none or that cannot be told."""
    path = Path(path).absolute()
    if sys.platform == "win32":
        return _network_drive(path)
    while not path.exists() and path != path.parent:
        path = path.parent
    try:
        mounts = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    kind = kind_of_mount(mounts, path.resolve())
    return kind if kind in NETWORK_FILE_SYSTEMS else None


def kind_of_mount(mounts: str, path: Path) -> str:
    """Return the file system that a path lies on, by the text of `/proc/self/mountinfo`; "" where none fits."""
    best, kind = -1, ""
    for row in mounts.splitlines():
        left, _, right = row.partition(" - ")
        fields = left.split()
        if len(fields) < 5 or not right:
            continue
        # blanks in a mount point are written as octal numbers
        point = Path(fields[4].replace("\\040", " "))
        if (path == point or point in path.parents) and len(point.parts) >= best:
            best, kind = len(point.parts), right.split()[0]
    return kind


def _network_drive(path: Path) -> str | None:
    if path.drive.startswith("\\\\"):
        return "network path"
    import ctypes

    remote = 4  # DRIVE_REMOTE of the Windows interface
    kind = ctypes.windll.kernel32.GetDriveTypeW(f"{path.drive}\\")  # type: ignore[attr-defined,unused-ignore]
    return "network drive" if kind == remote else None
