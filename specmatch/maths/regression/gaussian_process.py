"""Log colour of batches by a Gaussian process, its kernel chosen by held-out batches."""

# With the hyperparameters of the kernel held, taking a row away changes the inverse of the kernel matrix by one rank.
# So a grid of hyperparameters can be judged inside every fold of a leave-one-out, for little more than one inversion a
# grid point. Source: C. E. Rasmussen, C. K. I. Williams, *Gaussian Processes for Machine Learning*, MIT Press 2006,
# section 5.4.2; the second row follows from the same identity for a block inverse.
# On many rows every row teaches, through the kernel at a few hundred of them: a linear regression on covariances with
# the chosen rows ("subset of regressors"), whose leave-one-out results are closed forms, and whose variance goes back
# to the prior's far from all rows (the deterministic training conditional). With every row chosen both are the exact
# process. Source: J. Quinonero-Candela, C. E. Rasmussen, Journal of Machine Learning Research 6:1939-1959, 2005,
# sections 4 and 5 (from memory).

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints
from specmatch.maths.optics.cup import PRIOR_SD, fit_cup_model
from specmatch.maths.regression.rows_and_responses import KINDS, SpectralRows, learn_rows
from specmatch.maths.spectra.transforms import absorbance

# Prior standard deviation of the level, in logarithms of colour: against a dozen batches it pulls by a millionth, and
# much wider it would only cost digits.
LEVEL_SD = 3.0

# Distance in the first feature over which the slopes along the others may change.
SLOPE_REACH = 3.0


@dataclass(frozen=True)
class Kernel:
    """Prior of a smooth function: a level, slopes that change with the first feature, and bends."""

    slope: float  # standard deviation of the slope along each feature but the first
    bend: float  # standard deviation of what slopes do not explain
    reach: float  # distance in features over which that changes

    def __call__(self, left: Floats, right: Floats) -> Floats:
        """Return prior covariances, shape (n, m), of rows of `left` (n, q) with rows of `right` (m, q)."""
        return self.of(*products_and_distances(left, right))

    def of(self, product: Floats, apart: Floats) -> Floats:
        """Return prior covariances from products and squared distances of rows, of the same shape."""
        return LEVEL_SD**2 + self.slope**2 * product + self.bend**2 * np.exp(-apart / (2.0 * self.reach**2))

    def variance(self, rows: Floats) -> Floats:
        """Return the prior variance of each row, shape (n,)."""
        return LEVEL_SD**2 + self.slope**2 * squares_of(rows) + self.bend**2


def products_and_distances(left: Floats, right: Floats, squares: Floats | None = None) -> tuple[Floats, Floats]:
    """Return what all prior covariances of rows rest on: products of slopes, and squared distances, (n, m) each."""
    # left (n, q), right (m, q), squares (m,): `squares_of` the right ones, where they are known
    along = (left[:, :1] - right[:, 0]) ** 2
    product = left[:, 1:] @ right[:, 1:].T
    across = squares_of(left)[:, None] + (squares_of(right) if squares is None else squares) - 2.0 * product
    # rounding may leave a distance between equal rows a little below 0
    return product * np.exp(-along / (2.0 * SLOPE_REACH**2)), along + np.maximum(across, 0.0)


def squares_of(rows: Floats) -> Floats:
    """Return the sum of squares of the features of each row but the first, shape (n,)."""
    return np.asarray(np.einsum("nq,nq->n", rows[:, 1:], rows[:, 1:]))


@dataclass(frozen=True)
class GaussianProcess:
    """A process conditioned on training rows."""

    kernel: Kernel
    features: Floats  # (k, q): training rows
    inverse: Floats  # (k, k): of kernel matrix plus noise
    weight: Floats  # (k,): `inverse` times the response

    @property
    def held_out_error(self) -> Floats:
        """Each row's response minus its prediction without that row, shape (k,)."""
        return self.weight / np.diag(self.inverse)

    def errors_without_two(self) -> Floats:
        """Return the held-out error of row j when row i is left out too, shape (k, k) as [i, j]; 0 for j = i."""
        inverse, weight = self.inverse, self.weight
        own = np.diag(inverse)
        numerator = weight - inverse * (weight / own)[:, None]
        np.fill_diagonal(numerator, 0.0)
        denominator = own - inverse**2 / own[:, None]
        np.fill_diagonal(denominator, 1.0)
        return numerator / denominator

    def errors_without(self, out: Ints) -> Floats:
        """Return responses of some training rows, shape (m,), minus their predictions without all of these rows."""
        return np.asarray(np.linalg.solve(self.inverse[np.ix_(out, out)], self.weight[out]))

    def weights_without(self) -> Floats:
        """Return the weights of the process without each training row in turn, shape (k, k): a row a left-out row."""
        return self.weight - self.inverse * self.held_out_error[:, None]

    def covariance(self, rows: Floats) -> Floats:
        """Return the prior covariances of rows, shape (n, q), with the training rows, shape (n, k)."""
        return self.kernel.of(*products_and_distances(rows, self.features, self._squares))

    @cached_property
    def _squares(self) -> Floats:
        return squares_of(self.features)

    def predict(self, rows: Floats, covariance: Floats | None = None) -> tuple[Floats, Floats]:
        """Return predictions, shape (n,), and the variance that the training rows leave, shape (n,)."""
        # covariance (n, k): of rows and training rows, where it is known
        covariance = self.covariance(rows) if covariance is None else covariance
        left = self.kernel.variance(rows) - np.einsum("nk,nk->n", covariance @ self.inverse, covariance)
        return covariance @ self.weight, np.maximum(left, 0.0)

    def variance_without(self, rows: Floats, left_out: Ints, covariance: Floats | None = None) -> Floats:
        """Return the variance for each row when training row `left_out` of it is taken away, shape (n,)."""
        covariance = self.covariance(rows) if covariance is None else covariance
        share = np.einsum("nk,nk->n", covariance, self.inverse[left_out])
        return self.predict(rows, covariance)[1] + share**2 / np.diag(self.inverse)[left_out]


def fit_gaussian_processes(
    features: ArrayLike, response: ArrayLike, noise: ArrayLike, kernels: Sequence[Kernel]
) -> list[GaussianProcess]:
    """Condition Gaussian processes of several kernels on the same training rows."""
    # features (k, q), response (k,), noise (k,)
    # imported here: a fitted model is loaded and read without SciPy's linear algebra
    from scipy.linalg import cholesky
    from scipy.linalg.lapack import dpotri

    rows, y, found = np.asarray(features, float), np.asarray(response, float), []
    own, diagonal, parts = np.asarray(noise, float), np.diag_indices(len(rows)), products_and_distances(rows, rows)
    for kernel in kernels:
        prior = kernel.of(*parts)
        prior[diagonal] += own
        # half the work of a general inverse; only the lower triangle is filled
        inverse, _ = dpotri(cholesky(prior, lower=True), lower=1)
        inverse = inverse + inverse.T
        inverse[diagonal] /= 2.0
        found.append(GaussianProcess(kernel=kernel, features=rows, inverse=inverse, weight=inverse @ y))
    return found


# What the chosen rows may leave open of any row's prior variance, as a part of the smallest variance of a response.
LEFT_OPEN = 0.01

# Added to the diagonal of the chosen rows' kernel matrix, as a part of its mean: rows that are all but equal must not
# stop the factorization, and the variance of a lab colour is ten thousand times larger.
JITTER = 1e-9


@dataclass(frozen=True)
class SparseProcess:
    """A process conditioned on many rows through a few; see `fit_sparse_process`."""

    process: GaussianProcess  # `features` are the chosen rows; it predicts like any other
    held_out_error: Floats  # (n,): each row's response minus its prediction without that row
    weights_without: Floats  # (n, m): weights of the process without each row in turn


def fit_sparse_process(
    features: Floats, response: Floats, noise: Floats, kernel: Kernel, chosen: Ints
) -> SparseProcess:
    """Condition a Gaussian process on rows through its values at some of them."""
    # features (n, q), response (n,), noise (n,), chosen (m,)
    from scipy.linalg import cho_solve, solve_triangular

    centres = features[chosen]
    lower, across, inner = _through(features, noise, kernel, chosen)
    shared = cho_solve((inner, True), across)
    fitted = solve_triangular(lower, shared, lower=True, trans="T")
    weight = fitted @ (response / noise)
    leverage = (across * shared).sum(axis=0) / noise
    held_out_error = (response - weight @ kernel(centres, features)) / (1.0 - leverage)
    back = solve_triangular(lower, np.eye(len(lower)), lower=True)
    process = GaussianProcess(kernel, centres, back.T @ (back - cho_solve((inner, True), back)), weight)
    return SparseProcess(process, held_out_error, weight - (fitted * (held_out_error / noise)).T)


def sparse_held_out_errors(features: Floats, response: Floats, noise: Floats, kernel: Kernel, chosen: Ints) -> Floats:
    """Return the held-out errors of `fit_sparse_process`, shape (n,), without the rest of it."""
    from scipy.linalg import solve_triangular

    _, across, inner = _through(features, noise, kernel, chosen)
    half = solve_triangular(inner, across, lower=True)
    return (response - (half @ (response / noise)) @ half) / (1.0 - (half**2).sum(axis=0) / noise)


def _through(features: Floats, noise: Floats, kernel: Kernel, chosen: Ints) -> tuple[Floats, Floats, Floats]:
    """Return the factor of the chosen rows' covariances, all rows in its axes, and the factor of their scatter."""
    # -> (m, m), (m, n), (m, m), the factors lower triangles
    # imported here: a fitted model is loaded and read without SciPy's linear algebra
    from scipy.linalg import cholesky, solve_triangular

    centres = features[chosen]
    own = kernel(centres, centres)
    lower = cholesky(own + JITTER * np.trace(own) / len(own) * np.eye(len(own)), lower=True)
    across = solve_triangular(lower, kernel(centres, features), lower=True)
    return lower, across, cholesky(np.eye(len(own)) + (across / noise) @ across.T, lower=True)


class RowCovariances:
    """Prior covariances of single rows with all of them; what every kernel rests on is worked out once."""

    def __init__(self, features: Floats) -> None:
        self.features, self.squares = features, squares_of(features)
        self._parts: dict[int, tuple[Floats, Floats]] = {}

    def of(self, kernel: Kernel, row: int) -> Floats:
        """Return the covariances of a row under a kernel, shape (n,)."""
        if row not in self._parts:
            self._parts[row] = products_and_distances(self.features[[row]], self.features, self.squares)
        return kernel.of(*self._parts[row])[0]


def spread_rows(rows: RowCovariances, noise: Floats, kernel: Kernel, most: int) -> Ints:
    """Choose rows so that the process at all rows nearly follows from its values there."""
    # noise (n,) -> (m,)
    left = kernel.variance(rows.features)
    factor = np.zeros((min(most, len(left)), len(left)))
    chosen: list[int] = []
    while len(chosen) < len(factor) and left.max() > LEFT_OPEN * noise.min():
        row = int(left.argmax())
        own = rows.of(kernel, row) - factor[: len(chosen), row] @ factor[: len(chosen)]
        factor[len(chosen)] = own / np.sqrt(left[row])
        left = np.maximum(left - factor[len(chosen)] ** 2, 0.0)
        left[row] = 0.0
        chosen.append(row)
    return np.array(chosen, np.int64)


OPTICAL, LOG_ABSORBANCE = "optical", "log_absorbance"

# Added to absorbance before the logarithm, so that channels where a pale beer absorbs nothing do not run to -infinity.
ABSORBANCE_OFFSET = 0.2

# Strengths that differ by this much in logarithms, the distance of neighbouring beers, lie one unit apart.
STRENGTH_UNIT = 0.2
FEATURE_UNITS = np.concatenate([[STRENGTH_UNIT], PRIOR_SD[1:]])

# Slopes and bends in log colour, reaches in units of the features: the grid that held-out batches choose from.
GRIDS = {
    OPTICAL: ((0.004, 0.010, 0.025), (0.01, 0.03, 0.1), (1.0, 2.5)),
    LOG_ABSORBANCE: ((0.3, 1.0, 3.0), (0.3, 3.0), (0.5, 2.0)),
}
# the same for rows of any liquid, of length 1, and responses of standard deviation 1
ROWS_GRID = ((0.1, 1.0, 10.0, 100.0, 1000.0), (0.3, 3.0, 30.0), (1.0, 3.0, 10.0))

# Rows at a time: a block of rows by batches stays within a few megabytes.
BLOCK = 2048
# ... and where one row's covariances are used again and again, within the processor's cache
FEW = 256

# From here on the kernel is chosen once, on so many batches spread over the colours, not anew without each batch, and
# all batches teach through their covariances with so many at most: one batch in hundreds changes no choice, and
# inversions of matrices of all batches would take minutes.
MOST_BATCHES_AT_ONCE = 400
# Those so many batches tell the best kernels from the rest; among the best, all batches tell.
KERNELS_FOR_ALL = 12


@dataclass(frozen=True)
class ProcessRegression:
    """A fitted process; see `fit_process`."""

    inputs: str  # what is made of reflectance: `"optical"`, `"log_absorbance"`, or a kind of `SpectralRows`
    wavelength_nm: Floats  # wavelength_nm, noise: (p,): of the channels
    noise: Floats
    # of log colour less what the inputs already say, on all batches; of more than `MOST_BATCHES_AT_ONCE` through so
    # many of them at most
    process: GaussianProcess
    kernels: Floats  # (u, 3): slope, bend and reach of the kernels that any fold chose
    fold_kernel: Ints  # (K,): the one that was chosen without each batch
    fold_weight: Floats  # (K, m): weights of the process without each batch, on the m rows of its features
    choice_error: float  # mean square of the held-out errors of the chosen kernel
    # (K,): the same among the other batches, where each batch in turn was out of everything
    choice_error_without: Floats
    rows: SpectralRows | None = None  # of a kind of `SpectralRows`

    def made(self, reflectance: ArrayLike) -> tuple[Floats, Floats]:
        """Return what is known of the response beforehand, shape (n,), and the features for the rest, shape (n, q)."""
        return process_inputs(reflectance, self.wavelength_nm, self.noise, self.inputs, self.rows)

    def predict(self, reflectance: ArrayLike) -> tuple[Floats, Floats]:
        """Return responses, shape (n,), and their variance by the process, shape (n,)."""
        known, rows = self.made(reflectance)
        rest, variance = self.process.predict(rows)
        return known + rest, variance

    def predict_without(self, reflectance: ArrayLike) -> Floats:
        """Return responses by the models without each batch, shape (n, K)."""
        known, rows = self.made(reflectance)
        return known[:, None] + self._rest_without(rows, self.process.covariance(rows))

    def predict_with_and_without(self, reflectance: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Return what `predict` and `predict_without` do, shapes (n,), (n,) and (n, K), for the inputs of one."""
        known, rows = self.made(reflectance)
        middle, variance, without = known.copy(), np.empty(len(rows)), np.empty((len(rows), self.fold_kernel.size))
        for start in range(0, len(rows), FEW):
            part = slice(start, start + FEW)
            covariance = self.process.covariance(rows[part])
            rest, variance[part] = self.process.predict(rows[part], covariance)
            middle[part] += rest
            np.add(self._rest_without(rows[part], covariance), known[part, None], out=without[part])
        return middle, variance, without

    def _rest_without(self, rows: Floats, covariance: Floats) -> Floats:
        out = np.empty((rows.shape[0], self.fold_kernel.size))
        for kernel, folds, weight in self._by_kernel:
            prior = covariance if kernel is None else kernel(rows, self.process.features)
            out[:, folds] = prior @ weight
        return out

    @cached_property
    def _by_kernel(self) -> list[tuple[Kernel | None, Ints, Floats]]:
        """Folds that chose each kernel, with their weights; None for that of the whole, which most folds choose."""
        kernels = [Kernel(*values.tolist()) for values in self.kernels]
        folds = [np.flatnonzero(self.fold_kernel == code) for code in range(len(kernels))]
        return [
            (None if kernel == self.process.kernel else kernel, own, self.fold_weight[own].T)
            for kernel, own in zip(kernels, folds, strict=True)
        ]

    def predict_held_out(self, reflectance: ArrayLike, batch: Ints) -> tuple[Floats, Floats]:
        """Return what `predict` does, (n,) each, by the model without the batch at position `batch` of each row."""
        # one batch in many hundreds moves the variance little: there it is that of the whole
        known, rows = self.made(reflectance)
        rest, variance = np.empty(len(rows)), np.empty(len(rows))
        whole = len(self.process.features) < self.fold_kernel.size
        for start in range(0, len(rows), BLOCK):
            part, out = rows[start : start + BLOCK], batch[start : start + BLOCK]
            covariance = self.process.covariance(part)
            variance[start : start + BLOCK] = (
                self.process.predict(part, covariance)[1]
                if whole
                else self.process.variance_without(part, out, covariance)
            )
            weight = self.fold_weight[out]
            for code in np.unique(self.fold_kernel[out]):
                own = np.flatnonzero(self.fold_kernel[out] == code)
                kernel = Kernel(*self.kernels[code].tolist())
                prior = covariance[own] if kernel == self.process.kernel else kernel(part[own], self.process.features)
                rest[start + own] = np.einsum("nk,nk->n", prior, weight[own])
        return known + rest, variance


def process_inputs(
    reflectance: ArrayLike, wavelength_nm: Floats, noise: Floats, inputs: str, made: SpectralRows | None = None
) -> tuple[Floats, Floats]:
    """Return what is known of log colour beforehand, and the features for the rest."""
    # reflectance (n, p), wavelength_nm, noise (p,) -> (n,), (n, q)
    if inputs == OPTICAL:
        theta = fit_cup_model(reflectance, wavelength_nm, noise)
        return theta[:, 0], theta / FEATURE_UNITS
    if made is not None:
        rows = made.of(reflectance)
    else:
        # reflectance a little above 1 (lamp, foam) must not reach the pole of the logarithm
        rows = np.log(np.maximum(absorbance(reflectance), -ABSORBANCE_OFFSET / 2.0) + ABSORBANCE_OFFSET)
        rows = rows / np.sqrt(rows.shape[1])
    return np.zeros(rows.shape[0]), np.column_stack([np.zeros(rows.shape[0]), rows])


def fit_process(
    reflectance: Floats,
    response: Floats,
    variance: Floats,
    wavelength_nm: Floats,
    noise: Floats,
    inputs: str,
    share: Floats | None = None,
) -> ProcessRegression:
    """Fit a Gaussian process of the response to batch means, choosing its kernel by held-out batches."""
    # reflectance (K, p), response, variance (K,), wavelength_nm, noise (p,)
    # share (K,): what the squared error of each batch counts in the choice, 1 on average
    made = learn_rows(reflectance, inputs) if inputs in KINDS else None
    known, rows = process_inputs(reflectance, wavelength_nm, noise, inputs, made)
    rest = response - known
    kernels = [Kernel(*values) for values in product(*(GRIDS[inputs] if made is None else ROWS_GRID))]
    n = rest.size
    counts = np.ones(n) if share is None else share
    of_these = partial(ProcessRegression, inputs, wavelength_nm, noise, rows=made)
    if n > MOST_BATCHES_AT_ONCE:
        spread = np.argsort(response, kind="stable")[np.linspace(0, n - 1, MOST_BATCHES_AT_ONCE).astype(int)]
        few = fit_gaussian_processes(rows[spread], rest[spread], variance[spread], kernels)
        errors = [process.held_out_error**2 @ counts[spread] for process in few]
        best = [kernels[k] for k in np.argsort(errors, kind="stable")[:KERNELS_FOR_ALL]]
        kernel, sparse = _through_few(rows, rest, variance, counts, best)
        squares = counts * sparse.held_out_error**2
        return of_these(
            process=sparse.process,
            kernels=np.array([[kernel.slope, kernel.bend, kernel.reach]]),
            fold_kernel=np.zeros(n, np.int64),
            fold_weight=sparse.weights_without,
            choice_error=float(squares.mean()),
            choice_error_without=(squares.sum() - squares) / (n - 1),
        )
    processes = fit_gaussian_processes(rows, rest, variance, kernels)
    error = [float(np.mean(counts * process.held_out_error**2)) for process in processes]
    chosen = int(np.argmin(error))
    without = np.array([process.errors_without_two() ** 2 @ counts for process in processes]) / (n - 1)
    choice = np.argmin(without, axis=0)
    used, fold_kernel = np.unique(choice, return_inverse=True)
    fold_weight = np.empty((n, n))
    for g in used:
        fold_weight[choice == g] = processes[g].weights_without()[choice == g]
    return of_these(
        process=processes[chosen],
        kernels=np.array([[kernels[g].slope, kernels[g].bend, kernels[g].reach] for g in used]),
        fold_kernel=fold_kernel.astype(np.int64),
        fold_weight=fold_weight,
        choice_error=error[chosen],
        choice_error_without=without.min(axis=0),
    )


def _through_few(
    rows: Floats, response: Floats, variance: Floats, share: Floats, kernels: list[Kernel]
) -> tuple[Kernel, SparseProcess]:
    """Condition a process on many rows through a few of them, by the kernel of the least held-out error."""
    each = RowCovariances(rows)
    tried = [(kernel, spread_rows(each, variance, kernel, MOST_BATCHES_AT_ONCE)) for kernel in kernels]
    kernel, few = min(tried, key=lambda one: share @ sparse_held_out_errors(rows, response, variance, *one) ** 2)
    return kernel, fit_sparse_process(rows, response, variance, kernel, few)
