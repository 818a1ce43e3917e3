"""Changes to the tables of a reference set: each gives new tables and a line for the history."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from specmatch.batches import check_scans
from specmatch.errors import OptionError, ReferenceSetError, WavelengthMismatchError
from specmatch.reference.tables.alignment import average_lab_values
from specmatch.spectra import check_spectra, match_wavelengths, spectra_table

LEVELS = ("batch", "sample", "pour", "scan")


@dataclass(frozen=True)
class Tables:
    """The tables of a set, and its unit."""

    spectra: pd.DataFrame  # spectra, scans, batches: as `ReferenceSet` takes them
    scans: pd.DataFrame
    batches: pd.DataFrame
    beers: pd.DataFrame | None
    colour_unit: str


def extended(tables: Tables, more: Tables) -> tuple[Tables, str]:
    """Add scans, of new batches or of those there are; lab values of a batch in both are averaged."""
    shared = tables.spectra.index.intersection(more.spectra.index)
    if len(shared):
        raise ReferenceSetError(
            f"{len(shared)} scans are in the set already, the first {shared[0]!r}; leave them out or name them anew"
        )
    grid = tables.spectra.columns.to_numpy(dtype=np.float64)
    checked = check_spectra(more.spectra)
    added = spectra_table(checked).set_axis(checked.scan_ids, axis=0)
    if checked.wavelength_nm.size != grid.size or np.abs(checked.wavelength_nm - grid).max() > 0:
        try:
            added = pd.DataFrame(match_wavelengths(checked, grid), index=checked.scan_ids, columns=grid)
        except WavelengthMismatchError as error:
            raise WavelengthMismatchError(f"the new scans do not fit the set: {error}") from error
    added.columns = tables.spectra.columns
    scans = pd.concat([tables.scans, check_scans(more.scans, checked.scan_ids)])
    new = [name for name in _batch_names(more) if name not in tables.batches.index]
    batches = average_lab_values(pd.concat([tables.batches, _indexed(more.batches)]), colour_unit=tables.colour_unit)
    beers = tables.beers
    if more.beers is not None:
        beers = more.beers if beers is None else pd.concat([beers, more.beers[~more.beers.index.isin(beers.index)]])
    what = f"extended by {len(added)} scans; new batches: {_listed(new) or 'none'}"
    return replace(tables, spectra=pd.concat([tables.spectra, added]), scans=scans, batches=batches, beers=beers), what


def dropped(tables: Tables, names: Collection[str], level: str) -> tuple[Tables, str]:
    """Leave out batches, samples, pours or scans."""
    if level not in LEVELS:
        raise OptionError(f"level is {level!r}; expected one of {', '.join(LEVELS)}")
    of_scan = tables.scans.index if level == "scan" else tables.scans[level]
    for name in names:
        if name not in set(of_scan):
            raise ReferenceSetError(f"{level} {name!r} is not in the set; names are matched letter by letter")
    kept = ~np.isin(np.asarray(of_scan, dtype=object), list(names))
    if not kept.any():
        raise ReferenceSetError("nothing would be left of the set; drop fewer, or start a new one")
    what = f"dropped {level} {_listed(names)}"
    return _with_scans(tables, kept), what


def relabelled(tables: Tables, batch: str, beer: str) -> tuple[Tables, str]:
    """Give a batch another beer."""
    _must_hold(tables, batch)
    if not beer.strip():
        raise OptionError("the new beer is blank; name it, or drop the batch")
    before = tables.batches.at[batch, "beer"]
    if before == beer.strip():
        raise ReferenceSetError(f"batch {batch!r} is labelled {before!r} already")
    batches = tables.batches.copy()
    batches.loc[batch, "beer"] = beer.strip()
    return replace(tables, batches=batches), f"relabelled batch {batch!r} from {before!r} to {beer.strip()!r}"


def recoloured(tables: Tables, batch: str, values: Mapping[str, object]) -> tuple[Tables, str]:
    """Give a batch another lab colour, or none."""
    # values: `colour` in the set's unit (NaN for none) and what else is known: `colour_sd`, `colour_n`, `lab`,
    # `colour_method`; what is not known of the new value is cleared
    _must_hold(tables, batch)
    colour = float(str(values["colour"]))
    if not (np.isnan(colour) or 0 < colour < np.inf):
        raise OptionError(f"the colour is {colour:g}; expected a number above 0, or NaN for none")
    batches = tables.batches.copy()
    before = batches.at[batch, "colour"]
    for column in ("colour", "colour_sd", "colour_n", "colour_method", "lab"):
        value = values.get(column)
        if value is None and column not in batches.columns:
            continue
        is_text = column in ("colour_method", "lab")
        if column not in batches.columns:
            batches[column] = "" if is_text else np.nan
        blank: object = "" if is_text else np.nan
        batches.loc[batch, column] = blank if value is None else value
    unit = tables.colour_unit
    return replace(
        tables, batches=batches
    ), f"colour of batch {batch!r} from {_shown(before)} to {_shown(colour)} {unit}"


def selected(
    tables: Tables,
    *,
    beers: Collection[str] | None,
    since: str | None,
    until: str | None,
    where: Mapping[str, str],
) -> tuple[Tables, str]:
    """Keep the scans of some beers, of a span of time, of an instrument and so on."""
    scans = tables.scans
    kept = np.ones(len(scans), dtype=bool)
    said = []
    if beers is not None:
        kept &= scans["batch"].map(tables.batches["beer"]).isin(list(beers)).to_numpy()
        said.append(f"beers {_listed(beers)}")
    if since is not None or until is not None:
        times = scans["measured_at"].to_numpy(dtype=object) if "measured_at" in scans.columns else np.array([])
        if times.size == 0 or (times == "").any():
            raise ReferenceSetError("not every scan says when it was measured; fill measured_at to select by date")
        if since is not None:
            kept &= times >= since
            said.append(f"since {since}")
        if until is not None:
            kept &= times < until
            said.append(f"before {until}")
    for column, value in where.items():
        if column not in scans.columns:
            raise ReferenceSetError(f"the scans table has no column {column!r} to select by")
        kept &= (scans[column] == value).to_numpy()
        said.append(f"{column} {value!r}")
    if not kept.any():
        raise ReferenceSetError(f"no scan is of {'; '.join(said) or 'nothing'}")
    return _with_scans(tables, kept), f"selected {'; '.join(said) or 'everything'}"


def _with_scans(tables: Tables, kept: np.ndarray) -> Tables:
    scans = tables.scans[kept]
    batches = tables.batches[tables.batches.index.isin(scans["batch"])]
    return replace(tables, spectra=tables.spectra[kept], scans=scans, batches=batches)


def _must_hold(tables: Tables, batch: str) -> None:
    if batch not in tables.batches.index:
        raise ReferenceSetError(f"batch {batch!r} is not in the set; names are matched letter by letter")


def _indexed(batches: pd.DataFrame) -> pd.DataFrame:
    return batches.set_index("batch") if "batch" in batches.columns else batches


def _batch_names(more: Tables) -> list[str]:
    return [str(name) for name in _indexed(more.batches).index.unique()]


def _listed(names: Collection[str]) -> str:
    return ", ".join(repr(name) for name in names)


def _shown(colour: float) -> str:
    return "none" if np.isnan(colour) else f"{colour:.6g}"
