"""The reference scan as a witness of lamp and wavelength scale: its level and where its peak stands."""

import numpy as np


def reference_level(light: np.ndarray, usable: np.ndarray) -> float:
    """Return the mean light of a reference over the usable channels.

    Parameters
    ----------
    light : ndarray, shape (p,)
        Counts per ms, the dark taken off; NaN where a channel is missing.
    usable : ndarray of bool, shape (p,)
        Where none is, all channels are taken.

    Returns
    -------
    float
        Counts per ms.

    Examples
    --------
    >>> reference_level(np.array([1.0, 900.0, 1100.0]), np.array([False, True, True]))
    1000.0
    """
    where = usable & np.isfinite(light) if usable.any() else np.isfinite(light)
    return float(light[where].mean())


def peak_position(light: np.ndarray, wavelength_nm: np.ndarray) -> float:
    """Return the wavelength of the highest peak, between channels by the parabola through the top three.

    Parameters
    ----------
    light : ndarray, shape (p,)
        NaN where a channel is missing.
    wavelength_nm : ndarray, shape (p,)
        Ascending.

    Returns
    -------
    float
        In nm.

    Examples
    --------
    >>> nm = np.arange(440.0, 461.0, 2.0)
    >>> round(peak_position(np.exp(-(((nm - 450.7) / 9.0) ** 2)), nm), 1)
    450.7
    """
    whole = np.where(np.isfinite(light), light, 0.0)
    top = int(np.clip(whole.argmax(), 1, whole.size - 2))
    low, mid, high = whole[top - 1 : top + 2]
    bend = low - 2.0 * mid + high
    shift = 0.0 if bend == 0 else float(np.clip(0.5 * (low - high) / bend, -1.0, 1.0))
    step = (wavelength_nm[top + 1] - wavelength_nm[top - 1]) / 2.0
    return float(wavelength_nm[top] + shift * step)
