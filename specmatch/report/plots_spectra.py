"""Figures of a set's spectra: what each beer looks like, and where the light was."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Mask
from specmatch.errors import UnknownBeerError
from specmatch.maths.band import LARGEST_NOISE, channel_noise, usable_band
from specmatch.report.figure_style import INK, LINES, ORANGE, PALE, axis_or_new, plain, shades
from specmatch.report.swatch import swatch

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from specmatch.reference.reference_set import ReferenceSet


WAVELENGTH, REFLECTANCE = "wavelength, nm", "reflectance (1 = the reference)"


def plot_spectra(refs: ReferenceSet, *, beers: Collection[str] | None = None, ax: Axes | None = None) -> Axes:
    """Draw the mean spectrum of each beer with the spread of its batches, palest beer first.

    The square at the end of a line has the colour of the light that comes back through the beer.

    Parameters
    ----------
    refs : ReferenceSet
    beers : collection of str, optional
        Only these; all by default.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    UnknownBeerError
        If one of `beers` is not in the set.

    Notes
    -----
    The band about a line is plus and minus one standard deviation between batches; a beer of one batch has none.

    Examples
    --------
    >>> from specmatch.demo.brewery import Brewery
    >>> import specmatch as sm
    >>> past = Brewery(seed=1).draw(2)
    >>> ax = plot_spectra(sm.ReferenceSet(past.spectra, past.scans, past.batches), beers=["Chalk Lager"])
    >>> ax.get_xlabel()
    'wavelength, nm'
    """
    known = list(dict.fromkeys(refs.batches["beer"]))
    wanted = known if beers is None else list(beers)
    for beer in wanted:
        if beer not in known:
            raise UnknownBeerError(f"{beer!r} is no beer of the set; it holds {', '.join(sorted(known))}")
    ax = axis_or_new(ax)
    nm, by_batch = _batch_means(refs)
    order = sorted(wanted, key=lambda beer: -float(by_batch[(refs.batches["beer"] == beer).to_numpy()].mean()))
    for beer, colour, line in zip(order, shades(len(order))[::-1], LINES * len(order), strict=False):
        rows = by_batch[(refs.batches["beer"] == beer).to_numpy()]
        mean = rows.mean(axis=0)
        ax.plot(
            nm, mean, color=colour, linestyle=line, linewidth=1.6, label=f"{plain(beer)} ({len(rows)})",
            marker="s", markevery=[-1], markersize=7, markerfacecolor=swatch(mean, nm), markeredgecolor=INK,
            markeredgewidth=0.7, clip_on=False,
        )  # fmt: skip
        if len(rows) > 1:
            spread = rows.std(axis=0, ddof=1)
            ax.fill_between(nm, mean - spread, mean + spread, color=colour, alpha=0.22, linewidth=0)
    ax.set(xlabel=WAVELENGTH, ylabel=REFLECTANCE, xlim=(nm[0], nm[-1]))
    ax.set_ylim(bottom=0.0)
    ax.legend(
        title="beer (batches)",
        loc="upper left",
        bbox_to_anchor=(1.0, 1.0),
        frameon=False,
        fontsize="small",
        handlelength=4.0,
    )
    return ax


def plot_usable_band(refs: ReferenceSet, *, ax: Axes | None = None) -> Axes:
    """Draw the noise of each channel, and the stretch of wavelengths that is quiet enough to be used.

    Parameters
    ----------
    refs : ReferenceSet
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.

    Examples
    --------
    >>> from specmatch.demo.brewery import Brewery
    >>> import specmatch as sm
    >>> past = Brewery(seed=1).draw(2)
    >>> plot_usable_band(sm.ReferenceSet(past.spectra, past.scans, past.batches)).get_yscale()
    'log'
    """
    ax = axis_or_new(ax)
    table = band_noise(refs)
    nm, noise = table.index.to_numpy(), table["noise"].to_numpy()
    used = nm[table["used"]]
    ax.axvspan(used[0], used[-1], color=PALE, linewidth=0, label=f"used: {used[0]:.0f} to {used[-1]:.0f} nm")
    # a channel that never moves (zero noise) has no place on a logarithmic axis
    ax.plot(nm, np.maximum(noise, 1e-6), color=INK, linewidth=1.3, label="noise of the channel")
    ax.axhline(
        LARGEST_NOISE, color=ORANGE, linestyle="--", linewidth=1.4, label=f"the most that is used: {LARGEST_NOISE:g}"
    )
    ax.set(yscale="log", xlabel=WAVELENGTH, ylabel="noise in reflectance\n(standard deviation)", xlim=(nm[0], nm[-1]))
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.legend(loc="upper center", frameon=True, framealpha=1.0, edgecolor="none", fontsize="small")
    return ax


def band_noise(refs: ReferenceSet) -> pd.DataFrame:
    """Return the noise of each channel, and whether a model of the set would use it.

    Parameters
    ----------
    refs : ReferenceSet

    Returns
    -------
    DataFrame, index wavelength in nm
        `noise`, standard deviation in reflectance; `used`, bool.

    Examples
    --------
    >>> from specmatch.demo.brewery import Brewery
    >>> import specmatch as sm
    >>> past = Brewery(seed=1).draw(2)
    >>> table = band_noise(sm.ReferenceSet(past.spectra, past.scans, past.batches))
    >>> bool(table["used"].any()), bool(table["used"].all())
    (True, False)
    """
    values, nm = refs.spectra.to_numpy(np.float64), refs.spectra.columns.to_numpy(np.float64)
    noise = channel_noise(values, pd.factorize(refs.scans["sample"])[0])
    return pd.DataFrame({"noise": noise, "used": _used(refs)}, index=pd.Index(nm, name="wavelength_nm"))


def _batch_means(refs: ReferenceSet) -> tuple[Floats, Floats]:
    """Return the used wavelengths and the mean reflectance of each batch, in the order of the batches table."""
    used = _used(refs)
    means = refs.spectra.groupby(refs.scans["batch"].to_numpy()).mean().loc[refs.batches.index]
    return refs.spectra.columns.to_numpy(np.float64)[used], means.to_numpy(np.float64)[:, used]


def _used(refs: ReferenceSet) -> Mask:
    """Return which channels a model of this set would use."""
    nm, values = refs.spectra.columns.to_numpy(np.float64), refs.spectra.to_numpy(np.float64)
    inside = np.ones(nm.size, dtype=bool)
    if refs.band_nm is not None:
        inside = (nm >= refs.band_nm[0]) & (nm <= refs.band_nm[1])
    used = np.zeros_like(inside)
    used[np.flatnonzero(inside)[usable_band(values[:, inside], pd.factorize(refs.scans["sample"])[0])]] = True
    return used
