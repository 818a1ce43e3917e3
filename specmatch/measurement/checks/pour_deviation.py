"""How far one pour departs from its mates, in units of what good pours differ by, and what the departure looks like."""

import numpy as np

from specmatch.array_types import Floats

# What good pours differ by, one standard deviation each: 1.2 % of path (a 10 mL cylinder is good to 1-2 %, ASTM E1272),
# 0.6 % of lamp, foam over 0.2 % of the cup, 0.5 % of light sent back by haze; and 0.2 % of noise in reflectance.
_USUAL = np.array([0.012, 0.006, 0.002, 0.005])
_NOISE = 0.002
# White foam over a base that reflects about half: this times the reference.
_FOAM_LEVEL = 1.2
# rows at a time, so that a large session does not fill the memory with its causes
_CHUNK = 1000


def pour_chi_square(own: Floats, middle: Floats, nm: Floats, n_mates: int) -> Floats:
    """Return how far pours depart from the middle of their mates."""
    # own, middle (m, p), nm (p,) -> (m,)
    return np.concatenate(
        [_chi_square(own[i : i + _CHUNK], middle[i : i + _CHUNK], nm, n_mates) for i in range(0, len(own), _CHUNK)]
        or [np.zeros(0)]
    )


def _causes(middle: Floats, nm: Floats) -> Floats:
    """Change of absorbance for a unit of path, lamp, foam and haze, shape (m, 4, p)."""
    reflectance = 10.0**-middle
    per_return = -1.0 / (np.log(10.0) * reflectance)
    lamp = np.full(middle.shape, -1.0 / np.log(10.0))
    foam = per_return * (_FOAM_LEVEL - reflectance)
    haze = per_return * (550.0 / nm) ** 2 * (1.0 - np.fmin(reflectance, 1.0))
    return np.stack([middle, lamp, foam, haze], axis=1)


def _weights(middle: Floats, more: float) -> Floats:
    weights: Floats = 1.0 / (more * ((_NOISE * 10.0**middle) ** 2 + _NOISE**2))
    return weights


def _chi_square(own: Floats, middle: Floats, nm: Floats, n_mates: int) -> Floats:
    more = 1.0 + 1.0 / n_mates
    causes = _causes(middle, nm)
    weighted = causes * _weights(middle, more)[:, None, :]
    gram = weighted @ causes.swapaxes(1, 2)
    shrink = np.linalg.inv(np.eye(4) + gram * (more * _USUAL**2))
    along = (shrink @ (weighted @ (own - middle)[:, :, None]))[:, :, 0]
    inverse = np.linalg.pinv(shrink @ gram, rcond=1e-10)
    chi_square: Floats = np.einsum("mi,mij,mj->m", along, inverse, along)
    return chi_square


def describe_departure(own: Floats, middle: Floats, nm: Floats) -> tuple[float, str]:
    """Return the relative change of absorbance of one pour, and the one cause that explains most of it, in words."""
    # own, middle (p,), nm (p,)
    apart = own - middle
    absorbing = middle >= min(0.1, float(np.median(middle)))
    relative = float(np.median(apart[absorbing] / np.fmax(middle[absorbing], 0.02)))
    causes, weight = _causes(middle[None, :], nm)[0], _weights(middle, 2.0)
    alone = ((causes * weight) @ apart) / np.fmax(((causes * weight) * causes).sum(axis=1), 1e-300)
    left = [float(np.sum(weight * (apart - size * cause) ** 2)) for size, cause in zip(alone, causes, strict=True)]
    best = int(np.argmin(left))
    size = float(alone[best])
    words = (
        f"{abs(size):.0%} {'more' if size > 0 else 'less'} beer in the cup than the others",
        f"{abs(size):.0%} {'more' if size > 0 else 'less'} light of the lamp",
        f"foam or bubbles over {size:.1%} of the cup" if size > 0 else "less foam than in the others",
        f"haze that sends back {size:.1%}" if size > 0 else "less haze than in the others",
    )
    return relative, words[best]
