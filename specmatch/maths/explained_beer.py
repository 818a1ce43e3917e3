"""Which of several beers a faulty sample was, where no claim says so: the one that a known fault brings it back to."""

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.fault_finding import CLOSE
from specmatch.maths.faults import FaultFit


def best_explained_beer(fit: FaultFit, reflectance: Floats, n_pours: Ints, candidates: Ints) -> Ints:
    """Return for each sample the candidate from which it is least far once the best fault is taken away.

    Parameters
    ----------
    fit : FaultFit
    reflectance : ndarray, shape (n, p)
    n_pours : ndarray of int, shape (n,)
    candidates : ndarray of int, shape (n, m)
        Beers, the nearest first; it stands unless another is twenty times as likely.

    Returns
    -------
    ndarray of int, shape (n,)

    Examples
    --------
    >>> from specmatch.maths.fault_shapes import with_fault
    >>> faults, amber = house.fitted.faults, house.fitted.identity.samples.reflectance[0]
    >>> foamy = with_fault("foam", 0.1, amber, faults.optics)[None, :]
    >>> best_explained_beer(faults, foamy, np.array([3]), np.array([[1, 0, 2]])).tolist()
    [0]
    """
    left = np.empty(candidates.shape)
    for column in range(candidates.shape[1]):
        beer = candidates[:, column]
        found = fit.explain_samples(reflectance, n_pours, beer)
        left[:, column] = fit.left_over(reflectance, n_pours, beer, found)
    left[:, 1:] += CLOSE
    return candidates[np.arange(len(candidates)), left.argmin(axis=1)]
