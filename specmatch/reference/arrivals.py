"""What a folder brings to a set: new scans, new batches, late lab values; and what it says against the set."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Mask
from specmatch.batches import COLOUR_UNITS, check_scans
from specmatch.errors import OptionError, ReferenceSetError, TableError, WavelengthMismatchError
from specmatch.reference.tables.alignment import (
    average_lab_values,
    check_beers,
    check_rows,
    joined,
    refuse_absorbance,
    tidy_columns,
    with_value,
)
from specmatch.reference.tables.edits import LEVELS
from specmatch.reference.upkeep import BOTH, FOLDER, Choices, LabValues, Upkeep
from specmatch.spectra import PLAUSIBLE_NM, check_spectra, match_wavelengths, spectra_table, text_ids, tidy_name
from specmatch.wording import counted, nearest_name

# reflectance of the same scan from another run of the same files differs by rounding only
SAME_REFLECTANCE = 1e-9
_OF_A_COLOUR = ("colour", "colour_unit", "colour_sd", "colour_n", "colour_method", "lab")


@dataclass(frozen=True)
class Arrival:
    """What one folder, sheet or table brings."""

    batches: pd.DataFrame  # index or column `batch`, repeated where lab values are; `beer` and `colour` may be absent
    spectra: pd.DataFrame | None = None
    scans: pd.DataFrame | None = None
    beers: pd.DataFrame | None = None
    name: str = ""  # of the folder
    sha256: str = ""  # over its files, or over the tables where there are none

    def __post_init__(self) -> None:
        for name in ("batches", "beers", "spectra"):
            table = getattr(self, name)
            if not (table is None or isinstance(table, pd.DataFrame)):
                instead = ": of a session, give its spectra, scans and batches" if name == "spectra" else ", or nothing"
                raise TableError(f"{name} are a {type(table).__name__}; expected a DataFrame{instead}")


@dataclass(frozen=True)
class Held:
    """What a set holds, as far as an arrival is held against it."""

    scans: pd.DataFrame  # of all scans, or of those that share a name with what arrives
    spectra: pd.DataFrame
    batches: pd.DataFrame
    beers: pd.DataFrame | None
    colour_unit: str
    value_name: str
    determinations: Mapping[str, list[list[Any]]]
    sources: Sequence[Mapping[str, Any]]  # each folder by its `name`, with the `batches` that came from it


@dataclass
class Growth:
    """What is to be added to a set, and what is to be said of it."""

    spectra: pd.DataFrame
    scans: pd.DataFrame
    batches: pd.DataFrame  # all of the set, afterwards
    beers: pd.DataFrame | None
    determinations: dict[str, list[list[Any]]]
    replaced: list[str] = field(default_factory=list)  # scans of the set that give way to one of the folder
    told: list[str] = field(default_factory=list)
    left_out: list[dict[str, str]] = field(default_factory=list)  # `source`, `name`, `reason`
    stays_out: list[dict[str, str]] = field(default_factory=list)  # the same, of what was dropped before
    n_known: int = 0  # scans that were in already
    new_batches: list[str] = field(default_factory=list)
    lab: list[str] = field(default_factory=list)  # batches of the set whose lab colour came or changed
    records: int = 0  # other cells of the set that were filled or changed
    restored: dict[str, list[str]] = field(default_factory=dict)
    set_aside: list[list[Any]] = field(default_factory=list)
    taken: list[list[Any]] = field(default_factory=list)

    @classmethod
    def of(cls, held: Held) -> "Growth":
        """Return the growth of a set before anything has arrived."""
        nothing = pd.DataFrame(np.empty((0, held.spectra.shape[1])), columns=held.spectra.columns)
        return cls(nothing, held.scans.iloc[:0], held.batches.copy(), held.beers, dict(held.determinations))

    @property
    def is_empty(self) -> bool:
        """Say whether the set stays as it is."""
        changes = (self.lab, self.records, self.replaced, self.taken, self.set_aside, self.restored)
        return not (len(self.spectra) or any(changes))

    @property
    def dropped_before(self) -> list[str]:
        """Say how many scans stay out because they were dropped before."""
        out = self.stays_out
        return [f"{counted(len(out), 'scan')} stay out, the first {out[0]['name']}: {out[0]['reason']}"] if out else []

    @property
    def what(self) -> str:
        """Return the line for the history."""
        listed = ", ".join(repr(name) for name in self.new_batches) or "none"
        parts = [f"extended by {counted(len(self.spectra), 'scan')}; new batches: {listed}"]
        if self.lab:
            parts.append(f"lab colours of {', '.join(map(repr, self.lab))}")
        if self.records:
            parts.append(f"{counted(self.records, 'record')} filled in")
        return "; ".join(parts)

    def edit(self, names: list[str]) -> dict[str, Any]:
        """Return what was done as data, for the history."""
        given = {
            "sources": names, "restored": self.restored, "set_aside": self.set_aside, "taken": self.taken,
            "told": self.told,
        }  # fmt: skip
        return {"kind": "extend", **{key: value for key, value in given.items() if value}}

    def source(self, arrival: Arrival) -> list[dict[str, Any]]:
        """Return the record of a folder that brought scans or lab values, none of another."""
        batches = list(dict.fromkeys([*self.scans["batch"], *self.lab])) if len(self.scans) else list(self.lab)
        if not arrival.name or self.is_empty or not batches:
            return []
        return [{"name": arrival.name, "sha256": arrival.sha256, "n_scans": len(self.spectra), "batches": batches}]


class _Growing:
    """What one arrival says, scan by scan and cell by cell, against what a set and its edits say."""

    def __init__(self, held: Held, arrival: Arrival, upkeep: Upkeep, choices: Choices, restore: frozenset[str]) -> None:
        self.held, self.arrival, self.source, self.upkeep = held, arrival, tidy_name(arrival.name), upkeep
        self.choices, self.restore, self.growth = choices, restore, Growth.of(held)
        self.values = LabValues(held.colour_unit, self.growth.determinations)

    def leave_out(self, name: object, reason: str) -> None:
        """Note what arrived and does not join the set."""
        self.growth.left_out.append({"source": self.source, "name": str(name), "reason": reason})

    def takes(self, kind: str, name: str, column: str, ours: object, said: object) -> bool:
        """Say whether the folder's word is taken, and note whose it was."""
        taken = self.choices.decide(kind, name, column, ours, said, self.source) == FOLDER
        (self.growth.taken if taken else self.growth.set_aside).append([name, column, said])
        return taken

    def rows(self) -> pd.DataFrame:
        """Bring lab rows to one form, blank where nothing is said; the index `batch` may repeat."""
        batches = with_value(self.arrival.batches, self.held.value_name)
        if "batch" in batches.columns:
            batches = batches.set_index("batch")
        rows = batches.set_axis(text_ids(batches.index, "batch"), axis=0)
        for _ in (name for name in rows.index if not name):
            self.leave_out("batches", "a row names no batch")
        rows = rows[np.array([bool(name) for name in rows.index], dtype=bool)]
        if "beer" not in rows.columns:
            rows = rows.assign(beer="")
        if "colour" not in rows.columns:
            rows = rows.assign(colour=np.nan)
        said = rows["beer"].map(lambda cell: "" if pd.isna(cell) else tidy_name(cell))
        # the gate wants a beer in each row; which rows had none is kept
        checked = check_rows(rows.assign(beer=said.where(said != "", "?")), self.held.colour_unit)
        return tidy_columns(checked, "batches").assign(beer=said.to_numpy())

    def add_scans(self, rows: pd.DataFrame) -> None:
        """Add the scans of batches that are known, here or in the set."""
        held, arrival = self.held, self.arrival
        assert arrival.spectra is not None and arrival.scans is not None
        grid = held.spectra.columns.to_numpy(dtype=np.float64)
        checked = check_spectra(arrival.spectra, any_wavelength=bool(grid[-1] > PLAUSIBLE_NM[1]))
        values = spectra_table(checked).set_axis(checked.scan_ids, axis=0)
        if not np.array_equal(checked.wavelength_nm, grid):
            try:
                values = pd.DataFrame(match_wavelengths(checked, grid, of="the set"), index=checked.scan_ids)
            except WavelengthMismatchError as error:
                raise WavelengthMismatchError(f"the new scans do not fit the set: {error}") from error
        values.columns = held.spectra.columns
        scans = tidy_columns(check_scans(arrival.scans, checked.scan_ids), "scans")
        if held.colour_unit in COLOUR_UNITS:
            first = joined(rows[["colour"]], held.batches[["colour"]]).dropna()
            refuse_absorbance(checked, scans, first[~first.index.duplicated()])
        dropped = self._dropped(scans)
        scans, values = scans[~dropped], values[~dropped]
        known = scans["batch"].isin(held.batches.index) | scans["batch"].isin(rows.index[rows["beer"] != ""])
        for scan, batch in scans.loc[~known.to_numpy(), "batch"].items():
            self.leave_out(scan, f"batch {batch!r} has no row with a beer in a batches table")
        scans, values = scans[known.to_numpy()], values[known.to_numpy()]
        names = self._names_in_the_set(scans, values)
        kept = np.array([name is not None for name in names], dtype=bool)
        new = pd.Index([name for name in names if name is not None], dtype=object, name="scan_id")
        scans = scans[kept].set_axis(new, axis=0)
        self.growth.scans = scans.assign(pour=self._pours_apart(scans), sample=self._samples_apart(scans))
        self.growth.spectra = values[kept].set_axis(new, axis=0)

    def _dropped(self, scans: pd.DataFrame) -> Mask:
        """Return the scans that were dropped from the set before, unless their name is asked for."""
        out = np.zeros(len(scans), dtype=bool)
        for level in LEVELS:
            gone = self.upkeep.dropped.get(level)
            if not gone or (level == "session" and level not in scans.columns):
                continue
            cells = scans.index if level == "scan" else scans[level]
            for place, cell in enumerate(cells):
                name = next((known for known in (cell, f"{self.source}/{cell}") if known in gone), None)
                if name is None or out[place]:
                    continue
                if self.restore & {name, cell}:
                    names = self.growth.restored.setdefault(level, [])
                    if name not in names:
                        names.append(str(name))
                    continue
                out[place] = True
                why = f" ({gone[name]})" if gone[name] else ""
                reason = f"{level} {name!r} was dropped from the set{why}; to have it back, restore it by name"
                left = {"source": self.source, "name": str(scans.index[place]), "reason": reason}
                self.growth.stays_out.append(left)
        return out

    def _names_in_the_set(self, scans: pd.DataFrame, values: pd.DataFrame) -> list[str | None]:
        """Return the name of each scan in the set, or None where the set has it already or keeps its own."""
        held, source, given = self.held, self.source, set(self.held.scans.index)
        names: list[str | None] = []
        batch_of = held.scans["batch"].to_dict() if len(given) else {}
        module_of, modules = _modules(held.scans), _modules(scans)
        arrived = values.to_numpy()
        for place, (scan, batch) in enumerate(scans["batch"].items()):
            candidates = [str(scan), *([f"{source}/{scan}"] if source else [])]
            module = modules[scan]
            # two modules number their files alike; one that is not named may be either
            same = [name for name in candidates if batch_of.get(name) == batch]
            mine = next((name for name in same if not module or module_of[name] in ("", module)), None)
            if mine is None:
                name = next((name for name in candidates if name not in given), None)
                if name is None:
                    number = next(n for n in range(2, len(given) + 3) if f"{source}-{n}/{scan}" not in given)
                    name = f"{source}-{number}/{scan}"
                    if not source:
                        raise ReferenceSetError(
                            f"scan {scan!r} is in the set already, under batch {batch_of[str(scan)]!r}; name it anew"
                        )
                names.append(name)
                continue
            ours = held.spectra.loc[mine].to_numpy()
            if np.allclose(ours, arrived[place], rtol=0.0, atol=SAME_REFLECTANCE, equal_nan=True):
                self.growth.n_known += 1
                names.append(None)
                continue
            size = float(np.nanmax(np.append(np.abs(ours - arrived[place]), 0.0)))
            side = self.choices.decide("reflectance", mine, "largest difference", 0.0, size, source)
            names.append(mine if side == FOLDER else None)
            if side == FOLDER:
                self.growth.replaced.append(mine)
        return names

    def _pours_apart(self, scans: pd.DataFrame) -> list[str]:
        """Return pours of new scans: one of a name that the set has for another filling gets the folder's name."""
        held, source = self.held, self.source
        sample_of = dict(zip(held.scans["pour"], held.scans["sample"], strict=True)) if len(held.scans) else {}
        same_folder = {batch for one in held.sources if one["name"] == source for batch in one["batches"]}
        names = []
        for pour, sample, batch in zip(scans["pour"], scans["sample"], scans["batch"], strict=True):
            named = f"{source}/{pour}"
            free = pour not in sample_of or not source or (sample_of[pour] == sample and batch in same_folder)
            names.append(str(pour) if free and sample_of.get(named) != sample else named)
        return names

    def _samples_apart(self, scans: pd.DataFrame) -> list[str]:
        """Return samples of new scans: one of a name that the set has under another batch gets the folder's name."""
        batch_of = dict(zip(self.held.scans["sample"], self.held.scans["batch"], strict=True))
        names = []
        for sample, batch in zip(scans["sample"], scans["batch"], strict=True):
            named = f"{self.source}/{sample}"
            other = bool(self.source) and batch_of.get(sample, batch) != batch
            names.append(named if other or batch_of.get(named) == batch else str(sample))
        return names

    def add_batches(self, rows: pd.DataFrame) -> None:
        """Add batches that come with scans, and hold the others against the set."""
        growth = self.growth
        arriving = set(growth.scans["batch"]) if len(growth.scans) else set()
        for name in dict.fromkeys(rows.index):
            if name in self.held.batches.index:
                self._weigh(name, rows.loc[[name]])
            elif name in arriving:
                growth.new_batches.append(str(name))
            # rows that come with scans are told of by these
            elif name not in (dropped := self.upkeep.dropped.get("batch", {})):
                self.leave_out(name, f"has no scan, here or in the set{nearest_name(name, self.held.batches.index)}")
            elif self.arrival.scans is None:
                reason = f"was dropped from the set ({dropped[name]}); bring it back with its scans, by name"
                self.leave_out(name, reason)
        if growth.new_batches:
            new = rows.loc[rows.index.isin(growth.new_batches)]
            new = new.assign(beer=[self._beer_of(row) for _, row in new.iterrows()])
            growth.told += self.values.repeats(new)
            growth.batches = joined(growth.batches, average_lab_values(new, colour_unit=self.held.colour_unit))
        growth.determinations = self.values.several

    def _beer_of(self, row: pd.Series) -> str:
        said = str(row["beer"])
        beer = self.upkeep.name_of(said) if said else said
        if beer != said:
            note = f"{said!r} is kept as {beer!r}, as an edit of the set has it"
            if note not in self.growth.told:
                self.growth.told.append(note)
        day = str(row.get("packaged_on", ""))[:10]
        older = next((name for since, name in self.upkeep.steps.get(beer, ()) if day and day < since), None)
        return older or beer

    def _weigh(self, name: str, group: pd.DataFrame) -> None:
        """Hold all that a folder says of a batch against the set."""
        for said in dict.fromkeys(beer for beer in group["beer"] if beer):
            ours = str(self.growth.batches.at[name, "beer"])
            if said == ours or self.upkeep.name_of(said) == ours:
                continue
            older = (older for _, older in self.upkeep.steps.get(said, ()))
            if (name, "beer", said) in self.upkeep.overruled or ours in older:
                continue  # what an edit replaced, said again
            if self.takes("beer", name, "beer", ours, said):
                self.growth.batches.loc[name, "beer"] = said
        self._weigh_colour(name, group)
        table = self.growth.batches
        for column in (column for column in group.columns if column not in ("beer", *_OF_A_COLOUR)):
            for said in dict.fromkeys(cell for cell in group[column] if not (pd.isna(cell) or cell == "")):
                own = table.at[name, column] if column in table.columns else ""
                if own == said or (name, column, said) in self.upkeep.overruled:
                    continue
                if not (pd.isna(own) or own == "" or self.takes("record", name, column, own, said)):
                    continue
                if column not in table.columns:
                    table[column] = np.nan if isinstance(said, float) else ""
                table.loc[name, column] = said
                self.growth.records += 1

    def _weigh_colour(self, name: str, group: pd.DataFrame) -> None:
        growth, values = self.growth, self.values
        overruled = [value for *of, value in self.upkeep.overruled if of == [name, "colour"] and value is not None]
        for _, row in group[group["colour"].notna()].iterrows():
            said, ours = float(row["colour"]), float(growth.batches.at[name, "colour"])
            known = values.holds(growth.batches.loc[name], row)
            if known or any(np.isclose(value, said, rtol=1e-9) for value in overruled):
                continue
            if np.isnan(ours):
                growth.batches = values.first(growth.batches, row)
            elif (name, "colour") not in self.upkeep.edited and values.is_repeat(ours, row):
                self._average(name, ours, row)
            else:
                side = self.choices.decide("colour", name, "colour", ours, said, self.source)
                if side == BOTH:
                    self._average(name, ours, row)
                elif side == FOLDER:
                    growth.batches = values.first(growth.batches, row)
                    growth.taken.append([name, "colour", said])
                else:
                    growth.set_aside.append([name, "colour", said])
                    continue
            if name not in growth.lab:
                growth.lab.append(name)

    def _average(self, name: str, ours: float, row: pd.Series) -> None:
        table = self.growth.batches = self.values.averaged(self.growth.batches, row)
        self.growth.told.append(
            f"batch {name!r}: lab colour {float(row['colour']):.4g} {self.values.unit} averaged with {ours:.4g} to "
            f"{float(table.at[name, 'colour']):.4g}, of {float(table.at[name, 'colour_n']):g} determinations"
        )

    def add_beers(self) -> None:
        """Add what is said of beers."""
        growth, new = self.growth, check_beers(self.arrival.beers)
        assert new is not None
        if growth.beers is None:
            growth.beers, growth.records = new, growth.records + len(new)
            return
        table = growth.beers.copy()
        for beer, row in new.iterrows():
            if beer not in table.index:
                table = joined(table, new.loc[[beer]])
                growth.records += 1
                continue
            for column, said in row.items():
                own = table.at[beer, column] if column in table.columns else ""
                if pd.isna(said) or said in ("", own):
                    continue
                of = ("beer record", str(beer), str(column), own, said, self.source)
                if pd.isna(own) or own == "" or self.choices.decide(*of) == FOLDER:
                    table.loc[beer, column] = said
                    growth.records += 1
                else:
                    growth.set_aside.append([str(beer), str(column), said])
        growth.beers = check_beers(table.rename_axis(None))


def _modules(scans: pd.DataFrame) -> dict[Any, str]:
    """Return the name of each scan's module without case, "" where none is stated."""
    if "instrument" not in scans:
        return dict.fromkeys(scans.index, "")
    return scans["instrument"].fillna("").astype(str).str.casefold().to_dict()


def grow_all(
    held: Held, arrivals: list[Arrival], upkeep: Upkeep, choices: Choices, restore: frozenset[str]
) -> tuple[Growth, list[dict[str, Any]]]:
    """Work out what arrivals add one after the other, edits standing; the sum, and records of those that added."""
    total = Growth.of(held)
    sources = []
    for arrival in arrivals:
        growing = _Growing(held, arrival, upkeep, choices, restore)
        rows, part = growing.rows(), growing.growth
        if arrival.spectra is not None and len(arrival.spectra):
            growing.add_scans(rows)
        growing.add_batches(rows)
        if arrival.beers is not None:
            growing.add_beers()
        sources += part.source(arrival)
        total.spectra = joined(_unless(total.spectra, part.replaced), part.spectra)
        total.scans = joined(_unless(total.scans, part.replaced), part.scans)
        total.batches, total.beers, total.determinations = part.batches, part.beers, part.determinations
        for name in (
            "replaced", "told", "left_out", "stays_out", "new_batches", "set_aside", "taken", "n_known", "records"
        ):  # fmt: skip
            setattr(total, name, getattr(total, name) + getattr(part, name))
        total.lab.extend(name for name in part.lab if name not in total.lab)
        for level, names in part.restored.items():
            total.restored.setdefault(level, []).extend(names)
        held = replace(
            held,
            scans=joined(_unless(held.scans, part.replaced), part.scans),
            spectra=joined(_unless(held.spectra, part.replaced), part.spectra),
            batches=part.batches, beers=part.beers, determinations=part.determinations,
        )  # fmt: skip
    missing = restore - {name for names in total.restored.values() for name in names}
    if missing:
        raise OptionError(
            f"{sorted(missing)[0]!r} is to be restored, and no scan of it comes with the folders, or it was never "
            "dropped; names are matched letter by letter"
        )
    return total, sources


def _unless(table: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    return table if not names else table[~table.index.isin(names)]
