"""New batches with new lab values against an existing model: is it still fit for use, and if not, what to do.

A slope and bias correction of colour: offered by a validation, kept with its origin, never applied unasked.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.batches import check_batches, check_scans
from specmatch.errors import ModelFileError, TooFewBatchesError
from specmatch.house.assessment.figures_of_merit import figures_of_merit
from specmatch.house.house_model import HouseModel
from specmatch.maths.statistics.agreement import Agreement, agreement, unexplained_error_limit
from specmatch.maths.statistics.levels import binomial_bounds
from specmatch.storage import write_atomic
from specmatch.warning_codes import RESCAN, worst_effect
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.house.house_model import HouseModel
    from specmatch.measurement.session import Session

FORMAT = 1
_FIELDS = ("slope", "shift", "n_batches", "batches_hash", "set_name", "set_hash")


@dataclass(frozen=True)
class ColourCorrection:
    """log corrected colour = shift + slope x log colour."""

    slope: float
    shift: float
    n_batches: int  # new batches behind it
    batches_hash: str  # SHA-256 over their names, lab values and readings
    set_name: str  # set_name, set_hash: the reference set of the model that it corrects
    set_hash: str

    @property
    def version(self) -> str:
        """Twelve digits of the hash over everything that the correction says: another content, another version."""
        return hashlib.sha256(self._text().encode()).hexdigest()[:12]

    @classmethod
    def offered(cls, house: HouseModel, compared: pd.DataFrame, *, slope: float, shift: float) -> ColourCorrection:
        """Return a correction with its origin; `compared` has `lab` and `colour` by batch."""
        rows = compared[["lab", "colour"]].sort_index().to_csv(float_format="%.9g", lineterminator="\n")
        digest = hashlib.sha256(rows.encode()).hexdigest()
        f = house.fitted
        return cls(slope, shift, len(compared), digest, f.set_name, f.set_hash)

    def apply(self, readings: pd.DataFrame, house: HouseModel) -> pd.DataFrame:
        """Return corrected readings that say so."""
        if house.fitted.set_hash != self.set_hash:
            raise ModelFileError(
                f"the correction {self.version} was made for a model of set {self.set_name!r} "
                f"({self.set_hash[:12]}), this model was fitted on {house.fitted.set_name!r} "
                f"({house.fitted.set_hash[:12]}); validate this model anew"
            )
        corrected = readings.copy()
        with np.errstate(divide="ignore"):  # a lower limit of 0 stays 0
            for column in ("colour", "colour_low", "colour_high"):
                corrected[column] = np.exp(self.shift + self.slope * np.log(readings[column].astype(float)))
        corrected["interval_method"] = readings["interval_method"].astype(str) + f", corrected {self.version}"
        return corrected

    def save(self, path: str | Path) -> None:
        """Write the correction as a small JSON document."""
        content = {**json.loads(self._text()), "version": self.version}
        write_atomic(Path(path), (json.dumps(content, sort_keys=True, indent=2) + "\n").encode())

    @classmethod
    def load(cls, path: str | Path) -> ColourCorrection:
        """Read a correction."""
        try:
            content = json.loads(Path(path).read_text(encoding="utf-8"))
            found = cls(**{name: content[name] for name in _FIELDS})
            made_for = int(content["format"])
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise ModelFileError(f"{path}: no colour correction could be read ({error})") from error
        if made_for > FORMAT:
            raise ModelFileError(f"{path}: format {made_for}; this version reads up to {FORMAT}: update it")
        if content.get("version") != found.version:
            raise ModelFileError(
                f"{path}: the content does not match its version {content.get('version')}; it was changed"
            )
        if not (np.isfinite(found.slope) and np.isfinite(found.shift) and found.slope > 0):
            raise ModelFileError(f"{path}: slope {found.slope} and shift {found.shift} correct nothing")
        return found

    def _text(self) -> str:
        content = {"format": FORMAT, **{name: getattr(self, name) for name in _FIELDS}}
        return json.dumps(content, sort_keys=True, indent=2)


FIT_FOR_USE, CORRECT_THE_BIAS, REFIT = "fit for use", "correct the bias", "refit"
FEWEST_NEW_BATCHES = 5

# A line through fewer points follows their errors; a bias alone may be corrected from five.
FEWEST_FOR_A_SLOPE = 10

# Chance that a model which is as good as ever fails, shared over the three tests.
FALSE_ALARM_RATE = 0.05


@dataclass(frozen=True)
class Validation:
    """What `validate` found."""

    verdict: str  # `"fit for use"`, `"correct the bias"` or `"refit"`
    sentence: str  # why, in one plain sentence
    # figures of merit in the set's unit; `log_*` are those of the tests, on log colour, where an error of so many per
    # cent counts alike for pale and dark; `covered` with its binomial bounds
    figures: pd.Series
    colour: pd.DataFrame  # index `batch`: `beer`, `lab`, `colour`, `colour_low`, `colour_high`, `inside`
    left_out: pd.DataFrame  # `batch`, `reason`
    correction: ColourCorrection | None  # offered where it would help; nothing applies it unasked


def validate(
    house: HouseModel,
    spectra: pd.DataFrame | Session,
    scans: pd.DataFrame | None = None,
    batches: pd.DataFrame | None = None,
    *,
    lab: str | None = None,
) -> Validation:
    """Judge a model on batches that it has not seen, with lab values that are new.

    Parameters
    ----------
    house : HouseModel
        Fitted.
    spectra : DataFrame or Session
        A session brings its scans and batches.
    scans, batches : DataFrame, optional
        Tables of scans and of batches (`beer`, `colour`), as a reference set has them.
    lab : str, optional
        Lab whose values these are; by default column `lab` of the batches tells. Where the model tells labs apart,
        readings are compared as that lab would report them; a lab that it does not know counts as its main one.

    Returns
    -------
    Validation

    Raises
    ------
    TooFewBatchesError
        With fewer than five batches that can be compared.

    Notes
    -----
    Tests of bias, slope and unexplained error as in ISO 12099 (from memory), on log colour. The error of the model
    when it was made is that of its own batches held out. Left out are batches of the set itself, those without a lab
    value, those that the model does not know (none of its beers), and those whose scans are to be taken again.

    Examples
    --------
    >>> from specmatch.demo.brewery import Brewery
    >>> import specmatch as sm
    >>> past, new = (Brewery(seed=1).draw(n, draw=d) for n, d in ((5, 0), (1, 1)))
    >>> house = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches))
    >>> validate(house, new.spectra, new.scans, new.batches).verdict
    'fit for use'
    """
    f = house.fitted
    if f.colour is None:
        raise TooFewBatchesError("the model reads no colour: its set holds too few lab values to be validated")
    if hasattr(spectra, "spectra") and hasattr(spectra, "batches"):
        session = spectra
        scans = session.scans if scans is None else scans
        batches = session.batches if batches is None else batches
    if batches is None or not len(batches):
        raise TooFewBatchesError(
            "no batches table with lab values: write batch, beer and colour of the new batches into batches.csv "
            "of the folder, or give batches="
        )
    if scans is None:
        raise TooFewBatchesError("no scans table was given; a validation needs to know the batch of each scan")
    table = check_batches(batches, colour_unit=f.colour_unit)
    checked = check_scans(scans, [str(name) for name in scans.index])
    batch_of = checked.groupby("sample", sort=False)["batch"].first()
    readings = house.read(spectra, scans, lab=_labs_of(house, table, batch_of) if lab is None else lab)
    rows = readings.assign(batch=batch_of.loc[readings.index].to_numpy())
    compared, left_out = _comparable(rows, table, f.batches)
    if len(compared) < FEWEST_NEW_BATCHES:
        why = ", ".join(f"{count}: {reason}" for reason, count in left_out["reason"].value_counts().items())
        raise TooFewBatchesError(
            f"{counted(len(compared), 'batch')} can be compared; a validation needs {FEWEST_NEW_BATCHES} or more new "
            f"batches with lab values; left out: {why or 'none'}"
        )
    return _judge(house, compared, left_out)


def _labs_of(house: HouseModel, table: pd.DataFrame, batch_of: pd.Series) -> dict[str, str] | None:
    """Return the lab of the batch of each sample, of those labs that the model tells apart."""
    labs = house.fitted.colour and house.fitted.colour.labs
    if not labs or not labs.labs or "lab" not in table.columns:
        return None
    stated = batch_of.map(table["lab"])
    return {str(sample): str(name) for sample, name in stated.items() if name in labs.labs}


def _comparable(
    rows: pd.DataFrame, table: pd.DataFrame, fitted_batches: tuple[str, ...]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    kept, reasons = [], []
    for batch, part in rows.groupby("batch", sort=False):
        codes = {code for cell in part["warnings"] for code in cell}
        reason = ""
        if batch in fitted_batches:
            reason = "the model was fitted on it"
        elif batch not in table.index or not np.isfinite(table.at[batch, "colour"]):
            reason = "it has no lab value"
        elif "interval_not_covered" in codes:
            reason = "the model does not know its kind"
        elif worst_effect(codes) == RESCAN:
            reason = "its scans are to be taken again"
        if reason:
            reasons.append((batch, reason))
            continue
        # samples of one batch are one batch: their mean, the widest limits
        kept.append(
            {
                "batch": batch,
                "beer": table.at[batch, "beer"],
                "lab": float(table.at[batch, "colour"]),
                "colour": float(np.exp(np.log(part["colour"].astype(float)).mean())),
                "colour_low": float(part["colour_low"].min()),
                "colour_high": float(part["colour_high"].max()),
            }
        )
    found = pd.DataFrame(kept, columns=["batch", "beer", "lab", "colour", "colour_low", "colour_high"])
    found["inside"] = (found["lab"] >= found["colour_low"]) & (found["lab"] <= found["colour_high"])
    return found.set_index("batch"), pd.DataFrame(reasons, columns=["batch", "reason"])


def _judge(house: HouseModel, compared: pd.DataFrame, left_out: pd.DataFrame) -> Validation:
    fit = house.fitted.colour
    assert fit is not None  # readings without a colour fit know no batch, so nothing could be compared
    alpha = FALSE_ALARM_RATE / 3.0
    log_lab, log_colour = np.log(compared["lab"].to_numpy()), np.log(compared["colour"].to_numpy())
    found = agreement(log_lab, log_colour, alpha=alpha)
    earlier = float(np.std(np.log(fit.held_out_colour / fit.lab_colour), ddof=1))
    limit = unexplained_error_limit(earlier, found.n, fit.n_batches - 1, alpha=alpha)
    tilted = found.tilted and found.n >= FEWEST_FOR_A_SLOPE
    correction = None
    if tilted or found.biased:
        slope, shift = (found.slope, found.intercept) if tilted else (1.0, -found.bias)
        left = log_lab - (shift + slope * log_colour)
        # a slope stretches the model's own scatter with everything else
        if float(np.sqrt(np.sum(left**2) / (found.n - (2 if tilted else 1)))) <= limit * max(1.0, slope):
            correction = ColourCorrection.offered(house, compared, slope=slope, shift=shift)
    verdict, sentence = _verdict(found, limit, tilted, correction)
    low, high = binomial_bounds(int(compared["inside"].sum()), len(compared))
    figures = figures_of_merit(compared["lab"], compared["colour"])
    figures = pd.concat(
        [
            figures,
            pd.Series(
                {
                    "log_bias": found.bias,
                    "log_bias_limit": found.bias_limit,
                    "log_slope": found.slope,
                    "log_slope_t": found.slope_t,
                    "log_slope_limit": found.slope_limit,
                    "log_sep": found.sep,
                    "log_sep_earlier": earlier,
                    "log_sep_limit": limit,
                    "nominal_coverage": house.coverage,
                    "covered": float(compared["inside"].mean()),
                    "covered_low": float(low),
                    "covered_high": float(high),
                },
                dtype=object,
            ),
        ]
    )
    return Validation(verdict, sentence, figures, compared, left_out, correction)


def _verdict(found: Agreement, limit: float, tilted: bool, correction: ColourCorrection | None) -> tuple[str, str]:
    if correction is not None:
        what = "error grows with colour" if tilted else f"readings are {'dark' if found.bias > 0 else 'pale'}"
        return CORRECT_THE_BIAS, (
            f"{what}, by {abs(np.expm1(found.bias)):.1%} on average and more than chance; what is left after a "
            "correction is as small as when the model was made: find the cause, or take the correction"
        )
    if found.sep > limit or tilted or found.biased:
        return REFIT, (
            f"errors scatter by {found.sep:.1%}, where {limit:.1%} is the most that chance allows: a correction does "
            "not help, look for the cause and fit anew with these batches"
        )
    return FIT_FOR_USE, (
        f"bias {np.expm1(found.bias):+.1%} and scatter {found.sep:.1%} are no more than chance allows on {found.n} new "
        "batches"
    )
