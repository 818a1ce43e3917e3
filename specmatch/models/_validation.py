"""What every estimator asks of its rows: wavelengths kept where a table names them, batches as codes."""

import warnings
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from sklearn.utils.validation import check_is_fitted, validate_data

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import ImplausibleReflectanceWarning, MissingGroupsWarning, TableError, UnitError
from specmatch.spectra import PLAUSIBLE_NM, Spectra, in_nm, match_wavelengths, numbers_of

# what no reflecting sample reads against its reference: beyond the noise of dead channels on either side
LOWEST, HIGHEST = -0.1, 1.5
# the part of a row's channels that has to lie there: single channels may read anything
SHARE_OUT = 0.05
# least correlation with their mean of spectra that have one shape; those of beers stand above 0.9
ONE_SHAPE = 0.5


def by_wavelength(X: Any, **columns: Any) -> tuple[Any, Floats | None]:
    """Return rows in ascending order of wavelength, and the wavelengths, where a table names them."""
    # Float column names escape the name check of scikit-learn, so that a table of 410-710 nm would pass for one of
    # 400-700 nm.
    # X (n, p) -> (n, p), (p,)
    # columns: what goes with the rows by their place
    _refuse_other_order(X, columns)
    if not isinstance(X, pd.DataFrame) or _unnamed(X.columns):
        return X, None
    wavelengths = _wavelengths_of(X.columns)
    if wavelengths is None:
        return X, None
    order = np.argsort(wavelengths, kind="stable")
    if (np.diff(wavelengths[order]) == 0).any():
        raise TableError("a wavelength stands twice among the columns of X; keep one of them")
    return X.to_numpy(dtype=float, na_value=np.nan)[:, order], wavelengths[order]


def _unnamed(columns: pd.Index) -> bool:
    """Whether the columns are only counted, as pandas does with an array."""
    return columns.dtype.kind in "iu" and bool((columns == np.arange(len(columns))).all())


def _wavelengths_of(columns: pd.Index) -> Floats | None:
    """Return headings as wavelengths in nm; None where they are no numbers, an error where their unit is not plain."""
    found = numbers_of(columns)
    if found is None or not len(columns):
        return None
    nm = in_nm(found[0], found[1] or "nm")
    low, high = PLAUSIBLE_NM
    if not ((nm >= low) & (nm <= high)).all():
        headings = columns.tolist()
        raise UnitError(
            f"the columns of X run from {headings[0]!r} to {headings[-1]!r}, no wavelengths between {low:g} and "
            f"{high:g} nm; write their unit into the headings, such as '22222 1/cm' or '0.45 um', convert them to nm, "
            "or give an array, which is matched by position"
        )
    return nm


def rows_as_fitted(X: Any, wavelengths: Floats | None) -> Any:
    """Return rows on the wavelengths of the fit: a table is matched by wavelength, an array by position."""
    # X (n, q), wavelengths (p,) -> (n, p)
    # wavelengths: nm, of the fit; None where it was given an array
    if wavelengths is None:
        return X
    values, given = by_wavelength(X)
    if given is None:
        if isinstance(X, pd.DataFrame) and not _unnamed(X.columns):
            raise TableError(
                f"column {X.columns[0]!r} of X is no wavelength, and the fit was on {wavelengths[0]:g}-"
                f"{wavelengths[-1]:g} nm; head the columns with wavelengths in nm, or give an array"
            )
        return values
    return match_wavelengths(Spectra(pd.RangeIndex(len(values)).astype(str), given, values), wavelengths)


def checked_rows(estimator: Any, X: Any) -> Floats:
    """Return rows for a fitted estimator, whatever asks it; one that is not fitted is refused first of all."""
    # X (n, q) -> (n, p)
    check_is_fitted(estimator)
    rows: Floats = validate_data(estimator, rows_as_fitted(X, estimator.wavelengths_), dtype=np.float64, reset=False)
    return rows


def common_shape(rows: Floats) -> Floats:
    """Return the mean of rows that all have one shape, as spectra of beer do; zeros where their shapes differ."""
    # rows (n, p) -> (p,)
    usual = rows.mean(axis=0)
    return usual if rows.shape[1] >= 3 and _likeness(rows, usual).min() > ONE_SHAPE else np.zeros_like(usual)


def no_reflectance(rows: Floats, usual: Floats) -> Mask:
    """Find rows that cannot be reflectance: far outside 0 to 1, or the set's shape upside down as absorbance has it."""
    # rows (n, p), usual (p,): common shape of the fit -> (n,)
    outside = ((rows < LOWEST) | (rows > HIGHEST)).mean(axis=1) > SHARE_OUT
    if rows.shape[1] < 3:
        return outside
    # absorbance falls where reflectance rises; turned into reflectance it has the shape of the set again
    upside_down = (_likeness(rows, usual) < -0.5) & (_likeness(10.0 ** -np.clip(rows, -3.0, 3.0), usual) > 0.8)
    return np.asarray(outside | upside_down)


def _likeness(rows: Floats, usual: Floats) -> Floats:
    """Return the correlation of each row with a spectrum; 0 where either is flat."""
    a, b = rows - rows.mean(axis=1, keepdims=True), usual - usual.mean()
    length = np.sqrt((a**2).sum(axis=1) * (b**2).sum())
    return np.divide(a @ b, length, out=np.zeros(len(rows)), where=length > 0)


def warn_of_no_reflectance(rows: Floats, usual: Floats, estimator: str) -> None:
    """Warn, once for all rows, of those that cannot be reflectance."""
    found = np.flatnonzero(no_reflectance(rows, usual))
    if found.size:
        row = rows[found[0]]
        warnings.warn(
            f"{estimator}: {found.size} of {len(rows)} rows cannot be reflectance, the first is row {found[0]} "
            f"({row.min():.3g} to {row.max():.3g}); a fraction is expected, 1.0 = the reference: divide percent by "
            "100, turn absorbance A into 10 ** -A",
            ImplausibleReflectanceWarning,
            stacklevel=4,
        )


def _refuse_other_order(X: Any, columns: Mapping[str, Any]) -> None:
    """Refuse columns that name the rows of X in another order: rows go by position, and both cannot be meant."""
    for name, column in columns.items():
        if not (isinstance(X, pd.DataFrame) and isinstance(column, pd.Series) and len(column) == len(X)):
            continue
        if not column.index.equals(X.index) and column.index.sort_values().equals(X.index.sort_values()):
            raise TableError(
                f"{name} has the rows of X in another order, and rows go by position; give {name}.loc[X.index], or an "
                "array if the order is right"
            )


def batch_codes(groups: Any, n_rows: int, estimator: str) -> tuple[Ints, Any]:
    """Return the batch of each row as codes from 0, and names; without groups every row is its own, with a warning."""
    # groups (n_rows,) -> (n_rows,), (n_batches,): in order of first appearance
    if groups is None:
        warnings.warn(
            f"{estimator}.fit got no groups: every row counts as a batch of its own, which is too hopeful if rows "
            "share batches; pass groups=batch names",
            MissingGroupsWarning,
            stacklevel=3,
        )
        return np.arange(n_rows), np.arange(n_rows)
    if np.shape(groups) != (n_rows,):
        raise TableError(f"groups has shape {np.shape(groups)}; expected one batch for each of the {n_rows} rows of X")
    codes, names = pd.factorize(np.asarray(groups), use_na_sentinel=True)
    if (codes < 0).any():
        raise TableError(f"row {int((codes < 0).argmax())} of X has no batch in groups; name it or leave the row out")
    return codes.astype(np.int64), names
