"""The look of the figures: an axis to draw on, colours that also differ in grey, swatches of a beer's own colour."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from specmatch.errors import MissingExtraError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Four inks, chosen by their lightness: on a grey printer they are black, dark, middle and light, and blue against
# orange stays apart for every common kind of colour blindness. Marks differ in shape and line besides.
INK, BLUE, ORANGE, PALE = "#1a1d21", "#23527f", "#d0681c", "#c3d2e0"
# text in grey must still stand 7 to 1 against white
QUIET = "#50565d"
LONGEST_NAME = 24
LINES: tuple[str | tuple[int, tuple[int, ...]], ...] = ("-", "--", "-.", ":", (0, (6, 1, 1, 1, 1, 1)), (0, (1, 3)))
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "<", ">", "p", "h", "*")


def new_figure(width_in: float = 6.4, height_in: float = 4.2) -> Figure:
    """Return an empty figure that belongs to no window and no global state.

    Parameters
    ----------
    width_in, height_in : float
        Inches.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.

    Examples
    --------
    >>> new_figure().get_axes()
    []
    """
    need_matplotlib()
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), layout="constrained")


def need_matplotlib() -> None:
    """Do nothing where matplotlib can be imported.

    Raises
    ------
    MissingExtraError
        Where it cannot; the message says how to install it.

    Examples
    --------
    >>> need_matplotlib()
    """
    try:
        import matplotlib  # noqa: F401
    except ImportError as error:
        raise MissingExtraError(
            "figures need matplotlib, which is not installed; install it from the project's folder with "
            "pip install '.[plot]'"
        ) from error


def axis_or_new(ax: Axes | None, *, width_in: float = 6.4, height_in: float = 4.2) -> Axes:
    """Return the axis given, or one in a new figure that a notebook shows by itself.

    Parameters
    ----------
    ax : matplotlib.axes.Axes or None
    width_in, height_in : float
        Of the new figure, inches.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.

    Examples
    --------
    >>> ax = new_figure().subplots()
    >>> axis_or_new(ax) is ax
    True
    """
    if ax is None:
        need_matplotlib()
        from matplotlib import pyplot

        ax = pyplot.subplots(figsize=(width_in, height_in), layout="constrained")[1]
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.grid(color="#e4e7ea", linewidth=0.7)
    ax.set_axisbelow(True)
    return ax


def whole_figure(ax: Axes) -> Figure:
    """Return the figure that an axis stands in, the whole of it where it stands in a part.

    Parameters
    ----------
    ax : matplotlib.axes.Axes

    Returns
    -------
    matplotlib.figure.Figure

    Examples
    --------
    >>> ax = new_figure().subplots()
    >>> whole_figure(ax) is ax.figure
    True
    """
    # a figure's own `figure` is itself, a part's is the whole; `get_figure(root=True)` came with matplotlib 3.10 only
    whole: Figure = ax.figure.figure
    return whole


def plain(name: str) -> str:
    """Return a name as a figure shows it letter by letter: dollars start no formula, an underscore hides no legend.

    Parameters
    ----------
    name : str

    Returns
    -------
    str
        Cut in the middle where it is too long for a label: ends of names tell variants apart.

    Examples
    --------
    >>> plain("_Pale"), plain("Old Harbour Strong Winter Ale 2025")
    (' _Pale', 'Old Harbour Str…Ale 2025')
    """
    shown = str(name)
    if len(shown) > LONGEST_NAME:
        shown = f"{shown[: LONGEST_NAME - 9]}…{shown[-8:]}"
    shown = shown.replace("$", r"\$")
    return f" {shown}" if shown.startswith("_") else shown


def shades(n: int) -> Sequence[tuple[float, float, float, float]]:
    """Return n colours from dark to light that keep their order in grey and for the colour-blind.

    Parameters
    ----------
    n : int

    Returns
    -------
    list of RGBA tuples

    Examples
    --------
    >>> len(shades(3))
    3
    """
    from matplotlib import colormaps

    # the lightest fifth of the scale is too pale for a line on white paper
    return [tuple(colormaps["cividis"](position)) for position in np.linspace(0.0, 0.8, max(n, 1))]


def plain_ticks(axis_of: Axes, *, which: str, low: float, high: float) -> None:
    """Write a logarithmic axis in plain numbers (5, 10, 20, 50), as a brewer reads them.

    Parameters
    ----------
    axis_of : matplotlib.axes.Axes
    which : {"x", "y"}
    low, high : float
        Ends of the axis, above 0.

    Examples
    --------
    >>> ax = new_figure().subplots()
    >>> plain_ticks(ax, which="x", low=4.0, high=90.0)
    >>> ax.get_xscale()
    'log'
    """
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    getattr(axis_of, f"set_{which}scale")("log")
    getattr(axis_of, f"set_{which}lim")(low, high)
    steps = [digit * 10.0**power for power in range(-2, 5) for digit in (1, 2, 5)]
    kept = [value for value in steps if low <= value <= high]
    axis = getattr(axis_of, f"{which}axis")
    axis.set_major_locator(FixedLocator(kept))
    axis.set_major_formatter(FixedFormatter([f"{value:g}" for value in kept]))
    axis.set_minor_locator(NullLocator())


def time_axis(ax: Axes, label: str) -> None:
    """Write dates under an axis as short as they can be said, and what they are.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        With times drawn on it already.
    label : str

    Examples
    --------
    >>> ax = new_figure().subplots()
    >>> time_axis(ax, "measured, UTC")
    >>> ax.get_xlabel()
    'measured, UTC'
    """
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    low, high = ax.dataLim.intervalx
    # of an axis that nothing is drawn on the ends are infinite
    if np.isfinite([low, high]).all() and high - low < 1.0 / 24.0:
        # within an hour, or of one moment, there is no scale to choose: the day around it is shown
        ax.set_xlim((low + high - 1.0) / 2.0, (low + high + 1.0) / 2.0)
    locator = AutoDateLocator(maxticks=8)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    ax.set_xlabel(label)
