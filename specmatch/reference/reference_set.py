"""The brewery's asset: labelled past reflectance, checked, versioned and hashed."""

import logging
from collections.abc import Collection, Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from specmatch.batches import COLOUR_UNITS, check_scans
from specmatch.errors import OptionError, ReferenceSetError, UnitError
from specmatch.reference import changes
from specmatch.reference.alignment import (
    agreed,
    align_batches,
    check_band,
    check_beers,
    set_aside_unmeasured,
    unit_of,
)
from specmatch.reference.columns import tidy_columns
from specmatch.reference.content_hash import content_hash
from specmatch.reference.package import read_package, write_package
from specmatch.spectra import check_spectra

_LOG = logging.getLogger(__name__)
# what a set is told besides its tables and history, and keeps on disk and through changes
_KEPT = ("name", "colour_unit", "band_nm", "reference_kind", "licence", "parent")


class ReferenceSet:
    """Labelled reflectance spectra with what is known of their scans, batches and beers.

    A set never changes; every change makes a new one that knows its parent.

    Parameters
    ----------
    spectra : DataFrame, shape (n_scans, n_wavelengths)
        A row a scan, index `scan_id`, columns wavelength in nm, values reflectance as a fraction (NaN = missing).
    scans : DataFrame
        Same index: `pour`, `sample`, `batch` and what else is known of each scan.
    batches : DataFrame
        Index `batch`: `beer`, `colour` (the lab colour, blank where there is none) and what else is known.
    beers : DataFrame, optional
        Index `beer`.
    name : str, default "house"
    colour_unit : {"EBC", "SRM"}, default "EBC"
        Unit of the set; colours in another unit are converted by the batches' own `colour_unit`.
    band_nm : tuple of float, optional
        Lowest and highest usable wavelength, where the measurement recorded them.
    reference_kind : {"water", "base"}, optional
        What the reference scans were of; by default taken from the scans where they agree.
    licence : str, optional
        Licence of the data, such as `"CC0-1.0"`.
    history : sequence of mappings
        Changes that led here, oldest first: `what`, `who`, `when`, `why`, `parent`.
    parent : str, optional
        Hash of the set before the last change.

    Attributes
    ----------
    spectra, scans, batches : DataFrame
        The tables, checked, in the order given. Changing what is handed out does not change the set.
    beers : DataFrame or None
    left_out : DataFrame
        Columns `table`, `name`, `reason`: rows about scans and batches that have no spectrum.
    hash : str
        SHA-256 over the contents (tables, unit, band, reference kind), the same in memory and on disk.

    Raises
    ------
    TableError, ParentsError, UnitError, ReferenceSetError

    Examples
    --------
    >>> spectra = pd.DataFrame([[0.2, 0.5], [0.1, 0.4]], index=["s1", "s2"], columns=[450.0, 600.0])
    >>> scans = pd.DataFrame({"sample": ["a", "b"], "batch": ["a", "b"]}, index=["s1", "s2"])
    >>> batches = pd.DataFrame({"beer": ["Pale", "Amber"], "colour": [8.0, 20.0]}, index=["a", "b"])
    >>> ReferenceSet(spectra, scans, batches)
    <ReferenceSet 'house': 2 scans of 2 batches of 2 beers, 450-600 nm, EBC>
    """

    def __init__(
        self,
        spectra: pd.DataFrame,
        scans: pd.DataFrame,
        batches: pd.DataFrame,
        beers: pd.DataFrame | None = None,
        *,
        name: str = "house",
        colour_unit: str = "EBC",
        band_nm: tuple[float, float] | None = None,
        reference_kind: str | None = None,
        licence: str | None = None,
        history: Sequence[Mapping[str, str]] = (),
        parent: str | None = None,
    ) -> None:
        if colour_unit not in COLOUR_UNITS:
            raise UnitError(f"the set's colour unit is {colour_unit!r}; expected EBC or SRM")
        if isinstance(spectra, pd.DataFrame) and len(spectra) == 0:
            raise ReferenceSetError("the set is empty: it holds no scan; measure at least one batch")
        checked = check_spectra(spectra)
        left_out: list[dict[str, str]] = []
        known = set_aside_unmeasured(scans, checked.scan_ids, left_out)
        self._scans = tidy_columns(check_scans(known, checked.scan_ids), "scans")
        self._batches = align_batches(batches, self._scans, colour_unit, left_out)
        values = checked.values
        values.flags.writeable = False
        columns = pd.Index(checked.wavelength_nm, dtype="float64", name="wavelength_nm")
        self._spectra = pd.DataFrame(values, index=checked.scan_ids, columns=columns, copy=False)
        self._beers = check_beers(beers)
        self.left_out = pd.DataFrame(left_out, columns=["table", "name", "reason"], dtype=object)
        for row in left_out:
            _LOG.warning("%s %r left out: %s", row["table"], row["name"], row["reason"])
        self.name = str(name)
        self.colour_unit = colour_unit
        self.band_nm = check_band(band_nm)
        self.reference_kind = reference_kind or agreed(self._scans, "reference_kind")
        self.licence = licence
        self.history = tuple(dict(entry) for entry in history)
        self.parent = parent

    @property
    def spectra(self) -> pd.DataFrame:
        return self._spectra.copy(deep=False)

    @property
    def scans(self) -> pd.DataFrame:
        return self._scans.copy()

    @property
    def batches(self) -> pd.DataFrame:
        return self._batches.copy()

    @property
    def beers(self) -> pd.DataFrame | None:
        return None if self._beers is None else self._beers.copy()

    @cached_property
    def hash(self) -> str:
        settings = [self.colour_unit, self.band_nm, self.reference_kind]
        return content_hash(self._spectra, (self._scans, self._batches, self._beers), settings)

    def audit(self) -> pd.DataFrame:
        """Judge the set before anything is fitted on it.

        Returns
        -------
        DataFrame
            Findings, worst first: `code, level, subject, size, sentence, action, suggestion`.
        """
        from specmatch.reference.audit import audit_tables  # the fits that it needs load only when it is asked for

        return audit_tables(
            self._spectra, self._scans, self._batches, colour_unit=self.colour_unit, band_nm=self.band_nm
        )

    def extend(
        self,
        spectra: pd.DataFrame,
        scans: pd.DataFrame,
        batches: pd.DataFrame,
        beers: pd.DataFrame | None = None,
        *,
        reason: str,
        who: str = "",
        when: str = "",
    ) -> "ReferenceSet":
        """Return the set with more scans, of new batches or of its own; lab values of one batch are averaged.

        `reason`, `who` and `when` (ISO 8601) go into the history; they are arguments, so that equal input gives equal
        sets. The tables are as for the set itself.
        """
        more = changes.Tables(spectra, scans, batches, check_beers(beers), self.colour_unit)
        return self._changed(*changes.extended(self._tables, more), reason, who, when)

    def merge(self, other: "ReferenceSet", *, reason: str, who: str = "", when: str = "") -> "ReferenceSet":
        """Add everything that another set holds; see `extend`."""
        if self.reference_kind and other.reference_kind and self.reference_kind != other.reference_kind:
            raise UnitError(
                f"set {self.name!r} was measured against {self.reference_kind} and {other.name!r} against "
                f"{other.reference_kind}, which differ by about 4 % in level; keep them apart"
            )
        merged, what = changes.extended(self._tables, other._tables)
        return self._changed(merged, f"merged with {other.name!r} {other.hash[:12]}: {what}", reason, who, when)

    def drop(
        self, names: str | Collection[str], *, level: str = "batch", reason: str, who: str = "", when: str = ""
    ) -> "ReferenceSet":
        """Leave out batches (or samples, pours or scans, by `level`); see `extend` for the other arguments."""
        names = [names] if isinstance(names, str) else list(names)
        return self._changed(*changes.dropped(self._tables, names, level), reason, who, when)

    def relabel(self, batch: str, beer: str, *, reason: str, who: str = "", when: str = "") -> "ReferenceSet":
        """Give a batch another beer; see `extend` for the other arguments."""
        return self._changed(*changes.relabelled(self._tables, batch, beer), reason, who, when)

    def set_colour(
        self,
        batch: str,
        colour: float,
        *,
        reason: str,
        who: str = "",
        when: str = "",
        **known: Any,
    ) -> "ReferenceSet":
        """Give a batch another lab colour in the set's unit (NaN: none).

        `known` may hold `colour_sd`, `colour_n`, `colour_method` and `lab`; see `extend` for the other arguments.
        """
        unknown = set(known) - {"colour_sd", "colour_n", "colour_method", "lab"}
        if unknown:
            raise OptionError(f"set_colour takes no {sorted(unknown)[0]!r}")
        return self._changed(*changes.recoloured(self._tables, batch, {"colour": colour, **known}), reason, who, when)

    def select(
        self,
        *,
        beers: Collection[str] | None = None,
        since: str | None = None,
        until: str | None = None,
        **where: str,
    ) -> "ReferenceSet":
        """Keep some beers, a span of `measured_at` (`since` kept, `until` not), or one value of a scans column."""
        return self._changed(
            *changes.selected(self._tables, beers=beers, since=since, until=until, where=where), "selection", "", ""
        )

    def split(self, column: str) -> dict[str, "ReferenceSet"]:
        """Return a set for each value of a scans column, such as `instrument` or `stage`."""
        if column not in self._scans.columns:
            raise ReferenceSetError(f"the scans table has no column {column!r} to split by")
        return {value: self.select(**{column: value}) for value in dict.fromkeys(self._scans[column])}

    @property
    def _tables(self) -> changes.Tables:
        return changes.Tables(self._spectra, self._scans, self._batches, self._beers, self.colour_unit)

    def _changed(self, tables: changes.Tables, what: str, reason: str, who: str, when: str) -> "ReferenceSet":
        if not reason.strip():
            raise OptionError("a change of the set needs a reason; say why in a few words")
        entry = {"what": what, "who": who, "when": when, "why": reason, "parent": self.hash}
        kept = {key: getattr(self, key) for key in _KEPT} | {"parent": self.hash, "history": (*self.history, entry)}
        return ReferenceSet(tables.spectra, tables.scans, tables.batches, tables.beers, **kept)

    def save(self, folder: str | Path) -> None:
        """Write the set as a folder under the Data Package standard; whole or not at all.

        Parameters
        ----------
        folder : str or Path
            Made if it is not there; an earlier version in it is replaced.

        Raises
        ------
        LockedError
            If another process is writing to the folder.
        StorageError
            If the folder cannot be written to, or was changed since this set was made from what it held.
        """
        tables = {"spectra": self._spectra, "scans": self._scans, "batches": self._batches}
        if self._beers is not None:
            tables["beers"] = self._beers
        info = {key: getattr(self, key) for key in (*_KEPT, "hash")}
        write_package(folder, tables, {**info, "history": list(self.history)})

    @classmethod
    def load(cls, folder: str | Path) -> "ReferenceSet":
        """Read a saved set, checking every file against its hash.

        Parameters
        ----------
        folder : str or Path

        Returns
        -------
        ReferenceSet

        Raises
        ------
        ReferenceSetError
            If there is no set, or it is damaged, unsafe, or of a later format; the message names the file.
        """
        package = read_package(folder)
        tables, info = package.tables, package.info
        info["colour_unit"] = unit_of(info["colour_unit"], tables["batches"], folder)
        info["history"] = info["history"] or ()
        kept = {key: info[key] for key in (*_KEPT, "history")}
        return cls(tables["spectra"], tables["scans"], tables["batches"], tables.get("beers"), **kept)

    def __repr__(self) -> str:
        nm = self._spectra.columns
        return (
            f"<ReferenceSet {self.name!r}: {len(self._spectra)} scans of {len(self._batches)} batches of "
            f"{self._batches['beer'].nunique()} beers, {nm[0]:g}-{nm[-1]:g} nm, {self.colour_unit}>"
        )
