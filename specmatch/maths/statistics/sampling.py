"""Looking at some packages of a lot: the chance to meet what is wrong in it."""

import numpy as np
from scipy.special import gammaln

from specmatch.errors import OptionError


def chance_to_catch(lot: int, wrong: int, looked_at: int, *, seen: float = 1.0) -> float:
    """Return the chance that packages taken at random from a lot hold a wrong one that is told for one.

    Hypergeometric: of `looked_at` taken without putting back, x are wrong with the chance C(wrong, x) C(lot - wrong,
    looked_at - x) / C(lot, looked_at); each is told with the chance `seen`, one by one.
    """
    if not (lot > 0 and 0 <= wrong <= lot and 0 <= looked_at <= lot):
        raise OptionError(f"a lot of {lot} with {wrong} wrong and {looked_at} looked at; expected 0 to all of the lot")
    least, most = max(0, looked_at - (lot - wrong)), min(wrong, looked_at)
    x = np.arange(least, most + 1)
    log_chance = _log_choose(wrong, x) + _log_choose(lot - wrong, looked_at - x) - _log_choose(lot, looked_at)
    return float(1.0 - np.sum(np.exp(log_chance) * (1.0 - seen) ** x))


def packages_needed(lot: int, wrong: int, chance: float, *, seen: float = 1.0) -> int | None:
    """Return the least number of packages at random that reach a chance, or None where all of the lot do not."""
    return next((n for n in range(lot + 1) if chance_to_catch(lot, wrong, n, seen=seen) >= chance), None)


def _log_choose(n: int, k: np.ndarray | int) -> np.ndarray:
    k = np.asarray(k, float)
    return np.asarray(gammaln(n + 1.0) - gammaln(k + 1.0) - gammaln(n - k + 1.0))
