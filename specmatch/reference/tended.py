"""How a set is tended: every change gives a new set and a line in its history."""

from abc import ABC, abstractmethod
from collections.abc import Collection
from typing import Any, Self

import pandas as pd

from specmatch.errors import OptionError, ReferenceSetError, UnitError
from specmatch.reference.alignment import check_beers
from specmatch.reference.changes import Tables, dropped, extended, recoloured, relabelled, selected

_KNOWN_OF_A_COLOUR = ("colour_sd", "colour_n", "colour_method", "lab")


class Tended(ABC):
    """Changes of a reference set.

    Every change takes a `reason`, and `who` made it and `when` (ISO 8601) where that is known. They are arguments and
    never taken from the machine, so that equal input gives equal sets. The set itself stays as it is.

    Attributes
    ----------
    name : str
    hash : str
        SHA-256 over the contents.
    colour_unit : {"EBC", "SRM"}
    reference_kind : str or None
    """

    name: str
    hash: Any
    colour_unit: str
    reference_kind: str | None

    @property
    @abstractmethod
    def _tables(self) -> Tables:
        """The tables of the set."""

    @abstractmethod
    def _changed(self, tables: Tables, what: str, reason: str, who: str, when: str) -> Self:
        """Return a set of other tables, with this one as its parent."""

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
    ) -> Self:
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

    def merge(self, other: Self, *, reason: str, who: str = "", when: str = "") -> Self:
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
    ) -> Self:
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

    def relabel(self, batch: str, beer: str, *, reason: str, who: str = "", when: str = "") -> Self:
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
    ) -> Self:
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
    ) -> Self:
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

    def split(self, column: str) -> dict[str, Self]:
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
