"""Simulated beers for statistical tests: smooth spectra, batches that scatter along smooth modes, pours, noise."""

from dataclasses import dataclass

import numpy as np

from specmatch.maths.statistics.levels import Levels

NM = np.linspace(430.0, 700.0, 40)
MODES = np.array([np.cos(np.pi * j * (NM - 430.0) / 270.0) for j in range(6)])
BATCH_SD = 0.02 * np.array([2.0, 1.0, 0.7, 0.5, 0.2, 0.1])
POUR_SD = 0.006 * np.array([2.0, 0.5, 0.5, 0.1, 0.0, 0.0])
NOISE_SD = 0.002


@dataclass
class SimulatedBeers:
    """Beers whose true means and scatter are known; `tails` is "normal" or "t3", `wide` the beer of triple scatter."""

    seed: int
    n_beers: int = 8
    tails: str = "normal"
    wide: int | None = None

    def __post_init__(self):
        self.rng = np.random.default_rng(self.seed)
        self.means = 0.45 + self.rng.normal(size=(self.n_beers, 6)) @ MODES / 30.0

    def batches(self, beer, n):
        z = self.rng.normal(size=(n, 6))
        if self.tails == "t3":
            z = z / np.sqrt(self.rng.chisquare(3, size=(n, 1)) / 3.0)
        if beer == self.wide:
            z = 3.0 * z
        return self.means[beer] + (z * BATCH_SD) @ MODES

    def pours(self, batches, n_pours):
        """Rows batch after batch, pour after pour."""
        n = len(batches) * n_pours
        rows = np.repeat(batches, n_pours, axis=0) + (self.rng.normal(size=(n, 6)) * POUR_SD) @ MODES
        return rows + NOISE_SD * self.rng.normal(size=rows.shape)

    def house(self, batches_per_beer, n_pours=3):
        """Reflectance, beer, batch and sample of each pour, as `fit_class_model` takes them."""
        per_beer = np.broadcast_to(batches_per_beer, self.n_beers)
        rows = np.vstack([self.pours(self.batches(beer, n), n_pours) for beer, n in enumerate(per_beer)])
        batch = np.repeat(np.arange(per_beer.sum()), n_pours)
        return rows, np.repeat(np.arange(self.n_beers), per_beer)[batch], batch, batch

    def samples(self, beer, n, n_pours):
        """Means of `n` new samples, one a batch."""
        return self.pours(self.batches(beer, n), n_pours).reshape(n, n_pours, -1).mean(axis=1)


def with_levels(rows, beer, batch, sample):
    """Reflectance and levels of pours, as fits take them."""
    return rows, Levels.of_pours(sample, batch, beer)
