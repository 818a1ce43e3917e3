"""How well people, modules, days and labs agree: a gauge study of the method, and ring tests of labs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, is_number
from specmatch.batches import check_scans, must_be
from specmatch.errors import OptionError, TableError, TooFewBatchesError
from specmatch.house.house_model import HouseModel
from specmatch.maths.statistics.robust import algorithm_a
from specmatch.maths.statistics.variance_components import (
    LIMIT_FACTOR,
    CrossedLayout,
    crossed_layout,
    mean_square_bounds,
)
from specmatch.warning_codes import RESCAN, worst_effect

if TYPE_CHECKING:
    from specmatch.measurement.session import Session


CONDITIONS = ("operator", "instrument", "session")
PRECISION = ["repeatability", "conditions", "reproducibility"]
CROSSED, NESTED, PARTLY = "crossed", "nested", "partly crossed"
MANY_POURS = 3


@dataclass(frozen=True)
class Gauge:
    """What `gauge` found; standard deviations are of log colour, so 0.01 is 1 % of the colour."""

    layout: str  # crossed, partly crossed or nested
    factors: tuple[str, ...]  # columns that differ within the study and are told apart
    # a row an effect, repeats last: `sd`, 95 % bounds `sd_low` and `sd_high`, `share` of all variance, `df`
    components: pd.DataFrame
    # a row of `repeatability`, `conditions`, `reproducibility`: `sd`, `sd_low`, `sd_high`, `df` (Satterthwaite)
    precision: pd.DataFrame
    beers: pd.DataFrame  # a row a beer: `colour`, `r` and `R` in its unit, `tolerance_share` where one is given
    figures: pd.Series
    readings: pd.DataFrame  # a row a pour: what was read, in the order measured
    sentences: tuple[str, ...]  # what this layout can tell, and what it cannot
    left_out: pd.DataFrame  # `pour`, `reason`


def gauge(house: HouseModel, session: Session, *, tolerance: float | None = None) -> Gauge:
    """Study how far readings of the same batches differ between pours, operators, modules and days.

    Parameters
    ----------
    house : HouseModel
    session : Session
        Two batches or more, each poured twice or more, by every operator, under every module (`instrument`) or on
        every day (`session`) that is to be told apart. Every pour is read alone.
    tolerance : float, optional
        Whole width of the colour tolerance in the unit of the set, above 0.

    Returns
    -------
    Gauge
        `components` (standard deviations of log colour: 0.01 is 1 %), `precision` with 95 % bounds, `beers` (limits r
        and R in the unit of the set, share of the tolerance), `figures`, `readings`, `sentences`, `left_out`.

    Raises
    ------
    OptionError, TableError
        If the tolerance is not above 0; if the model reads no colour, or no batch was poured twice.

    Notes
    -----
    Random effects, crossed, with all interactions; bounds by the modified large sample method (Ting and others, J.
    Statist. Comput. Simul. 35:135-143, 1990), degrees of freedom by Satterthwaite (1946). r = 2.8 s_r and R = 2.8 s_R
    as in ISO 5725-2; number of distinct categories 1.41 x sd of batches / sd of the gauge, and six standard deviations
    as the share of a tolerance, are common practice. Formulas from memory.

    Examples
    --------
    >>> sm.gauge(house, session, tolerance=2.0).sentences[0]
    'nothing differs but pours: this is repeatability only, and says nothing about operators, modules or days'
    """
    if tolerance is not None and not (is_number(tolerance) and 0 < tolerance < np.inf):
        raise OptionError(f"tolerance is {tolerance!r}; expected the whole width of a tolerance above 0, such as 2.0")
    must_be("model", house)
    must_be("session", session)
    if house.fitted.colour is None:
        raise TableError("the model reads no colour: its set holds too few lab values for a gauge study")
    house.fitted.colour.check_relative("a gauge study")
    readings, left_out = _read_pours(house, session)
    table = _Study.of(readings)
    told_by = _nested if table.layout == NESTED else _crossed
    components, precision, sentences = told_by(table)
    figures = _figures(components, precision, table, tolerance)
    return Gauge(
        layout=table.layout,
        factors=table.factors,
        components=components,
        precision=precision,
        beers=_beers(table.rows, precision, tolerance),
        figures=figures,
        readings=readings,
        sentences=(*table.notes, *sentences, *_conclusions(figures, house.fitted.colour_unit)),
        left_out=left_out,
    )


def _read_pours(house: HouseModel, session: Session) -> tuple[pd.DataFrame, pd.DataFrame]:
    scans = check_scans(session.scans, session.spectra.index)
    alone = scans.assign(sample=scans["pour"])
    read = house.read(session.spectra, scans=alone)
    of_pour = alone.drop_duplicates("pour").set_index("pour").loc[read.index]
    rows = pd.DataFrame({"batch": of_pour["batch"], "colour": read["colour"].astype(float)})
    for name in CONDITIONS:
        rows[name] = _one_spelling(of_pour[name].fillna("").astype(str)) if name in of_pour else ""
    rows["measured_at"] = of_pour.get("measured_at", "")
    beers = session.batches["beer"] if "beer" in session.batches else pd.Series(dtype=object)
    claims = scans.drop_duplicates("pour").set_index("pour")["sample"].loc[read.index].map(session.claims)
    known = rows["batch"].map(beers)
    rows["beer"] = known.where(known.notna(), claims).where(lambda named: named.notna(), read["nearest_beer"])
    again = read["warnings"][read["warnings"].map(worst_effect) == RESCAN]
    reasons = {pour: f"to be taken again: {', '.join(codes)}" for pour, codes in again.items()}
    reasons |= {pour: "no colour was read" for pour in rows.index[~(rows["colour"] > 0)]}
    left_out = pd.DataFrame(list(reasons.items()), columns=["pour", "reason"])
    rows.index.name = "pour"
    return rows[~rows.index.isin(list(reasons))], left_out


def _one_spelling(names: pd.Series) -> pd.Series:
    first: dict[str, str] = {}
    return names.map(lambda name: first.setdefault(name.casefold(), name))


@dataclass(frozen=True)
class _Study:
    rows: pd.DataFrame
    layout: str
    factors: tuple[str, ...]
    notes: tuple[str, ...]

    @classmethod
    def of(cls, readings: pd.DataFrame) -> _Study:
        """Find which conditions differ and whether batches cross them."""
        if readings.empty or readings["batch"].value_counts().max() < 2:
            raise TableError(
                "no batch was poured twice; a gauge study needs the same batches poured again, by every operator, "
                "module or day: write pour, batch, operator, instrument and session into scans.csv"
            )
        rows, notes = readings.copy(), []
        half = [c for c in CONDITIONS if (rows[c] == "").any() and (rows[c] != "").any()]
        if half:
            raise TableError(f"{half[0]} is blank in some rows of scans.csv and not in others; write it everywhere")
        differing = [c for c in CONDITIONS if rows[c].nunique() > 1]
        for one, other in list(combinations(differing, 2)):
            pairs = len(rows[[one, other]].drop_duplicates())
            if other in differing and pairs == rows[one].nunique() == rows[other].nunique():
                notes.append(f"{one} and {other} change together and cannot be told apart: {one} stands for both")
                differing.remove(other)
        if len(differing) > 1 and not _full(rows, ["batch", *differing]) and len(_whole(rows, differing)) < 2:
            notes.append(f"{', '.join(differing)} do not cross each other: each combination is one condition")
            rows["condition"] = rows[differing].agg(" / ".join, axis=1)
            differing = ["condition"]
        several = rows["batch"].nunique() > 1
        if differing and not several:
            notes.append("one batch: what conditions add differently to different batches cannot be told")
        factors = ("batch", *differing) if several or not differing else tuple(differing)
        layout, whole = NESTED, _whole(rows, differing) if differing else []
        if (several or differing) and _full(rows, factors):
            layout = CROSSED
        elif len(whole) > 1:
            layout, kept = PARTLY, rows["batch"].isin(whole)
            missing, every = ", ".join(rows["batch"][~kept].unique()), " and ".join(differing)
            notes.append(f"not measured under every {every}, so left out of the components: {missing}")
            rows = rows[kept]
        return cls(rows, layout, factors, tuple(notes))


def _full(rows: pd.DataFrame, factors: Sequence[str]) -> bool:
    return len(rows[list(factors)].drop_duplicates()) == rows[list(factors)].nunique().prod()


def _whole(rows: pd.DataFrame, factors: Sequence[str]) -> list[str]:
    """Return the batches that were measured under every combination of conditions."""
    found = rows.drop_duplicates(["batch", *factors])["batch"].value_counts()
    return list(found.index[found == rows[list(factors)].nunique().prod()])


def _crossed(study: _Study) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    rows, factors = study.rows, study.factors
    layout = crossed_layout(np.log(rows["colour"]), [pd.factorize(rows[name])[0] for name in factors])
    names = [" x ".join(factors[i] for i in effect) or "pours" for effect in layout.effects]
    said, once = [], layout.df[-1] == 0
    if once:
        said.append(
            f"one pour a cell: {names[-2]} cannot be told from pours and is counted as pours; pour twice to tell them"
        )
    if not layout.balanced:
        said.append("cells hold unequal numbers of pours: components are of cell means, and bounds are approximate")
    if len(factors) == 1:
        said.append(
            "nothing differs but pours: this is repeatability only, and says nothing about operators, modules or days"
        )
    components = _table(layout, names, np.eye(len(names)))
    variance = layout.variance
    components.insert(3, "share", variance / max(variance.sum(), 1e-300))
    components["df"] = layout.df
    of_pours = np.eye(len(names))[-1]
    of_conditions = np.array([float(name not in ("batch", "pours")) for name in names])
    if once:
        components.loc["pours", "df"] = layout.df[-2]
        components, of_conditions[-2] = components.drop(names[-2]), 0.0
    precision = _table(layout, PRECISION, np.array([of_pours, of_conditions, of_pours + of_conditions]))
    return components, precision, said


def _table(layout: CrossedLayout, names: Sequence[str], weights: Floats) -> pd.DataFrame:
    bounds = np.array([layout.bounds(row) if row.any() else (0.0, np.nan) for row in weights])
    return pd.DataFrame(
        {
            "sd": np.sqrt(weights @ layout.variance),
            "sd_low": np.sqrt(bounds[:, 0]),
            "sd_high": np.sqrt(bounds[:, 1]),
            "df": [layout.satterthwaite_df(row) for row in weights],
        },
        index=pd.Index(names, name="component"),
    )


def _nested(study: _Study) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Tell what pours of one batch under one condition add, and no more."""
    cells = study.rows.groupby(list(study.factors))["colour"]
    logs = np.log(study.rows["colour"])
    df = len(logs) - cells.ngroups
    if df < 1:
        raise TableError(
            "no batch was poured twice under one condition, and batches do not cross the conditions: nothing can be "
            "told; measure two batches or more under every condition"
        )
    within = logs - logs.groupby([study.rows[name] for name in study.factors]).transform("mean")
    variance = float(within @ within) / df
    low, high = mean_square_bounds([1.0], [variance], [df])
    row = {"sd": np.sqrt(variance), "sd_low": np.sqrt(low), "sd_high": np.sqrt(high)}
    components = pd.DataFrame([{**row, "share": np.nan, "df": df}], index=pd.Index(["pours"], name="component"))
    precision = pd.DataFrame([{**row, "df": float(df)}], PRECISION[:1]).reindex(PRECISION).rename_axis("component")
    told = (
        "batches do not cross the conditions: what conditions add cannot be told from what batches are; this study "
        "tells repeatability only. Measure two batches or more under every condition"
        if len(study.factors) > 1
        else "one batch under one condition: this study tells repeatability only"
    )
    return components, precision, [told]


def _beers(rows: pd.DataFrame, precision: pd.DataFrame, tolerance: float | None) -> pd.DataFrame:
    colour = np.exp(np.log(rows["colour"]).groupby(rows["beer"]).mean()).sort_values()
    # a relative standard deviation of a few per cent times the colour is one in the unit
    s_r, s_R = (precision.at[name, "sd"] * colour for name in ("repeatability", "reproducibility"))
    found = pd.DataFrame({"colour": colour, "r": LIMIT_FACTOR * s_r, "R": LIMIT_FACTOR * s_R})
    return found if tolerance is None else found.assign(tolerance_share=6.0 * s_R / tolerance)


def _figures(components: pd.DataFrame, precision: pd.DataFrame, study: _Study, tolerance: float | None) -> pd.Series:
    s_r, s_c, s_R = precision["sd"]
    batches = float(components["sd"].get("batch", np.nan))
    three = float(np.sqrt(s_c**2 + s_r**2 / MANY_POURS))
    mean = float(np.exp(np.log(study.rows["colour"]).mean()))
    categories = 1.41 * batches / s_R if s_R > 0 else np.nan
    return pd.Series(
        {
            "n_pours": len(study.rows),
            "n_batches": study.rows["batch"].nunique(),
            "repeatability_sd": s_r,
            "conditions_sd": s_c,
            "reproducibility_sd": s_R,
            "batch_sd": batches,
            "distinct_categories": float(max(1.0, np.floor(categories))) if np.isfinite(categories) else np.nan,
            "three_pours_sd": three,
            "three_pours_gain": 1.0 - three / s_R if s_R > 0 else np.nan,
            "mean_colour": mean,
            "tolerance": np.nan if tolerance is None else float(tolerance),
            "tolerance_share": np.nan if tolerance is None else 6.0 * s_R * mean / tolerance,
        },
        dtype=object,
        name="figures",
    )


def _conclusions(figures: pd.Series, unit: str) -> list[str]:
    said = []
    if np.isfinite(figures["three_pours_gain"]) and figures["conditions_sd"] > 0:
        said.append(
            f"three pours instead of one take the standard deviation from {figures['reproducibility_sd']:.2%} to "
            f"{figures['three_pours_sd']:.2%}: what operators, modules and days add is not averaged out by pours"
        )
    if np.isfinite(figures["tolerance_share"]):
        said.append(
            f"six standard deviations take {figures['tolerance_share']:.0%} of the tolerance of "
            f"{figures['tolerance']:g} {unit} at {figures['mean_colour']:.1f} {unit}"
        )
    if np.isfinite(figures["distinct_categories"]):
        said.append(f"number of distinct categories among these batches: {figures['distinct_categories']:.0f}")
    return said


FEWEST_PARTICIPANTS = 5  # of whom a common value can be made; with fewer one bad lab rules it

# ISO 13528 and ISO/IEC 17043: from 2 on a warning, from 3 on a signal for action; an En number passes below 1.
WARNING, ACTION, PASSING_EN = 2.0, 3.0, 1.0
OK, DOUBTFUL, FAILED = "satisfactory", "questionable", "unsatisfactory"

# An assigned value less sure than this part of the standard deviation for assessment is in the denominator too.
NEGLIGIBLE_SD = 0.3


def proficiency(
    results: pd.DataFrame, assigned: pd.DataFrame | None = None, *, relative_sd: float | None = None
) -> pd.DataFrame:
    """Judge the results of labs, or of a house, on materials that several have measured.

    Parameters
    ----------
    results : DataFrame
        A row a material and participant: `material`, `participant`, `value`, and where it is known `value_sd`, the
        standard uncertainty of the value.
    assigned : DataFrame, optional
        Index `material`: `value` and `value_sd` (standard uncertainty) that the ring test states, or another lab's.
        Without it the robust mean of the participants, five at least (Algorithm A).
    relative_sd : float, optional
        Standard deviation for proficiency assessment as a share of the assigned value, such as 0.04. Without it the
        robust spread of the participants.

    Returns
    -------
    DataFrame
        A row a row of `results`: `material`, `participant`, `value`, `assigned`, `assigned_sd`, `sd` (for assessment),
        `z`, `zeta`, `en`, `judged` (by `z`: *satisfactory*, *questionable* from 2, *unsatisfactory* from 3) and
        `judged_en`, blank where there is nothing to judge by.

    Raises
    ------
    TableError
        If a column is missing, a value is no number, or a material has no assigned value.
    TooFewBatchesError, OptionError
        If fewer than five participants are to make an assigned value or a spread; if `relative_sd` is not above 0.

    Notes
    -----
    ISO 13528 (from memory): z = (x - X)/sd, with sqrt(sd^2 + u(X)^2) below it where u(X) exceeds 0.3 sd; zeta =
    (x - X)/sqrt(u(x)^2 + u(X)^2); En the same with expanded uncertainties, 2 u. A robust mean of p participants has
    u(X) = 1.25 s*/sqrt(p); their own results are in it, so that `zeta` and `en` are somewhat small then.

    Examples
    --------
    >>> ring = pd.DataFrame({"value": [25.1], "value_sd": [0.3]}, index=pd.Index(["R-26"], name="material"))
    >>> own = pd.DataFrame({"material": ["R-26"], "participant": ["our house"], "value": [26.3], "value_sd": [0.4]})
    >>> proficiency(own, ring, relative_sd=0.04)[["z", "en", "judged", "judged_en"]].round(2).values.tolist()
    [[1.2, 1.2, 'satisfactory', 'unsatisfactory']]
    """
    if relative_sd is not None and not (is_number(relative_sd) and 0 < relative_sd < np.inf):
        raise OptionError(
            f"relative_sd is {relative_sd!r}; expected a share of the assigned value above 0, such as 0.04"
        )
    table = _checked(results, ("material", "participant", "value"), "results").reset_index(drop=True)
    materials = pd.Index(table["material"].unique(), name="material")
    common = pd.DataFrame(index=materials, columns=["value", "value_sd", "sd"], dtype=float)
    if assigned is not None:
        stated = _checked(assigned, ("value",), "assigned")
        unknown = materials.difference(stated.index)
        if len(unknown):
            raise TableError(f"assigned has no row for material {unknown[0]!r}; its index names the materials")
        common["value"] = stated.loc[materials, "value"]
        common["value_sd"] = stated["value_sd"].reindex(materials) if "value_sd" in stated else 0.0
    if assigned is None or relative_sd is None:
        for material, part in table.groupby("material", sort=False):
            again = part["participant"].duplicated()
            if again.any():
                raise TableError(
                    f"participant {part['participant'][again].iloc[0]!r} has two results of material {material!r}; "
                    "average them, so that each counts once"
                )
            if len(part) < FEWEST_PARTICIPANTS:
                raise TooFewBatchesError(
                    f"material {material!r} has {len(part)} results; a common value and spread need "
                    f"{FEWEST_PARTICIPANTS} participants: give assigned= and relative_sd="
                )
            mean, spread = algorithm_a(part["value"].to_numpy(float))
            common.loc[material, "sd"] = spread
            if assigned is None:
                common.loc[material, ["value", "value_sd"]] = mean, 1.25 * spread / np.sqrt(len(part))
    if relative_sd is not None:
        common["sd"] = relative_sd * common["value"].abs()
    return _scores(table, common.loc[table["material"]].to_numpy(float).T)


def _scores(table: pd.DataFrame, common: np.ndarray) -> pd.DataFrame:
    value, (middle, middle_sd, sd) = table["value"].to_numpy(float), common
    own = table["value_sd"].to_numpy(float) if "value_sd" in table else np.full(len(table), np.nan)
    off = value - middle
    with np.errstate(divide="ignore", invalid="ignore"):
        z = off / np.where(middle_sd > NEGLIGIBLE_SD * sd, np.hypot(sd, middle_sd), sd)
        zeta = off / np.hypot(own, middle_sd)
    en = zeta / 2.0
    size = np.abs(z)
    return table[["material", "participant"]].assign(
        value=value, assigned=middle, assigned_sd=middle_sd, sd=sd, z=z, zeta=zeta, en=en,
        judged=np.select([np.isnan(z), size >= ACTION, size >= WARNING], ["", FAILED, DOUBTFUL], OK),
        judged_en=np.where(np.isnan(en), "", np.where(np.abs(en) < PASSING_EN, OK, FAILED)),
    )  # fmt: skip


def _checked(table: pd.DataFrame, needed: tuple[str, ...], name: str) -> pd.DataFrame:
    if not isinstance(table, pd.DataFrame):
        raise TableError(f"{name} is a {type(table).__name__}; expected a table with {', '.join(needed)}")
    if not (table.columns.is_unique and (name == "results" or table.index.is_unique)):
        raise TableError(f"{name} has a column or a material twice; keep one of them")
    missing = [column for column in needed if column not in table.columns]
    if missing:
        raise TableError(f"{name} lacks {', '.join(missing)}; its columns are {', '.join(map(str, table.columns))}")
    checked = table.copy()
    for column in ("value", "value_sd"):
        if column in checked:
            checked[column] = pd.to_numeric(checked[column], errors="coerce")
    for column in ("material", "participant"):
        if column in needed and checked[column].isna().any():
            raise TableError(f"{name}, row {checked.index[checked[column].isna()][0]!r}: {column} is blank; name it")
    bad = ~np.isfinite(checked["value"].to_numpy(float))
    if "value_sd" in checked:
        bad |= checked["value_sd"].to_numpy(float) < 0
    if bad.any():
        raise TableError(f"{name}, row {checked.index[bad.argmax()]!r}: a value is no number, or its value_sd below 0")
    return checked
