"""Figures of spectra: what each beer looks like, where the light was, and a reading beside what it is held against."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.errors import TableError, UnknownBeerError
from specmatch.house.gathering import gather_samples
from specmatch.maths.band import LARGEST_NOISE, channel_noise, usable_band
from specmatch.maths.fault_detector import NO_FAULT
from specmatch.maths.fault_shapes import FAULT_NAMES
from specmatch.maths.statistics import mean_by
from specmatch.report.figure_style import BLUE, INK, LINES, ORANGE, PALE, QUIET, axis_or_new, plain, shades
from specmatch.report.swatch import swatch

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from specmatch.house.house_model import HouseModel
    from specmatch.reference.reference_set import ReferenceSet

Floats = NDArray[np.float64]

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
    ax.legend(title="beer (batches)", loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize="small")
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
    nm, values = refs.spectra.columns.to_numpy(np.float64), refs.spectra.to_numpy(np.float64)
    noise = channel_noise(values, pd.factorize(refs.scans["sample"])[0])
    used = nm[_used(refs)]
    ax.axvspan(used[0], used[-1], color=PALE, linewidth=0, label=f"used: {used[0]:.0f} to {used[-1]:.0f} nm")
    # a channel that never moves (zero noise) has no place on a logarithmic axis
    ax.plot(nm, np.maximum(noise, 1e-6), color=INK, linewidth=1.3, label="noise of the channel")
    ax.axhline(
        LARGEST_NOISE, color=ORANGE, linestyle="--", linewidth=1.4, label=f"the most that is used: {LARGEST_NOISE:g}"
    )
    ax.set(yscale="log", xlabel=WAVELENGTH, ylabel="noise in reflectance\n(standard deviation)", xlim=(nm[0], nm[-1]))
    ax.legend(loc="upper center", frameon=True, framealpha=1.0, edgecolor="none", fontsize="small")
    return ax


def plot_nearest_batches(
    house: HouseModel,
    spectra: Any,
    scans: Any = None,
    *,
    sample: str | None = None,
    n_batches: int = 5,
    ax: Axes | None = None,
) -> Axes:
    """Draw a sample over the batches of the set that lie nearest to it.

    Parameters
    ----------
    house : HouseModel
    spectra, scans
        As in `HouseModel.read`.
    sample : str, optional
        Which one; the first by default.
    n_batches : int, default 5
        Batches to draw.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    TableError
        If there is no such sample.

    Examples
    --------
    >>> plot_nearest_batches(house, session, sample="L1-01-S1")  # doctest: +SKIP
    """
    fitted = house.fitted
    name, reflectance, n_pours = _one_sample(house, spectra, scans, sample)
    ax = axis_or_new(ax)
    identity = fitted.identity
    means, _ = mean_by(identity.samples.reflectance, identity.samples.batch)
    apart = identity.metric.scores(reflectance[None, :]) - identity.batch_means
    apart /= np.sqrt(identity.metric.scatter(float(n_pours)) + 1.0)
    distance = np.sqrt(np.mean(apart**2, axis=1))
    nearest = np.argsort(distance)[:n_batches]
    for batch, line, colour in zip(nearest, LINES * len(nearest), shades(len(nearest)), strict=False):
        beer = fitted.beers[identity.samples.beer[batch]]
        label = f"{plain(fitted.batches[batch])}, {plain(beer)} ({distance[batch]:.1f})"
        ax.plot(fitted.wavelength_nm, means[batch], color=colour, linestyle=line, linewidth=1.2, label=label)
    ax.plot(
        fitted.wavelength_nm,
        reflectance,
        color=ORANGE,
        linewidth=2.4,
        label=f"{plain(name)} ({_pours(n_pours)})",
        zorder=1,
    )
    ax.set(xlabel=WAVELENGTH, ylabel=REFLECTANCE, xlim=(fitted.wavelength_nm[0], fitted.wavelength_nm[-1]))
    ax.legend(title="nearest batches (distance, 1 = typical)", frameon=False, fontsize="small", title_fontsize="small")
    return ax


def plot_departure(
    house: HouseModel,
    spectra: Any,
    scans: Any = None,
    *,
    sample: str | None = None,
    beer: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw how a sample departs from a beer, beside the beer's own batches; what a known fault explains is shaded.

    Parameters
    ----------
    house : HouseModel
    spectra, scans
        As in `HouseModel.read`.
    sample : str, optional
        Which one; the first by default.
    beer : str, optional
        What it is held against, such as the claim; the nearest beer by default.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    TableError
        If there is no such sample.
    UnknownBeerError
        If the set does not hold the beer.

    Examples
    --------
    >>> plot_departure(house, session, sample="L1-01-S1", beer="Walnut Brown")  # doctest: +SKIP
    """
    fitted = house.fitted
    name, reflectance, n_pours = _one_sample(house, spectra, scans, sample)
    identity, faults, nm = fitted.identity, fitted.faults, fitted.wavelength_nm
    if beer is None:
        match = identity.match(reflectance[None, :], np.array([n_pours]))
        beer = fitted.beers[int(match.distance[0].argmin())]
    if beer not in fitted.beers:
        raise UnknownBeerError(f"{beer!r} is no beer of the set; it holds {', '.join(fitted.beers)}")
    code = fitted.beers.index(beer)
    ax = axis_or_new(ax)
    means, _ = mean_by(identity.samples.reflectance, identity.samples.batch)
    own = means[identity.samples.beer == code]
    centre = own.mean(axis=0)
    for i, batch in enumerate(own):
        label = f"batches of {plain(beer)} in the set ({len(own)})" if i == 0 else None
        ax.plot(nm, batch - centre, color=QUIET, linewidth=0.7, alpha=0.6, label=label)
    row, pours, beers = reflectance[None, :], np.array([n_pours]), np.array([code])
    found = faults.explain_samples(row, pours, beers)
    if found.fault[0] != NO_FAULT:
        added = reflectance - faults.without_faults(row, pours, beers, found)[0]
        said = f"what the fault found adds ({FAULT_NAMES[found.fault[0]].replace('_', ' ')})"
        ax.fill_between(nm, 0.0, added, facecolor=PALE, edgecolor=BLUE, hatch="////", linewidth=0, zorder=0, label=said)
    ax.plot(nm, reflectance - centre, color=ORANGE, linewidth=2.2, label=f"{plain(name)} ({_pours(n_pours)})")
    ax.axhline(0.0, color=INK, linewidth=0.8)
    ax.set(xlabel=WAVELENGTH, ylabel=f"reflectance above or below\nthe mean of {plain(beer)}", xlim=(nm[0], nm[-1]))
    ax.legend(frameon=True, framealpha=0.9, edgecolor="none", fontsize="small")
    return ax


def _batch_means(refs: ReferenceSet) -> tuple[Floats, Floats]:
    """Return the used wavelengths and the mean reflectance of each batch, in the order of the batches table."""
    used = _used(refs)
    means = refs.spectra.groupby(refs.scans["batch"].to_numpy()).mean().loc[refs.batches.index]
    return refs.spectra.columns.to_numpy(np.float64)[used], means.to_numpy(np.float64)[:, used]


def _used(refs: ReferenceSet) -> NDArray[np.bool_]:
    """Return which channels a model of this set would use."""
    nm, values = refs.spectra.columns.to_numpy(np.float64), refs.spectra.to_numpy(np.float64)
    inside = np.ones(nm.size, dtype=bool)
    if refs.band_nm is not None:
        inside = (nm >= refs.band_nm[0]) & (nm <= refs.band_nm[1])
    used = np.zeros_like(inside)
    used[np.flatnonzero(inside)[usable_band(values[:, inside], pd.factorize(refs.scans["sample"])[0])]] = True
    return used


def _one_sample(house: HouseModel, spectra: Any, scans: Any, sample: str | None) -> tuple[str, Floats, int]:
    samples = gather_samples(house.fitted, spectra, scans)
    names = [str(name) for name in samples.averages.names]
    name = names[0] if sample is None else sample
    if name not in names:
        raise TableError(f"there is no sample {name!r}; there are {', '.join(names)}")
    row = names.index(name)
    return name, samples.averages.reflectance[row], int(samples.averages.counts[row])


def _pours(n: int) -> str:
    return "1 pour" if n == 1 else f"{n} pours"
