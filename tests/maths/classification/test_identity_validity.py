"""Error rates of identity by simulation: what is stated is kept, or the measured rate is known."""

import numpy as np
import pytest
from simulated_beers import SimulatedBeers, with_levels

from specmatch.maths.classification.class_model import fit_class_model
from specmatch.maths.statistics.levels import binomial_bounds

RATES = (0.01, 0.05, 0.10, 0.20)
N_NEW = 10


def own_p_values(n_seeds, batches_per_beer, n_fitted, n_read, **kind):
    """P-values of new samples for their own beer, shape (n_seeds, n_beers, N_NEW)."""
    got = []
    for seed in range(n_seeds):
        beers = SimulatedBeers(seed=seed, **kind)
        fit = fit_class_model(*with_levels(*beers.house(batches_per_beer, n_fitted)))
        new = [fit.match(beers.samples(k, N_NEW, n_read), np.full(N_NEW, n_read)) for k in range(beers.n_beers)]
        got.append([match.p_value[:, k] for k, match in enumerate(new)])
    return np.array(got)


def lowest_rate(rejected):
    """Lower 99.9 % bound of a rate over seeds: samples judged by one fit share its errors, so seeds are the unit."""
    by_seed = rejected.mean(axis=tuple(range(1, rejected.ndim)))
    return by_seed.mean() - 3.1 * by_seed.std(ddof=1) / np.sqrt(by_seed.size)


@pytest.mark.slow
@pytest.mark.parametrize(
    "batches, n_fitted, n_read",
    [
        (4, 3, 3),
        ([2, 3, 4, 8, 15, 6, 1, 10], 3, 3),
        *(
            pytest.param(*house, marks=pytest.mark.whole)
            for house in [
                (8, 3, 3),
                (8, 3, 1),
                (15, 3, 3),
                (30, 3, 3),
                (8, 1, 1),
                (8, 3, 2),
                (8, 2, 4),
                (8, 3, 5),
                (8, 5, 3),
            ]
        ),
    ],
)
def test_true_beers_are_refused_no_more_often_than_stated(batches, n_fitted, n_read, full_size, whole, claim):
    p_values = own_p_values(200 if full_size else 8 if whole else 4, batches, n_fitted, n_read)
    for rate in RATES:
        assert lowest_rate(p_values <= rate) <= rate
    by_seed = (p_values <= 0.05).mean(axis=tuple(range(1, p_values.ndim)))
    rate, reach = by_seed.mean(), 1.96 * by_seed.std(ddof=1) / np.sqrt(by_seed.size)
    claim("false_reject", rate, p_values.size, bounds=(rate - reach, rate + reach))


@pytest.mark.whole
@pytest.mark.slow
@pytest.mark.parametrize("kind", [{"tails": "t3"}, {"wide": 0}])
@pytest.mark.parametrize("batches", [15, 20])
def test_long_tails_and_a_wide_beer_at_most_double_the_rate_from_15_batches(kind, batches, full_size):
    p_values = own_p_values(200 if full_size else 8, batches, 3, 3, **kind)
    judged = p_values[:, :1] if "wide" in kind else p_values
    assert lowest_rate(judged <= 0.05) <= 0.10
    if "wide" in kind:
        assert lowest_rate(p_values[:, 1:] <= 0.05) <= 0.05


@pytest.mark.whole
@pytest.mark.slow
def test_ranks_hold_whatever_the_scatter(full_size):
    p_values = own_p_values(200 if full_size else 8, 20, 3, 3, tails="t3")
    assert lowest_rate(p_values <= 0.05) <= 0.05


@pytest.mark.slow
def test_refusal_is_not_bought_by_refusing_nothing(full_size, whole, claim):
    """A test of validity alone would pass with p-values of 1: another beer must be refused, and truth not always."""
    n_seeds, refused, rejected = (40 if full_size else 6 if whole else 3), [], []
    for seed in range(n_seeds):
        beers = SimulatedBeers(seed=seed)
        fit = fit_class_model(*with_levels(*beers.house(8)))
        other = SimulatedBeers(seed=seed + 1000)
        match = [fit.match(other.samples(k, 5, 3), np.full(5, 3)).p_value.max(axis=1) for k in range(8)]
        refused.append(np.concatenate(match) <= 0.05)
        own = [fit.match(beers.samples(k, 20, 3), np.full(20, 3)).p_value[:, k] for k in range(8)]
        rejected.append(np.concatenate(own) <= 0.05)
    low, _ = binomial_bounds(np.sum(refused), np.size(refused), level=0.999)
    assert low > 0.5
    claim("others_refused", np.mean(refused), np.size(refused))
    _, high = binomial_bounds(np.sum(rejected), np.size(rejected), level=0.999)
    assert high > 0.02
