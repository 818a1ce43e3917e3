"""Figures of a reading: beside the batches that lie nearest, and how it departs from a beer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from specmatch.array_types import Floats
from specmatch.errors import TableError, UnknownBeerError
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.house.reading.modules import parts_by_module
from specmatch.maths.faults.detector import NO_FAULT
from specmatch.maths.optics.cup import FAULT_NAMES
from specmatch.maths.statistics.levels import mean_by
from specmatch.report.plots.spectra import REFLECTANCE, WAVELENGTH
from specmatch.report.plots.style import BLUE, INK, LINES, ORANGE, PALE, QUIET, axis_or_new, plain, shades
from specmatch.wording import counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from specmatch.house.house_model import HouseModel


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
    >>> ax = plot_nearest_batches(house, session, sample="NP-1-001-S1")
    >>> [text.get_text() for text in ax.get_legend().get_texts()][:2]  # their distances, in brackets
    ['NP-0-004, Night Porter (0.4)', 'NP-0-005, Night Porter (0.8)']
    """
    fitted, name, reflectance, n_pours = _one_sample(house, spectra, scans, sample)
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
        label=f"{plain(name)} ({counted(n_pours, 'pour')})",
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

    Notes
    -----
    What the fault adds may be larger than the departure: the batch may differ from its beer the other way.

    Examples
    --------
    >>> plot_departure(house, session, sample="NP-1-001-S1", beer="Night Porter").get_ylabel()
    'reflectance above or below\\nthe mean of Night Porter'
    """
    fitted, name, reflectance, n_pours = _one_sample(house, spectra, scans, sample)
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
    ax.plot(nm, reflectance - centre, color=ORANGE, linewidth=2.2, label=f"{plain(name)} ({counted(n_pours, 'pour')})")
    ax.axhline(0.0, color=INK, linewidth=0.8)
    ax.set(xlabel=WAVELENGTH, ylabel=f"reflectance above or below\nthe mean of {plain(beer)}", xlim=(nm[0], nm[-1]))
    ax.legend(frameon=False, fontsize="small", loc="lower left", bbox_to_anchor=(0.0, 1.0))
    return ax


def _one_sample(
    house: HouseModel, spectra: Any, scans: Any, sample: str | None
) -> tuple[FittedHouse, str, Floats, int]:
    """Return a sample with the part of the model that reads its module."""
    names: list[str] = []
    for part in parts_by_module(house.fitted, spectra, scans):
        means = part.samples().averages
        own = [str(name) for name in means.names]
        if sample is None or sample in own:
            row = 0 if sample is None else own.index(sample)
            return part.fitted, own[row], means.reflectance[row], int(means.counts[row])
        names += own
    raise TableError(f"there is no sample {sample!r}; there are {', '.join(names)}")
