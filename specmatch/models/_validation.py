"""What every estimator asks of its rows: wavelengths kept where a table names them, batches as codes."""

import warnings
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.errors import MissingGroupsWarning, TableError
from specmatch.spectra import PLAUSIBLE_NM, Spectra, match_wavelengths

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def by_wavelength(X: Any) -> tuple[Any, Floats | None]:
    """Return rows in ascending order of wavelength, and the wavelengths, where a table names them.

    Float column names escape the name check of scikit-learn, so that a table of 410-710 nm would pass for one of
    400-700 nm; estimators keep the wavelengths themselves and match by them.
    """
    # X (n, p) -> (n, p), (p,)
    if not isinstance(X, pd.DataFrame):
        return X, None
    try:
        # text too: tables between the steps of a pipeline have names, not numbers, over their columns
        wavelengths = np.array([float(c) for c in X.columns])
    except (TypeError, ValueError):
        return X, None
    low, high = PLAUSIBLE_NM
    if wavelengths.size == 0 or wavelengths.min() < low or wavelengths.max() > high:
        return X, None
    order = np.argsort(wavelengths, kind="stable")
    if (np.diff(wavelengths[order]) == 0).any():
        raise TableError("a wavelength stands twice among the columns of X; keep one of them")
    return X.to_numpy(dtype=float, na_value=np.nan)[:, order], wavelengths[order]


def rows_as_fitted(X: Any, wavelengths: Floats | None) -> Any:
    """Return rows on the wavelengths of the fit: a table is matched by wavelength, an array by position."""
    # X (n, q), wavelengths (p,) -> (n, p)
    # wavelengths: nm, of the fit; None where it was given an array
    values, given = by_wavelength(X)
    if wavelengths is None or given is None:
        return X if wavelengths is None else values
    return match_wavelengths(Spectra(pd.RangeIndex(len(values)).astype(str), given, values), wavelengths)


def batch_codes(groups: Any, n_rows: int, estimator: str) -> Ints:
    """Return the batch of each row as codes from 0; without groups every row is a batch of its own, with a warning."""
    # groups (n_rows,) -> (n_rows,)
    if groups is None:
        warnings.warn(
            f"{estimator}.fit got no groups: every row counts as a batch of its own, which is too hopeful if rows "
            "share batches; pass groups=batch names",
            MissingGroupsWarning,
            stacklevel=3,
        )
        return np.arange(n_rows)
    codes, _ = pd.factorize(np.asarray(groups), use_na_sentinel=True)
    if codes.shape != (n_rows,):
        raise TableError(f"groups has shape {codes.shape}; expected one batch for each of the {n_rows} rows of X")
    if (codes < 0).any():
        raise TableError(f"row {int((codes < 0).argmax())} of X has no batch in groups; name it or leave the row out")
    return codes.astype(np.int64)
