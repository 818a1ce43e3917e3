"""How a set is tended: every change gives a new set and a line in its history."""

from abc import ABC, abstractmethod
from collections.abc import Collection
from typing import Any, Self

import pandas as pd

from specmatch.errors import OptionError, ReferenceSetError, UnitError
from specmatch.reference.alignment import check_beers
from specmatch.reference.changes import Tables, dropped, extended, recoloured, relabelled, selected


class Tended(ABC):
    """Changes of a reference set."""

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
        """Return the set with more scans, of new batches or of its own; lab values of one batch are averaged.

        `reason`, `who` and `when` (ISO 8601) go into the history; they are arguments, so that equal input gives equal
        sets. The tables are as for the set itself.
        """
        more = Tables(spectra, scans, batches, check_beers(beers), self.colour_unit)
        return self._changed(*extended(self._tables, more), reason, who, when)

    def merge(self, other: Self, *, reason: str, who: str = "", when: str = "") -> Self:
        """Add everything that another set holds; see `extend`."""
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
        """Leave out batches (or samples, pours or scans, by `level`); see `extend` for the other arguments."""
        names = [names] if isinstance(names, str) else list(names)
        return self._changed(*dropped(self._tables, names, level), reason, who, when)

    def relabel(self, batch: str, beer: str, *, reason: str, who: str = "", when: str = "") -> Self:
        """Give a batch another beer; see `extend` for the other arguments."""
        return self._changed(*relabelled(self._tables, batch, beer), reason, who, when)

    def set_colour(
        self,
        batch: str,
        colour: float,
        *,
        reason: str,
        who: str = "",
        when: str = "",
        **known: Any,
    ) -> Self:
        """Give a batch another lab colour in the set's unit (NaN: none).

        `known` may hold `colour_sd`, `colour_n`, `colour_method` and `lab`; see `extend` for the other arguments.
        """
        unknown = set(known) - {"colour_sd", "colour_n", "colour_method", "lab"}
        if unknown:
            raise OptionError(f"set_colour takes no {sorted(unknown)[0]!r}")
        return self._changed(*recoloured(self._tables, batch, {"colour": colour, **known}), reason, who, when)

    def select(
        self,
        *,
        beers: Collection[str] | None = None,
        since: str | None = None,
        until: str | None = None,
        **where: str,
    ) -> Self:
        """Keep some beers, a span of `measured_at` (`since` kept, `until` not), or one value of a scans column."""
        return self._changed(
            *selected(self._tables, beers=beers, since=since, until=until, where=where), "selection", "", ""
        )

    def split(self, column: str) -> dict[str, Self]:
        """Return a set for each value of a scans column, such as `instrument` or `stage`."""
        if column not in self._tables.scans.columns:
            raise ReferenceSetError(f"the scans table has no column {column!r} to split by")
        return {value: self.select(**{column: value}) for value in dict.fromkeys(self._tables.scans[column])}
