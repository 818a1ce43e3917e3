"""The brewery's asset: labelled past reflectance, checked, versioned and hashed."""

import logging
from collections.abc import Mapping, Sequence
from functools import cached_property
from html import escape
from pathlib import Path
from typing import Any

import pandas as pd

from specmatch.batches import COLOUR_UNITS, check_batches, check_scans
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
from specmatch.reference.large_block import LargeTables
from specmatch.reference.package import read_package, write_package
from specmatch.reference.tended import Tended
from specmatch.spectra import check_spectra

_LOG = logging.getLogger(__name__)
# what a set is told besides its tables and history, and keeps on disk and through changes
_KEPT = ("name", "colour_unit", "band_nm", "reference_kind", "licence", "parent")


class ReferenceSet(Tended):
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

    _large: LargeTables

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
        """Reflectance, a row a scan; a view of a large block, not to be written to."""
        return self._spectra.copy(deep=False)

    @property
    def scans(self) -> pd.DataFrame:
        """What is known of each scan (a copy)."""
        return self._scans.copy()

    @property
    def batches(self) -> pd.DataFrame:
        """Beer and lab colour of each batch (a copy)."""
        return self._batches.copy()

    @property
    def beers(self) -> pd.DataFrame | None:
        """What the house keeps of each beer, or None (a copy)."""
        return None if self._beers is None else self._beers.copy()

    @cached_property
    def hash(self) -> str:
        """SHA-256 over spectra, tables, unit, band and reference kind."""
        settings = [self.colour_unit, self.band_nm, self.reference_kind]
        return content_hash(self._spectra, (self._scans, self._batches, self._beers), settings)

    def audit(self) -> pd.DataFrame:
        """Judge the set before anything is fitted on it.

        Returns
        -------
        DataFrame
            Findings, worst first: `code, level, subject, size, sentence, action, suggestion`.

        Examples
        --------
        >>> refs.audit().loc[0, "sentence"]
        'no batch lies between 6.99 and 21.3 EBC, a factor of 3; colours in between rest on interpolation'
        """
        from specmatch.reference.audit import audit_tables  # the fits that it needs load only when it is asked for

        return audit_tables(
            self._spectra, self._scans, self._batches, colour_unit=self.colour_unit, band_nm=self.band_nm
        )

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

        Examples
        --------
        >>> refs.save("sets/again")
        >>> ReferenceSet.load("sets/again").hash == refs.hash
        True
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

        Examples
        --------
        >>> ReferenceSet.load("sets/house")
        <ReferenceSet 'house': 54 scans of 18 batches of 3 beers, 339.22-850.09 nm, EBC>
        """
        package = read_package(folder)
        tables, info = package.tables, package.info
        info["colour_unit"] = unit_of(info["colour_unit"], tables["batches"], folder)
        info["history"] = info["history"] or ()
        kept = {key: info[key] for key in (*_KEPT, "history")}
        if package.large is not None:
            return cls._opened(package.large, tables, info["hash"], kept)
        return cls(tables["spectra"], tables["scans"], tables["batches"], tables.get("beers"), **kept)

    @classmethod
    def _opened(
        cls, large: LargeTables, tables: Mapping[str, pd.DataFrame], recorded_hash: str, kept: Mapping[str, Any]
    ) -> "ReferenceSet":
        """Open a large set: spectra and scans are read and checked when they are first asked for."""
        opened = cls.__new__(cls)
        opened._large = large
        opened.__dict__.update(kept, hash=recorded_hash, history=tuple(kept["history"]))
        opened.band_nm = check_band(kept["band_nm"])
        opened._batches = tidy_columns(check_batches(tables["batches"], colour_unit=opened.colour_unit), "batches")
        opened._beers = check_beers(tables.get("beers"))
        opened.left_out = pd.DataFrame(columns=["table", "name", "reason"], dtype=object)
        return opened

    @cached_property
    def _scans(self) -> pd.DataFrame:
        return self._large.scans()

    @cached_property
    def _spectra(self) -> pd.DataFrame:
        return self._large.spectra(self._scans.index)

    def __repr__(self) -> str:
        nm = self._spectra.columns
        return (
            f"<ReferenceSet {self.name!r}: {len(self._spectra)} scans of {len(self._batches)} batches of "
            f"{self._batches['beer'].nunique()} beers, {nm[0]:g}-{nm[-1]:g} nm, {self.colour_unit}>"
        )

    def _repr_html_(self) -> str:
        """Show the set in a notebook: the line above and its beers, every name escaped."""
        colour = self._batches.groupby("beer")["colour"]
        beers = pd.DataFrame({"batches": colour.size(), "lowest": colour.min(), "highest": colour.max()})
        return f"<p><code>{escape(repr(self))}</code></p>{beers.sort_values('lowest').to_html(escape=True)}"
