"""Figures of merit of a colour model: agreement with lab values, where the spread comes from, and reproducibility."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from specmatch.errors import TableError
from specmatch.maths.agreement import agreement, unexplained_error_limit
from specmatch.maths.conformal import coverage_spread
from specmatch.maths.variance_components import nested_components, reproducibility

FEWEST_BATCHES = 3


def figures_of_merit(
    lab: pd.Series, colour: pd.Series, *, earlier_sep: float | None = None, earlier_df: int | None = None
) -> pd.Series:
    """Return the figures of a validation, one batch a row.

    Parameters
    ----------
    lab, colour : Series
        Lab colours and readings of the same batches, matched by index; batches that lack either are left out.
    earlier_sep, earlier_df : float and int, optional
        Held-out standard error when the model was made, and its degrees of freedom: gives the unexplained-error limit.

    Returns
    -------
    Series
        `n`, `bias` (reading minus lab: above 0 it reads too dark), `bias_limit`, `sep`, `rmsep`, `slope` and
        `intercept` (of lab on reading), `slope_t`, `slope_limit`, `rpd`, `iqr_over_sep`, `r_squared`,
        `relative_error` (root mean square) and, where asked, `unexplained_error_limit`. NaN with fewer than three
        batches.

    Notes
    -----
    ISO 12099 (from memory); see `specmatch.maths.agreement`. No figure here is reproducibility: that needs one material
    under several conditions, see `reproducibility_study`.

    Examples
    --------
    >>> lab = pd.Series([7.0, 10.0, 14.0, 20.0, 31.0], index=list("abcde"))
    >>> figures = figures_of_merit(lab, pd.Series([7.5, 10.2, 14.9, 20.1, 31.8], index=list("abcde")))
    >>> round(figures["bias"], 3), round(figures["sep"], 3), round(figures["rmsep"], 3)
    (0.5, 0.354, 0.592)
    """
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
        figures["relative_error"] = float(np.sqrt(np.mean((pairs["colour"] / pairs["lab"] - 1.0) ** 2)))
    if earlier_sep is not None and earlier_df is not None and len(pairs) > 1:
        figures["unexplained_error_limit"] = unexplained_error_limit(earlier_sep, len(pairs), earlier_df)
    return pd.Series(figures, dtype=object, name="figures")


def components_of_variance(values: pd.Series, scans: pd.DataFrame, beer: pd.Series | None = None) -> pd.DataFrame:
    """Say how much of the spread of readings lies between batches, between pours and between scans of a pour.

    Parameters
    ----------
    values : Series
        A reading for each scan, index `scan_id`; logarithms of colour give relative components.
    scans : DataFrame
        Index `scan_id`; `pour` and `batch` of each.
    beer : Series, optional
        Batch -> beer: differences between beers are then taken out first.

    Returns
    -------
    DataFrame
        Index `component` (`between_batch`, `between_pour`, `between_scan`): `variance`, `sd`, `df`. NaN where the
        layout shows nothing of it (one scan a pour says nothing of scans; their spread is then part of the pours').

    Raises
    ------
    TableError
        If a value has no row in the scans table.

    Notes
    -----
    Nested components are not reproducibility: every batch was measured by its own people on its own day.

    Examples
    --------
    >>> scans = pd.DataFrame({"pour": list("ppqqrrss"), "batch": list("bbbbcccc")}, index=list("12345678"))
    >>> values = pd.Series([1.0, 1.1, 1.3, 1.4, 2.0, 2.1, 2.3, 2.4], index=scans.index)
    >>> components_of_variance(values, scans)["df"].tolist()
    [1, 2, 4]
    """
    missing = values.index.difference(scans.index)
    if len(missing):
        raise TableError(f"{len(missing)} values have no row in the scans table, first {missing[0]!r}")
    kept = values.astype(float).dropna()
    table = scans.loc[kept.index]
    batch = pd.factorize(table["batch"])[0]
    pour = pd.factorize(pd.MultiIndex.from_frame(table[["batch", "pour"]]))[0]
    numbers, beer_df = kept.to_numpy(), 0
    if beer is not None:
        kinds = table["batch"].map(beer).to_numpy()
        # each batch has one vote in its beer's mean, however often it was scanned
        by_batch = pd.DataFrame({"kind": kinds, "batch": batch, "value": numbers}).groupby(["kind", "batch"])["value"]
        centre = by_batch.mean().groupby(level="kind").mean()
        numbers = numbers - centre.loc[kinds].to_numpy()
        beer_df = len(centre) - 1
    # where the innermost layer has one member each, it is left to the layer above
    layers = [batch] if np.unique(pour).size == kept.size else [batch, pour]
    variance, df = nested_components(numbers, layers)
    if beer_df and df[0] > beer_df:
        # the beers' means took freedom from between the batches
        variance[0] *= df[0] / (df[0] - beer_df)
        df[0] -= beer_df
    if len(layers) == 1:
        variance, df = np.append(variance, np.nan), np.append(df, 0)
    names = pd.Index(["between_batch", "between_pour", "between_scan"], name="component")
    return pd.DataFrame({"variance": variance, "sd": np.sqrt(variance), "df": df}, index=names)


def reproducibility_study(values: pd.Series, conditions: pd.DataFrame, *, material: Sequence[str]) -> pd.Series:
    """Return repeatability and reproducibility from a crossed study of one material.

    Parameters
    ----------
    values : Series
        A result for each run.
    conditions : DataFrame
        The same index; a column for each condition that was varied (`operator`, `day`, `instrument`, ...).
    material : sequence of str
        The material of each run: it must be one and the same (a sealed beer, a dye, a tile).

    Returns
    -------
    Series
        `mean`, `s_r`, `s_L`, `s_R`, `r`, `R`, `n_conditions`, `n`, in the unit of the values.

    Raises
    ------
    TableError
        If the material differs, if conditions are not crossed (an operator who worked on one day only), or if no
        condition was repeated.

    Notes
    -----
    ISO 5725-2; r = 2.8 s_r and R = 2.8 s_R are exceeded by the difference of two results once in twenty times.

    Examples
    --------
    >>> runs = pd.DataFrame({"operator": list("AABBAABB"), "day": list("11112222")})
    >>> values = pd.Series([10.0, 10.2, 10.3, 10.1, 10.6, 10.8, 10.7, 10.5])
    >>> found = reproducibility_study(values, runs, material=["dye"] * 8)
    >>> [round(float(found[name]), 3) for name in ("s_r", "s_R")]
    [0.141, 0.311]
    """
    materials = sorted({str(name) for name in material})
    if len(material) != len(values) or len(materials) != 1:
        raise TableError(
            f"the runs are of {len(materials)} materials ({', '.join(materials[:3])}); reproducibility needs one and "
            "the same material in every run"
        )
    table = conditions.loc[values.index].astype(str)
    for one in table.columns:
        for other in table.columns.drop(one):
            alone = table.groupby(one)[other].nunique()
            if table[other].nunique() > 1 and (alone < 2).any():
                raise TableError(
                    f"{one} {alone.idxmin()!r} was met with one {other} only; cross them: every {one} with two or more"
                )
    code = pd.factorize(pd.MultiIndex.from_frame(table))[0]
    found = reproducibility(values.to_numpy(float), code)
    names = ("mean", "s_r", "s_L", "s_R", "r", "R", "n_conditions", "n")
    return pd.Series({name: getattr(found, name) for name in names}, name="reproducibility")


def coverage_of_one_model(n_batches: int, coverage: float) -> pd.Series:
    """Say how far the coverage of one fitted model may lie from nominal, by the luck of its batches.

    Parameters
    ----------
    n_batches : int
    coverage : float
        Nominal, in (0, 1).

    Returns
    -------
    Series
        `nominal`, `low` and `high`: nine models in ten lie between the two.

    Examples
    --------
    >>> coverage_of_one_model(40, 0.90).round(3).to_dict()
    {'nominal': 0.9, 'low': 0.817, 'high': 0.965}
    """
    low, high = coverage_spread(n_batches, coverage)
    return pd.Series({"nominal": coverage, "low": low, "high": high}, name="coverage")
