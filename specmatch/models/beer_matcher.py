"""Which beer is it: the nearest one, all plausible ones, or none."""

import warnings
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.utils.multiclass import check_classification_targets
from sklearn.utils.validation import validate_data

from specmatch.array_types import is_number
from specmatch.errors import OptionError, ParentsError, TableError
from specmatch.long_jobs import one_thread
from specmatch.maths.classification.class_model import ClassModel, fit_class_model, identify
from specmatch.maths.classification.discriminant_space import ROWS, SCALES
from specmatch.maths.statistics.levels import Levels
from specmatch.models._validation import batch_codes, by_wavelength, checked_rows, common_shape, warn_of_no_reflectance


class BeerMatcher(ClassifierMixin, BaseEstimator):
    """Match reflectance spectra to beers by distance in the scatter between batches of one beer.

    `predict` is closed: it names the nearest beer whatever comes. `match` is open. Rows are reflectance: pours to
    `fit`, where those of one batch are of one sample, then samples of one pour, or of `n_pours`.

    Parameters
    ----------
    false_reject_rate : float, default 0.05
        Part of true samples of a beer that may be refused as that beer, in (0, 1).
    scale : {"auto", "reflectance", "absorbance", "log_absorbance"} or None, default "auto"
        Scale on which distance is taken; `auto` lets held-out batches and held-out beers choose. None takes the rows
        as a pipeline hands them over, and all their columns; held-out batches choose whether each row is first freed
        of its own level and size (standard normal variate).
    n_components : int or None, default None
        Axes of the metric; None lets held-out batches and held-out beers choose.

    Attributes
    ----------
    classes_ : ndarray
        Beers, sorted.
    batches_ : ndarray
        Batches in order of first appearance; row numbers where `fit` got no groups.
    shape_ : ndarray, shape (p,)
        Mean of the fitted rows where all have one shape, else zeros; rows that cannot be reflectance are told from it.
    wavelengths_ : ndarray or None
        nm, where `fit` got a table with wavelengths as columns.
    typicality_ : ClassModel
        Metric and means.
    n_features_in_ : int

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> nm = np.linspace(450.0, 650.0, 21)
    >>> strength = np.repeat([1.0, 2.0], 8) * np.exp(rng.normal(0, 0.03, 16))
    >>> X = pd.DataFrame(10 ** -np.outer(strength, np.exp(-(nm - 450.0) / 90.0)), columns=nm)
    >>> matcher = BeerMatcher().fit(X, np.repeat(["Pale", "Amber"], 8), groups=[f"B{i}" for i in range(16)])
    >>> matcher.match(X.iloc[:1] ** 1.4)["plausible_beers"].tolist()
    [()]
    """

    def __init__(
        self, false_reject_rate: float = 0.05, *, scale: str | None = "auto", n_components: int | None = None
    ) -> None:
        self.false_reject_rate = false_reject_rate
        self.scale = scale
        self.n_components = n_components

    def fit(self, X: Any, y: Any, groups: Any = None) -> "BeerMatcher":
        """Learn the metric and the beers.

        Parameters
        ----------
        X : array_like or DataFrame, shape (n_rows, p)
            A table's columns are wavelengths in nm, in any order.
        y : array_like, shape (n_rows,)
            Beer of each row.
        groups : array_like, shape (n_rows,), optional
            Batch of each row.

        Returns
        -------
        BeerMatcher

        Raises
        ------
        OptionError
            If `false_reject_rate` lies outside (0, 1), the scale is unknown, or `n_components` is no whole number
            above 0.
        ParentsError
            If a batch stands under two beers.
        TableError
            If a row has no beer.
        TooFewBatchesError
            With fewer than two batches.

        Examples
        --------
        >>> batch = refs.scans["batch"]
        >>> matcher = BeerMatcher(scale="absorbance").fit(refs.spectra, batch.map(refs.batches["beer"]), groups=batch)
        >>> matcher.classes_.tolist()
        ['Amber Lane', 'Meadow Pils', 'Night Porter']
        """
        if not (is_number(self.false_reject_rate) and 0.0 < self.false_reject_rate < 1.0):
            raise OptionError(f"false_reject_rate is {self.false_reject_rate!r}; expected a part such as 0.05")
        offered = dict.fromkeys(["auto", *(scale.transform for scale in SCALES)])
        if self.scale is not None and self.scale not in offered:
            raise OptionError(f"scale is {self.scale!r}; {', '.join(offered)} or None is offered")
        if self.n_components is not None and not (is_number(self.n_components, whole=True) and self.n_components > 0):
            raise OptionError(
                f"n_components is {self.n_components!r}; expected 1 or more, or None to let batches choose"
            )
        values, self.wavelengths_ = by_wavelength(X, y=y, groups=groups)
        missing = pd.isna(np.atleast_1d(np.asarray(y, dtype=object)))
        if y is not None and missing.any():
            raise TableError(f"row {int(missing.argmax())} of X has no beer in y; name it or leave the row out")
        values, y = validate_data(self, values, y, dtype=np.float64, ensure_min_samples=2)
        with warnings.catch_warnings():
            # many beers with one batch each are a thin set, not a regression: `too_few_batches` says so
            warnings.filterwarnings("ignore", "The number of unique classes", UserWarning)
            check_classification_targets(y)
        self.shape_ = common_shape(values)
        self.classes_, beer = np.unique(y, return_inverse=True)
        batch, self.batches_ = batch_codes(groups, len(values), "BeerMatcher")
        parents = pd.DataFrame({"batch": batch, "beer": beer}).drop_duplicates()
        if parents["batch"].duplicated().any():
            twice = parents.loc[parents["batch"].duplicated(), "batch"].iloc[0]
            beers = self.classes_[parents.loc[parents["batch"] == twice, "beer"]]
            raise ParentsError(f"batch '{self.batches_[twice]}' stands under two beers, '{beers[0]}' and '{beers[1]}'")
        levels, rate, scale = Levels.of_pours(batch, batch, beer), self.false_reject_rate, self.scale or ROWS
        with one_thread():
            self.typicality_: ClassModel = fit_class_model(
                values, levels, false_reject_rate=rate, transform=scale, n_components=self.n_components
            )
        return self

    def predict(self, X: Any) -> np.ndarray:
        """Return the nearest beer of each row: a closed answer, given whatever comes.

        Parameters
        ----------
        X : array_like or DataFrame, shape (n, p)

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
        >>> matcher = BeerMatcher(scale="absorbance").fit(refs.spectra, batch.map(refs.batches["beer"]), groups=batch)
        >>> matcher.predict(spectra.iloc[[0, 3, 6]]).tolist()
        ['Night Porter', 'Meadow Pils', 'Amber Lane']
        """
        rows = self._rows(X)  # first of all: it refuses what is not fitted
        return self.classes_[self.typicality_.nearest_beer(rows)]

    def match(self, X: Any, *, n_pours: int = 1) -> pd.DataFrame:
        """Return the open answer of each row.

        Parameters
        ----------
        X : array_like or DataFrame, shape (n, p)
        n_pours : int, default 1
            Pours behind each row.

        Returns
        -------
        DataFrame
            Index of `X`; columns `nearest_beer`, `p_value` (how typical of it), `p_value_method`, `plausible_beers`
            (tuple: every beer not rejected at the stated rate; empty = none of ours), `nearest_batch`, `distance` (to
            it, about 1 between batches of one beer), `too_few_batches` (of the nearest beer).

        Examples
        --------
        >>> batch = refs.scans["batch"]
        >>> matcher = BeerMatcher(scale="absorbance").fit(refs.spectra, batch.map(refs.batches["beer"]), groups=batch)
        >>> means = spectra.groupby(scans["sample"]).mean()
        >>> matcher.match(means, n_pours=3)["plausible_beers"].tolist()
        [('Amber Lane',), ('Meadow Pils',), ('Night Porter',)]
        >>> matcher.match(means.clip(lower=0.0) ** 1.5, n_pours=3)["plausible_beers"].tolist()  # half as strong again
        [(), (), ()]
        """
        rows = self._rows(X)  # first of all: it refuses what is not fitted
        found = identify(self.typicality_, rows, n_pours, false_reject_rate=self.false_reject_rate)
        plausible, first = self.classes_[found.plausible], found.first.tolist()
        return pd.DataFrame(
            {
                "nearest_beer": self.classes_[found.nearest_beer],
                "p_value": found.p_value,
                "p_value_method": np.array(self.typicality_.p_method, dtype=object)[found.nearest_beer],
                "plausible_beers": [tuple(plausible[a:b]) for a, b in pairwise(first)],
                "nearest_batch": self.batches_[found.nearest_batch],
                "distance": found.nearest_distance,
                "too_few_batches": self.typicality_.too_few_batches[found.nearest_beer],
            },
            index=X.index if isinstance(X, pd.DataFrame) else None,
        )

    def _rows(self, X: Any) -> np.ndarray:
        values = checked_rows(self, X)
        if self.scale is not None:
            warn_of_no_reflectance(values, self.shape_, "BeerMatcher")
        return values
