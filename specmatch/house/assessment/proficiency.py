"""Lab against lab, and a house against a ring test: z-scores and En numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd

from specmatch.array_types import is_number
from specmatch.errors import OptionError, TableError, TooFewBatchesError
from specmatch.maths.statistics.robust import algorithm_a

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
        standard uncertainty of the value. Two labs and their shared batches, or a house's readings in a ring test.
    assigned : DataFrame, optional
        Index `material`: `value` and `value_sd` (standard uncertainty) that the ring test states, or another lab's.
        Without it the robust mean of the participants stands for it, five at least (Algorithm A).
    relative_sd : float, optional
        Standard deviation for proficiency assessment as a share of the assigned value, such as 0.04: what the trade
        thinks good enough. Without it the robust spread of the participants.

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
    TooFewBatchesError
        If fewer than five participants are to make an assigned value or a spread.
    OptionError
        If `relative_sd` is not above 0.

    Notes
    -----
    ISO 13528 (from memory): z = (x - X)/sd, with sqrt(sd^2 + u(X)^2) below it where u(X) exceeds 0.3 sd; zeta =
    (x - X)/sqrt(u(x)^2 + u(X)^2); En the same with expanded uncertainties, 2 u. A robust mean of p participants has
    u(X) = 1.25 s*/sqrt(p); their own results are in it, so that `zeta` and `en` are somewhat small then.
    A good `z` says that the trade would be content, a good `en` that the stated uncertainty is honest.

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
    return pd.DataFrame(
        {
            "material": table["material"],
            "participant": table["participant"],
            "value": value,
            "assigned": middle,
            "assigned_sd": middle_sd,
            "sd": sd,
            "z": z,
            "zeta": zeta,
            "en": en,
            "judged": np.select([np.isnan(z), size >= ACTION, size >= WARNING], ["", FAILED, DOUBTFUL], OK),
            "judged_en": np.where(np.isnan(en), "", np.where(np.abs(en) < PASSING_EN, OK, FAILED)),
        }
    )


def _checked(table: pd.DataFrame, needed: tuple[str, ...], name: str) -> pd.DataFrame:
    """Return a table whose numbers are numbers."""
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
