"""Rows of any liquid as a regression takes them: absorbance or as given, freed of their own level or not, by channel.

Channels of nothing but noise would own the variance of the rows, so each is divided by its noise, which its neighbours
show.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats
from specmatch.errors import OptionError
from specmatch.maths.spectra.noise import channel_noise
from specmatch.maths.spectra.transforms import absorbance, unit_variance

AS_GIVEN, SNV, ABSORBANCE, SNV_ABSORBANCE = "as_given", "snv", "absorbance", "snv_absorbance"
KINDS = (AS_GIVEN, SNV, ABSORBANCE, SNV_ABSORBANCE)

# Channels over which noise is averaged: a few rows know that of a single one badly.
NEIGHBOURS = 11

# Noise below this part of the usual spread between rows counts as this part: what is bent there is no noise (tuning).
LEAST_NOISE = 0.03


@dataclass(frozen=True)
class SpectralRows:
    """What is made of spectra before they are regressed on; see `learn_rows`."""

    kind: str  # one of `KINDS`
    centre: Floats  # (p,): a row of the set
    weight: Floats  # (p,): over the noise of each channel, so that rows have a mean square length of 1

    def of(self, spectra: ArrayLike) -> Floats:
        """Return the rows of spectra."""
        # spectra (n, p) -> (n, p)
        return (_made(spectra, self.kind) - self.centre) * self.weight


def _made(spectra: ArrayLike, kind: str) -> Floats:
    if kind not in KINDS:
        raise OptionError(f"rows are {kind!r}; one of {', '.join(KINDS)} is offered")
    rows = absorbance(spectra) if kind in (ABSORBANCE, SNV_ABSORBANCE) else np.asarray(spectra, float)
    return unit_variance(rows) if kind in (SNV, SNV_ABSORBANCE) else rows


def learn_rows(spectra: Floats, kind: str) -> SpectralRows:
    """Learn the noise of channels from a set's spectra: from no value that is to be regressed."""
    # spectra (K, p)
    rows = _made(spectra, kind)
    about = rows - rows.mean(axis=0)
    # Centred on a row and not on the mean: rows about their mean sum to 0, and with more channels than rows a straight
    # line would know the one that is left out from the others.
    centre = rows[int((about**2).sum(axis=1).argmin())]
    weight = np.ones(rows.shape[1])
    if weight.size >= NEIGHBOURS:
        of_channel = np.pad(channel_noise(about, np.arange(len(rows))) ** 2, NEIGHBOURS // 2, mode="edge")
        noise = np.convolve(of_channel, np.full(NEIGHBOURS, 1.0 / NEIGHBOURS), mode="valid")
        usual = np.median((about**2).mean(axis=0))
        weight = 1.0 / np.sqrt(np.maximum(noise + LEAST_NOISE**2 * usual, np.finfo(float).tiny))
    length = np.sqrt((((rows - centre) * weight) ** 2).sum(axis=1).mean())
    return SpectralRows(kind, centre, weight / length if length > 0 else weight)
