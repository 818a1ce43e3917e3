"""Colour from reflectance, as a scikit-learn estimator."""

import logging
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import validate_data

from specmatch.errors import OptionError, TableError
from specmatch.long_jobs import one_thread
from specmatch.maths.regression.colour_model import REGRESSIONS, ROW_REGRESSIONS, ColourModel, fit_colour
from specmatch.maths.spectra.channels import usable_band
from specmatch.maths.statistics.levels import Levels
from specmatch.models._validation import batch_codes, by_wavelength, checked_rows, common_shape, warn_of_no_reflectance

_log = logging.getLogger(__name__)


class ColourRegressor(RegressorMixin, BaseEstimator):
    """Regress the lab colour of batches on the reflectance of their pours.

    The batch is the unit: pours of one group are averaged for fitting and held out together. Everything chosen is
    chosen by held-out batches.

    Parameters
    ----------
    regression : {"auto", "optical", "log_absorbance", "pls"} or None, default "auto"
        `"auto"` lets held-out batches choose among the others. None takes the rows as a pipeline hands them, and all
        their columns; else they are reflectance, and the band that carries signal is found from the pours.
        `"optical"` needs a table whose columns are wavelengths in nm.

    Attributes
    ----------
    fit_ : ColourModel
        The fitted regression, free of scikit-learn.
    groups_missing_ : bool
        True when no batches were given and every row was taken as its own.
    n_features_in_ : int
    wavelengths_ : ndarray or None
        nm, where `fit` got a table with wavelengths as columns; a table is matched by them, an array by position.
    band_ : ndarray of bool, shape (p,)
        The columns that are used.
    shape_ : ndarray, shape (p,)
        Mean of the fitted rows where all have one shape, else zeros; rows that cannot be reflectance are told from it.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> batch = np.repeat(np.arange(24), 2)
    >>> ebc = np.geomspace(5.0, 50.0, 24)[batch]
    >>> nm = np.linspace(430.0, 680.0, 26)
    >>> R = 0.95 * 10 ** (-0.06 * ebc[:, None] * np.exp(-(nm - 430.0) / 80.0)) + rng.normal(0, 5e-4, (48, 26))
    >>> model = ColourRegressor().fit(R, ebc, groups=batch)
    >>> table = model.predict_interval(R[:2], coverage=0.90)
    >>> list(table.columns)
    ['colour', 'colour_low', 'colour_high']
    """

    def __init__(self, *, regression: str | None = "auto") -> None:
        self.regression = regression

    def fit(self, X: Any, y: ArrayLike, groups: Any = None) -> "ColourRegressor":
        """Fit on pours.

        Parameters
        ----------
        X : array_like or DataFrame, shape (n, p)
            Reflectance, a row a pour, on wavelengths that carry signal.
        y : array_like, shape (n,)
            Lab colour of each row's batch, above 0.
        groups : array_like, shape (n,), optional
            Batch of each row. None makes every row its own batch, and warns.

        Returns
        -------
        ColourRegressor

        Raises
        ------
        SpecmatchError
            If colours are not above 0, all the same, differ within a batch beyond reproducibility, or batches are few;
            `OptionError` if the regression is not offered.

        Warns
        -----
        MissingGroupsWarning
            When `groups` is None.

        Examples
        --------
        >>> batch = refs.scans["batch"]
        >>> model = ColourRegressor().fit(refs.spectra, batch.map(refs.batches["colour"]), groups=batch)
        >>> model.groups_missing_, bool(model.band_.all())  # dead channels are left out
        (False, False)
        """
        values, self.wavelengths_ = by_wavelength(X, y=y, groups=groups)
        values, y = validate_data(self, values, y, dtype=np.float64, ensure_min_samples=3, y_numeric=True)
        batch, _ = batch_codes(groups, len(values), "ColourRegressor")
        self.groups_missing_ = groups is None
        regressions = self._regressions()
        self.band_ = self._usable(values, batch)
        self.shape_ = common_shape(values)
        nm = np.arange(values.shape[1], dtype=float) if self.wavelengths_ is None else self.wavelengths_
        levels = Levels.of_pours(batch, batch)
        with one_thread():
            self.fit_: ColourModel = fit_colour(
                values[:, self.band_], y, levels, wavelength_nm=nm[self.band_], regressions=regressions
            )
        return self

    def predict(self, X: Any) -> NDArray[np.float64]:
        """Return colours, above 0, in the unit of `y`.

        Parameters
        ----------
        X : array_like or DataFrame, shape (n, p)
            Reflectance, a row a sample.

        Returns
        -------
        ndarray, shape (n,)

        Warns
        -----
        ImplausibleReflectanceWarning
            When rows cannot be reflectance (percent, absorbance); once for all of them.

        Examples
        --------
        >>> batch = refs.scans["batch"]
        >>> model = ColourRegressor().fit(refs.spectra, batch.map(refs.batches["colour"]), groups=batch)
        >>> model.predict(spectra.iloc[[0, 3, 6]]).round().tolist()  # porter, pils, amber
        [63.0, 7.0, 24.0]
        """
        rows = self._rows(X)  # first of all: it refuses what is not fitted
        return self.fit_.predict(rows)

    def predict_interval(self, X: Any, coverage: float = 0.90, *, n_pours: ArrayLike = 1) -> pd.DataFrame:
        """Return colours with limits for the lab value.

        Parameters
        ----------
        X : array_like or DataFrame, shape (n, p)
            Reflectance, a row a sample: one pour, or the mean of several.
        coverage : float, default 0.90
            Nominal share of lab values inside, in (0, 1).
        n_pours : int or array_like of int, shape (n,), default 1
            Pours behind each row.

        Returns
        -------
        DataFrame
            `colour`, `colour_low`, `colour_high`; the index of `X` where it is a DataFrame.

        Raises
        ------
        OptionError
            If the coverage is outside (0, 1).

        Examples
        --------
        >>> batch = refs.scans["batch"]
        >>> model = ColourRegressor().fit(refs.spectra, batch.map(refs.batches["colour"]), groups=batch)
        >>> means = spectra.groupby(scans["sample"]).mean()
        >>> model.predict_interval(means, coverage=0.90, n_pours=3).round().values.tolist()
        [[24.0, 23.0, 24.0], [7.0, 6.0, 7.0], [63.0, 61.0, 64.0]]
        """
        index = X.index if isinstance(X, pd.DataFrame) else None
        rows = self._rows(X)  # first of all: it refuses what is not fitted
        found = self.fit_.interval(rows, n_pours, coverage)
        return pd.DataFrame({"colour": found.colour, "colour_low": found.low, "colour_high": found.high}, index=index)

    def _rows(self, X: Any) -> NDArray[np.float64]:
        rows = checked_rows(self, X)[:, self.band_]
        if self.regression is not None:
            warn_of_no_reflectance(rows, self.shape_[self.band_], "ColourRegressor")
        return rows

    def _regressions(self) -> tuple[str, ...]:
        if self.regression is None:
            return ROW_REGRESSIONS
        if self.regression == "auto":
            return REGRESSIONS
        if self.regression not in REGRESSIONS:
            raise OptionError(f"regression is {self.regression!r}; auto, {', '.join(REGRESSIONS)} or None is offered")
        return (self.regression,)

    def _usable(self, values: NDArray[np.float64], batch: NDArray[np.int64]) -> NDArray[np.bool_]:
        everything = np.ones(values.shape[1], dtype=bool)
        if self.regression is None:
            return everything
        try:
            return usable_band(values, batch)
        except TableError as reason:
            _log.warning("all columns are used: %s", reason)
            return everything

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.target_tags.positive_only = self.regression is not None
        # what it is made for is reflectance between 0 and 1; random normal numbers are no spectra
        tags.regressor_tags.poor_score = True
        return tags
