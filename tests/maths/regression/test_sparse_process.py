"""A process through a few rows: the exact process where all rows are chosen, and its accuracy where they are many."""

import numpy as np
import pytest

import specmatch.maths.regression.gaussian_process as process_regression
from specmatch.maths.regression.gaussian_process import (
    Kernel,
    RowCovariances,
    fit_gaussian_processes,
    fit_process,
    fit_sparse_process,
    sparse_held_out_errors,
    spread_rows,
)
from specmatch.maths.regression.rows_and_responses import AS_GIVEN

KERNEL = Kernel(0.3, 0.3, 1.0)


def curve(n: int, seed: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(n, 4))
    truth = 0.3 * x[:, 1] + 0.06 * np.sin(x[:, 2]) * x[:, 0]
    return x, truth, truth + rng.normal(0.0, 0.015, n)


def test_with_every_row_chosen_it_is_the_exact_process() -> None:
    x, _, y = curve(60)
    noise = np.full(60, 2e-4)
    exact, sparse = (
        fit_gaussian_processes(x, y, noise, [KERNEL])[0], fit_sparse_process(x, y, noise, KERNEL, np.arange(60))
    )  # fmt: skip
    new = curve(10, seed=1)[0]
    # the jitter of 1e-9 of the kernel's mean diagonal moves everything by about 1e-7
    np.testing.assert_allclose(sparse.process.predict(new)[0], exact.predict(new)[0], atol=1e-6)
    np.testing.assert_allclose(sparse.process.predict(new)[1], exact.predict(new)[1], atol=1e-6)
    np.testing.assert_allclose(sparse.held_out_error, exact.held_out_error, atol=1e-6)
    across = KERNEL(new, x)
    np.testing.assert_allclose(across @ sparse.weights_without.T, across @ exact.weights_without().T, atol=1e-6)


def test_its_held_out_errors_are_those_of_fits_without_each_row() -> None:
    x, _, y = curve(80)
    noise, few = np.full(80, 2e-4), np.arange(0, 80, 4)
    whole = fit_sparse_process(x, y, noise, KERNEL, few)
    # two ways through the same triangles, of a matrix whose rows are all but dependent
    alone = sparse_held_out_errors(x, y, noise, KERNEL, few)
    np.testing.assert_allclose(alone, whole.held_out_error, atol=1e-7)
    for left_out in (1, 30, 79):  # rows that are not among the chosen, so that the same few can be chosen without them
        kept = np.delete(np.arange(80), left_out)
        without = fit_sparse_process(x[kept], y[kept], noise[kept], KERNEL, np.searchsorted(kept, few))
        error = y[left_out] - without.process.predict(x[[left_out]])[0][0]
        assert whole.held_out_error[left_out] == pytest.approx(error, abs=1e-7)
        # weights are defined up to directions in which the kernel has no width: compared by what they predict
        mine = KERNEL(x[:20], x[few]) @ whole.weights_without[left_out]
        np.testing.assert_allclose(mine, without.process.predict(x[:20])[0], atol=1e-7)


@pytest.mark.whole
def test_many_batches_through_few_are_as_good_as_all_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    x, _, y = curve(300)
    new, truth, _ = curve(500, seed=2)
    given = (x, y, np.full(300, 2e-4), np.zeros(4), np.zeros(4), AS_GIVEN)
    exact = fit_process(*given)
    monkeypatch.setattr(process_regression, "MOST_BATCHES_AT_ONCE", 150)
    sparse = fit_process(*given)
    few = len(sparse.process.features)
    assert few <= 150 and sparse.fold_weight.shape == (300, few)
    errors = [np.sqrt(np.mean((model.predict(new)[0] - truth) ** 2)) for model in (exact, sparse)]
    # what is lost is small against the error that is there anyway
    assert errors[1] < 1.15 * errors[0]
    # the mean square of 300 held-out errors is itself known to 8 %: three times that would change a choice
    assert sparse.choice_error == pytest.approx(exact.choice_error, rel=0.25)
    variance = sparse.process.predict(sparse.made(new)[1])[1]
    np.testing.assert_array_equal(sparse.predict_held_out(new, np.zeros(500, np.int64))[1], variance)


def test_rows_are_chosen_where_the_process_is_still_open() -> None:
    x = np.vstack([np.zeros((50, 2)), [[3.0, 0.0], [0.0, 3.0]], np.full((50, 2), 0.001)])
    chosen = spread_rows(RowCovariances(x), np.full(102, 1e-2), KERNEL, 20)
    # a hundred rows at one place are one row, and the two that stand alone are never left out
    assert {50, 51} < set(chosen.tolist()) and chosen.size <= 4
    assert spread_rows(RowCovariances(x), np.full(102, 1e-2), KERNEL, 2).size == 2
