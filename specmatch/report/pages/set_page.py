"""The page of a reference set: what a model of it can do, what looks wrong in it, and its figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.batches import VALUE_NAME, in_digits, must_be, values_of
from specmatch.errors import TooFewBatchesError
from specmatch.house.assessment.choose import learning_curve
from specmatch.house.assessment.mix_ups import PAIR, UNKNOWN
from specmatch.maths.classification.blends import BLEND_SHARES
from specmatch.measurement.session import DRIFTED, WEAK
from specmatch.report import plots
from specmatch.report.pages.glance import (
    ALWAYS_TRUE,
    HELD_AND_A_WEEK,
    IT_CANNOT,
    blends_by_part,
    evaluated_abilities,
    glance,
    map_says,
    most_alike,
    set_beers,
    span,
    thin_beers,
    told_apart,
    verdict,
)
from specmatch.report.pages.html import (
    MOST_DRAWN,
    Section,
    figure_of,
    limits,
    table,
    text,
    versions,
    whole_page,
)
from specmatch.report.pages.study_pages import budget_part
from specmatch.report.plots.spectra import band_noise
from specmatch.wording import counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from specmatch.house.assessment.evaluation import Evaluation
    from specmatch.house.house_model import HouseModel
    from specmatch.reference.reference_set import ReferenceSet

_NOT_KEPT = (
    "<p>A set keeps no reference scans. Where their folders are still there, "
    "<code>specmatch report SET --measured FOLDER</code> draws how their light changed.</p>"
)


def _light(refs: ReferenceSet, history: pd.DataFrame | None, findings: pd.DataFrame) -> str:
    noise = band_noise(refs)
    used = noise[noise["used"]]
    said = (
        f"{len(used)} of {len(noise)} channels are used, {used.index[0]:.0f} to {used.index[-1]:.0f} nm; noise "
        f"there is {used['noise'].median():.1e} in the middle, {used['noise'].max():.1e} at most."
    )
    body = figure_of("band", plots.plot_usable_band, refs, says=said)
    if history is None or history.empty:
        return body + _NOT_KEPT
    shown = ["folder", "measured_at", "instrument", "session", "level", "code"]
    numbers = history[shown].rename_axis("scan").rename(columns={"code": "found"}).round({"level": 4})
    plot, said = plots.plot_reference_history, _history_said(history)
    return body + figure_of("references", plot, history, says=said, numbers=numbers, findings=findings)


def _history_said(history: pd.DataFrame) -> str:
    parts = []
    for name, rows in history.groupby("instrument", sort=False):
        whose, level = f" of {name}" if name else "", rows["level"].dropna()
        if len(rows) == 1:
            parts.append(f"one reference scan{whose}, nothing to hold it against")
        elif len(level):
            last = f"the last of {len(rows)} reference scans{whose}"
            parts.append(f"{last} carries {level.iloc[-1]:.1%} of the light of the first")
    found = history["code"].value_counts()
    parts.append(f"off those before them: {found.get(DRIFTED, 0)}; with too little light: {found.get(WEAK, 0)}")
    said = "; ".join(parts)
    return f"{said[0].upper()}{said[1:]}."


_MOST_ROWS, _MOST_FINDINGS = 12, 40
_FINDING_SHOWN = ["level", "subject", "sentence", "action", "suggestion"]


def set_page(
    refs: ReferenceSet,
    *,
    house: HouseModel | None = None,
    evaluation: Evaluation | None = None,
    findings: pd.DataFrame | None = None,
    history: pd.DataFrame | None = None,
    why_not: str = "",
) -> str:
    """Return the page of a reference set.

    Parameters
    ----------
    refs : ReferenceSet
    house : HouseModel, optional
        Fitted on it.
    evaluation : Evaluation, optional
        Of it, with batches held out.
    findings : DataFrame, optional
        Of `refs.audit()`, which is asked where they are not given.
    history : DataFrame, optional
        Of reference scans, which a set does not keep, as `specmatch.measurement.session.reference_history` returns it.
    why_not : str
        Why there is no model, where there is none.

    Returns
    -------
    str, one HTML file that needs nothing outside itself

    Examples
    --------
    >>> "Night Porter" in set_page(refs, house=house, evaluation=evaluation)
    True
    """
    must_be("set", refs)
    batches, findings = refs.batches, refs.audit() if findings is None else findings
    per_beer = batches["beer"].value_counts()
    scans, in_batches = counted(len(refs.spectra), "scan"), counted(len(batches), "batch")
    if evaluation is not None:
        can, cannot = evaluated_abilities(evaluation, refs.colour_unit)
    else:
        can = [f"Keep {scans} of {in_batches} for the day when there are enough."]
        cannot = [f"Answer yet: {why_not or 'it was not evaluated'}.", *ALWAYS_TRUE]
    if house is not None:
        thin = [beer for beer, few in zip(house.beers_, house.fitted.identity.too_few_batches, strict=True) if few]
        cannot = [*thin_beers(thin), *cannot]
    if len(findings):
        said = f"Be better than its labels: the audit has {counted(len(findings), 'finding')}, read them first."
        cannot = [said, *cannot]
    what = refs.value_name
    values = "colours" if what == VALUE_NAME else what
    lead = f"A reference set of {scans}, {in_batches}, {counted(len(per_beer), 'beer')}; {values} in "
    lead += f"{refs.colour_unit}; contents {refs.hash[:12]}."
    rows = set_beers(refs, house, evaluation)
    sections = [
        Section("glance", "The beers at a glance", glance(rows, unit=refs.colour_unit, what=what)),
        limits(can, cannot),
        Section("findings", "What looks wrong in the set", _findings(findings)),
    ]
    if evaluation is not None:
        sections.append(Section("colour", f"How good is the {what}?", _colour(evaluation, refs)))
        if evaluation.budget is not None:
            title = f"Where the uncertainty of a {what} comes from"
            sections.append(Section("budget", title, budget_part(evaluation.budget)))
        sections.append(Section("identity", "Which beer is it?", _identity(evaluation, house, rows)))
    sections.append(Section("beers", "The beers", _over_time(refs) + _beers(refs)))
    sections.append(Section("light", "The light", _light(refs, history, findings)))
    if evaluation is not None and len(per_beer) <= MOST_DRAWN:
        sections.append(Section("growth", "What would more batches buy?", _growth(refs)))
    hashes = {"reference set (SHA-256 of its contents)": refs.hash, "made from": refs.parent or "nothing earlier"}
    if evaluation is not None:
        hashes["held out in"] = f"{evaluation.figures['n_folds']} parts, seed {evaluation.figures['seed']}"
    changes = pd.DataFrame(list(refs.history), columns=["what", "why", "who", "when"])
    told = table(changes, "Changes that led here, oldest first") if refs.history else ""
    sections.append(versions(hashes, told=told))
    first = verdict(_verdict(rows, evaluation, findings, why_not), _facts(rows, evaluation, findings))
    return whole_page(f"Reference set {refs.name}", lead, first, sections)


def _verdict(rows: pd.DataFrame, evaluation: Evaluation | None, findings: pd.DataFrame, why_not: str) -> str:
    if evaluation is None:
        said = f"No model of this set can be judged yet: {why_not or 'it was not evaluated'}"
    else:
        error = evaluation.figures["relative_error"]
        what = evaluation.figures.get("value_name", VALUE_NAME)
        colour = f"reads {what} within {error:.1%} of the lab" if np.isfinite(error) else f"reads no {what} yet"
        said = f"A model of this set {colour} (root mean square, batches held out) and {told_apart(rows)}"
    found = len(findings)
    return f"{said}; look first at {counted(found, 'finding')} of the audit." if found else f"{said}."


def _facts(rows: pd.DataFrame, evaluation: Evaluation | None, findings: pd.DataFrame) -> dict[str, str]:
    sure, to_do = "", "nothing looks wrong: fit a model of it, and verify claims with that"
    if evaluation is not None and evaluation.figures["n_colour"]:
        level, covered = (evaluation.figures[name] for name in ("nominal_coverage", "covered"))
        sure = f"{covered:.0%} of {evaluation.figures['n_colour']} lab colours lay in their {level:.0%} interval"
    elif evaluation is None:
        to_do = "measure more batches of each beer, and extend the set with them"
    if len(findings):
        to_do = f"{findings['subject'].iloc[0]}: {findings['action'].iloc[0]}"
    return {
        "measured": span(day for days in rows["days"] for day in days),
        "how sure": sure or "nothing is known of that yet",
        "most alike": most_alike(rows),
        "do next": to_do,
        "it cannot": IT_CANNOT,
    }


def _findings(findings: pd.DataFrame) -> str:
    if findings.empty:
        return "<p>The audit found nothing. That is no proof that every label is right.</p>"
    shown = findings.set_index(findings["code"].str.replace("_", " ").rename("finding"))
    caption = f"{counted(len(findings), 'finding')} of the audit, worst first"
    if len(findings) > _MOST_FINDINGS:
        caption += f"; {_MOST_FINDINGS} are shown, specmatch audit lists them all"
    return table(shown[_FINDING_SHOWN].head(_MOST_FINDINGS), caption)


def _colour(evaluation: Evaluation, refs: ReferenceSet) -> str:
    what, known = refs.value_name, evaluation.colour.dropna(subset=["lab", "colour"])
    if known.empty:
        return f"<p>Too few batches have a lab {what}.</p>"
    inside = int(((known["colour_low"] <= known["lab"]) & (known["lab"] <= known["colour_high"])).sum())
    level, unit = evaluation.figures["nominal_coverage"], refs.colour_unit
    above = bool(known["lab"].gt(0).all())
    worst = (known["colour"] / known["lab"] - 1.0).abs() if above else (known["colour"] - known["lab"]).abs()
    largest = f"{worst.max():.1%}" if above else f"{worst.max():.2g} {unit}"
    covered = evaluation.coverage[evaluation.coverage["by"] == "all"]
    shares = "; ".join(f"{row.covered:.0%} where {row.nominal:.0%} is promised" for row in covered.itertuples())
    values, together = values_of(what), evaluation.coverage[evaluation.coverage["by"] != "beer"]
    words = {"Value": what.capitalize(), "value": what, "values": values}
    held_out = figure_of(
        "heldout", plots.plot_held_out_colour, evaluation, refs=refs, colour_unit=unit, numbers=known.round(2),
        words=words, says=f"{inside} of {len(known)} lab {values} lie in their {level:.0%} interval.",
    )  # fmt: skip
    errors = figure_of(
        "errors", plots.plot_colour_error, evaluation, refs,
        says=f"The largest error is {largest}, of batch {worst.idxmax()}.",
    )  # fmt: skip
    said = f"Lab {values} covered: {shares}."
    intervals = figure_of("coverage", plots.plot_coverage, evaluation, says=said, numbers=together, words=words)
    return held_out + errors + intervals + _coverage_by_beer(evaluation.coverage, level, values)


def _coverage_by_beer(coverage: pd.DataFrame, level: float, values: str) -> str:
    rows = coverage[(coverage["by"] == "beer") & (coverage["nominal"] == level)].sort_values("palest")
    shown = rows[["group", "covered", "low", "high", "n"]].rename(columns={"group": "beer"}).set_index("beer")
    shown[["covered", "low", "high"]] = shown[["covered", "low", "high"]].map("{:.0%}".format)
    caption = f"Lab {values} covered by beer, palest first, where {level:.0%} is promised; low and high are 95% bounds"
    return table(shown, caption)


def _identity(evaluation: Evaluation, house: HouseModel | None, rows: pd.DataFrame) -> str:
    n_beers, mixed = len(rows), evaluation.mix_ups
    pairs = mixed[mixed["kind"] == PAIR]
    body = f"<p>{n_beers} beers are too many to draw.</p>" if n_beers > MOST_DRAWN else ""
    if n_beers <= MOST_DRAWN:
        if house is not None:
            body += figure_of("map", plots.plot_identity_map, house, says=map_says(rows))
        said = f"{int((pairs['held'] < 1.0).sum())} of {len(pairs)} pairs slip through at least once."
        size = (3.8 + 0.42 * n_beers, 2.8 + 0.42 * n_beers)
        if len(pairs):
            body += figure_of("mixups", plots.plot_mix_ups, evaluation, says=said, size_in=size)
    weak = pairs[pairs["held"] < 1.0].head(_MOST_ROWS)
    columns = ["claimed", "really", "held, %", "at least, %", "at most, %", "n"]
    if len(weak):
        caption = "Pairs least often held: share of n batches, 95% bounds, what would help"
        body += table(_in_percent(weak)[[*columns, "advice"]], caption)
    elif len(pairs):
        least = pairs["held_low"].min()
        said = f"Every claim of another beer was held; with so few batches a pair the 95% bound still is {least:.0%}."
        body += f"<p>{said}</p>"
    left_out = mixed[mixed["kind"] == UNKNOWN].head(_MOST_ROWS)
    if len(left_out):
        caption = "Each beer left out of the set in turn: how often the others refuse it, with 95% bounds"
        body += table(_in_percent(left_out)[columns[1:]], caption)
    for part, rows in blends_by_part(mixed).items():
        if part == max(BLEND_SHARES):
            caption = f"Computed blends with {part:.0%} of the beer most like it, least often held first"
            body += table(_in_percent(rows)[columns].head(_MOST_ROWS), caption)
    return f"{body}<p>{HELD_AND_A_WEEK}</p>"


def _in_percent(mix_ups: pd.DataFrame) -> pd.DataFrame:
    named = {"held": "held, %", "held_low": "at least, %", "held_high": "at most, %"}
    return mix_ups.assign(**{shown: (100.0 * mix_ups[name]).round(0) for name, shown in named.items()})


def _over_time(refs: ReferenceSet) -> str:
    known = refs.batches[refs.batches["colour"].notna()]
    if known.empty:
        return ""
    spread = known.groupby("beer")["colour"].agg(lambda x: x.max() - x.min()) / known.groupby("beer")["colour"].mean()
    widest = f"; {spread.idxmax()} varies most, by {spread.max():.0%} of its mean" if spread.max() > 0.0 else ""
    ends = [in_digits(end, refs.colour_unit) for end in (known["colour"].min(), known["colour"].max())]
    said = f"{counted(len(known), 'batch')} from {' to '.join(ends)} {refs.colour_unit}{widest}."
    return figure_of("overtime", plots.plot_colour_over_time, refs, says=said)


def _beers(refs: ReferenceSet) -> str:
    batches = refs.batches
    scans = refs.scans["batch"].map(batches["beer"]).value_counts()
    by_beer = batches.groupby("beer")["colour"]
    lowest, highest = f"lowest, {refs.colour_unit}", f"highest, {refs.colour_unit}"
    rows = pd.DataFrame(
        {"batches": batches["beer"].value_counts(), "scans": scans,
         f"lab {values_of(refs.value_name)}": by_beer.count(), lowest: by_beer.min(), highest: by_beer.max()}
    ).sort_values(lowest).rename_axis("beer")  # fmt: skip
    body = table(rows, "Beers of the set, from pale to dark")
    shown = list(rows.index[:MOST_DRAWN])
    of = f" (the palest {MOST_DRAWN} of {len(rows)})" if len(rows) > MOST_DRAWN else ""
    level = refs.spectra[band_noise(refs).query("used").index].mean(axis=1)
    by_level = level.groupby(refs.scans["batch"].map(batches["beer"]).to_numpy()).mean().sort_values()
    said = (
        f"{by_level.index[-1]} sends back most light, {by_level.iloc[-1]:.0%} of the reference over the used "
        f"channels, {by_level.index[0]} least, {by_level.iloc[0]:.0%}."
    )
    return body + figure_of("spectra", plots.plot_spectra, refs, says=said, words={"shown": of}, beers=shown)


def _growth(refs: ReferenceSet) -> str:
    try:
        curve = learning_curve(refs)
    except TooFewBatchesError as error:
        return f"<p>{text(error)}</p>"
    columns = ["beer", "n_batches", "colour_error", "false_reject", "mix_ups_caught", "most_like"]
    if curve["colour_error"].isna().all():
        told = curve[columns].dropna(axis=1, how="all").set_index("beer")
        return f"<p>{_growth_said(curve)}</p>" + (table(told.round(3), "Estimates") if len(told.columns) > 1 else "")

    def plot(curve: pd.DataFrame, *, ax: Axes) -> Axes:
        plots.plot_learning_curve(curve, ax=ax).set_ylabel(f"{refs.value_name} error, %")
        return ax

    value = {"value": refs.value_name}
    return figure_of("growth", plot, curve, says=_growth_said(curve), numbers=curve[columns], words=value)


def _growth_said(curve: pd.DataFrame) -> str:
    last, errors = curve["more"].max(), curve.pivot(index="beer", columns="more", values="colour_error")
    gained = (errors[0] - errors[last]).dropna()
    if gained.empty:
        return "Of no beer can the error be told yet."
    best = gained.idxmax()
    return (
        f"With {last} more batches the colour error of {best} falls most, from {errors.at[best, 0]:.1%} to "
        f"{errors.at[best, last]:.1%}; the numbers of all beers stand in the table."
    )
