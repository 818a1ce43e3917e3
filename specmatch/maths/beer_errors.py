"""Beers whose own held-out errors show that the absorbance at 430 nm cannot be read from them."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc

from specmatch.array_types import Mask
from specmatch.maths.colour_fit import ColourFit

# Chance of naming a beer that is like the others, for each beer: a set holds a dozen, and most are like the others.
FALSE_ALARM = 0.002

# And the error must matter: a pale lager's usual tolerance is about 10 % (common practice, no source), and a reading
# that errs by half of it as a rule decides nothing.
LEAST_ERROR = 0.05

FEWEST_BATCHES = 3


def unfit_beers(fit: ColourFit, beer: ArrayLike, n_beers: int) -> Mask:
    """Tell which beers err, held out, by so much more than the others that their A430 is not to be trusted.

    Parameters
    ----------
    fit : ColourFit
    beer : array_like of int, shape (K,)
        Beer of each of the fit's batches, 0 .. n_beers-1.
    n_beers : int

    Returns
    -------
    ndarray of bool, shape (n_beers,)
        False for a beer of fewer than three batches.

    Notes
    -----
    Held-out residuals over their expected size; the mean square of a beer against that of all others by an F test, and
    at least 5 % of colour. Haze, fruit and nitro take light out of the beam that the lab's clarified beer never lost.

    Examples
    --------
    >>> from dataclasses import replace
    >>> fit, beer = house.fitted.colour, house.fitted.beer_of_batch
    >>> hazy = replace(fit, lab_colour=fit.lab_colour * np.where(beer == 0, 1.2, 1.0))  # one beer is off by a fifth
    >>> unfit_beers(fit, beer, 3).tolist(), unfit_beers(hazy, beer, 3).tolist()
    ([False, False, False], [True, False, False])
    """
    codes = np.asarray(beer, np.int64)
    residual = np.log(fit.held_out_colour / fit.lab_colour)
    square = residual**2 / fit.error.relative_variance(fit.lab_colour)
    unfit = np.zeros(n_beers, dtype=bool)
    for code in range(n_beers):
        own = codes == code
        n, rest = int(own.sum()), int((~own).sum())
        if n < FEWEST_BATCHES or rest < FEWEST_BATCHES:
            continue
        ratio = square[own].mean() / max(square[~own].mean(), np.finfo(float).tiny)
        matters = np.sqrt(np.mean(residual[own] ** 2)) >= LEAST_ERROR
        unfit[code] = matters and fdtrc(n, rest, ratio) < FALSE_ALARM
    return unfit
