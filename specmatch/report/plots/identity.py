"""Figures of identity: the map of beers, mix-ups, the batches nearest to a sample, and how it departs from a beer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from specmatch.array_types import Floats, Mask
from specmatch.errors import TableError, UnknownBeerError
from specmatch.house.assessment.evaluation import Evaluation
from specmatch.house.assessment.mix_ups import PAIR
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.house.reading.samples import parts_by_module
from specmatch.maths.classification.class_model import distance_limits
from specmatch.maths.faults.diagnosis import NO_FAULT
from specmatch.maths.optics.cup import FAULT_NAMES
from specmatch.maths.spectra.transforms import LEAST_REFLECTANCE
from specmatch.maths.statistics.levels import mean_by
from specmatch.report.plots.spectra import REFLECTANCE, WAVELENGTH, batch_colours, house_glass
from specmatch.report.plots.style import (
    BLUE,
    INK,
    LINES,
    ORANGE,
    PALE,
    QUIET,
    axis_or_new,
    legend_above,
    of_its_kind,
    plain,
    shades,
    tell,
    whole_figure,
)
from specmatch.wording import counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from specmatch.house.house_model import HouseModel


# names beside more samples than this cover one another
_MOST_NAMED = 6


@of_its_kind
def plot_identity_map(house: HouseModel, spectra: Any = None, scans: Any = None, *, ax: Axes | None = None) -> Axes:
    """Draw each beer's region on a map, its batches, and where samples fall.

    Parameters
    ----------
    house : HouseModel
    spectra, scans : optional
        As in `HouseModel.read`; without them the map holds the set alone.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    TableError
        If the samples are of two modules of the model.

    Notes
    -----
    The map is the plane in which the beers lie farthest apart, darker ones to the right; a refit does not flip it. One
    unit is the standard deviation between batches of one beer. A ring is the shadow of a beer's region at the model's
    false-reject rate: a sample inside may still be refused for what the plane does not show, and is then a cross.

    Examples
    --------
    >>> [text.get_text() for text in plot_identity_map(house, session).get_legend().get_texts()][-2:]
    ['sample, typical of a beer (3)', 'sample, of none (0)']
    """
    from matplotlib.patches import Ellipse

    ax = axis_or_new(ax, width_in=7.0, height_in=5.2)
    parts = [] if spectra is None else parts_by_module(house.fitted, spectra, scans)
    if len(parts) > 1:
        raise TableError("these samples are of two modules of the model, each of which has a map; give those of one")
    fitted = parts[0].fitted if parts else house.fitted
    identity = fitted.identity
    of_batch, _ = mean_by(identity.samples.reflectance, identity.samples.batch)
    if len(fitted.beers) < 3:  # two beers lie on a line: their batches say what the map is
        centre, plane = _plane(identity.batch_means, of_batch)
    else:
        centre, plane = _plane(identity.beer_means, mean_by(of_batch, identity.samples.beer)[0])
    radius = np.sqrt(distance_limits(identity, house.false_reject_rate))
    batches = (identity.batch_means - centre) @ plane
    (dots,) = ax.plot(batches[:, 0], batches[:, 1], ".", color=QUIET, markersize=4, label="batches of the set")
    whose, lab = [fitted.beers[k] for k in fitted.beer_of_batch], batch_colours(fitted)
    told = [f", lab {colour:.1f} {fitted.colour_unit}" if np.isfinite(colour) else "" for colour in lab]
    tell(dots, map("{}, {}{}".format, fitted.batches, whose, told), whose)
    spread = 1.0 / identity.weights(1.0 / identity.metric.per_pour)
    middles = (identity.beer_means - centre) @ plane
    reach, glass = np.zeros(len(fitted.beers)), house_glass(fitted)
    for code, (x, y) in enumerate(middles):
        steps = identity.scatter.back(np.diag(np.sqrt(spread[code])), code) @ plane
        size, turn = np.linalg.eigh(steps.T @ steps)
        width, height = 2.0 * radius[code] * np.sqrt(size)
        angle = float(np.degrees(np.arctan2(turn[1, 0], turn[0, 0])))
        label = f"region of a beer (false rejects {house.false_reject_rate:.0%})" if code == 0 else None
        # where nothing can be refused a beer has no region to draw
        if np.isfinite(radius[code]):
            ring = Ellipse((x, y), width, height, angle=angle, facecolor=PALE, edgecolor=BLUE, alpha=0.75, label=label)
            tell(ax.add_patch(ring), [f"region of {fitted.beers[code]}"], [fitted.beers[code]])
            reach[code] = max(width, height) / 2.0
        (mean,) = ax.plot(
            x, y, "s", markersize=5, markerfacecolor=glass[code] or "white", markeredgecolor=INK,
            markeredgewidth=0.7, label="mean of a beer, as in a glass" if code == 0 else None,
        )  # fmt: skip
        tell(mean, [f"mean of {fitted.beers[code]}"], [fitted.beers[code]])
    _write_names(ax, fitted.beers, middles, reach)
    if parts:
        means = parts[0].samples.averages
        p_value = identity.match(means.reflectance, means.counts).p_value
        taken: Mask = np.asarray((p_value > house.false_reject_rate).any(axis=1))
        points = (identity.metric.scores(means.reflectance) - centre) @ plane
        for rows, marker, label in ((taken, "D", "sample, typical of a beer"), (~taken, "X", "sample, of none")):
            (marks,) = ax.plot(
                points[rows, 0], points[rows, 1], marker, color=ORANGE, markeredgecolor=INK, markersize=7,
                linewidth=0, label=f"{label} ({int(rows.sum())})", zorder=5,
            )  # fmt: skip
            tell(marks, [f"{name}: {label}" for name, drawn in zip(means.names, rows, strict=True) if drawn])
        _name_samples(ax, means.names, points, taken)
    ax.set(
        xlabel="darker beers to the right\n(1 = standard deviation between batches of a beer)",
        ylabel="across that, beers of like darkness\n(same unit)",
    )
    ax.set_aspect("equal", adjustable="datalim")
    legend_above(ax, ncols=2)
    return ax


@of_its_kind
def plot_mix_ups(evaluation: Evaluation, *, ax: Axes | None = None) -> Axes:
    """Draw for each ordered pair of beers, pale to dark, how often a batch of the one, claimed the other, was held.

    Parameters
    ----------
    evaluation : Evaluation
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> plot_mix_ups(evaluation).get_xlabel()
    'claimed to be'
    """
    from matplotlib.patches import Rectangle

    colour = evaluation.colour["lab"].fillna(evaluation.colour["colour"])
    order = list(colour.groupby(evaluation.identity["beer"].to_numpy()).mean().sort_values().index)
    names = [plain(beer) for beer in order]
    size = 3.0 + 0.42 * len(order)
    ax = axis_or_new(ax, width_in=size + 1.0, height_in=size)
    pairs = evaluation.mix_ups[evaluation.mix_ups["kind"] == PAIR]
    held = pairs.pivot(index="really", columns="claimed", values="held").reindex(order, axis=0)
    shares = held.reindex(order, axis=1).to_numpy(np.float64)
    ax.grid(visible=False)
    for row in range(len(order)):
        for column in range(len(order)):
            share = shares[row, column]
            if np.isnan(share):
                continue
            missed = 1.0 - share
            # the more that slip through, the darker; the number says it as well
            face = (1.0 - 0.75 * missed, 1.0 - 0.55 * missed, 1.0 - 0.4 * missed)
            cell = ax.add_patch(Rectangle((column - 0.5, row - 0.5), 1, 1, facecolor=face, edgecolor="#e4e7ea"))
            said = f"{order[row]} claimed to be {order[column]}: {share:.0%} held"
            tell(cell, [said], [f"{order[row]}\n{order[column]}"])
            ax.text(
                column, row, f"{share * 100:.0f}", ha="center", va="center", fontsize="small", in_layout=False,
                color="white" if missed > 0.6 else INK, fontweight="bold" if missed > 0.1 else "normal",
            )  # fmt: skip
    ax.set(xlim=(-0.5, len(order) - 0.5), ylim=(len(order) - 0.5, -0.5))
    ax.set_xticks(range(len(order)), names, rotation=60, ha="right", rotation_mode="anchor")
    ax.set_yticks(range(len(order)), names)
    ax.tick_params(length=0)
    for side in ax.spines.values():
        side.set_visible(False)
    ax.set(xlabel="claimed to be", ylabel="was really")
    ax.set_title("mix-ups held, % of held-out batches; darker = slips through", fontsize="medium")
    return ax


def _write_names(ax: Axes, names: Sequence[str], middles: Floats, reach: Floats) -> None:
    """Write a name beside each ring where it covers no other name and as little as can be of other rings."""
    width_in = whole_figure(ax).get_size_inches()[0]
    # the axis takes about 0.9 of the figure's width; letters are about 5 points wide and 10 high
    point = 1.25 * float(np.ptp(middles[:, 0]) + 2.0 * reach.max()) / (0.9 * 72.0 * width_in)
    angles = np.radians(np.arange(90, 450, 30))
    written: list[tuple[float, float, float, float]] = []
    for name, middle, own in zip(names, middles, reach, strict=True):
        size = point * np.array([5.0 * len(plain(name)), 10.0])
        best, least = (0.0, 0.0, 0.0, 0.0), np.inf
        for angle in angles:
            way = np.array([np.cos(angle), np.sin(angle)])
            centre = middle + own * way + (size / 2.0 + 3.0 * point) * np.sign(np.round(way, 6)) * np.abs(way) ** 0.5
            box = (*(centre - size / 2.0), *(centre + size / 2.0))
            nearest = np.clip(middles, box[:2], box[2:])
            covered = np.maximum(reach - np.linalg.norm(nearest - middles, axis=1), 0.0).sum()
            shared = sum(_shared(box, other) for other in written)
            cost = covered + 1e3 * shared
            if cost < least:
                best, least = box, cost
        written.append(best)
        ax.text(
            (best[0] + best[2]) / 2.0, (best[1] + best[3]) / 2.0, plain(name), ha="center", va="center",
            fontsize="small", color=INK, zorder=4,
            bbox={"boxstyle": "round,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.75},
        )  # fmt: skip
    ax.update_datalim(np.array(written).reshape(-1, 2))


def _shared(one: tuple[float, ...], other: tuple[float, ...]) -> float:
    width = min(one[2], other[2]) - max(one[0], other[0])
    height = min(one[3], other[3]) - max(one[1], other[1])
    return max(width, 0.0) * max(height, 0.0)


# of the features below one that goes with the second direction less than this says nothing of its sign
_TELLING = 0.2


def _plane(beer_means: Floats, spectra: Floats) -> tuple[Floats, Floats]:
    """Return the centre, (a,), and two orthonormal directions, (a, 2), in which beers lie farthest apart."""
    # beer_means (n_beers, a); spectra (n_beers, p): mean reflectance of each beer
    # turned so that darker beers lie to the right, signed by the shape of spectra: a refit keeps the map
    centre = beer_means.mean(axis=0)
    n_axes = beer_means.shape[1]
    directions = np.linalg.svd(beer_means - centre, full_matrices=True)[2].T
    plane = np.zeros((n_axes, 2))
    plane[:, : min(2, n_axes)] = directions[:, :2]
    scores = (beer_means - centre) @ plane
    logs = np.log(np.maximum(spectra, LEAST_REFLECTANCE))
    dark = logs.mean() - logs.mean(axis=1)
    right = scores.T @ dark
    length = float(np.linalg.norm(right))
    if length > 0.0 and n_axes > 1:
        right = right / length
        plane = plane @ np.array([[right[0], -right[1]], [right[1], right[0]]])
    elif right[0] < 0.0:
        plane = -plane
    up = (beer_means - centre) @ plane[:, 1]
    return centre, plane * np.array([1.0, _sign(up, logs, dark)])


def _sign(up: Floats, logs: Floats, dark: Floats) -> float:
    """Return the sign that puts beers up whose spectrum is redder, else more bowed, than their darkness asks for."""
    along = np.linspace(-1.0, 1.0, logs.shape[1])
    for shape in (along, 1.0 - 2.0 * along**2):
        feature = logs @ (shape - shape.mean())
        feature = feature - feature.mean()
        feature = feature - dark * float(feature @ dark) / max(float(dark @ dark), np.finfo(float).tiny)
        size = float(np.linalg.norm(up) * np.linalg.norm(feature))
        if size > 0.0 and abs(float(up @ feature)) >= _TELLING * size:
            return float(np.sign(up @ feature))
    return -1.0 if up[int(dark.argmax())] < 0.0 else 1.0


def _name_samples(ax: Axes, names: Sequence[str], points: Floats, taken: Mask) -> None:
    which = np.arange(len(names)) if len(names) <= _MOST_NAMED else np.flatnonzero(~taken)[:_MOST_NAMED]
    for row in which.tolist():
        ax.annotate(
            plain(str(names[row])), points[row], xytext=(6, 5), textcoords="offset points", fontsize="x-small",
            fontweight="bold", color=INK, zorder=6,
            bbox={"boxstyle": "round,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.7},
        )  # fmt: skip


@of_its_kind
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
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    TableError
        If there is no such sample.

    Examples
    --------
    >>> plot_nearest_batches(house, session, sample="NP-1-001-S1").get_legend().get_texts()[0].get_text()
    'NP-0-004, Night Porter (0.4)'
    """
    fitted, name, reflectance, n_pours = _one_sample(house, spectra, scans, sample)
    ax, identity = axis_or_new(ax), fitted.identity
    means, _ = mean_by(identity.samples.reflectance, identity.samples.batch)
    apart = identity.metric.scores(reflectance[None, :]) - identity.batch_means
    apart /= np.sqrt(identity.metric.scatter(float(n_pours)) + 1.0)
    distance = np.sqrt(np.mean(apart**2, axis=1))
    nearest = np.argsort(distance)[:n_batches]
    for batch, line, colour in zip(nearest, LINES * len(nearest), shades(len(nearest)), strict=False):
        beer = fitted.beers[identity.samples.beer[batch]]
        label = f"{plain(fitted.batches[batch])}, {plain(beer)} ({distance[batch]:.1f})"
        ax.plot(fitted.wavelength_nm, means[batch], color=colour, linestyle=line, linewidth=1.2, label=label)
    nm, label = fitted.wavelength_nm, f"{plain(name)} ({counted(n_pours, 'pour')})"
    ax.plot(nm, reflectance, color=ORANGE, linewidth=2.4, label=label, zorder=1)
    ax.set(xlabel=WAVELENGTH, ylabel=REFLECTANCE, xlim=(nm[0], nm[-1]))
    ax.legend(title="nearest batches (distance, 1 = typical)", frameon=False, fontsize="small", title_fontsize="small")
    return ax


@of_its_kind
def plot_departure(
    house: HouseModel,
    spectra: Any,
    scans: Any = None,
    *,
    sample: str | None = None,
    beer: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw how a sample departs from a beer, beside the beer's batches; what a fault explains (or more) is shaded.

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
    TableError, UnknownBeerError
        If there is no such sample; if the set does not hold the beer.

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
    legend_above(ax)
    return ax


def _one_sample(
    house: HouseModel, spectra: Any, scans: Any, sample: str | None
) -> tuple[FittedHouse, str, Floats, int]:
    names: list[str] = []
    for part in parts_by_module(house.fitted, spectra, scans):
        means = part.samples.averages
        own = [str(name) for name in means.names]
        if sample is None or sample in own:
            row = 0 if sample is None else own.index(sample)
            return part.fitted, own[row], means.reflectance[row], int(means.counts[row])
        names += own
    raise TableError(f"there is no sample {sample!r}; there are {', '.join(names)}")
