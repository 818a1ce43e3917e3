"""The brewery's asset: labelled past reflectance, checked, versioned and hashed; a change gives a new set."""

import logging
from collections.abc import Collection, Iterable, Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any
from unicodedata import is_normalized

import numpy as np
import pandas as pd

from specmatch.batches import VALUE_NAME, beer_lines, check_batches, check_scans, must_be
from specmatch.errors import OptionError, ReferenceSetError, UnitError
from specmatch.long_jobs import step
from specmatch.measurement.folder.stated import tables_as_stated
from specmatch.reference.arrivals import Arrival, Growth, Held, grow_all
from specmatch.reference.audit.finding import evidence_of, still_settled
from specmatch.reference.disk.encoding import block_digests, content_hash, encode_table, hash_of_blocks
from specmatch.reference.disk.large_block import LargeTables, is_large
from specmatch.reference.disk.package import VERSIONS, earlier_version, read_package, write_package
from specmatch.reference.tables import edits
from specmatch.reference.tables.alignment import (
    align_batches,
    check_band,
    check_beers,
    joined,
    left_out_table,
    named_value,
    one_kind,
    refuse_other_value,
    set_aside_unmeasured,
    tidy_columns,
    unit_of,
    with_name,
)
from specmatch.reference.upkeep import Choices, Upkeep, tidy, upkeep_of
from specmatch.spectra import check_spectra
from specmatch.storage import path_of
from specmatch.wording import counted, in_ten_lines

_KNOWN_OF_A_COLOUR = ("colour_sd", "colour_n", "colour_method", "lab")
_LOG = logging.getLogger(__name__)

_TABLES = ("spectra", "scans", "batches", "beers")
_SETTINGS = ("value_name", "colour_unit", "band_nm", "reference_kind", "licence", "sources", "determinations")
# what a set is told besides its tables and history, and keeps on disk and through changes
_KEPT = ("name", *_SETTINGS, "parent")
# what an undo puts back besides the tables
_CONTENT = ("name", *_SETTINGS, "hash")


class ReferenceSet:
    """Labelled reflectance spectra with what is known of their scans, batches and beers.

    A set never changes; every change makes a new one that knows its parent, and takes a `reason`, and `who` made it and
    `when` (ISO 8601) where that is known: never taken from the machine, so that equal input gives equal sets.

    Parameters
    ----------
    spectra : DataFrame, shape (n_scans, n_wavelengths)
        A row a scan, index `scan_id`, columns wavelength in nm, values reflectance as a fraction (NaN = missing).
    scans : DataFrame
        Same index: `pour`, `sample`, `batch` and what else is known of each scan. Tables are held to what sheets are:
        dates of any form that can be read one way, `10 mL` under `fill_ml`, near misses of known columns refused.
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
    sources : sequence of mappings
        Folders that the set was made from: `name` (the last part of the path), `sha256`, `n_scans`, `batches`.
    determinations : mapping
        Batch -> lab values that its colour is the mean of, where there are several.
    x_unit : {"nm", "um", "1/cm"}, optional
        Unit of the columns of `spectra` that state none; the set keeps nm. Where it is stated, columns may lie beyond
        the 200-1200 nm of a silicon detector.
    quantity : {"reflectance", "percent", "absorbance"}, default "reflectance"
        What `spectra` holds; the set keeps reflectance as a fraction.
    value_name : str, default "colour"
        What the lab measures of each batch, where it is no beer's colour; `batches` may head its column so.
    value_unit : str, optional
        Its unit, which nothing is converted to; needed with a `value_name`, and kept as `colour_unit`.

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

    _large: LargeTables | None = None
    determinations: dict[str, Any]
    _kept = False  # whether the tables were a set's before
    _before: tuple[edits.Tables, dict[str, Any]] | None = None  # what this was made from, for one step back
    _home: Path | None = None  # where it was opened or saved

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
        history: Sequence[Mapping[str, Any]] = (),
        parent: str | None = None,
        sources: Sequence[Mapping[str, Any]] = (),
        determinations: Mapping[str, Sequence[Any]] | None = None,
        x_unit: str | None = None,
        quantity: str = "reflectance",
        value_name: str = VALUE_NAME,
        value_unit: str | None = None,
    ) -> None:
        self.value_name, self.colour_unit = named_value(value_name, value_unit, colour_unit)
        if isinstance(spectra, pd.DataFrame) and len(spectra) == 0:
            raise ReferenceSetError("the set is empty: it holds no scan; measure at least one batch")
        checked = check_spectra(spectra, quantity=quantity, x_unit=x_unit or "nm", any_wavelength=x_unit is not None)
        if not self._kept:
            scans, batches, beers = tables_as_stated(scans, batches, beers, self.value_name)
        left_out: list[dict[str, str]] = []
        known = set_aside_unmeasured(scans, checked.scan_ids, left_out)
        self._scans = tidy_columns(check_scans(known, checked.scan_ids), "scans")
        told = checked if quantity == "reflectance" and x_unit is None and not self._kept else None
        self._batches = align_batches(batches, self._scans, self.colour_unit, left_out, value_name, reflectance=told)
        checked.values.flags.writeable = False
        nm = pd.Index(checked.wavelength_nm, dtype="float64", name="wavelength_nm")
        self._spectra = pd.DataFrame(checked.values, checked.scan_ids, nm, copy=False)
        self._beers = check_beers(beers, () if self._kept else self._batches["beer"].unique())
        self.left_out = left_out_table(left_out)
        self.name, self.licence, self.parent = str(name), licence, parent
        self.band_nm = check_band(band_nm)
        self.reference_kind = one_kind(None if self._kept else reference_kind, self._scans) or reference_kind
        self.history, self.sources = tuple(map(dict, history)), tuple(map(dict, sources or ()))
        self.determinations = {name: list(values) for name, values in (determinations or {}).items()}

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
        settings: list[object] = [with_name(self.value_name, self.colour_unit), self.band_nm, self.reference_kind]
        if self._upkeep.settled:
            settings.append(sorted(self._upkeep.settled))
        small, large = (self._batches, self._beers), self._large
        if large is not None and large.tail is not None:
            return hash_of_blocks(large.digests, large.n_scans, large.wavelength_nm, small, settings)
        if is_large(self._spectra.size):
            values, nm = self._spectra.to_numpy(dtype=np.float64), self._spectra.columns.to_numpy(dtype=np.float64)
            return hash_of_blocks(block_digests(values, self._scans), len(values), nm, small, settings)
        return content_hash(self._spectra, (self._scans, *small), settings)

    def _settled(self, finding: str) -> edits.Change:
        findings = self.audit()
        rows = findings[(findings["finding"] == finding) | (findings["code"] == finding)]
        if rows.empty:
            listed = ", ".join(findings["finding"]) or "none"
            raise ReferenceSetError(f"the audit has no open finding {finding!r}; it has: {listed}")
        told = rows.to_dict("records")
        each = [{"kind": "settle", "finding": row["finding"]} | evidence_of(row, self._tables) for row in told]
        edit = each[0] if len(each) == 1 else {"kind": "sheet", "edits": each}
        return self._tables, f"settled {', '.join(rows['finding'])}", edit

    def audit(self, *, settled: bool = False) -> pd.DataFrame:
        """Judge the set before anything is fitted on it.

        Parameters
        ----------
        settled : bool, default False
            Whether findings that were settled are among them.

        Returns
        -------
        DataFrame
            Findings, worst first: `code, level, subject, size, sentence, action, suggestion`, and `finding`, the name
            that stays the same, and `python`, the line that carries out the advice.

        Examples
        --------
        >>> refs.audit().loc[0, "sentence"]
        'no batch lies between 6.99 and 21.3 EBC, a factor of 3; colours in between rest on interpolation'
        """
        # the fits that it needs load only when it is asked for
        from specmatch.reference.audit.audit import audit_tables

        step(f"looking for what is wrong among {counted(len(self._batches), 'batch')}")
        findings = audit_tables(
            self._spectra, self._scans, self._batches,
            colour_unit=self.colour_unit, value_name=self.value_name, band_nm=self.band_nm,
        )  # fmt: skip
        known = self._upkeep.settled
        if settled or not known:
            return findings
        is_open = [
            row["finding"] not in known or not still_settled(row, known[row["finding"]], self._tables)
            for row in findings.to_dict("records")
        ]
        return findings[is_open].reset_index(drop=True)

    @property
    def _tables(self) -> edits.Tables:
        return edits.Tables(self._spectra, self._scans, self._batches, self._beers, self.colour_unit)

    @cached_property
    def _upkeep(self) -> Upkeep:
        return upkeep_of(self.history)

    def _changed(self, change: edits.Change, reason: str, who: str, when: str, **changed: Any) -> "ReferenceSet":
        tables, what, edit = change
        entry = self._entry(what, reason, who, when, edit)
        kept = {key: getattr(self, key) for key in _KEPT} | {"parent": self.hash, "history": (*self.history, entry)}
        kept |= {"determinations": edits.left_by_hand(self.determinations, edit), "x_unit": "nm"}
        after = ReferenceSet._of(tables.spectra, tables.scans, tables.batches, tables.beers, **(kept | changed))
        after._before = (self._tables, {key: getattr(self, key) for key in _CONTENT})
        after._home = self._home
        return after

    def _entry(self, what: str, reason: str, who: str, when: str, edit: Mapping[str, Any]) -> dict[str, Any]:
        if not str(reason or "").strip():
            raise OptionError("a change of the set needs a reason; say why in a few words")
        told = {"who": who or "", "when": edits.iso_date(when), "why": reason}
        return {"what": what, **told, "parent": self.hash, "edit": edit}

    def _large_for(self, arrivals: list[Arrival]) -> LargeTables | None:
        """Return the tables of a large set if what arrives can be added without reading them."""
        large = self._large
        if large is None or any(name in self.__dict__ for name in ("_spectra", "_scans")):
            return None
        come = [(a.name, a.scans, a.spectra.index) for a in arrivals if a.spectra is not None and a.scans is not None]
        return large if large.parts and large.digests and all(large.takes(*one) for one in come) else None

    def _added_to(self, large: LargeTables, growth: Growth, changed: Mapping[str, Any]) -> "ReferenceSet":
        """Return a large set with rows added; what it holds already is not read."""
        more = large.added(growth.spectra, growth.scans, growth.batches.index)
        kept = {key: getattr(self, key) for key in _KEPT} | dict(changed)
        after = self._opened(more, {"batches": growth.batches, "beers": growth.beers}, kept)
        after._home = self._home
        return after

    def _grown(
        self, arrivals: list[Arrival], choices: Choices, restore: frozenset[str], told: Mapping[str, Any]
    ) -> tuple["ReferenceSet", Growth]:
        large = self._large_for(arrivals)
        spectra, scans = large.blank() if large else (self._spectra, self._scans)
        batches, beers = self._batches, self._beers
        held = Held(
            scans, spectra, batches, beers, self.colour_unit, self.value_name, self.determinations, self.sources
        )
        growth, sources = grow_all(held, arrivals, self._upkeep, choices, restore)
        choices.refuse_open([*growth.batches.index, *growth.batches["beer"], *scans.index])
        if growth.is_empty:
            return self, growth
        what = f"merged with {told['merged']}: {growth.what}" if told.get("merged") else growth.what
        for line in (*growth.told, *(growth.dropped_before if told.get("merged") else ())):
            _LOG.warning("%s", line)
        edit = growth.edit([arrival.name for arrival in arrivals if arrival.name])
        changed = {"determinations": growth.determinations, "sources": [*self.sources, *sources]}
        if large is not None:
            entry = self._entry(what, told["reason"], told["who"], told["when"], edit)
            changed |= {"history": (*self.history, entry), "parent": self.hash}
            return self._added_to(large, growth, changed), growth
        kept = ~self._spectra.index.isin(growth.replaced)
        spectra, scans = joined(self._spectra[kept], growth.spectra), joined(self._scans[kept], growth.scans)
        tables = edits.Tables(spectra, scans, growth.batches, growth.beers, self.colour_unit)
        return self._changed((tables, what, edit), told["reason"], told["who"], told["when"], **changed), growth

    def extend(
        self,
        spectra: pd.DataFrame | None = None,
        scans: pd.DataFrame | None = None,
        batches: pd.DataFrame | None = None,
        beers: pd.DataFrame | None = None,
        *,
        reason: str,
        who: str = "",
        when: str = "",
        take: str | Mapping[str, str] | None = None,
        restore: Collection[str] = (),
    ) -> "ReferenceSet":
        """Return the set with new scans, new batches, and lab values that came late; every earlier edit stands.

        Scans that the set has already are skipped. A second lab value of a batch is averaged with the first and said in
        the history; one more than a tenth away, or against a value that was set by hand, is a conflict.

        Parameters
        ----------
        spectra, scans, batches, beers : DataFrame, optional
            As for the set itself, on any grid; `batches` alone brings lab values of batches that the set holds.
        reason, who, when : str
        take : {"set", "folder", "both"} or mapping, optional
            Who is right where a new table says something against the set: for everything, or by kind (`beer`, `colour`,
            `record`, `reflectance`, `beer record`) or by the name of a batch, scan or beer. `both` averages colours.
        restore : collection of str
            Dropped batches, samples, pours and scans that are to come back; no others do.

        Returns
        -------
        ReferenceSet

        Raises
        ------
        ReferenceSetError
            If nothing is new.
        ConflictError
            If something stands against the set and `take` does not say who is right; it lists both values.
        OptionError
            If the reason is blank, `when` is no date, or nothing of the name to be restored arrives.
        ParentsError
            If a pour or sample stands under two parents.
        TableError
            If the spectra are no table.
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
        if batches is None:
            batches = pd.DataFrame(columns=["beer", "colour"], index=pd.Index([], dtype=object, name="batch"))
        if isinstance(spectra, pd.DataFrame) and scans is None:
            scans = pd.DataFrame(index=spectra.index)
        scans, batches, beers = tables_as_stated(scans, batches, beers, self.value_name)
        arrival = Arrival(batches, spectra, scans, beers)
        told = {"reason": reason, "who": who, "when": when}
        grown, growth = self._grown([arrival], Choices(take), frozenset(restore), told)
        out = left_out_table([{**row, "table": "scans"} for row in growth.left_out + growth.stays_out])
        if growth.is_empty:
            why = f"; left out is {counted(len(out), 'scan')}, the first as {out['reason'].iloc[0]}" if len(out) else ""
            raise ReferenceSetError(
                f"nothing is new: {growth.n_known} scans are in the set already, and no lab value or record is other "
                f"than the set has it{why}"
            )
        grown.left_out = pd.concat([grown.left_out, out], ignore_index=True)
        return grown

    def merge(
        self,
        other: "ReferenceSet",
        *,
        reason: str,
        who: str = "",
        when: str = "",
        take: str | Mapping[str, str] | None = None,
    ) -> "ReferenceSet":
        """Return the set with everything that another set holds.

        Parameters
        ----------
        other : ReferenceSet
        reason, who, when : str
        take : {"set", "folder", "both"} or mapping, optional
            As for `extend`; `folder` is the other set.

        Returns
        -------
        ReferenceSet

        Raises
        ------
        UnitError
            If the two were measured against references of different kinds.
        ReferenceSetError, ConflictError, ParentsError, WavelengthMismatchError
            As for `extend`.

        Examples
        --------
        >>> spring = refs.select(since="2025-02-01")
        >>> winter = refs.select(until="2025-02-01")
        >>> len(winter.merge(spring, reason="one year").batches) == len(winter.batches) + len(spring.batches)
        True
        """
        must_be("set", other)
        refuse_other_value(self, other)
        if self.reference_kind and other.reference_kind and self.reference_kind != other.reference_kind:
            raise UnitError(
                f"set {self.name!r} was measured against {self.reference_kind} and {other.name!r} against "
                f"{other.reference_kind}, which differ by about 4 % in level; keep them apart"
            )
        name = other.name if other.name != self.name else f"{other.name}-2"
        its = other._tables
        arrival = Arrival(its.batches, its.spectra, its.scans, its.beers, name)
        told = {"reason": reason, "who": who, "when": when, "merged": f"{other.name!r} {other.hash[:12]}"}
        grown, growth = self._grown([arrival], Choices(take), frozenset(), told)
        if growth.is_empty:
            raise ReferenceSetError(f"nothing is new: all scans of {other.name!r} are in the set already")
        return grown

    def rename_beer(self, before: str, beer: str, *, reason: str, who: str = "", when: str = "") -> "ReferenceSet":
        """Return the set with another name for a beer; folders that come later and use the old one are understood.

        Parameters
        ----------
        before, beer : str
            The name as it is, and as it is to be: two spellings of one beer become one.
        reason, who, when : str

        Returns
        -------
        ReferenceSet

        Raises
        ------
        ReferenceSetError
            If the set has no such beer.
        OptionError
            If the new name is blank or the same.

        Examples
        --------
        >>> refs.rename_beer("Amber Lane", "Amber Lane Ale", reason="new label").history[-1]["what"]
        "renamed beer 'Amber Lane' to 'Amber Lane Ale', 6 batches"
        """
        return self._changed(edits.renamed(self._tables, before, beer), reason, who, when)

    def recipe_step(self, beer: str, since: str, *, reason: str, who: str = "", when: str = "") -> "ReferenceSet":
        """Return the set with a new recipe of a beer from a day on; the older batches get a name of their own.

        Parameters
        ----------
        beer : str
            Keeps its name for what is brewed from that day on.
        since : str
            First day of the new recipe, ISO 8601; batches count by `packaged_on`, or else by their first scan.
        reason, who, when : str

        Returns
        -------
        ReferenceSet
            With `valid_from` and `valid_to` of both in its beers table.

        Raises
        ------
        ReferenceSetError
            If the set has no such beer, a batch of it has no date, or all lie on one side of the day.
        OptionError
            If it is no date.

        Examples
        --------
        >>> stepped = refs.recipe_step("Amber Lane", "2025-03-01", reason="new malt")
        >>> stepped.beers["valid_from"].to_dict()
        {'Amber Lane until 2025-03-01': '', 'Amber Lane': '2025-03-01'}
        """
        return self._changed(edits.stepped(self._tables, beer, since), reason, who, when)

    def edit_from(self, sheet: pd.DataFrame, *, reason: str = "", who: str = "", when: str = "") -> "ReferenceSet":
        """Return the set with all edits of a sheet, or none of them: one version for the lot.

        Parameters
        ----------
        sheet : DataFrame
            A row an edit: `batch` (or the name that is meant), `what` (`beer`, `colour`, `drop`, `drop sample`, `drop
            pour`, `drop scan`, `rename`, `recipe`), `value` (blank for drops; `none` for no colour) and `reason`.
        reason : str
            Of rows that give none.
        who, when : str

        Returns
        -------
        ReferenceSet

        Raises
        ------
        OptionError
            If a column is missing, a row names an edit that there is not, or has no reason.
        ReferenceSetError
            Whatever a row is refused for.

        Examples
        --------
        >>> sheet = pd.DataFrame({"batch": ["AL-0-001", "MP-0-001"], "what": ["colour", "drop"], "value": ["23.5", ""]})
        >>> refs.edit_from(sheet, reason="the lab's yearly check").history[-1]["what"]
        "2 edits: colour of batch 'AL-0-001' from 23.47 to 23.5 EBC; dropped batch 'MP-0-001'"
        """
        change = edits.edited_by_sheet(self._tables, sheet, reason)
        return self._changed(change, reason or "as the sheet says", who, when)

    def settle(self, finding: str, *, reason: str, who: str = "", when: str = "") -> "ReferenceSet":
        """Return the set with a finding of its audit settled: it comes back only if what it rests on changes.

        Parameters
        ----------
        finding : str
            As in the column `finding` of `audit`; a code settles all of its findings.
        reason, who, when : str

        Returns
        -------
        ReferenceSet

        Raises
        ------
        ReferenceSetError
            If the audit has no such finding.

        Examples
        --------
        >>> gap = refs.audit().loc[0, "finding"]
        >>> gap in set(refs.settle(gap, reason="nothing is brewed in between").audit()["finding"])
        False
        """
        return self._changed(self._settled(finding), reason, who, when)

    def drop(
        self, names: str | Collection[str], *, level: str = "batch", reason: str, who: str = "", when: str = ""
    ) -> "ReferenceSet":
        """Return the set without some batches, samples, pours, scans or sessions.

        Parameters
        ----------
        names : str or collection of str
        level : {"batch", "sample", "pour", "scan", "session"}, default "batch"
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
        names = [names] if isinstance(names, str) or not isinstance(names, Iterable) else list(names)
        return self._changed(edits.dropped(self._tables, names, level), reason, who, when)

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
        return self._changed(edits.relabelled(self._tables, batch, beer), reason, who, when)

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
        return self._changed(edits.recoloured(self._tables, batch, {"colour": colour, **known}), reason, who, when)

    def select(
        self, *, beers: Collection[str] | None = None, since: str | None = None, until: str | None = None, **where: str
    ) -> "ReferenceSet":
        """Return the part of the set that fits all conditions.

        Parameters
        ----------
        beers : collection of str, optional
        since, until : str, optional
            Dates or times, compared with `measured_at`: `since` is kept, `until` is not. A day (`2026-03-01`, also
            `2026-03` or `01.03.2026`) is compared with the day on record, a time with the moment.
        **where : str
            Column of the scans table and the value to keep, such as `instrument="S1"`.

        Returns
        -------
        ReferenceSet

        Raises
        ------
        ReferenceSetError
            If nothing fits, a column is missing, or dates are asked for and not every scan has one.
        OptionError
            If `since` or `until` is no date, may be two, or a time with an offset meets one without.

        Examples
        --------
        >>> refs.select(beers=["Amber Lane"], since="2025-04-01", instrument="invented-288")
        <ReferenceSet 'house': 6 scans of 2 batches of 1 beers, 339.22-850.09 nm, EBC>
        """
        part = edits.selected(self._tables, beers=beers, since=since, until=until, where=where)
        return self._changed(part, "selection", "", "")

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

    def undo(self, *, to: str = "", reason: str, who: str = "", when: str = "") -> "ReferenceSet":
        """Return the version before this one as a new version; an undo is undone by another.

        Parameters
        ----------
        to : str, optional
            First digits of the hash of an earlier version that the folder of the set keeps.
        reason, who, when : str

        Returns
        -------
        ReferenceSet
            What that version held, with the history of this one.

        Raises
        ------
        ReferenceSetError
            If there is no earlier version, or it is not kept.

        Examples
        --------
        >>> mended = refs.drop("MP-0-001", reason="label mixed up")
        >>> mended.undo(reason="it was the right label").hash == refs.hash
        True
        """
        if self._before is not None and not to:
            tables, kept = self._before
        else:
            earlier = self._kept_version(to)
            tables, kept = earlier._tables, {key: getattr(earlier, key) for key in _CONTENT}
        digest = kept["hash"]
        change = (tables, f"went back to version {digest[:12]}", {"kind": "undo", "to": digest})
        return self._changed(change, reason, who, when, **{key: kept[key] for key in _CONTENT if key != "hash"})

    def _kept_version(self, start: str) -> "ReferenceSet":
        """Load an earlier version from the folder that this set was opened or saved in; the last one by default."""
        info = {} if self._home is None else read_package(self._home).info
        earlier = earlier_version(info, self.history, self.hash, start)
        assert self._home is not None
        return ReferenceSet.load(self._home / VERSIONS / earlier)

    def save(self, folder: str | Path, *, replace: bool = False) -> None:
        """Write the set as a folder under the Data Package standard; whole or not at all.

        Parameters
        ----------
        folder : str or Path
            Made if it is not there; an earlier version in it is kept whole, in `versions/`.
        replace : bool, default False
            Whether a set may be replaced that has a history of its own.

        Raises
        ------
        LockedError
            If another process is writing to the folder.
        StorageError
            If the folder cannot be written to, was changed since this set was made from what it held, or holds a set
            with a history that this one does not go on from.

        Examples
        --------
        >>> refs.save("sets/again")
        >>> ReferenceSet.load("sets/again").hash == refs.hash
        True
        """
        folder = path_of(folder)
        large, tables = self._large, {"batches": self._batches}
        # a large set with rows added, saved where the rest of it stands, writes these rows only
        if large is None or large.tail is None or not large.parts or folder.resolve() != large.folder.resolve():
            large = None
        if large is None:
            tables = {"spectra": self._spectra, "scans": self._scans, **tables}
        if self._beers is not None:
            tables["beers"] = self._beers
        info = {key: getattr(self, key) for key in (*_KEPT, "hash")} | {"sources": list(self.sources)}
        write_package(folder, tables, {**info, "history": list(self.history)}, replace=replace, large=large)
        self._home = folder

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
        folder = path_of(folder)
        package = read_package(folder)
        tables, info = package.tables, package.info
        info["colour_unit"] = unit_of(info["colour_unit"], tables["batches"], folder)
        info["history"] = info["history"] or ()
        info["determinations"] = tidy(info["determinations"])
        kept = {key: info[key] for key in (*_KEPT, "history")}
        if package.large is not None:
            opened = cls._opened(package.large, tables, kept | {"hash": info["hash"]})
        else:
            opened = cls._of(*map(tables.get, _TABLES), x_unit="nm", **kept)
            texts = (encode_table(tables[name]).decode() for name in _TABLES[1:] if tables.get(name) is not None)
            if info["hash"] and not all(is_normalized("NFC", text) for text in texts):
                opened.__dict__["hash"] = info["hash"]  # of its names as they were saved
        opened._home = folder
        return opened

    @classmethod
    def _of(cls, *tables: Any, **kept: Any) -> "ReferenceSet":
        """Return a set of tables that were a set's before: they stand as they are."""
        made = cls.__new__(cls)
        made._kept = True
        cls.__init__(made, *tables, **kept)
        return made

    @classmethod
    def _opened(
        cls, large: LargeTables, tables: Mapping[str, pd.DataFrame | None], kept: Mapping[str, Any]
    ) -> "ReferenceSet":
        """Open a large set: spectra and scans are read and checked when they are first asked for."""
        opened = cls.__new__(cls)
        opened._large = large
        opened.__dict__.update(kept, history=tuple(kept["history"]))
        opened.band_nm = check_band(kept["band_nm"])
        opened.sources, opened.determinations = tuple(kept["sources"] or ()), dict(kept["determinations"] or {})
        opened._batches = tidy_columns(check_batches(tables["batches"], colour_unit=opened.colour_unit), "batches")
        opened._beers = check_beers(tables.get("beers"))
        opened.left_out = left_out_table([])
        return opened

    @cached_property
    def _scans(self) -> pd.DataFrame:
        assert self._large is not None
        return self._large.scans()

    @cached_property
    def _spectra(self) -> pd.DataFrame:
        assert self._large is not None
        return self._large.spectra(self._scans.index)

    def __repr__(self) -> str:
        nm = self._spectra.columns
        return (
            f"<ReferenceSet {self.name!r}: {len(self._spectra)} scans of {len(self._batches)} batches of "
            f"{self._batches['beer'].nunique()} beers, {nm[0]:g}-{nm[-1]:g} nm, {self.colour_unit}>"
        )

    def _repr_html_(self) -> str:
        """Show the set in a notebook: the line above and its beers from pale to dark, in ten lines at most."""
        return in_ten_lines(repr(self), beer_lines(self._batches, self.colour_unit))
