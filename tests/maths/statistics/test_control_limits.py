"""Control charts: the examples of the NIST/SEMATECH e-Handbook digit by digit, run lengths against published tables."""

import numpy as np
import pytest

from specmatch.errors import OptionError
from specmatch.maths.statistics.control_charts import (
    Baseline,
    baseline_of,
    cusum,
    ewma,
    ewma_limits,
    individuals_limits,
)

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_individuals_chart_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.2
    base = baseline_of(FLOW)
    assert round(base.centre, 2) == 50.81
    assert round(base.sd * 1.128, 4) == 1.8778
    low, high = individuals_limits(base, width=3.0)
    assert high == pytest.approx(55.8041, abs=1e-4)  # the handbook rounds the mean range before it multiplies
    assert low == pytest.approx(45.8159, abs=1e-4)


def test_ewma_chart_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.4: weight 0.3, target 50, s 2.0539
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOW]
    printed = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
        50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ]  # fmt: skip
    # two printed decimals, and the handbook's own rounding moves one of them by a unit
    assert ewma(values, 50.0, weight=0.3) == pytest.approx(printed, abs=0.011)
    low, high = ewma_limits(Baseline(50.0, 2.0539, 20), weight=0.3)
    assert high == pytest.approx(52.5884, abs=1e-4)
    assert low == pytest.approx(47.4115, abs=1e-4)


def test_cusum_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959
    values = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
        324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ]  # fmt: skip
    upper, lower = cusum(values, 325.0, 0.3175)
    assert upper[12:] == pytest.approx([3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04], abs=0.006)
    assert int(np.flatnonzero((upper > 4.1959) | (lower > 4.1959))[0]) == 13


def test_a_baseline_needs_two_values():
    with pytest.raises(OptionError, match="holds 1 values"):
        baseline_of([1.0])


def run_lengths(signal_of, shift, n_runs, longest, seed):
    """Run lengths of a chart on standard normal values about `shift`; `signal_of` gets one value of every run."""
    rng = np.random.default_rng(seed)
    length = np.zeros(n_runs, dtype=int)
    alive = np.ones(n_runs, dtype=bool)
    for step in range(1, longest + 1):
        out = signal_of(rng.normal(shift, 1.0, n_runs))
        length[alive & out] = step
        alive &= ~out
        if not alive.any():
            break
    assert not alive.any(), "a run was cut off: its length is unknown"
    return length


def cusum_signal(n_runs, k, h):
    up, down = np.zeros(n_runs), np.zeros(n_runs)

    def signal(x):
        np.maximum(0.0, up + x - k, out=up)
        np.maximum(0.0, down - x - k, out=down)
        return (up > h) | (down > h)

    return signal


def ewma_signal(n_runs, weight, width):
    level = np.zeros(n_runs)
    half = ewma_limits(Baseline(0.0, 1.0, 2), weight=weight, width=width)[1]

    def signal(x):
        level[:] += weight * (x - level)
        return np.abs(level) > half

    return signal


@pytest.mark.slow
@pytest.mark.parametrize(("shift", "published"), [(0.5, 38.0), (1.0, 10.4), (2.0, 4.01)])
def test_cusum_run_lengths(shift, published, full_size):
    """Two-sided, k 0.5, h 5: J. M. Lucas, R. B. Crosier, Technometrics 24:199, 1982 (values from memory)."""
    n = 200_000 if full_size else 4_000
    lengths = run_lengths(cusum_signal(n, 0.5, 5.0), shift, n, 4000, seed=3)
    # four standard errors, and half a unit of the last printed digit
    assert abs(lengths.mean() - published) < 4 * lengths.std() / np.sqrt(n) + 0.05


@pytest.mark.slow
@pytest.mark.parametrize(("weight", "width", "shift", "published"), [(0.1, 2.814, 1.0, 10.3), (0.2, 2.962, 0.5, 41.8)])
def test_ewma_run_lengths(weight, width, shift, published, full_size):
    """Two-sided, steady limits: J. M. Lucas, M. S. Saccucci, Technometrics 32:1, 1990 (values from memory)."""
    n = 200_000 if full_size else 4_000
    lengths = run_lengths(ewma_signal(n, weight, width), shift, n, 6000, seed=4)
    assert abs(lengths.mean() - published) < 4 * lengths.std() / np.sqrt(n) + 0.05


@pytest.mark.slow
def test_run_lengths_without_any_shift(full_size):
    """Lucas and Crosier: 465 for k 0.5, h 5; individuals: 1 over the chance beyond 3 sd, 370.4 (values from memory)."""
    n = 20_000 if full_size else 400
    for signal, published in ((cusum_signal(n, 0.5, 5.0), 465.0), (lambda x: np.abs(x) > 3.0, 370.4)):
        lengths = run_lengths(signal, 0.0, n, 10_000, seed=5)
        assert abs(lengths.mean() - published) < 4 * lengths.std() / np.sqrt(n) + 0.5
