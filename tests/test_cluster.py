"""Whatever joblib runs the work on (this process, two of them, a dask cluster), the numbers are the same."""

import warnings

import joblib
import numpy as np
import pandas as pd
import pytest
from threadpoolctl import threadpool_limits

import specmatch as sm

N_PARTS = 3


@pytest.fixture(scope="module")
def work():
    from specmatch.demo.brewery import Brewery

    brewery = Brewery(seed=1)
    beers = ["Chalk Lager", "Amber Lane", "Peat Stout"]
    past, new = brewery.draw(5, beers=beers), brewery.draw(2, draw=1, beers=beers)
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches)
    return refs, sm.HouseModel().fit(refs), new


def read_in_parts(work):
    """Read new samples in parts, with whatever back end is in force."""
    _, house, new = work
    samples = np.array_split(list(dict.fromkeys(new.scans["sample"])), N_PARTS)
    parts = [new.scans[new.scans["sample"].isin(part)] for part in samples]
    # workers of a pool have one thread each, and the last digits of a product depend on its threads
    with threadpool_limits(1):
        read = joblib.Parallel()(joblib.delayed(house.read)(new.spectra.loc[part.index], part) for part in parts)
    return pd.concat(read)


def evaluate_and_read(work):
    return sm.evaluate(work[1], work[0], n_folds=3), read_in_parts(work)


@pytest.fixture(scope="module")
def alone(work):
    return evaluate_and_read(work)


def check_same(got, alone):
    for name in ("figures", "colour", "identity", "mix_ups", "coverage", "folds"):
        mine, theirs = getattr(got[0], name), getattr(alone[0], name)
        (pd.testing.assert_series_equal if isinstance(mine, pd.Series) else pd.testing.assert_frame_equal)(
            mine, theirs, check_exact=True
        )
    pd.testing.assert_frame_equal(got[1], alone[1], check_exact=True)


@pytest.mark.whole
def test_parts_read_alone_are_the_whole(work):
    _, house, new = work
    whole = house.read(new.spectra, scans=new.scans)
    # joined parts may have another kind of text index; and sums over more rows at once may round otherwise, in the
    # sixteenth digit, of which the end of an interval was seen to make a twelfth
    pd.testing.assert_frame_equal(
        whole, read_in_parts(work), check_index_type=False, check_column_type=False, rtol=1e-10, atol=0
    )


@pytest.mark.whole
def test_two_processes_give_the_same(work, alone):
    with joblib.parallel_config(n_jobs=2):
        check_same(evaluate_and_read(work), alone)


@pytest.mark.whole
@pytest.mark.slow
def test_a_dask_cluster_gives_the_same(work, alone, full_size):
    """Workers are threads of this process; at full size they are processes of their own."""
    distributed = pytest.importorskip("distributed", reason="the `cluster` extra is not installed")
    with warnings.catch_warnings():
        # the cluster's own libraries warn of their own matters
        warnings.simplefilter("ignore")
        with (
            distributed.LocalCluster(
                n_workers=2, threads_per_worker=1, processes=full_size, dashboard_address=None
            ) as cluster,
            distributed.Client(cluster),
            joblib.parallel_config(backend="dask"),
        ):
            check_same(evaluate_and_read(work), alone)
