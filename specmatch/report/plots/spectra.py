"""Figures of the light: each beer's spectrum, its colour in a glass, and how the reference scans went on over time."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Mask
from specmatch.batches import must_be
from specmatch.colour.double_pass import fit_double_pass
from specmatch.colour.transmission import average_absorbance, srm_from_ebc
from specmatch.errors import SpecmatchError, UnknownBeerError
from specmatch.maths.spectra.channels import LARGEST_NOISE, usable_band
from specmatch.maths.spectra.noise import channel_noise
from specmatch.maths.statistics.levels import mean_by
from specmatch.measurement.session import DRIFTED, WEAK, reference_history, reference_times
from specmatch.report.plots.style import (
    INK,
    LINES,
    MARKERS,
    ORANGE,
    PALE,
    axis_or_new,
    legend_above,
    legend_beside,
    of_its_kind,
    plain,
    shades,
    swatch,
    tell,
    time_axis,
)
from specmatch.wording import counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from specmatch.house.fitting.fitted import FittedHouse
    from specmatch.measurement.session import Session
    from specmatch.reference.reference_set import ReferenceSet


GLASS_CM = 6.0  # light that has crossed so much beer: a tumbler, looked through from the side
IN_A_GLASS = (
    f"Patches are an impression of a glass {GLASS_CM:g} cm wide before white daylight, from the beer's own mean "
    "spectrum (CIE D65, 10 degree observer, sRGB); a screen or a print shows them only roughly."
)
# below this nothing came through that a glass four times as deep would let pass
_LEAST_THROUGH = 1e-4


def glass_colours(reflectance: ArrayLike, wavelength_nm: ArrayLike, colour: ArrayLike, unit: str) -> list[str]:
    """Return what to paint each beer with, "" where neither its spectrum nor its colour can tell."""
    # reflectance (n, p): mean spectra; colour (n,): mean lab colours in `unit`, NaN where unknown
    R, nm, lab = (np.asarray(x, np.float64) for x in (reflectance, wavelength_nm, colour))
    through = _through_cup(R, nm, lab, unit)
    if through is None:
        # too few colours to tell glare from beer: the average beer of each colour stands for it
        srm = lab if unit == "SRM" else np.asarray(srm_from_ebc(lab)) if unit == "EBC" else np.full(len(R), np.nan)
        through = np.array([10.0 ** -average_absorbance(nm, x, GLASS_CM) if x > 0.0 else np.nan * nm for x in srm])
    return [swatch(row, nm) if np.isfinite(row).all() else "" for row in through]


def _through_cup(R: Floats, nm: Floats, lab: Floats, unit: str) -> Floats | None:
    """Return the transmittance of the glass: the light of the cup without its glare, on the longer way."""
    known = np.isfinite(lab) & np.isfinite(R).all(axis=1)
    try:
        cup = fit_double_pass(R[known], lab[known], nm, colour_unit=unit)
    except SpecmatchError:
        return None
    through = np.clip((R - cup.glare) / (1.0 - cup.glare), _LEAST_THROUGH, 1.0)
    return np.asarray(through ** (GLASS_CM / cup.path_cm))


def set_glass(refs: ReferenceSet) -> dict[str, str]:
    """Return what to paint each beer of a set with, by its name."""
    nm, spectra = batch_spectra(refs)
    beers, code = np.unique(refs.batches["beer"].to_numpy(dtype=str), return_inverse=True)
    lab = refs.batches["colour"].groupby(code).mean().to_numpy(np.float64)
    return dict(zip(beers.tolist(), glass_colours(mean_by(spectra, code)[0], nm, lab, refs.colour_unit), strict=True))


def house_glass(fitted: FittedHouse) -> list[str]:
    """Return what to paint each beer of a model with."""
    samples, lab = fitted.identity.samples, batch_colours(fitted)
    spectra, _ = mean_by(mean_by(samples.reflectance, samples.batch)[0], samples.beer)
    known = np.isfinite(lab)
    n, beer = len(fitted.beers), fitted.beer_of_batch[known]
    with np.errstate(invalid="ignore"):
        colour = np.bincount(beer, lab[known], n) / np.bincount(beer, minlength=n)
    return glass_colours(spectra, fitted.wavelength_nm, colour, fitted.colour_unit)


def batch_colours(fitted: FittedHouse) -> Floats:
    """Return the lab colour of each batch of a model, shape (K,), NaN where none is known."""
    if fitted.pours is not None:
        return fitted.pours.lab
    if fitted.colour is not None and fitted.colour.lab_colour.size == len(fitted.batches):
        return fitted.colour.lab_colour[np.argsort(fitted.colour.batch_code)]
    return np.full(len(fitted.batches), np.nan)


# a lamp varies by about 1 % from scan to scan: an axis narrower than this would show that as if it were news
LEAST_SPAN = 10.0
SAID = {DRIFTED: "jumps from those before it", WEAK: "carries too little light"}


@of_its_kind
def plot_reference_history(
    history: pd.DataFrame | Sequence[Session], *, findings: pd.DataFrame | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the level of each reference scan against the first of its instrument, and what was found about it.

    Parameters
    ----------
    history : sequence of Session, or DataFrame
        Measured folders, in any order; or a table with a row a reference scan: `measured_at`, `instrument`, `session`,
        `level` (1.0 = as much light as the first) and `code`.
    findings : DataFrame, optional
        Of `ReferenceSet.audit()`: reference scans of sessions with a `drifted_reference` are marked.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    TableError
        If two folders share no usable wavelength of an instrument.

    Notes
    -----
    A slow fall is a lamp that ages, and does no harm; a jump is a lamp, a base or a cup that changed.

    Examples
    --------
    >>> plot_reference_history([sm.measure("monday"), session]).get_xlabel()
    'measured, UTC'
    """
    if not isinstance(history, pd.DataFrame):
        sessions: Sequence[Any] = history if isinstance(history, list | tuple) else [history]
        must_be("session", *sessions)
        history = reference_history(sessions)
    ax = axis_or_new(ax, width_in=7.2, height_in=3.4)
    times, level = reference_times(history), 100.0 * history["level"].to_numpy(float)
    x = np.arange(1, len(history) + 1) if times is None else times.to_numpy()
    instrument = history["instrument"].to_numpy()
    names = list(dict.fromkeys(instrument))
    ax.axhline(100.0, color=INK, linewidth=1.0, linestyle="--")
    looks = zip(names, shades(len(names)), LINES * len(names), MARKERS * len(names), strict=False)
    for name, colour, line, marker in looks:
        own = instrument == name
        ax.plot(x[own], level[own], color=colour, linestyle=line, linewidth=0.8, marker=marker, markersize=5,
                markerfacecolor="white", label=f"{plain(name or 'reference scans')} ({own.sum()})")  # fmt: skip
    for code, said in SAID.items():
        _mark(ax, x, level, (history["code"] == code).to_numpy(), "s" if code == DRIFTED else "v", said)
    if findings is not None:
        sessions = findings.loc[findings["code"] == "drifted_reference", "subject"]
        drifted = history["session"].isin(sessions).to_numpy()
        # around the mark, not over it: a scan may have jumped and its session have drifted
        _mark(ax, x, level, drifted, "o", "its session reads off (audit)", markersize=11, markerfacecolor="none")
    known = level[np.isfinite(level)]
    if known.size:
        low, high = min(known.min(), 100.0), max(known.max(), 100.0)
        more = max(0.06 * (high - low), (LEAST_SPAN - (high - low)) / 2.0)
        ax.set_ylim(low - more, high + more)
    ax.set(ylabel="light of the reference,\n% of the first of its instrument")
    if times is None:
        ax.set(xlabel="reference scan, in the order of the folders")
    else:
        stated = history["measured_at"].str.contains(r"(?:Z|[+-]\d\d:?\d\d)$").all()
        time_axis(ax, "measured, UTC" if stated else "measured")
    legend_above(ax, ncols=3)
    return ax


def _mark(ax: Axes, x: np.ndarray, level: np.ndarray, which: np.ndarray, marker: str, said: str, **more: Any) -> None:
    if which.any():
        look: dict[str, Any] = {"color": ORANGE, "markersize": 6, "markeredgewidth": 1.6, "linewidth": 0, **more}
        ax.plot(x[which], level[which], marker=marker, label=f"{said} ({which.sum()})", **look)


WAVELENGTH, REFLECTANCE = "wavelength, nm", "reflectance (1 = the reference)"


@of_its_kind
def plot_spectra(refs: ReferenceSet, *, beers: Collection[str] | None = None, ax: Axes | None = None) -> Axes:
    """Draw the mean spectrum of each beer with the spread of its batches, palest beer first.

    Parameters
    ----------
    refs : ReferenceSet
    beers : collection of str, optional
        Only these; all by default.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    UnknownBeerError
        If one of `beers` is not in the set.

    Notes
    -----
    The band about a line is plus and minus one standard deviation between batches; a beer of one batch has none. The
    square at its end has the colour of the beer in a glass.

    Examples
    --------
    >>> plot_spectra(refs, beers=["Amber Lane"]).get_xlabel()
    'wavelength, nm'
    """
    known = list(dict.fromkeys(refs.batches["beer"]))
    wanted = known if beers is None else list(beers)
    for beer in wanted:
        if beer not in known:
            raise UnknownBeerError(f"{beer!r} is no beer of the set; it holds {', '.join(sorted(known))}")
    ax = axis_or_new(ax)
    (nm, by_batch), glass = batch_spectra(refs), set_glass(refs)
    rows_of = {beer: by_batch[(refs.batches["beer"] == beer).to_numpy()] for beer in wanted}
    order = sorted(wanted, key=lambda beer: -float(rows_of[beer].mean()))
    for beer, colour, line in zip(order, shades(len(order))[::-1], LINES * len(order), strict=False):
        rows = rows_of[beer]
        mean = rows.mean(axis=0)
        (drawn,) = ax.plot(
            nm, mean, color=colour, linestyle=line, linewidth=1.6, label=f"{plain(beer)} ({len(rows)})",
            marker="s", markevery=[-1], markersize=7, markerfacecolor=glass[beer] or "white", markeredgecolor=INK,
            markeredgewidth=0.7, clip_on=False,
        )  # fmt: skip
        tell(drawn, [f"{beer}, mean of {counted(len(rows), 'batch')}"], [beer])
        if len(rows) > 1:
            spread = rows.std(axis=0, ddof=1)
            band = ax.fill_between(nm, mean - spread, mean + spread, color=colour, alpha=0.22, linewidth=0)
            tell(band, [f"{beer}: one standard deviation between batches"], [beer])
    # what lies outside is noise, and would bend the axis
    grid = refs.spectra.columns.to_numpy(np.float64)
    dark = [(low, high) for low, high in ((grid[0], nm[0]), (nm[-1], grid[-1])) if low < high]
    for place, (low, high) in enumerate(dark):
        said = "too little light: not used" if place == 0 else None
        ax.axvspan(low, high, facecolor="white", edgecolor=PALE, hatch="////", linewidth=0, label=said)
    ax.set(xlabel=WAVELENGTH, ylabel=REFLECTANCE, xlim=(grid[0], grid[-1]))
    ax.set_ylim(bottom=0.0)
    legend_beside(ax, title="beer (batches)", handlelength=4.0)
    return ax


@of_its_kind
def plot_usable_band(refs: ReferenceSet, *, ax: Axes | None = None) -> Axes:
    """Draw the noise of each channel, and the stretch of wavelengths that is quiet enough to be used.

    Parameters
    ----------
    refs : ReferenceSet
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> plot_usable_band(refs).get_yscale()
    'log'
    """
    ax = axis_or_new(ax)
    table = band_noise(refs)
    nm, noise = table.index.to_numpy(), table["noise"].to_numpy()
    used = nm[table["used"]]
    ax.axvspan(used[0], used[-1], color=PALE, linewidth=0, label=f"used: {used[0]:.0f} to {used[-1]:.0f} nm")
    # a channel that never moves (zero noise) has no place on a logarithmic axis
    ax.plot(nm, np.maximum(noise, 1e-6), color=INK, linewidth=1.3, label="noise of the channel")
    label = f"the most that is used: {LARGEST_NOISE:g}"
    ax.axhline(LARGEST_NOISE, color=ORANGE, linestyle="--", linewidth=1.4, label=label)
    ax.set(yscale="log", xlabel=WAVELENGTH, ylabel="noise in reflectance\n(standard deviation)", xlim=(nm[0], nm[-1]))
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.legend(loc="upper center", frameon=True, framealpha=1.0, edgecolor="none", fontsize="small")
    return ax


def band_noise(refs: ReferenceSet) -> pd.DataFrame:
    """Return the noise of each channel, and whether a model of the set would use it."""
    values, nm = refs.spectra.to_numpy(np.float64), refs.spectra.columns.to_numpy(np.float64)
    noise = channel_noise(values, pd.factorize(refs.scans["sample"])[0])
    return pd.DataFrame({"noise": noise, "used": _used(refs)}, index=pd.Index(nm, name="wavelength_nm"))


def batch_spectra(refs: ReferenceSet) -> tuple[Floats, Floats]:
    """Return the used wavelengths and the mean reflectance of each batch, in the order of the batches table."""
    used = _used(refs)
    means = refs.spectra.groupby(refs.scans["batch"].to_numpy()).mean().loc[refs.batches.index]
    return refs.spectra.columns.to_numpy(np.float64)[used], means.to_numpy(np.float64)[:, used]


def _used(refs: ReferenceSet) -> Mask:
    nm, values = refs.spectra.columns.to_numpy(np.float64), refs.spectra.to_numpy(np.float64)
    low, high = refs.band_nm or (-np.inf, np.inf)
    inside = (nm >= low) & (nm <= high)
    used = np.zeros_like(inside)
    used[np.flatnonzero(inside)[usable_band(values[:, inside], pd.factorize(refs.scans["sample"])[0])]] = True
    return used
