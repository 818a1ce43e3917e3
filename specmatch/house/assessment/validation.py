"""New batches with new lab values against a model: is it still fit for use, and if not, what to do."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtrit

from specmatch.array_types import Ints
from specmatch.batches import VALUE_NAME, check_batches, check_scans, must_be
from specmatch.colour import EBC_PER_SRM
from specmatch.errors import ModelFileError, TableError, TooFewBatchesError
from specmatch.house.assessment.evaluation import figures_of_merit, labs_told_apart
from specmatch.house.house_model import HouseModel
from specmatch.maths.regression.colour_model import ColourModel
from specmatch.maths.regression.conformal import widen_limits
from specmatch.maths.statistics.agreement import POWER, NewErrors, Scatter, judge_errors, scatter_within, still_needed
from specmatch.maths.statistics.levels import binomial_bounds
from specmatch.measurement.folder.stated import tables_as_stated
from specmatch.reference.tables.alignment import with_value
from specmatch.storage import path_of, write_atomic
from specmatch.warning_codes import RESCAN, worst_effect
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.measurement.session import Session


MOST_NAMED = 6
FORMAT = 2  # 1 was bound to no colours and no beers: a file of it is refused


@dataclass(frozen=True)
class ColourCorrection:
    """log corrected colour = log colour - shift - slope x (log colour - centre), for the beers and colours it names."""

    shift: float  # shift, slope: drawn to zero by their own uncertainty
    slope: float
    centre: float
    # shift_sd, slope_sd: standard uncertainties and what was drawn to zero, which corrected intervals carry
    shift_sd: float
    slope_sd: float
    lowest: float  # lowest, highest: the colours that it was seen at
    highest: float
    beers: tuple[str, ...]
    instrument: str  # instrument, lab: "" where the new batches stated none
    lab: str
    n_batches: int  # new batches behind it
    batches_hash: str  # SHA-256 over their names, lab values and readings
    set_name: str  # set_name, set_hash: the reference set of the model that it corrects; any refit ends it
    set_hash: str

    @property
    def version(self) -> str:
        """Twelve digits of the hash over everything that the correction says: another content, another version."""
        return hashlib.sha256(self._text().encode()).hexdigest()[:12]

    def sentence(self, unit: str) -> str:
        """Say what it does, and where."""
        middle = float(np.exp(self.centre))
        only = "".join(f", {what} {name}" for what, name in (("module", self.instrument), ("lab", self.lab)) if name)
        return (
            f"correction {self.version}: colours x {np.exp(-self.shift):.4f} at {middle:.1f} {unit}, from "
            f"{self.lowest:.1f} to {self.highest:.1f} {unit}, for {_names_or_number(self.beers)}{only}; it ends with "
            "the next refit"
        )

    def apply(
        self, readings: pd.DataFrame, house: HouseModel, *, coverage: float | None = None, lab: str | None = None
    ) -> pd.DataFrame:
        """Return readings of which each says whether it was corrected: those of its colours, beers, module and lab."""
        # coverage, lab: as they were given to `house.read`
        fit = house.fitted.colour
        if house.fitted.set_hash != self.set_hash or fit is None:
            raise ModelFileError(
                f"the correction {self.version} was made for a model of set {self.set_name!r} ({self.set_hash[:12]}), "
                f"this model was fitted on {house.fitted.set_name!r} ({house.fitted.set_hash[:12]}); a correction ends "
                "with the next refit: validate this model anew"
            )
        told = fit.labs.labs if fit.labs is not None and fit.labs.labs else ()
        other_lab = bool(told) and (lab or told[0]) != (self.lab or told[0])
        colour, nearest = readings["colour"].to_numpy(float), readings["nearest_beer"]
        held = np.array([beer in cell for beer, cell in zip(nearest, readings["plausible_beers"], strict=True)])
        own = held & nearest.isin(self.beers) & (readings["instrument"].astype(str) == self.instrument)
        chosen = own.to_numpy(bool) & (colour >= self.lowest) & (colour <= self.highest) & (not other_lab)
        along = np.log(colour, out=np.zeros_like(colour), where=chosen) - self.centre
        by = np.exp(-np.where(chosen, self.shift + self.slope * along, 0.0))
        reach = float(ndtri(0.5 + (house.coverage if coverage is None else coverage) / 2.0))
        extra = np.where(chosen, reach * np.hypot(self.shift_sd, self.slope_sd * along), 0.0)
        corrected = readings.copy()
        corrected["colour"] = colour * by
        low, high = (readings[column].to_numpy(float) for column in ("colour_low", "colour_high"))
        lower, higher = widen_limits(colour, low, high, extra)
        corrected["colour_low"] = np.where(chosen, lower, low) * by
        corrected["colour_high"] = np.where(chosen, higher, high) * by
        if "colour_without_fault" in readings:
            corrected["colour_without_fault"] = readings["colour_without_fault"].to_numpy(float) * by
        said = np.where(chosen, f", corrected {self.version}", f", outside correction {self.version}")
        corrected["interval_method"] = readings["interval_method"].astype(str) + said
        return corrected

    def save(self, path: str | Path) -> None:
        """Write the correction as a small JSON document."""
        content = {**json.loads(self._text()), "version": self.version}
        write_atomic(Path(path), (json.dumps(content, sort_keys=True, indent=2) + "\n").encode())

    @classmethod
    def load(cls, path: str | Path) -> ColourCorrection:
        """Read a correction."""
        try:
            content = json.loads(path_of(path).read_text(encoding="utf-8"))
            made_for = int(content["format"])
            if made_for != FORMAT:
                way_out = "update it" if made_for > FORMAT else "validate the model anew"
                raise ModelFileError(f"{path}: format {made_for}; this version reads format {FORMAT}: {way_out}")
            found = cls(**{one.name: content[one.name] for one in fields(cls)} | {"beers": tuple(content["beers"])})
            numbers = np.array([getattr(found, one.name) for one in fields(cls) if one.type == "float"], float)
        except ModelFileError:
            raise
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise ModelFileError(f"{path}: no colour correction could be read ({error})") from error
        if content.get("version") != found.version:
            raise ModelFileError(
                f"{path}: the content does not match its version {content.get('version')}; it was changed"
            )
        if not np.isfinite(numbers).all() or found.slope >= 1.0:
            raise ModelFileError(f"{path}: shift {found.shift} and slope {found.slope} correct nothing")
        return found

    def _text(self) -> str:
        return json.dumps({"format": FORMAT, **asdict(self)}, sort_keys=True, indent=2)


def _names_or_number(beers: Sequence[str]) -> str:
    return ", ".join(beers) if len(beers) <= MOST_NAMED else counted(len(beers), "beer")


def drawn_to_zero(value: float, bound: float) -> float:
    """Return an effect shrunk by what chance alone may give: value (1 - bound^2 / value^2), 0 within the bound."""
    # the garrote (L. Breiman, Technometrics 37:373-384, 1995; from memory): an effect that was just seen is mostly luck
    return value * max(0.0, 1.0 - (bound / value) ** 2) if value else 0.0


FIT_FOR_USE, NOT_ENOUGH, BIASED, REFIT = "fit for use", "not enough to say", "bias in these colours", "refit"

# Chances that a model which errs as it always did fails: of all tests together at most their sum.
BIAS_LEVEL, SLOPE_LEVEL, SCATTER_LEVEL, BEERS_LEVEL, UNLIKE_LEVEL = 0.05, 0.005, 0.005, 0.005, 0.001

# Fewer beers say what is wrong with them, and nothing that another batch of theirs could be corrected by.
FEWEST_BEERS_TO_CORRECT = 5
LIKE_A_UNIT = 0.1  # of a logarithm: a bias so near to the ratio of EBC and SRM is a unit and no model's fault


@dataclass(frozen=True)
class Validation:
    """What `validate` found."""

    verdict: str  # `"fit for use"`, `"not enough to say"`, `"bias in these colours"` or `"refit"`
    sentence: str  # why, in one plain sentence
    # figures of merit in the set's unit; `log_*` and `p_*` are those of the tests, on log colour, where an error of so
    # many per cent counts alike for pale and dark; `covered` with its binomial bounds
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
    spectra : DataFrame or Session
        A session brings its scans and batches.
    scans, batches : DataFrame, optional
        Tables of scans and of batches (`beer`, `colour`), as a reference set has them.
    lab : str, optional
        Lab whose values these are; by default column `lab` of the batches tells. Readings are compared as it would
        report them; a lab that the model does not know counts as its main one.

    Returns
    -------
    Validation

    Raises
    ------
    TableError, TooFewBatchesError
        If the spectra are neither a table nor a session; where no batch can be compared.

    Notes
    -----
    A reading errs by its batch and by its beer. Errors of new batches are held against those of the model's own, held
    out, at the same number of pours, each in units of its interval: their mean (a random effect of the beer, degrees of
    freedom by Satterthwaite), their slope over colour, what beers differ by beyond it, and the scatter within beers.
    Far errors are drawn in for mean and slope, so that one stray lab value neither makes a bias nor hides one. In all,
    6.6 % of models that err as they always did may fail. *Fit for use* is said only where a bias that takes the
    intervals to covering 20 points less than they state would be found four times in five. From five beers of one
    module and lab on a correction is offered.

    Left out are batches of the set itself, without a lab value, of beers that the set does not hold, like none of its
    beers (of too many the verdict is *refit*), and whose scans are to be taken again.

    Examples
    --------
    >>> batches = pd.DataFrame({"beer": ["Amber Lane"], "colour": [23.6]}, index=["AL-1-001"])
    >>> validate(house, spectra, scans, batches).verdict
    'not enough to say'
    """
    must_be("model", house)
    f = house.fitted
    if f.colour is None:
        raise TooFewBatchesError("the model reads no colour: its set holds too few lab values to be validated")
    f.colour.check_relative("a validation")
    if hasattr(spectra, "spectra") and hasattr(spectra, "batches"):
        scans = spectra.scans if scans is None else scans
        batches = spectra.batches if batches is None else batches
    elif not isinstance(spectra, pd.DataFrame):
        raise TableError(
            f"spectra are a {type(spectra).__name__}; expected a DataFrame or what sm.measure(folder) returns"
        )
    if batches is None or not len(batches):
        raise TooFewBatchesError(
            "no batches table with lab values: write batch, beer and colour of the new batches into batches.csv "
            "of the folder, or give batches="
        )
    if scans is None:
        raise TooFewBatchesError("no scans table was given; a validation needs to know the batch of each scan")
    scans, batches, _ = tables_as_stated(scans, batches, None, f.value_name)
    table = check_batches(with_value(batches, f.value_name), colour_unit=f.colour_unit)
    checked = check_scans(scans, [str(name) for name in scans.index])
    batch_of = checked.groupby("sample", sort=False)["batch"].first()
    known = batch_of[batch_of.isin(table.index)]
    readings = house.read(spectra, scans=scans, lab=labs_told_apart(f, table, known) if lab is None else lab)
    rows = readings.assign(batch=batch_of.loc[readings.index].to_numpy())
    compared, left_out = comparable_batches(rows, table, house)
    if compared.empty:
        why = ", ".join(f"{count}: {reason}" for reason, count in left_out["reason"].value_counts().items())
        raise TooFewBatchesError(
            "no batch can be compared; a validation needs new batches with lab values, a dozen of six beers or more; "
            f"left out: {why or 'none'}"
        )
    return judge_batches(house, compared, left_out, table)


UNLIKE = "it is like no beer of the set"


def comparable_batches(rows: pd.DataFrame, table: pd.DataFrame, house: HouseModel) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the batches that can be compared with their lab values, and those that cannot with the reason."""
    # rows: readings with their `batch`; table: of batches
    kept, reasons = [], []
    for batch, part in rows.groupby("batch", sort=False):
        codes = {code for cell in part["warnings"] for code in cell}
        reason = ""
        if batch in house.fitted.batches:
            reason = "the model was fitted on it"
        elif batch not in table.index or not np.isfinite(table.at[batch, "colour"]):
            reason = "it has no lab value"
        elif table.at[batch, "beer"] not in house.beers_:
            reason = "its beer is not in the set"
        elif worst_effect(codes) == RESCAN:
            reason = "its scans are to be taken again"
        elif "unlike_any_beer" in codes:
            reason = UNLIKE
        elif not np.isfinite(part[["colour", "colour_low", "colour_high"]].to_numpy(float)).all():
            reason = "its colour has no limits"
        if reason:
            reasons.append((batch, reason))
            continue
        logs = np.log(part[["colour_low", "colour", "colour_high"]].astype(float))
        beer, lab = table.loc[batch, ["beer", "colour"]]
        # samples of one batch are one batch: their mean, the widest limits
        colour, low, high = np.exp(logs["colour"].mean()), part["colour_low"].min(), part["colour_high"].max()
        pours, half = int(part["n_pours"].median()), (logs["colour_high"] - logs["colour_low"]).mean() / 2.0
        modules = ", ".join(dict.fromkeys(part["instrument"].astype(str)))
        kept.append((batch, beer, float(lab), colour, low, high, pours, modules, half))
    columns = ["batch", "beer", "lab", "colour", "colour_low", "colour_high", "n_pours", "instrument", "half_width"]
    found = pd.DataFrame(kept, columns=columns)
    found["inside"] = (found["lab"] >= found["colour_low"]) & (found["lab"] <= found["colour_high"])
    return found.set_index("batch"), pd.DataFrame(reasons, columns=["batch", "reason"])


def _old_scatter(house: HouseModel, fit: ColourModel, pours: Ints) -> Scatter:
    """Return how held-out batches of the set scattered within beers, at the pours of the new ones."""
    beer = house.fitted.beer_of_batch[fit.batch_code]
    if np.bincount(beer).max() < 2:
        beer = np.zeros_like(beer)  # a batch a beer: held out, each was read by what other beers teach
    levels, share = np.unique(pours, return_counts=True)
    each = [scatter_within(fit.held_out_errors(int(m), house.coverage), beer) for m in levels]
    told = [(one.mean_square, one.kurtosis, one.reach, one.inside, one.drawn_in) for one in each]
    mean_square, *rest = np.average(told, axis=0, weights=share).tolist()
    # nothing is drawn in where more than half of the errors agree
    known = rest if np.isfinite(rest).all() else rest[:1]
    return Scatter(mean_square, each[0].df, each[0].n_beers, *known)


def judge_batches(house: HouseModel, compared: pd.DataFrame, left_out: pd.DataFrame, table: pd.DataFrame) -> Validation:
    """Judge comparable batches."""
    fit = house.fitted.colour
    assert fit is not None  # a model without colours was refused
    log_lab, log_colour = np.log(compared["lab"].to_numpy()), np.log(compared["colour"].to_numpy())
    size, beers = compared["half_width"].to_numpy(), sorted(compared["beer"].unique())
    beer = compared["beer"].map(beers.index).to_numpy(np.int64)
    of_model = np.bincount(house.fitted.beer_of_batch[fit.batch_code], minlength=len(house.beers_))
    # a beer without a lab value in the set is known as one batch would make it
    known = np.maximum(of_model[[house.beers_.index(name) for name in beers]], 1)
    found = judge_errors(
        log_colour - log_lab, size, beer, log_colour, known, _old_scatter(house, fit, compared["n_pours"].to_numpy()),
        coverage=house.coverage, alpha=BIAS_LEVEL,
    )  # fmt: skip
    unlike = int((left_out["reason"] == UNLIKE).sum())
    lost = binomial_bounds(unlike, unlike + len(compared), 1.0 - 2.0 * UNLIKE_LEVEL)[0] > house.false_reject_rate
    biased = found.p_bias <= BIAS_LEVEL or found.p_slope <= SLOPE_LEVEL
    correction, unit = None, ""
    if house.fitted.value_name == VALUE_NAME and abs(abs(found.bias) - np.log(EBC_PER_SRM)) < LIKE_A_UNIT:
        unit = "lab values in the other unit would differ so: state their colour_unit, and validate again"
    if lost or found.p_scatter <= SCATTER_LEVEL or found.p_beers <= BEERS_LEVEL:
        verdict, sentence = REFIT, "; ".join(filter(None, (_why_refit(found, bool(lost), unlike), unit)))
    elif biased:
        correction, without = (None, unit) if unit else _correction(house, compared, found, table)
        verdict = BIASED
        sentence = f"{_bias_in_words(found, beers)}; {without or 'find the cause, or take the correction'}"
    elif found.smallest_found > found.matters:
        verdict, sentence = NOT_ENOUGH, _what_is_missing(found, still_needed(found, size, beer, known))
    else:
        verdict, sentence = FIT_FOR_USE, _fit_in_words(found, len(compared), len(beers))
    columns = ["beer", "lab", "colour", "colour_low", "colour_high", "n_pours", "inside"]
    return Validation(verdict, sentence, _figures(house, compared, found), compared[columns], left_out, correction)


def _figures(house: HouseModel, compared: pd.DataFrame, found: NewErrors) -> pd.Series:
    low, high = binomial_bounds(int(compared["inside"].sum()), len(compared))
    more = {
        "n_beers": compared["beer"].nunique(),
        **{f"log_{name}": getattr(found, name) for name in ("bias", "bias_sd", "bias_df", "slope", "slope_sd")},
        **{name: getattr(found, name) for name in ("p_bias", "p_slope", "p_beers", "p_scatter")},
        "smallest_bias_found": found.smallest_found,
        "bias_that_matters": found.matters,
        "nominal_coverage": house.coverage,
        "covered": float(compared["inside"].mean()),
        "covered_low": float(low),
        "covered_high": float(high),
    }
    return pd.concat([figures_of_merit(compared["lab"], compared["colour"]), pd.Series(more, dtype=object)])


def _correction(
    house: HouseModel, compared: pd.DataFrame, found: NewErrors, table: pd.DataFrame
) -> tuple[ColourCorrection | None, str]:
    beers = tuple(sorted(compared["beer"].unique()))
    labs = sorted(set(table.loc[compared.index, "lab"].astype(str))) if "lab" in table else [""]
    modules = sorted(set(compared["instrument"]))
    if len(beers) < FEWEST_BEERS_TO_CORRECT:
        return None, f"a correction needs {FEWEST_BEERS_TO_CORRECT} beers, these are {len(beers)}: find the cause"
    if len(labs) > 1 or len(modules) > 1:
        what = f"labs ({', '.join(labs)})" if len(labs) > 1 else f"modules ({', '.join(modules)})"
        said = f"a correction needs batches of one lab and module, these are of several {what}: validate them apart"
        return None, said
    f = house.fitted
    shift = drawn_to_zero(found.bias, float(stdtrit(found.bias_df, 1.0 - BIAS_LEVEL / 2.0)) * found.bias_sd)
    slope, slope_sd = 0.0, 0.0
    if found.p_slope <= SLOPE_LEVEL:
        slope = drawn_to_zero(found.slope, float(ndtri(1.0 - SLOPE_LEVEL / 2.0)) * found.slope_sd)
        slope_sd = float(np.hypot(found.slope_sd, found.slope - slope))
    rows = compared[["lab", "colour"]].sort_index().to_csv(float_format="%.9g", lineterminator="\n")
    correction = ColourCorrection(
        shift=shift,
        slope=slope,
        centre=found.centre,
        shift_sd=float(np.hypot(found.bias_sd, found.bias - shift)),
        slope_sd=slope_sd,
        lowest=float(compared["colour"].min()),
        highest=float(compared["colour"].max()),
        beers=beers,
        instrument=modules[0],
        lab=labs[0],
        n_batches=len(compared),
        batches_hash=hashlib.sha256(rows.encode()).hexdigest(),
        set_name=f.set_name,
        set_hash=f.set_hash,
    )
    return correction, ""


def _bias_in_words(found: NewErrors, beers: list[str]) -> str:
    side = "dark" if found.bias > 0 else "pale"
    by = f"{abs(np.expm1(found.bias)):.1%} (standard error {found.bias_sd:.1%})"
    if found.p_slope <= SLOPE_LEVEL:
        by += f" and {np.expm1(found.slope * np.log(2.0)):+.1%} more with each doubling of colour"
    return f"readings are {side} by {by}, more than chance allows; seen of {_names_or_number(beers)}"


def _why_refit(found: NewErrors, lost: bool, unlike: int) -> str:
    if lost:
        why = f"{counted(unlike, 'batch')} with labels of the set are like none of its beers"
    elif found.p_scatter <= SCATTER_LEVEL:
        why = f"errors scatter within beers more than they did (p = {found.p_scatter:.2g})"
    else:
        why = f"errors differ from beer to beer more than they did (p = {found.p_beers:.2g})"
    return f"{why}: a correction does not help, look for the cause and fit anew with these batches"


def _what_is_missing(found: NewErrors, missing: tuple[int, int]) -> str:
    batches, beers = missing
    need = f"about {counted(batches, 'batch')} more of these beers, spread evenly"
    if beers:
        need = f"two batches each of about {counted(beers, 'beer')} more; batches of these beers alone are not enough"
    power = f"a bias of {found.smallest_found:.1%} would be found {POWER:.0%} of the time"
    return f"{power}, and {found.matters:.1%} matters; needed: {need}"


def _fit_in_words(found: NewErrors, n: int, beers: int) -> str:
    return (
        f"bias {np.expm1(found.bias):+.1%} (standard error {found.bias_sd:.1%}) and scatter are no more than chance "
        f"allows on {counted(n, 'new batch')} of {counted(beers, 'beer')}; a bias of {found.smallest_found:.1%} would "
        f"have been found {POWER:.0%} of the time"
    )
