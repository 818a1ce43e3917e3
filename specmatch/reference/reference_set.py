"""The brewery's asset: labelled past reflectance, checked, versioned and hashed."""

import hashlib
import json
import logging
from collections.abc import Mapping, Sequence
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.batches import COLOUR_UNITS, check_batches, check_scans
from specmatch.errors import ReferenceSetError, TableError, UnitError
from specmatch.reference.columns import tidy_columns
from specmatch.reference.package import read_package, write_package
from specmatch.reference.table_csv import encode_table
from specmatch.spectra import check_spectra, text_ids

_LOG = logging.getLogger(__name__)


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
        Hash of the set that this one was made from.

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
        known = _only_known(scans, checked.scan_ids, left_out)
        self._scans = tidy_columns(check_scans(known, checked.scan_ids), "scans")
        self._batches = _align_batches(batches, self._scans, colour_unit, left_out)
        values = checked.values
        values.flags.writeable = False
        columns = pd.Index(checked.wavelength_nm, dtype=np.float64, name="wavelength_nm")
        self._spectra = pd.DataFrame(values, index=checked.scan_ids, columns=columns, copy=False)
        self._beers = _check_beers(beers)
        self.left_out = pd.DataFrame(left_out, columns=["table", "name", "reason"], dtype=object)
        for row in left_out:
            _LOG.warning("%s %r left out: %s", row["table"], row["name"], row["reason"])
        self.name = str(name)
        self.colour_unit = colour_unit
        self.band_nm = _check_band(band_nm)
        self.reference_kind = reference_kind or _agreed(self._scans, "reference_kind")
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
        digest = hashlib.sha256()
        settings = [self.colour_unit, self.band_nm, self.reference_kind, self._spectra.shape]
        digest.update(json.dumps(settings).encode())
        for table in (self._scans, self._batches, self._beers):
            digest.update(hashlib.sha256(b"" if table is None else encode_table(table)).digest())
        digest.update(self._spectra.columns.to_numpy().astype("<f8").tobytes())
        values = self._spectra.to_numpy()
        for start in range(0, len(values), 4096):
            # adding 0.0 turns every kind of NaN and both zeros into one each
            digest.update(
                np.where(np.isnan(block := values[start : start + 4096]), np.nan, block).astype("<f8").tobytes()
            )
        return digest.hexdigest()

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
        info = {
            key: getattr(self, key) for key in ("name", "licence", "colour_unit", "reference_kind", "hash", "parent")
        }
        band = None if self.band_nm is None else list(self.band_nm)
        write_package(folder, tables, {**info, "band_nm": band, "history": list(self.history)})

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
        return cls(
            tables["spectra"],
            tables["scans"],
            tables["batches"],
            tables.get("beers"),
            name=info["name"],
            colour_unit=_unit_of(info["colour_unit"], tables["batches"], folder),
            band_nm=info["band_nm"],
            reference_kind=info["reference_kind"],
            licence=info["licence"],
            history=info["history"] or (),
            parent=info["parent"],
        )

    def __repr__(self) -> str:
        nm = self._spectra.columns
        return (
            f"<ReferenceSet {self.name!r}: {len(self._spectra)} scans of {len(self._batches)} batches of "
            f"{self._batches['beer'].nunique()} beers, {nm[0]:g}-{nm[-1]:g} nm, {self.colour_unit}>"
        )


def _only_known(
    scans: pd.DataFrame | pd.Series, scan_ids: pd.Index, left_out: list[dict[str, str]]
) -> pd.DataFrame | pd.Series:
    """Set aside rows about scans that have no spectrum, in the open; a second row of a scan is refused later."""
    if not isinstance(scans, (pd.DataFrame, pd.Series)):
        raise TableError(f"scans are a {type(scans).__name__}; expected a DataFrame with pour, sample and batch")
    if isinstance(scans, pd.DataFrame) and "scan_id" in scans.columns:
        scans = scans.set_index("scan_id")
    ids = text_ids(scans.index, "scan_id")
    used = ids.isin(scan_ids)
    left_out += [{"table": "scans", "name": name, "reason": "has no spectrum"} for name in ids[~used]]
    return scans if used.all() else scans[used]


def _align_batches(
    batches: pd.DataFrame, scans: pd.DataFrame, colour_unit: str, left_out: list[dict[str, str]]
) -> pd.DataFrame:
    table = tidy_columns(check_batches(batches, colour_unit=colour_unit), "batches")
    needed = pd.Index(scans["batch"].unique())
    absent = needed.difference(table.index, sort=False)
    if len(absent):
        scan_id = scans.index[(scans["batch"] == absent[0]).to_numpy().argmax()]
        raise ReferenceSetError(
            f"{len(absent)} batches of the scans are not in the batches table, the first {absent[0]!r} "
            f"(scan {scan_id!r}); add a row with its beer, or leave its scans out"
        )
    used = table.index.isin(needed)
    left_out += [{"table": "batches", "name": name, "reason": "has no scan"} for name in table.index[~used]]
    table = table[used]
    table.index = pd.Index(table.index, dtype=object, name="batch")
    return table


def _check_beers(beers: pd.DataFrame | None) -> pd.DataFrame | None:
    if beers is None:
        return None
    if "beer" in beers.columns:
        beers = beers.set_index("beer")
    table = tidy_columns(beers.set_axis(text_ids(beers.index, "beer"), axis=0), "beers")
    if not table.index.is_unique:
        raise TableError(f"beer {table.index[table.index.duplicated()][0]!r} stands twice in the beers table")
    return table


def _check_band(band_nm: Sequence[float] | None) -> tuple[float, float] | None:
    if band_nm is None:
        return None
    try:
        low, high = (float(edge) for edge in band_nm)
    except (TypeError, ValueError):
        raise ReferenceSetError(f"the band is {band_nm!r}; expected two wavelengths in nm") from None
    if not low < high:
        raise ReferenceSetError(f"the band is {low:g}-{high:g} nm; expected the lower edge first")
    return low, high


def _agreed(scans: pd.DataFrame, column: str) -> str | None:
    kinds = set(scans[column]) - {""} if column in scans.columns else set()
    return kinds.pop() if len(kinds) == 1 else None


def _unit_of(recorded: str | None, batches: pd.DataFrame, folder: str | Path) -> str:
    """A set from elsewhere may say its unit in the column only; a guess would be wrong by a factor of two."""
    if recorded:
        return str(recorded)
    units = set(batches["colour_unit"]) - {""} if "colour_unit" in batches.columns else set()
    if len(units) == 1:
        return str(units.pop()).upper()
    raise UnitError(f"the set in {folder} does not say whether its colours are EBC or SRM; add a column colour_unit")
