"""The colour regression against plain rivals, on the invented brewery; the benchmark itself is what is run."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

PATH = Path(__file__).parents[3] / "benchmarks" / "colour.py"


@pytest.fixture(scope="module")
def benchmark():
    if not PATH.exists():
        pytest.skip("the benchmarks are not installed with the package")
    spec = importlib.util.spec_from_file_location("colour_benchmark", PATH)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
@pytest.mark.whole
def test_ours_errs_least(benchmark, full_size):
    runs = [benchmark.one_seed(seed) for seed in (range(10) if full_size else range(1))]
    true = np.concatenate([run["true"] for run in runs])
    error = {name: np.concatenate([run[name] for run in runs]) for name in runs[0] if name != "true"}
    rms = {name: np.sqrt(np.mean(e**2)) for name, e in error.items()}
    # one seed of 144 samples knows an RMS to 6 % at best, and breweries differ; ten seeds are held to the goal itself
    slack = 1.0 if full_size else 1.3
    assert rms["specmatch"] <= 0.017 * slack
    assert np.sqrt(np.mean(error["specmatch"][true < 12.0] ** 2)) <= 0.020 * slack
    assert rms["specmatch"] <= 0.35 * rms["(a) PLS, full band"] * slack
    assert rms["specmatch"] <= 1.03 * min(value for name, value in rms.items() if name != "specmatch") * slack
