"""From scans of a second module to a model that knows it: which scans teach, and what is wrong with them."""

from __future__ import annotations

import logging
from typing import Any

import numpy as np
import pandas as pd

from specmatch.batches import check_scans
from specmatch.errors import OptionError, TableError
from specmatch.house.fitting.fitted import Conditions, FittedHouse, SharedPours, departures_from, plain_text
from specmatch.house.fitting.second_module import own_set_advised, teach_module
from specmatch.house.reading.samples import PARTS, prepare_samples
from specmatch.measurement.folder.stated import as_stated
from specmatch.reference.tables.alignment import check_band
from specmatch.spectra import by_scan_id, text_ids

logger = logging.getLogger(__name__)

OWN_SET, SERVES = "measure a set of its own", "transfer serves"
COLUMNS = ["module", "instrument", "n_batches", "route", "colour_error", "identity_error", "colour_sd", "advice"]


def transfer_house(
    fitted: FittedHouse,
    spectra: Any,
    scans: Any,
    instrument: str,
    *,
    band_nm: tuple[float, float] | None,
    false_reject_rate: float,
) -> FittedHouse:
    """Teach a model a second module, or another lamp, cup or base."""
    if hasattr(spectra, "scans") and hasattr(spectra, "spectra"):
        band_nm = spectra.band_nm if band_nm is None else band_nm
        spectra, scans = spectra.spectra, spectra.scans if scans is None else scans
    scans = as_stated(scans, "scans")
    name = plain_text(instrument)
    if not name:
        raise OptionError("instrument is blank; name the second module as the column instrument will state it")
    if not isinstance(scans, pd.DataFrame) or "batch" not in scans.columns:
        raise TableError("a transfer needs a scans table with the column batch: which batch of the set each scan is of")
    spectra = by_scan_id(pd.DataFrame(spectra))
    ids = text_ids(spectra.index, "scan_id")
    table = _of_instrument(check_scans(scans, ids), name)
    names = _names(fitted.conditions, table, name)
    unknown = sorted(set(table["batch"]) - set(fitted.batches))
    if unknown:
        raise TableError(
            f"batch {unknown[0]!r} is not of the set ({len(unknown)} of {table['batch'].nunique()} are not); both "
            "modules must have measured it: choose_batches(refs, transfer=6) says which to measure"
        )
    _refuse_other_conditions(fitted.conditions, table, names)
    part = spectra.set_axis(ids, axis=0).loc[table.index]
    samples = prepare_samples(fitted, part, table)
    batch_of = table.groupby("sample", sort=False)["batch"].first()
    batch = pd.Index(fitted.batches).get_indexer(batch_of[samples.averages.names])
    good = np.ones(len(samples.pours.names), bool) if samples.odd is None else ~samples.odd.odd
    reflectance = samples.pours.reflectance[good]
    band_nm = check_band(band_nm)
    if band_nm is not None:
        nm = fitted.wavelength_nm
        reflectance = np.where((nm >= band_nm[0]) & (nm <= band_nm[1]), reflectance, np.nan)  # no light, no value
    shared = SharedPours(reflectance, samples.sample_of_pour[good], batch[samples.sample_of_pour][good])
    return teach_module(fitted, shared, names, false_reject_rate=false_reject_rate)


def transfers_table(fitted: FittedHouse) -> pd.DataFrame:
    """Return what each further module was taught by and how well it does, a row a module."""
    rows = []
    for one in fitted.modules:
        cautions = one.fitted.cautions
        rows.append((
            one.said, one.instrument, len(one.shared), one.route, one.colour_error, one.identity_error,
            float("nan") if cautions is None else cautions.transfer_sd,
            OWN_SET if own_set_advised(one) else SERVES,
        ))  # fmt: skip
    return pd.DataFrame(rows, columns=COLUMNS)


def _of_instrument(table: pd.DataFrame, name: str) -> pd.DataFrame:
    if "instrument" not in table.columns:
        return table
    stated = table["instrument"].map(plain_text)
    named = stated[stated != ""].unique().tolist()
    own = stated.str.casefold() == name.casefold()
    if not named:
        return table
    if not own.any():
        raise TableError(f"no scan is of instrument {name!r}; the scans name {', '.join(named)}")
    if not own.all():
        others = ", ".join(
            f"{n} of {other or 'no instrument'}" for other, n in stated[~own].value_counts(sort=False).items()
        )
        logger.warning("not scans of %r, and left aside: %s", name, others)
    return table[own]


def _names(conditions: Conditions, table: pd.DataFrame, name: str) -> dict[str, str]:
    """Return instrument, lamp, cup and base of what is new; one thing alone may be."""
    new = {}
    for part in PARTS:
        cells = sorted({plain_text(value) for value in table[part]} - {""}) if part in table.columns else []
        if len(cells) > 1:
            raise TableError(f"the scans name {len(cells)} {part}s ({', '.join(cells)}); teach one at a time")
        held = {value.casefold() for value in getattr(conditions, part)}
        if cells and cells[0].casefold() not in held and (held or part != "cup"):
            new[part] = cells[0]
    own = name.casefold() in {held.casefold() for held in conditions.instrument}
    if own and not new:
        raise TableError(
            f"{name!r} is a module of the set itself, and its scans name no lamp, cup or base that the set does not "
            "hold: nothing is to be taught; name the second module, or what changed, in the sheet"
        )
    if len(new) > own and not (not own and set(new) <= {"lamp", "base"}):
        raise TableError(
            f"the scans differ from the set in {' and '.join(new)}{'' if own else ' and instrument'} at the same time; "
            "measure with the set's own cup first, and teach one thing at a time"
        )
    return {"instrument": name, **{part: new.get(part, "") if own else "" for part in PARTS}}


def _refuse_other_conditions(conditions: Conditions, table: pd.DataFrame, names: dict[str, str]) -> None:
    columns = [name for name in ("cup", "cup_mm", "reference_kind") if name in table.columns and not names.get(name)]
    if names["cup"]:
        columns = [name for name in columns if name != "cup_mm"]
    found = departures_from(conditions, table[["sample", *columns]])
    if found:
        sample, sentences = next(iter(found.items()))
        raise TableError(
            f"sample {sample!r}: {sentences[0]}; a module and a cup at the same time cannot be told apart: measure the "
            "batches as the set was measured"
        )
