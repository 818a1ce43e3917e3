"""Which module, lamp, cup and base measured a sample, and the part of a model that reads it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Ints
from specmatch.batches import check_scans
from specmatch.errors import TableError
from specmatch.house.fitting.conditions import plain_text
from specmatch.house.fitting.fitted import FittedHouse, SecondModule
from specmatch.house.reading.samples import SampleSet, prepare_samples
from specmatch.measurement.folder.stated import as_stated
from specmatch.spectra import PLAUSIBLE_NM, check_spectra, spectra_table, text_ids

PARTS = ("lamp", "cup", "base")


@dataclass(frozen=True)
class Part:
    """Scans of one module of a model, with the checks of their session where there are some."""

    main: FittedHouse  # the whole model
    fitted: FittedHouse  # what reads this part
    spectra: Any
    scans: Any
    checks: Any
    rows: Ints  # (n,): where the scans stood among all of them

    def samples(self, *, every_pour: bool = False) -> SampleSet:
        """Prepare its samples, with the name of their module and what the model does not know of it."""
        samples = prepare_samples(self.fitted, self.spectra, self.scans, self.checks, every_pour=every_pour)
        return _named(self, samples)

    def batches(self) -> list[str]:
        """Return the batches that its scans are stated to be of; a table of scans may hold others beside them."""
        if not isinstance(self.scans, pd.DataFrame) or "batch" not in self.scans:
            return []
        own = pd.Index([self.spectra.name]) if isinstance(self.spectra, pd.Series) else self.spectra.index
        table = self.scans.set_index("scan_id") if "scan_id" in self.scans else self.scans
        said = table.loc[text_ids(table.index, "scan_id").isin(text_ids(own, "scan_id")), "batch"]
        return [name for name in dict.fromkeys(map(plain_text, said)) if name]


def parts_by_module(fitted: FittedHouse, spectra: Any, scans: Any) -> list[Part]:
    """Part the scans of a session or table by the module of the model that reads them."""
    checks = None
    if hasattr(spectra, "checks") and hasattr(spectra, "spectra"):
        # its own table was held to it when the sheet was read
        scans = spectra.scans if scans is None else as_stated(scans, "scans")
        spectra, checks = spectra.spectra, spectra.checks
    else:
        scans = as_stated(scans, "scans")
    if not fitted.modules or not isinstance(scans, pd.DataFrame) or "instrument" not in scans.columns:
        return [Part(fitted, fitted, spectra, scans, checks, np.zeros(0, np.int64))]
    checked = check_spectra(spectra, any_wavelength=bool(fitted.wavelength_nm[-1] > PLAUSIBLE_NM[1]))
    spectra = spectra_table(checked) if isinstance(spectra, pd.Series) else spectra
    table = check_scans(scans, checked.scan_ids)
    place = np.array([_place(fitted, row) for row in _rows(table)])
    split = pd.Series(place).groupby(table["sample"].to_numpy(), sort=False).nunique()
    if (split > 1).any():
        raise TableError(
            f"sample {split.index[int((split > 1).argmax())]!r} has scans of two modules of the model, which are read "
            "each by its own: give the scans of each module a sample of their own"
        )
    return [
        Part(
            fitted, fitted if k < 0 else fitted.modules[k].fitted, spectra[place == k], table[place == k],
            None if checks is None else checks[checks["scan_id"].isin(checked.scan_ids[place == k])],
            np.flatnonzero(place == k),
        )
        for k in dict.fromkeys(place.tolist())
    ]  # fmt: skip


def joined(parts: list[Part], answer: Callable[[Part], pd.DataFrame]) -> pd.DataFrame:
    """Return one table of what is answered part by part, samples in the order given."""
    tables = [answer(part) for part in parts]
    if len(tables) == 1:
        return tables[0]
    first = np.concatenate([part.rows for part in parts])
    names = np.concatenate([part.scans["sample"].to_numpy(dtype=object) for part in parts])[np.argsort(first)]
    whole = pd.concat(tables)
    return whole.loc[pd.Index(names).drop_duplicates()].rename_axis(whole.index.name)


def _rows(table: pd.DataFrame) -> list[dict[str, str]]:
    columns = [name for name in ("instrument", *PARTS) if name in table.columns]
    cells = {name: [plain_text(value).casefold() for value in table[name]] for name in columns}
    return [dict(zip(columns, row, strict=True)) for row in zip(*cells.values(), strict=True)]


def _place(fitted: FittedHouse, row: dict[str, str]) -> int:
    """Return the place of the module that a scan is of among the further ones, -1 where it is none of them."""
    fits = [k for k, one in enumerate(fitted.modules) if _is_of(one, row)]
    # the one that says most of it: a lamp of its own before the bare name
    return max(fits, key=lambda k: sum(bool(getattr(fitted.modules[k], part)) for part in PARTS), default=-1)


def _is_of(module: SecondModule, row: dict[str, str]) -> bool:
    parts = all(getattr(module, part).casefold() in ("", row.get(part, "")) for part in PARTS)
    return parts and module.instrument.casefold() == row.get("instrument", "")


def _named(part: Part, samples: SampleSet) -> SampleSet:
    """Add to samples the name of their module, and a code where the model does not know it."""
    table = part.scans
    if not isinstance(table, pd.DataFrame) or "instrument" not in table.columns:
        if not part.main.modules:
            return samples
        table = pd.DataFrame({"sample": list(samples.index), "instrument": ""})
    if "sample" not in table.columns:
        table = check_scans(table, table.index)
    stated = table["instrument"].map(plain_text).groupby(table["sample"], sort=False)
    names = {str(sample): tuple(dict.fromkeys(cells)) for sample, cells in stated}
    conditions = {name: list(said) for name, said in samples.conditions.items()}
    warnings = {name: list(codes) for name, codes in samples.warnings.items()}
    held = part.main.conditions.instrument
    known = {name.casefold() for name in (*held, *(one.instrument for one in part.main.modules))}
    for sample, cells in names.items():
        for cell in cells:
            said = ""
            if not held and not part.main.modules:
                said = f"the set records no instrument: whether {cell} is its module cannot be told" if cell else ""
            elif not cell:
                several = len(known) > 1
                said = (
                    "the instrument is not stated, and the model knows " + ", ".join(sorted(known)) if several else ""
                )
                if several:
                    warnings.setdefault(sample, []).append("other_instrument")
            elif cell.casefold() not in known:
                said = f"the instrument is {cell}, the model knows {', '.join(dict.fromkeys(_known(part.main)))}"
                warnings.setdefault(sample, []).append("other_instrument")
            if said:
                conditions.setdefault(sample, []).append(said)
    instruments = tuple(", ".join(cell for cell in names.get(str(name), ()) if cell) for name in samples.index)
    return replace(samples, warnings=warnings, conditions=conditions, instruments=instruments)


def _known(fitted: FittedHouse) -> tuple[str, ...]:
    return (*fitted.conditions.instrument, *(module.instrument for module in fitted.modules))
