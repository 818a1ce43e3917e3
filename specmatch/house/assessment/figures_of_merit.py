"""Figures of merit of a colour model: agreement with lab values, and where the spread comes from."""

import numpy as np
import pandas as pd

from specmatch.errors import TableError
from specmatch.maths.statistics.agreement import agreement
from specmatch.maths.statistics.variance_components import nested_components

FEWEST_BATCHES = 3


def figures_of_merit(lab: pd.Series, colour: pd.Series) -> pd.Series:
    """Return the figures of a validation, one batch a row.

    ISO 12099 (from memory); see `specmatch.maths.statistics.agreement`. No figure here is reproducibility: that needs
    batches under several conditions, see `gauge`.
    """
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
    """Say how much of the spread of readings lies between batches, between pours and between scans of a pour.

    Columns `variance`, `sd` (free of the bias that a root of few degrees of freedom has), its 95 % bounds `sd_low` and
    `sd_high`, `df`. Nested components are not reproducibility: every batch was measured by its own people on its day.
    """
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
