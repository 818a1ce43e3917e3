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

    Parameters
    ----------
    X : DataFrame or array_like, shape (n, p)

    Returns
    -------
    X : ndarray, shape (n, p), or as given
        The values of a table whose columns are wavelengths in nm (numbers, or text such as `"430.5"`), sorted by them;
        anything else untouched.
    wavelengths : ndarray, shape (p,), or None

    Raises
    ------
    TableError
        If a wavelength stands twice among the columns.

    Notes
    -----
    Float column names escape the name check of scikit-learn, so that a table of 410-710 nm would pass for one of
    400-700 nm; estimators keep the wavelengths themselves and match by them.

    Examples
    --------
    >>> by_wavelength(pd.DataFrame([[2.0, 1.0]], columns=[500.0, 450.0]))[1].tolist()
    [450.0, 500.0]
    >>> by_wavelength([[2.0, 1.0]])[1] is None
    True
    """
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
    """Return rows on the wavelengths of the fit: a table is matched by wavelength, an array by position.

    Parameters
    ----------
    X : DataFrame or array_like, shape (n, q)
    wavelengths : ndarray, shape (p,), or None
        nm, of the fit; None where it was given an array.

    Returns
    -------
    ndarray, shape (n, p), or as given

    Raises
    ------
    WavelengthMismatchError
        If a table does not cover the wavelengths of the fit.

    Examples
    --------
    >>> table = pd.DataFrame([[2.0, 1.0]], columns=[500.0, 450.0])
    >>> rows_as_fitted(table, np.array([450.0, 500.0])).tolist()
    [[1.0, 2.0]]
    """
    values, given = by_wavelength(X)
    if wavelengths is None or given is None:
        return X if wavelengths is None else values
    return match_wavelengths(Spectra(pd.RangeIndex(len(values)).astype(str), given, values), wavelengths)


def batch_codes(groups: Any, n_rows: int, estimator: str) -> Ints:
    """Return the batch of each row as codes from 0; without groups every row is a batch of its own, with a warning.

    Parameters
    ----------
    groups : array_like, shape (n_rows,), or None
    n_rows : int
    estimator : str
        Named in warning and error.

    Returns
    -------
    ndarray of int, shape (n_rows,)

    Raises
    ------
    TableError
        If `groups` has another length, or a blank in it.

    Warns
    -----
    MissingGroupsWarning
        If `groups` is None.

    Examples
    --------
    >>> batch_codes(["B7", "B7", "B9"], 3, "BeerMatcher").tolist()
    [0, 0, 1]
    """
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
