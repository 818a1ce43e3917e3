"""Transforms of spectra as scikit-learn transformers: thin shells over `specmatch.maths`."""

from abc import ABC, abstractmethod
from numbers import Integral, Real
from types import NoneType
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator, OneToOneFeatureMixin, TransformerMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from specmatch.array_types import Floats
from specmatch.errors import OptionError
from specmatch.maths.spectra import transforms
from specmatch.models._validation import by_wavelength, checked_rows
from specmatch.public_names import NEW_NAMES, new_name


class _SpectralTransformer(OneToOneFeatureMixin, TransformerMixin, BaseEstimator, ABC):
    """Shared road of the transformers: check the rows, learn, transform."""

    _fewest_columns = 1

    def fit(self, X: Any, y: Any = None) -> Any:
        """Learn what the transform needs from spectra of shape (n, p); `y` is ignored."""
        # X (n, p)
        for name, value in self.get_params().items():
            if not isinstance(value, Real if name == "floor" else Integral | NoneType):
                raise OptionError(f"{name} is {value!r}; a {'' if name == 'floor' else 'whole '}number is needed")
        values, self.wavelengths_ = by_wavelength(X)
        self._learn(validate_data(self, values, dtype=np.float64, ensure_min_features=self._fewest_columns))
        return self

    def transform(self, X: Any) -> Floats:
        """Return transformed spectra, shape (n, p)."""
        # X (n, p) -> (n, p)
        return self._apply(checked_rows(self, X))

    def get_feature_names_out(self, input_features: Any = None) -> NDArray[np.object_]:
        """Return names of the output columns, shape (p,): wavelengths in nm where `fit` got a table of them."""
        # with these, `set_output(transform="pandas")` gives tables that are spectra tables again
        check_is_fitted(self)
        if self.wavelengths_ is None:
            return super().get_feature_names_out(input_features)
        # the shortest text that reads as the same number again
        return np.array([repr(float(nm)) for nm in self._nm_out()], dtype=object)

    def _learn(self, rows: Floats) -> None:
        del rows

    @abstractmethod
    def _apply(self, rows: Floats) -> Floats:
        """Return the transformed rows, shape (n, p)."""

    def _nm_out(self) -> Floats:
        """Wavelengths of the columns that come out, where those of the fit are known."""
        assert self.wavelengths_ is not None
        return self.wavelengths_

    def _nm(self, n_columns: int) -> Floats:
        """Wavelengths of the fit; columns of a plain array are taken as 1 nm apart."""
        return np.arange(n_columns, dtype=float) if self.wavelengths_ is None else self.wavelengths_


class Absorbance(_SpectralTransformer):
    """Reflectance to apparent absorbance, -log10 R.

    Parameters
    ----------
    floor : float, default 0.001
        Smallest reflectance that is believed; what lies below counts as this much.

    Attributes
    ----------
    wavelengths_ : ndarray of nm, shape (p,), or None after a plain array

    Examples
    --------
    >>> Absorbance().fit_transform([[1.0, 0.1]]).tolist()
    [[-0.0, 1.0]]
    """

    def __init__(self, *, floor: float = transforms.REFLECTANCE_FLOOR) -> None:
        self.floor = floor

    def _apply(self, rows: Floats) -> Floats:
        return transforms.absorbance(rows, floor=self.floor)


class StandardNormalVariate(_SpectralTransformer):
    """Each spectrum to mean 0 and standard deviation 1; throws away depth, so never by itself for colour.

    R. J. Barnes, M. S. Dhanoa, S. J. Lister, Applied Spectroscopy 43:772-777, 1989 (reference from memory), with
    n - 1 in the variance.

    Attributes
    ----------
    wavelengths_ : ndarray of nm, shape (p,), or None after a plain array

    Examples
    --------
    >>> StandardNormalVariate().fit_transform([[1.0, 2.0, 3.0]]).tolist()
    [[-1.0, 0.0, 1.0]]
    """

    _fewest_columns = 2

    def _apply(self, rows: Floats) -> Floats:
        return transforms.unit_variance(rows)


class MultiplicativeScatterCorrection(_SpectralTransformer):
    """Each spectrum to offset and slope of the mean spectrum of the fitted set (MSC).

    P. Geladi, D. MacDougall, H. Martens, Applied Spectroscopy 39:491-500, 1985; with a baseline: H. Martens, E. Stark,
    J. Pharm. Biomed. Anal. 9:625-635, 1991 (references from memory).

    Parameters
    ----------
    degree : int, default 0
        Degree of the baseline in wavelength, 0 to 5; above 0 it is the extended correction.

    Attributes
    ----------
    reference_ : ndarray, shape (p,)
        Mean spectrum of the fitted set, the same for every scan that comes later.
    wavelengths_ : ndarray of nm, shape (p,), or None after a plain array

    Examples
    --------
    >>> correction = MultiplicativeScatterCorrection().fit([[1.0, 2.0, 4.0], [1.2, 2.2, 4.2]])
    >>> correction.transform([[2.0, 4.0, 8.0]]).round(3).tolist()
    [[1.1, 2.1, 4.1]]
    """

    _fewest_columns = 2

    def __init__(self, *, degree: int = 0) -> None:
        self.degree = degree

    def _learn(self, rows: Floats) -> None:
        self.reference_ = rows.mean(axis=0)
        self._apply(self.reference_[None, :])  # a degree out of range speaks up now, not at the first scan

    def _apply(self, rows: Floats) -> Floats:
        return transforms.correct_scatter_extended(rows, self.reference_, self._nm(rows.shape[1]), degree=self.degree)


class SavitzkyGolay(_SpectralTransformer):
    """Local polynomial smoothing with polynomial ends, on an even grid.

    A. Savitzky, M. J. E. Golay, Anal. Chem. 36:1627-1639, 1964.

    Parameters
    ----------
    window : int or None, default None
        Odd number of points, no longer than the spectrum; None takes 5, or the longest that a shorter spectrum holds.
    degree : int or None, default None
        None takes 2, or what the window allows.

    Attributes
    ----------
    window_, degree_ : int
        As used.
    wavelengths_ : ndarray of nm, shape (p,), or None after a plain array

    Examples
    --------
    >>> SavitzkyGolay(window=3, degree=1).fit_transform([[1.0, 2.0, 3.0, 4.0]]).round(9).tolist()
    [[1.0, 2.0, 3.0, 4.0]]
    """

    def __init__(self, *, window: int | None = None, degree: int | None = None) -> None:
        self.window = window
        self.degree = degree

    def _learn(self, rows: Floats) -> None:
        self.window_ = transforms.fitting_window(rows.shape[1], 5) if self.window is None else self.window
        self.degree_ = min(2, self.window_ - 1) if self.degree is None else self.degree
        transforms.check_window(self.window_, self.degree_, rows.shape[1])
        if rows.shape[1] > 1:
            transforms.even_step(self._nm(rows.shape[1]))

    def _apply(self, rows: Floats) -> Floats:
        return transforms.smooth(rows, window=self.window_, degree=self.degree_)


class SavitzkyGolayDerivative(_SpectralTransformer):
    """Derivative per nm by the polynomials of `SavitzkyGolay`; an uneven grid is made even first.

    Parameters
    ----------
    order : {1, 2}, default 1
    window : int or None, default None
        Odd number of points, no longer than the spectrum; None takes 7, or the longest that a shorter spectrum holds.
    degree : int, default 2

    Attributes
    ----------
    window_ : int
        As used.
    grid_ : ndarray, shape (p,)
        Wavelengths of the columns that come out, in nm.
    wavelengths_ : ndarray of nm, shape (p,), or None after a plain array

    Examples
    --------
    >>> SavitzkyGolayDerivative(window=3).fit_transform([[0.0, 2.0, 4.0, 6.0]]).round(9).tolist()
    [[2.0, 2.0, 2.0, 2.0]]
    """

    _fewest_columns = 2

    def __init__(self, *, order: int = 1, window: int | None = None, degree: int = 2) -> None:
        self.order = order
        self.window = window
        self.degree = degree

    def _learn(self, rows: Floats) -> None:
        self.window_ = transforms.fitting_window(rows.shape[1], 7) if self.window is None else self.window
        self.grid_ = transforms.to_even_grid(rows[:1], self._nm(rows.shape[1]))[1]
        self._apply(rows[:1])  # what cannot be speaks up now, not at the first scan

    def _nm_out(self) -> Floats:
        return self.grid_

    def _apply(self, rows: Floats) -> Floats:
        even, grid = transforms.to_even_grid(rows, self._nm(rows.shape[1]))
        if grid.size == 2 and self.order == 1 and self.window is None:
            # two points have one slope, and no room for a window
            return np.repeat((even[:, 1:] - even[:, :1]) / (grid[1] - grid[0]), 2, axis=1)
        return transforms.derivative(even, grid, order=self.order, window=self.window_, degree=self.degree)


def __getattr__(name: str) -> Any:
    if name in NEW_NAMES:
        return globals()[new_name(name)]
    raise AttributeError(f"module 'specmatch.models.preprocessing' has no attribute {name!r}")
