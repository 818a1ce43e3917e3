"""The brewery's asset: labelled past reflectance, checked, versioned and hashed.

Every change gives a new set and a line in its history.
"""

import logging
from collections.abc import Collection, Mapping, Sequence
from functools import cached_property
from html import escape
from pathlib import Path
from typing import Any

import pandas as pd

from specmatch.batches import COLOUR_UNITS, check_batches, check_scans
from specmatch.errors import OptionError, ReferenceSetError, UnitError
from specmatch.reference.disk.descriptor import content_hash
from specmatch.reference.disk.large_block import LargeTables
from specmatch.reference.disk.package import read_package, write_package
from specmatch.reference.tables.alignment import (
    agreed,
    align_batches,
    check_band,
    check_beers,
    set_aside_unmeasured,
    tidy_columns,
    unit_of,
)
from specmatch.reference.tables.edits import Tables, dropped, extended, recoloured, relabelled, selected
from specmatch.spectra import check_spectra

_KNOWN_OF_A_COLOUR = ("colour_sd", "colour_n", "colour_method", "lab")


_LOG = logging.getLogger(__name__)

# what a set is told besides its tables and history, and keeps on disk and through changes
_KEPT = ("name", "colour_unit", "band_nm", "reference_kind", "licence", "parent")


class ReferenceSet:
    """Labelled reflectance spectra with what is known of their scans, batches and beers.

    A set never changes; every change makes a new one that knows its parent. A change takes a `reason`, and `who` made
    it and `when` (ISO 8601) where that is known: arguments, never taken from the machine, so that equal input gives
    equal sets.

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
    x_unit : {"nm", "um", "1/cm"}, default "nm"
        Unit of the columns of `spectra` that state none; the set keeps nm.
    quantity : {"reflectance", "percent", "absorbance"}, default "reflectance"
        What `spectra` holds; the set keeps reflectance as a fraction.

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
        x_unit: str = "nm",
        quantity: str = "reflectance",
    ) -> None:
        if colour_unit not in COLOUR_UNITS:
            raise UnitError(f"the set's colour unit is {colour_unit!r}; expected EBC or SRM")
        if isinstance(spectra, pd.DataFrame) and len(spectra) == 0:
            raise ReferenceSetError("the set is empty: it holds no scan; measure at least one batch")
        checked = check_spectra(spectra, quantity=quantity, x_unit=x_unit)
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
        from specmatch.reference.audit.audit import (
            audit_tables,  # the fits that it needs load only when it is asked for
        )

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
        """Return the set with more scans, of new batches or of its own.

        Parameters
        ----------
        spectra, scans, batches, beers : DataFrame
            As for the set itself; spectra on another grid are brought to that of the set. Lab values of a batch that
            the set holds already are averaged with its own.
        reason, who, when : str

        Returns
        -------
        ReferenceSet

        Raises
        ------
        ReferenceSetError
            If a scan is in the set already.
        ParentsError
            If a batch stands under two beers.
        WavelengthMismatchError
            If the new spectra do not reach over the wavelengths of the set.

        Examples
        --------
        >>> batches = pd.DataFrame({"beer": ["Amber Lane"], "colour": [23.9]}, index=["AL-1-001"])
        >>> new = scans["batch"] == "AL-1-001"
        >>> grown = refs.extend(spectra[new], scans[new], batches, reason="a batch of June")
        >>> len(grown.batches), grown.history[-1]["what"], grown.parent == refs.hash
        (19, "extended by 3 scans; new batches: 'AL-1-001'", True)
        """
        more = Tables(spectra, scans, batches, check_beers(beers), self.colour_unit)
        return self._changed(*extended(self._tables, more), reason, who, when)

    def merge(self, other: "ReferenceSet", *, reason: str, who: str = "", when: str = "") -> "ReferenceSet":
        """Return the set with everything that another set holds.

        Parameters
        ----------
        other : ReferenceSet
        reason, who, when : str

        Returns
        -------
        ReferenceSet

        Raises
        ------
        UnitError
            If the two were measured against references of different kinds.
        ReferenceSetError, ParentsError, WavelengthMismatchError
            As for `extend`.

        Examples
        --------
        >>> spring = refs.select(since="2025-02-01")
        >>> winter = refs.select(until="2025-02-01")
        >>> len(winter.merge(spring, reason="one year").batches) == len(winter.batches) + len(spring.batches)
        True
        """
        if self.reference_kind and other.reference_kind and self.reference_kind != other.reference_kind:
            raise UnitError(
                f"set {self.name!r} was measured against {self.reference_kind} and {other.name!r} against "
                f"{other.reference_kind}, which differ by about 4 % in level; keep them apart"
            )
        merged, what = extended(self._tables, other._tables)
        return self._changed(merged, f"merged with {other.name!r} {other.hash[:12]}: {what}", reason, who, when)

    def drop(
        self, names: str | Collection[str], *, level: str = "batch", reason: str, who: str = "", when: str = ""
    ) -> "ReferenceSet":
        """Return the set without some batches, samples, pours or scans.

        Parameters
        ----------
        names : str or collection of str
        level : {"batch", "sample", "pour", "scan"}, default "batch"
        reason, who, when : str

        Returns
        -------
        ReferenceSet

        Raises
        ------
        ReferenceSetError
            If a name is not in the set, or nothing would be left.
        OptionError
            If there is no such level.

        Examples
        --------
        >>> refs.drop("MP-0-001", reason="label mixed up at sampling")
        <ReferenceSet 'house': 51 scans of 17 batches of 3 beers, 339.22-850.09 nm, EBC>
        """
        names = [names] if isinstance(names, str) else list(names)
        return self._changed(*dropped(self._tables, names, level), reason, who, when)

    def relabel(self, batch: str, beer: str, *, reason: str, who: str = "", when: str = "") -> "ReferenceSet":
        """Return the set with another beer for a batch.

        Parameters
        ----------
        batch, beer : str
        reason, who, when : str

        Returns
        -------
        ReferenceSet

        Raises
        ------
        ReferenceSetError
            If the batch is not in the set, or has that beer already.
        OptionError
            If the beer is blank.

        Examples
        --------
        >>> mended = refs.relabel("MP-0-001", "Amber Lane", reason="mixed up at sampling", who="JD", when="2025-06-01")
        >>> mended.batches.loc["MP-0-001", "beer"], mended.history[-1]["why"]
        ('Amber Lane', 'mixed up at sampling')
        """
        return self._changed(*relabelled(self._tables, batch, beer), reason, who, when)

    def set_colour(
        self, batch: str, colour: float, *, reason: str, who: str = "", when: str = "", **known: Any
    ) -> "ReferenceSet":
        """Return the set with another lab colour for a batch.

        Parameters
        ----------
        batch : str
        colour : float
            In the set's unit; NaN for none.
        reason, who, when : str
        **known
            `colour_sd`, `colour_n`, `colour_method` and `lab` of the new value; what is not given is cleared.

        Returns
        -------
        ReferenceSet

        Raises
        ------
        ReferenceSetError
            If the batch is not in the set.
        OptionError
            If the colour is not above 0, or something else is given than what is known of a colour.

        Examples
        --------
        >>> float(refs.set_colour("MP-0-001", 6.5, reason="measured again").batches.loc["MP-0-001", "colour"])
        6.5
        """
        unknown = sorted(set(known) - set(_KNOWN_OF_A_COLOUR))
        if unknown:
            raise OptionError(f"set_colour takes no {unknown[0]!r}; it takes {', '.join(_KNOWN_OF_A_COLOUR)}")
        return self._changed(*recoloured(self._tables, batch, {"colour": colour, **known}), reason, who, when)

    def select(
        self,
        *,
        beers: Collection[str] | None = None,
        since: str | None = None,
        until: str | None = None,
        **where: str,
    ) -> "ReferenceSet":
        """Return the part of the set that fits all conditions.

        Parameters
        ----------
        beers : collection of str, optional
        since, until : str, optional
            ISO dates or times, compared with `measured_at` as text: `since` is kept, `until` is not.
        **where : str
            Column of the scans table and the value to keep, such as `instrument="S1"`.

        Returns
        -------
        ReferenceSet

        Raises
        ------
        ReferenceSetError
            If nothing fits, a column is missing, or dates are asked for and not every scan has one.

        Examples
        --------
        >>> refs.select(beers=["Amber Lane"], since="2025-04-01", instrument="invented-288")
        <ReferenceSet 'house': 6 scans of 2 batches of 1 beers, 339.22-850.09 nm, EBC>
        """
        part = selected(self._tables, beers=beers, since=since, until=until, where=where)
        return self._changed(*part, "selection", "", "")

    def split(self, column: str) -> dict[str, "ReferenceSet"]:
        """Return a set for each value of a scans column.

        Parameters
        ----------
        column : str
            Such as `instrument` or `stage`.

        Returns
        -------
        dict of str to ReferenceSet

        Raises
        ------
        ReferenceSetError
            If there is no such column.

        Examples
        --------
        >>> {session: len(part.batches) for session, part in refs.split("session").items()}
        {'D0-001': 5, 'D0-002': 5, 'D0-003': 5, 'D0-004': 3}
        """
        scans = self._tables.scans
        if column not in scans.columns:
            raise ReferenceSetError(f"the scans table has no column {column!r} to split by")
        return {value: self.select(**{column: value}) for value in dict.fromkeys(scans[column])}

    @property
    def _tables(self) -> Tables:
        return Tables(self._spectra, self._scans, self._batches, self._beers, self.colour_unit)

    def _changed(self, tables: Tables, what: str, reason: str, who: str, when: str) -> "ReferenceSet":
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
