"""Log colour of batches by a Gaussian process, its kernel chosen by held-out batches."""

from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints
from specmatch.errors import OptionError
from specmatch.maths.optics.inverse_model import PRIOR_SD, fit_cup_model
from specmatch.maths.regression.gaussian_process import (
    GaussianProcess,
    Kernel,
    RowCovariances,
    SparseProcess,
    fit_gaussian_processes,
    fit_sparse_process,
    sparse_held_out_errors,
    spread_rows,
)
from specmatch.maths.regression.spectral_rows import KINDS, SpectralRows, learn_rows
from specmatch.maths.spectra.transforms import absorbance

OPTICAL, LOG_ABSORBANCE = "optical", "log_absorbance"

# Added to absorbance before the logarithm, so that channels where a pale beer absorbs nothing do not run to -infinity.
ABSORBANCE_OFFSET = 0.2

# Strengths that differ by this much in logarithms, the distance of neighbouring beers, lie one unit apart.
STRENGTH_UNIT = 0.2

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
        return known[:, None] + self._rest_without(rows, self.process.kernel(rows, self.process.features))

    def predict_with_and_without(self, reflectance: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Return what `predict` and `predict_without` do, shapes (n,), (n,) and (n, K), for the inputs of one."""
        known, rows = self.made(reflectance)
        middle, variance, without = known.copy(), np.empty(len(rows)), np.empty((len(rows), self.fold_kernel.size))
        for start in range(0, len(rows), FEW):
            part = slice(start, start + FEW)
            covariance = self.process.kernel(rows[part], self.process.features)
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
        """Return what `predict` does, (n,) each, by the model without the batch at position `batch` of each row.

        One batch in many hundreds moves the variance little: there it is that of the whole.
        """
        known, rows = self.made(reflectance)
        rest, variance = np.empty(len(rows)), np.empty(len(rows))
        whole = len(self.process.features) < self.fold_kernel.size
        for start in range(0, len(rows), BLOCK):
            part, out = rows[start : start + BLOCK], batch[start : start + BLOCK]
            covariance = self.process.kernel(part, self.process.features)
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
        return theta[:, 0], theta / np.concatenate([[STRENGTH_UNIT], PRIOR_SD[1:]])
    if made is not None:
        rows = made.of(reflectance)
    elif inputs == LOG_ABSORBANCE:
        # reflectance a little above 1 (lamp, foam) must not reach the pole of the logarithm
        rows = np.log(np.maximum(absorbance(reflectance), -ABSORBANCE_OFFSET / 2.0) + ABSORBANCE_OFFSET)
        rows = rows / np.sqrt(rows.shape[1])
    else:
        raise OptionError(f"inputs is {inputs!r}; one of {', '.join((*GRIDS, *KINDS))} is offered")
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
    if n > MOST_BATCHES_AT_ONCE:
        spread = np.argsort(response, kind="stable")[np.linspace(0, n - 1, MOST_BATCHES_AT_ONCE).astype(int)]
        few = fit_gaussian_processes(rows[spread], rest[spread], variance[spread], kernels)
        errors = [process.held_out_error**2 @ counts[spread] for process in few]
        best = [kernels[k] for k in np.argsort(errors, kind="stable")[:KERNELS_FOR_ALL]]
        kernel, sparse = _through_few(rows, rest, variance, counts, best)
        squares = counts * sparse.held_out_error**2
        return ProcessRegression(
            inputs=inputs,
            wavelength_nm=wavelength_nm,
            noise=noise,
            process=sparse.process,
            kernels=np.array([[kernel.slope, kernel.bend, kernel.reach]]),
            fold_kernel=np.zeros(n, np.int64),
            fold_weight=sparse.weights_without,
            choice_error=float(squares.mean()),
            choice_error_without=(squares.sum() - squares) / (n - 1),
            rows=made,
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
    return ProcessRegression(
        inputs=inputs,
        wavelength_nm=wavelength_nm,
        noise=noise,
        process=processes[chosen],
        kernels=np.array([[kernels[g].slope, kernels[g].bend, kernels[g].reach] for g in used]),
        fold_kernel=fold_kernel.astype(np.int64),
        fold_weight=fold_weight,
        choice_error=error[chosen],
        choice_error_without=without.min(axis=0),
        rows=made,
    )


def _through_few(
    rows: Floats, response: Floats, variance: Floats, share: Floats, kernels: list[Kernel]
) -> tuple[Kernel, SparseProcess]:
    """Condition a process on many rows through a few of them, by the kernel of the least held-out error."""
    each = RowCovariances(rows)
    tried = [(kernel, spread_rows(each, variance, kernel, MOST_BATCHES_AT_ONCE)) for kernel in kernels]
    kernel, few = min(tried, key=lambda one: share @ sparse_held_out_errors(rows, response, variance, *one) ** 2)
    return kernel, fit_sparse_process(rows, response, variance, kernel, few)
