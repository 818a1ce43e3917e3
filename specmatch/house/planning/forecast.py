"""What a check learnt on so many batches and pours would do, counted on simulated houses."""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats
from specmatch.house.planning.simulation import Assumed, Batches, draw_batches
from specmatch.maths.classification.class_model import ClassModel, fit_class_model
from specmatch.maths.classification.mixtures import BLEND_SHARES, hold_blends
from specmatch.maths.classification.power import power
from specmatch.maths.regression.colour_model import fit_colour
from specmatch.maths.spectra.transforms import LEAST_REFLECTANCE

ENDLESS = 10_000


@dataclass(frozen=True)
class Wanted:
    """How the check of a house is set."""

    coverage: float
    false_reject_rate: float


@dataclass(frozen=True)
class Tried:
    """What one simulated house did with one set."""

    half_width: Floats  # (n_beers,): relative, mean over new batches
    error: Floats  # (n_beers,): relative, root mean square against the true colour's lab value
    covered: float
    rejected: Floats  # (n_beers,): share of right claims that depart
    held: Floats  # (n_beers, n_beers): share of batches of the beer of the column held as that of the row; NaN for own
    at_best: Floats  # (n_beers, n_beers): the same with endless pours and batches, by the closed form
    blends: Floats  # (len(BLEND_SHARES),): share held of blends with the nearest beer
    identity: ClassModel


def tried(house: Assumed, learnt: Batches, new: Batches, wanted: Wanted) -> Tried:
    """Learn a set, and judge new batches of it."""
    n_beers = house.colour_ebc.size
    rate = wanted.false_reject_rate
    identity = fit_class_model(learnt.reflectance, learnt.levels, false_reject_rate=rate)
    lab = learnt.lab[learnt.levels.codes("batch")]
    colour = fit_colour(learnt.reflectance, lab, learnt.levels, wavelength_nm=house.wavelength_nm)
    means, n_pours = new.levels.mean(new.reflectance, to="sample"), new.levels.counts("sample")
    beer = new.levels.beer
    got = colour.interval(means, n_pours, wanted.coverage)
    p = identity.match(means, n_pours).p_value

    def of_beer(values: Floats) -> Floats:
        return np.array([values[beer == k].mean(axis=0) for k in range(n_beers)])

    departs = of_beer((p <= rate).astype(float)).T  # (claimed, really)
    held = departs.copy()
    np.fill_diagonal(held, np.nan)
    at_best = np.full((n_beers, n_beers), np.nan)
    for claimed in range(n_beers):
        for really in range(n_beers):
            if claimed != really:
                at_best[claimed, really] = power(
                    identity, claimed, really, n_pours=ENDLESS, n_batches=ENDLESS, rate=rate
                )
    blends = np.full(len(BLEND_SHARES), np.nan)
    if n_beers > 1:
        bright = np.maximum(means, LEAST_REFLECTANCE)
        blends = hold_blends(identity, bright, n_pours, beer, rate=rate).held.mean(axis=0)
    return Tried(
        half_width=of_beer((got.high - got.low) / 2.0 / got.colour),
        error=np.sqrt(of_beer((got.colour / new.lab - 1.0) ** 2)),
        covered=float(np.mean((got.low <= new.lab) & (new.lab <= got.high))),
        rejected=np.diag(departs).copy(),
        held=held,
        at_best=at_best,
        blends=blends,
        identity=identity,
    )
