"""Is a spectrum of the kind that the set holds: leverage, T2, spectral residual, each with its limit."""

from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd
from sklearn.base import BaseEstimator, OutlierMixin
from sklearn.utils.validation import validate_data

from specmatch.array_types import is_number
from specmatch.errors import OptionError
from specmatch.long_jobs import one_thread
from specmatch.maths.applicability import SCALES, ApplicabilityDomain, fit_domain
from specmatch.maths.statistics.levels import Levels
from specmatch.models._validation import batch_codes, by_wavelength, checked_rows, common_shape, no_reflectance


class Applicability(OutlierMixin, BaseEstimator):
    """Tell spectra that lie outside what the set holds; a row is judged by itself, whatever else is sent.

    Limits rest on the number of batches, and on batches held out. Rows are reflectance: pours to `fit`, then samples,
    of one pour where nothing else is said.

    Parameters
    ----------
    false_alarm_rate : float, default 0.05
        Part of spectra of the set's own kind that may be called outside, in (0, 1); half for T2, half for Q.
    scale : {"log_absorbance", "absorbance", "reflectance"} or None, default "log_absorbance"
        Scale of the components; None takes the rows as a pipeline hands them over, as `reflectance` does.

    Attributes
    ----------
    domain_ : ApplicabilityDomain
    batches_ : ndarray
        Batches in order of first appearance; row numbers where `fit` got no groups.
    wavelengths_ : ndarray or None
        nm, where `fit` got a table with wavelengths as columns.
    shape_ : ndarray, shape (p,)
        Mean of the fitted rows where all have one shape, else zeros; rows that cannot be reflectance are told from it.
    offset_ : float
        -1: `score_samples` lies below it outside.
    n_features_in_ : int

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> nm = np.linspace(450.0, 650.0, 21)
    >>> strength = np.exp(rng.normal(0, 0.3, 20))
    >>> X = 10 ** -np.outer(strength, np.exp(-(nm - 450.0) / 90.0)) + rng.normal(0, 1e-4, (20, 21))
    >>> domain = Applicability().fit(X, groups=np.arange(20))
    >>> domain.check(X[:1] + 0.01 * (nm == 500.0))["outside"].tolist()
    [True]
    """

    def __init__(self, false_alarm_rate: float = 0.05, *, scale: str | None = "log_absorbance") -> None:
        self.false_alarm_rate = false_alarm_rate
        self.scale = scale

    def fit(self, X: Any, y: Any = None, groups: Any = None) -> "Applicability":
        """Learn the space of the batches and the limits.

        Parameters
        ----------
        X : array_like or DataFrame, shape (n_rows, p)
            A table's columns are wavelengths in nm, in any order.
        y : ignored
        groups : array_like, shape (n_rows,), optional
            Batch of each row.

        Returns
        -------
        Applicability

        Raises
        ------
        OptionError
            If `false_alarm_rate` lies outside (0, 1), or the scale is unknown.
        TooFewBatchesError
            With fewer than three batches.

        Examples
        --------
        >>> domain = Applicability().fit(refs.spectra[house.wavelengths_], groups=refs.scans["batch"])
        >>> len(domain.batches_), domain.n_features_in_ == house.wavelengths_.size
        (18, True)
        """
        if not (is_number(self.false_alarm_rate) and 0.0 < self.false_alarm_rate < 1.0):
            raise OptionError(f"false_alarm_rate is {self.false_alarm_rate!r}; expected a part such as 0.01")
        if self.scale is not None and self.scale not in SCALES:
            raise OptionError(f"scale is {self.scale!r}; {', '.join(SCALES)} or None is offered")
        values, self.wavelengths_ = by_wavelength(X, groups=groups)
        values = validate_data(self, values, dtype=np.float64, ensure_min_samples=2)
        batch, self.batches_ = batch_codes(groups, len(values), "Applicability")
        self.offset_ = -1.0
        self.shape_ = common_shape(values)
        levels, scale = Levels.of_pours(batch, batch), self.scale or "reflectance"
        with one_thread():
            self.domain_: ApplicabilityDomain = fit_domain(
                values, levels, transform=scale, false_alarm_rate=self.false_alarm_rate
            )
        return self

    def score_samples(self, X: Any) -> np.ndarray:
        """Return minus the larger of T2 and Q, each over its limit: the farther out, the lower, below -1 outside.

        Parameters
        ----------
        X : array_like or DataFrame, shape (n, p)

        Returns
        -------
        ndarray, shape (n,)

        Examples
        --------
        >>> X = refs.spectra[house.wavelengths_]
        >>> domain = Applicability().fit(X, groups=refs.scans["batch"])
        >>> as_it_is, in_glare = domain.score_samples([X.iloc[0], X.iloc[0] + 0.05])
        >>> bool(in_glare < -1.0 < as_it_is)
        True
        """
        table = self.check(X)
        return -np.maximum(table["t2"] / table["t2_limit"], table["q"] / table["q_limit"]).to_numpy()

    def decision_function(self, X: Any) -> np.ndarray:
        """Return `score_samples(X) - offset_`: 1 or less, negative outside.

        Parameters
        ----------
        X : array_like or DataFrame, shape (n, p)

        Returns
        -------
        ndarray, shape (n,)

        Examples
        --------
        >>> X = refs.spectra[house.wavelengths_]
        >>> domain = Applicability().fit(X, groups=refs.scans["batch"])
        >>> (domain.decision_function([X.iloc[0], X.iloc[0] + 0.05]) < 0).tolist()
        [False, True]
        """
        return self.score_samples(X) - self.offset_

    def predict(self, X: Any) -> np.ndarray:
        """Return 1 for rows inside the set's domain and -1 for rows outside.

        Parameters
        ----------
        X : array_like or DataFrame, shape (n, p)

        Returns
        -------
        ndarray of int, shape (n,)

        Examples
        --------
        >>> X = refs.spectra[house.wavelengths_]
        >>> domain = Applicability().fit(X, groups=refs.scans["batch"])
        >>> domain.predict([X.iloc[0], X.iloc[0] + 0.05]).tolist()
        [1, -1]
        """
        return np.where(self.decision_function(X) < 0, -1, 1)

    def check(self, X: Any, *, n_pours: int = 1) -> pd.DataFrame:
        """Return distances and limits of each row.

        Parameters
        ----------
        X : array_like or DataFrame, shape (n, p)
        n_pours : int, default 1
            Pours behind each row.

        Returns
        -------
        DataFrame
            Index of `X`; columns `leverage, leverage_limit, t2, t2_limit, q, q_limit, joint, joint_limit,
            nearest_distance, nearest_limit, outside` (bool), `not_reflectance` (bool: rows such as percent or
            absorbance) and `reason` (`""`, `T2`, `Q` or `T2+Q`).

        Examples
        --------
        >>> domain = Applicability().fit(refs.spectra[house.wavelengths_], groups=refs.scans["batch"])
        >>> means = spectra[house.wavelengths_].groupby(scans["sample"]).mean()
        >>> domain.check(means + 0.05, n_pours=3)["reason"].tolist()
        ['T2+Q', 'T2+Q', 'T2+Q']
        """
        values = checked_rows(self, X)
        strange = np.zeros(len(values), dtype=bool) if self.scale is None else no_reflectance(values, self.shape_)
        found = self.domain_.check(values, np.full(len(values), n_pours))
        far_out, off_the_plane = found.t2 > found.t2_limit, found.q > found.q_limit
        reason = np.select([far_out & off_the_plane, far_out, off_the_plane], ["T2+Q", "T2", "Q"], "")
        known = {one.name: getattr(found, one.name) for one in fields(found)}
        index = X.index if isinstance(X, pd.DataFrame) else None
        return pd.DataFrame({**known, "not_reflectance": strange, "reason": reason}, index=index)
