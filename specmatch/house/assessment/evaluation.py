"""How good a house model is, with batches held out; and what the findings of an audit cost it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from specmatch.batches import VALUE_NAME, batch_folds, must_be
from specmatch.errors import ReferenceSetError, SpecmatchError, TableError
from specmatch.house.assessment.mix_ups import (
    held_blends,
    held_pairs,
    mix_up_table,
    refused_over_colours,
    refused_unknown,
)
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.house.fitting.second_module import fit_set
from specmatch.house.house_model import HouseModel
from specmatch.house.reading.colour import budget_table
from specmatch.house.reading.readings import figures_table
from specmatch.house.reading.samples import joined, parts_by_module, scans_alone
from specmatch.long_jobs import counted_off, each_of, one_thread, step
from specmatch.maths.regression.conformal import coverage_spread
from specmatch.maths.statistics.agreement import agreement
from specmatch.maths.statistics.levels import binomial_bounds
from specmatch.maths.statistics.variance_components import nested_components
from specmatch.reference.audit.finding import METHODS, Remedy, remedy_of
from specmatch.reference.tables.edits import before_recipe
from specmatch.reference.tables.pours import scans_of_module

if TYPE_CHECKING:
    from specmatch.house.planning.plan import Plan
    from specmatch.reference.reference_set import ReferenceSet


COVERAGE_LEVELS = (0.80, 0.90, 0.95)
THIRDS = ("pale", "middle", "dark")
ALL, COLOUR, BEER = "all", "colour", "beer"  # what batches are grouped by in the table of coverage


@dataclass(frozen=True)
class Evaluation:
    """What `evaluate` found; every row and count is a batch that was held out."""

    figures: pd.Series  # the numbers in one place
    colour: pd.DataFrame  # index `batch`: `lab`, `colour`, `colour_low`, `colour_high`
    # index `batch`: `beer`, `nearest_beer`, `p_value` (of the nearest beer), `p_value_own` (of its own beer),
    # `plausible_beers`
    identity: pd.DataFrame
    mix_ups: pd.DataFrame  # those least often held first
    # `nominal`, `by` (all, colour, beer), `group`, `covered` (share of `n`), its 95 % bounds `low` and `high`, and the
    # `palest` and `darkest` lab colour in the group
    coverage: pd.DataFrame
    folds: pd.Series  # fold of each batch
    budget: pd.DataFrame | None = None  # of the model of the whole set, see `HouseModel.budget`; None without colours
    # what a plan forecast beside what was found: `figure, forecast, low, high, found, as_forecast`; None without one
    forecast: pd.DataFrame | None = None


class _HeldOut(NamedTuple):
    readings: pd.DataFrame  # with limits at every level, as `figures_table` returns them
    p_values: pd.DataFrame
    blends: pd.DataFrame
    log_colours: pd.Series  # of every scan of the held-out batches, each read alone


@one_thread()
def evaluate(
    house: HouseModel,
    refs: ReferenceSet,
    *,
    n_folds: int = 10,
    seed: int = 0,
    n_jobs: int | None = None,
    plan: Plan | str | Path | None = None,
) -> Evaluation:
    """Judge a model with batches held out: everything that `fit` chooses is chosen anew without them.

    Parameters
    ----------
    house : HouseModel
        Its settings are used, not what it has learnt.
    refs : ReferenceSet
    n_folds : int, default 10
        At least 2; the batches of each beer are spread over the folds.
    seed : int, default 0
        With the names of the batches it fixes the folds.
    n_jobs : int, optional
        Processes, as joblib counts them; one by default.
    plan : Plan or path, optional
        What it forecast for a set of this size is put beside what is found (`.forecast`).

    Returns
    -------
    Evaluation

    Notes
    -----
    Of a batch with several samples the first one counts. A batch whose beer has no other batch in the fitted part is
    left out of the identity figures: its beer was unknown to the model.

    Examples
    --------
    >>> len(sm.evaluate(sm.HouseModel(), refs, n_folds=2).colour)
    18
    """
    must_be("model", house)
    must_be("set", refs)
    folds = _folds(refs, n_folds, seed)
    names = list(folds.index)
    beers = refs.batches.loc[names, "beer"]
    levels = tuple(sorted({*COVERAGE_LEVELS, house.coverage}))
    held_out = _hold_out_each(house, refs, folds, levels, n_jobs)
    readings = held_out.readings.loc[names]
    p_values = held_out.p_values.loc[names].reindex(columns=sorted(beers.unique()))
    lab = refs.batches.loc[names, "colour"].astype(float)
    low, high = (readings[house.coverage, end] for end in ("low", "high"))
    colour = pd.DataFrame({"lab": lab, "colour": readings["colour"], "colour_low": low, "colour_high": high})
    identity = readings[["nearest_beer", "p_value", "plausible_beers"]].copy()
    identity.insert(0, "beer", beers)
    identity.insert(3, "p_value_own", np.array([p_values.at[name, beer] for name, beer in beers.items()], np.float64))
    coverage = _coverage(readings, levels, lab, beers)
    figures = _figures(colour, identity, coverage, house)
    for component, found in components_of_variance(held_out.log_colours, refs.scans, beers).iterrows():
        for name in ("sd", "sd_low", "sd_high"):
            figures[f"{component}_{name}"] = float(found[name])
    figures["n_folds"], figures["seed"] = int(folds.max() + 1), seed
    rate = house.false_reject_rate
    unknown = refused_unknown(refs, rate, n_jobs=n_jobs)
    figures["unknown_refused"] = unknown["count"].sum() / max(unknown["n"].sum(), 1) if len(unknown) else float("nan")
    same = house._fitted is not None and house._fitted.set_hash == refs.hash
    # what is asked of it needs neither domain nor reasons
    whole = house.fitted if same else fit_set(refs, false_reject_rate=rate, figures_only=True)
    figures["unknown_refused_over_colours"] = refused_over_colours(whole.identity, rate, seed)
    if refs.value_name != VALUE_NAME:
        figures["value_name"] = refs.value_name
    n_pours = float(readings["n_pours"].median())
    pairs = held_pairs(p_values, beers, rate)
    mix_ups = mix_up_table(pairs, held_out.blends, unknown, whole, int(n_pours), rate)
    forecast = None
    if plan is not None:
        # imported here: few plan, and planning loads much
        from specmatch.house.planning.plan import Plan, forecast_beside

        made = plan if isinstance(plan, Plan) else Plan.load(plan)
        # each fold learns from the others only
        n_learnt = float(beers.value_counts().median()) * (1.0 - 1.0 / (folds.max() + 1))
        forecast = forecast_beside(figures, mix_ups, made, n_learnt, n_pours)
    budget = None if whole.colour is None or not whole.colour.is_relative else budget_table(whole)
    colour, identity = (table.rename_axis("batch") for table in (colour, identity))
    return Evaluation(figures, colour, identity, mix_ups, coverage, folds, budget, forecast)


def _folds(refs: ReferenceSet, n_folds: int, seed: int) -> pd.Series:
    """Return the fold of each batch that is not older than the recipe of its beer."""
    older = before_recipe(refs.scans, refs.batches, refs.beers)
    names = [str(name) for name in refs.scans["batch"].unique() if name not in older]
    own = scans_of_module(refs.scans)
    shared = set(own["batch"]) & set(refs.scans["batch"][~refs.scans.index.isin(own.index)])
    # batches that teach a second module are spread as those of a beer are, or a fold would leave too few of them
    strata = ["\0" if name in shared else refs.batches.at[name, "beer"] for name in names]
    return pd.Series(batch_folds(names, n_folds, seed=seed, strata=strata), index=names, name="fold")


@one_thread()  # here as well, wherever the fold is fitted
def _hold_out_each(
    house: HouseModel, refs: ReferenceSet, folds: pd.Series, levels: tuple[float, ...], n_jobs: int | None
) -> _HeldOut:
    n, said = int(folds.max()) + 1, "fits, each without a part of the batches"
    step(f"evaluating by {n} {said}")
    rate = house.false_reject_rate
    arguments = ((rate, refs, list(folds.index[folds == fold]), levels) for fold in range(n))
    parts = counted_off(each_of(_hold_out, arguments, n_jobs), said, n)
    return _HeldOut(*map(pd.concat, zip(*parts, strict=True)))


def _hold_out(false_reject_rate: float, refs: ReferenceSet, batches: list[str], levels: tuple[float, ...]) -> _HeldOut:
    fitted = fit_set(refs, without=batches, false_reject_rate=false_reject_rate, figures_only=True)
    scans = refs.scans[refs.scans["batch"].isin(batches)]
    own = scans.index.isin(scans_of_module(refs.scans).index)
    # a batch of two modules counts as the set's own has measured it
    first = pd.concat([scans[own], scans[~own]]).groupby("batch")["sample"].first()
    scans = scans[scans["sample"].isin(first)]
    batch_of = scans.groupby("sample", sort=False)["batch"].first()
    beer_of = refs.batches.loc[batch_of, "beer"].set_axis(batch_of.index)
    lab = labs_told_apart(fitted, refs.batches, batch_of)
    spectra = refs.spectra.loc[scans.index]
    parts = parts_by_module(fitted, spectra, scans)
    names, rate = pd.Index(batch_of, name="batch"), false_reject_rate
    readings = joined(parts, lambda part: figures_table(part, levels, rate, lab)).set_axis(names)
    p_values = joined(parts, lambda part: part.p_values).set_axis(names)
    blends = [held_blends(one.fitted, one.samples, list(beer_of.loc[one.samples.index]), rate) for one in parts]
    return _HeldOut(readings, p_values, pd.concat(blends), _log_colours(fitted, refs, batches))


def labs_told_apart(fitted: FittedHouse, batches: pd.DataFrame, batch_of: pd.Series) -> dict[str, str] | None:
    """Return who measured the batch of each sample, as far as the model tells labs apart."""
    known = None if fitted.colour is None else fitted.colour.labs
    if known is None or not known.labs or "lab" not in batches:
        return None
    labs = batches.loc[batch_of, "lab"]
    return {str(sample): lab for sample, lab in zip(batch_of.index, labs, strict=True) if lab in known.labs}


def _log_colours(fitted: FittedHouse, refs: ReferenceSet, batches: list[str]) -> pd.Series:
    # what modules differ by is no scatter of pours
    scans = scans_of_module(refs.scans)
    ids = scans.index[scans["batch"].isin(batches)]
    if fitted.colour is None or not fitted.colour.is_relative or ids.empty:
        return pd.Series(np.nan, index=ids)
    return pd.Series(np.log(fitted.colour.predict(scans_alone(fitted, refs.spectra.loc[ids], scans))), index=ids)


def _coverage(readings: pd.DataFrame, levels: Sequence[float], lab: pd.Series, beers: pd.Series) -> pd.DataFrame:
    order = lab.dropna().rank(method="first")
    third = np.minimum((3 * (order - 1) // max(len(order), 1)).astype(int), 2)
    rows = []
    for nominal in levels:
        low, high = readings[nominal, "low"], readings[nominal, "high"]
        known = lab[lab.notna() & low.notna()]
        if known.empty:
            continue
        inside = ((low <= lab) & (lab <= high))[known.index].to_numpy()
        groups = {
            ALL: np.full(len(known), "all", dtype=object),
            COLOUR: np.array(THIRDS, dtype=object)[third[known.index].to_numpy()],
            BEER: beers[known.index].to_numpy(dtype=object),
        }
        for by, group in groups.items():
            for name in THIRDS if by == COLOUR else sorted(set(group)):
                chosen = group == name
                ends = (known[chosen].min(), known[chosen].max())
                rows.append((nominal, by, name, *_share(int(inside[chosen].sum()), int(chosen.sum())), *ends))
    columns = ["nominal", "by", "group", "covered", "low", "high", "n", "palest", "darkest"]
    return pd.DataFrame(rows, columns=columns)


def _share(count: int, n: int) -> tuple[float, float, float, int]:
    low, high = binomial_bounds(count, n)
    return (count / n if n else float("nan")), float(low), float(high), n


def _figures(colour: pd.DataFrame, identity: pd.DataFrame, coverage: pd.DataFrame, house: HouseModel) -> pd.Series:
    known = colour.dropna(subset=["lab", "colour"])
    merit = figures_of_merit(known["lab"], known["colour"])
    n = len(known)
    told = identity[identity["p_value_own"].notna()]
    right = int((told["nearest_beer"] == told["beer"]).sum())
    false_hold = int((told["p_value_own"] <= house.false_reject_rate).sum())
    several = int((told["plausible_beers"].map(len) > 1).sum())
    at_level = coverage[(coverage["nominal"] == house.coverage) & (coverage["by"] == ALL)]
    one_covers = coverage_spread(max(n, 1), house.coverage)
    half_width = ((known["colour_high"] - known["colour_low"]) / 2).to_numpy()
    # of values of 0 or below nothing is a part
    half_width = half_width / (known["colour"].to_numpy() if known["lab"].gt(0).all() else np.nan)
    figures: dict[str, object] = {
        "n_batches": len(identity),
        "n_beers": identity["beer"].nunique(),
        **{name: value for name, value in merit.items() if name != "n"},
        "median_relative_half_width": float(np.median(half_width)) if n else float("nan"),
        "nominal_coverage": house.coverage,
        "covered": float(at_level["covered"].iloc[0]) if len(at_level) else float("nan"),
        "one_model_covers_low": one_covers[0],
        "one_model_covers_high": one_covers[1],
        "nearest_right": right / max(len(told), 1),
        "nearest_right_low": float(binomial_bounds(right, len(told))[0]),
        "stated_false_reject_rate": house.false_reject_rate,
        "false_hold": false_hold / max(len(told), 1),
        "false_hold_high": float(binomial_bounds(false_hold, len(told))[1]),
        "several_plausible": several / max(len(told), 1),
        "n_identity": len(told),
        "n_colour": n,
    }
    return pd.Series(figures, dtype=object, name="figures")


FEWEST_BATCHES = 3


def figures_of_merit(lab: pd.Series, colour: pd.Series) -> pd.Series:
    """Return the figures of a validation, one batch a row."""
    # ISO 12099 (from memory). None is reproducibility: that needs batches under several conditions, see `gauge`
    # lab, colour: lab colours and readings of the same batches, matched by index; batches that lack either are left out
    pairs = pd.DataFrame({"lab": lab, "colour": colour}).astype(float).dropna()
    names = (
        "bias", "bias_limit", "sep", "rmsep", "slope", "intercept", "slope_t", "slope_limit", "rpd", "iqr_over_sep",
        "r_squared",
    )  # fmt: skip
    figures: dict[str, float] = {"n": len(pairs)}
    if len(pairs) < FEWEST_BATCHES or np.ptp(pairs["colour"]) == 0.0:
        figures |= dict.fromkeys((*names, "relative_error"), float("nan"))
    else:
        found = agreement(pairs["lab"].to_numpy(), pairs["colour"].to_numpy())
        figures |= {name: float(getattr(found, name)) for name in names}
        lab = pairs["lab"] if pairs["lab"].gt(0).all() else np.nan  # of values of 0 or below nothing is a part
        figures["relative_error"] = float(np.sqrt(np.mean((pairs["colour"] / lab - 1.0) ** 2)))
    return pd.Series(figures, dtype=object, name="figures")


def components_of_variance(values: pd.Series, scans: pd.DataFrame, beer: pd.Series | None = None) -> pd.DataFrame:
    """Say how much of the spread of readings lies between batches, between pours and between scans of a pour."""
    # `sd` is free of the bias that a root of few degrees of freedom has; `sd_low`, `sd_high`: its 95 % bounds
    missing = values.index.difference(scans.index)
    if len(missing):
        raise TableError(f"{len(missing)} values have no row in the scans table, first {missing[0]!r}")
    names = pd.Index(["between_batch", "between_pour", "between_scan"], name="component")
    kept = values.astype(float).dropna()
    if kept.empty:
        return pd.DataFrame(np.nan, names, ["variance", "sd", "sd_low", "sd_high", "df"])
    table = scans.loc[kept.index]
    batch = pd.factorize(table["batch"])[0]
    pour = pd.factorize(pd.MultiIndex.from_frame(table[["batch", "pour"]]))[0]
    kind = None if beer is None else pd.factorize(table["batch"].map(beer))[0]
    found = nested_components(kept.to_numpy(), [batch, pour], kind)
    low, high = found.sd_bounds()
    columns = {"variance": found.variance, "sd": found.sd, "sd_low": low, "sd_high": high, "df": found.df}
    return pd.DataFrame(columns, index=names)


_WHY = "to see what it costs"
COST_COLUMNS = (
    "code", "findings", "colour_error_before", "colour_error_after", "false_hold_before", "false_hold_after",
    "mix_ups_held_before", "mix_ups_held_after", "n_batches",
)  # fmt: skip


def finding_costs(
    refs: ReferenceSet, house: HouseModel | None = None, *, n_folds: int = 5, seed: int = 0, n_jobs: int | None = None
) -> pd.DataFrame:
    """Say what the findings of a set's audit cost, a row a code whose advice is an edit.

    Parameters
    ----------
    refs : ReferenceSet
    house : HouseModel, optional
        Its settings are used; the defaults where it is not given.
    n_folds, seed, n_jobs
        As in `evaluate`; 5 folds, the same before and after.

    Returns
    -------
    DataFrame
        `code`, `findings` (how many), and before and after following the advice, of the `n_batches` whose label and lab
        colour nobody doubts: `colour_error` (relative, root mean square), `false_hold` (share held) and `mix_ups_held`
        (share of the other beers that they would not pass for). NaN where the set cannot tell.

    Raises
    ------
    ReferenceSetError
        If following the advice would leave no set that could be judged.

    Examples
    --------
    >>> finding_costs(refs.relabel("MP-0-001", "Amber Lane", reason="a slip"), n_folds=2)["code"].tolist()
    ['mislabelled']
    """
    must_be("set", refs)
    house = HouseModel() if house is None else house
    groups, doubted = _edits(refs)
    if not groups:
        return pd.DataFrame(columns=list(COST_COLUMNS))
    before = evaluate(house, refs, n_folds=n_folds, seed=seed, n_jobs=n_jobs)
    rows = []
    for code, remedies in groups.items():
        after_refs = reduce(_followed, remedies, refs)
        try:
            after = evaluate(house, after_refs, n_folds=n_folds, seed=seed, n_jobs=n_jobs)
        except SpecmatchError as error:
            raise ReferenceSetError(f"following the advice of {code!r} leaves no set to judge: {error}") from error
        judged = [name for name in before.identity.index if name in after.identity.index and name not in doubted]
        pair = [_figures_of_judged(result, judged, house.false_reject_rate) for result in (before, after)]
        cost: dict[str, Any] = {"code": code, "findings": len(remedies), "n_batches": len(judged)}
        for name in pair[0]:
            cost |= {f"{name}_before": pair[0][name], f"{name}_after": pair[1][name]}
        rows.append(cost)
    return pd.DataFrame(rows, columns=list(COST_COLUMNS))


def follow_advice(refs: ReferenceSet, code: str) -> ReferenceSet:
    """Return the set after all edits that its audit advises for a code."""
    return reduce(_followed, _edits(refs)[0].get(code, []), refs)


def _edits(refs: ReferenceSet) -> tuple[dict[str, list[Remedy]], set[str]]:
    """Return the edits that an audit advises, by code, and the batches that it doubts."""
    groups: dict[str, list[Remedy]] = {}
    doubted: set[str] = set()
    for row in refs.audit().to_dict("records"):
        told = (row["code"], row["level"], row["subject"], row["suggestion"])
        remedy = remedy_of(*told, refs.scans, refs.batches)
        if remedy.kind not in ("extend", "lab", "settle"):
            groups.setdefault(row["code"], []).append(remedy)
            doubted |= _batches_of(row["level"], row["subject"], refs.scans)
    return groups, doubted


def _batches_of(level: str, subject: str, scans: pd.DataFrame) -> set[str]:
    """Return the batches whose own label, lab colour or pours a finding doubts; a whole beer is not doubted."""
    if level not in ("scan", "pour", "sample", "batch", "session"):
        return set()
    of_scan = scans.index if level == "scan" else scans[level]
    return set(scans.loc[np.asarray(of_scan == subject), "batch"])


def _followed(refs: ReferenceSet, remedy: Remedy) -> ReferenceSet:
    if remedy.kind == "drop":
        level, name = remedy.names
        return refs.drop(name, level=level, reason=_WHY)
    edit = getattr(refs, METHODS.get(remedy.kind, remedy.kind))
    followed: ReferenceSet = edit(*(np.nan if name is None else name for name in remedy.names), reason=_WHY)
    return followed


def _figures_of_judged(result: Evaluation, judged: list[str], rate: float) -> dict[str, float]:
    colour = result.colour.loc[judged].dropna(subset=["lab", "colour"])
    above = bool(colour["lab"].gt(0).all())  # of values of 0 or below nothing is a part
    off = np.log((colour["colour"].astype(float) / colour["lab"].astype(float)).to_numpy()) if above else np.zeros(0)
    own = result.identity.loc[judged, "p_value_own"].dropna()
    # of each batch that nobody doubts, the other beers that it would not pass for: those most like it tell
    told = result.identity.loc[judged]
    others = [sum(beer != own for beer in one) for one, own in zip(told["plausible_beers"], told["beer"], strict=True)]
    n_others = result.identity["beer"].nunique() - 1
    return {
        "colour_error": float(np.sqrt(np.mean(off**2))) if len(off) else np.nan,
        "false_hold": float((own <= rate).mean()) if len(own) else np.nan,
        "mix_ups_held": 1.0 - float(np.mean(others)) / n_others if others and n_others else np.nan,
    }
