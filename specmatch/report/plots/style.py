"""The look of the figures: an axis to draw on, colours that also differ in grey, the colour of a beer in the cup."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import wraps
from inspect import signature
from itertools import zip_longest
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from specmatch.colour.tristimulus import tristimulus_values, white_point
from specmatch.errors import MissingExtraError, TableError

if TYPE_CHECKING:
    from matplotlib.artist import Artist
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


# what figures are drawn of and on, as annotations name it
_KINDS = {
    "Axes", "Commissioning", "ControlChart", "DataFrame", "Evaluation", "Gauge", "HouseModel", "Plan", "ReferenceSet",
    "Validation", "None",
}  # fmt: skip
_Given = ParamSpec("_Given")
_Drawn = TypeVar("_Drawn")


def of_its_kind(draw: Callable[_Given, _Drawn]) -> Callable[_Given, _Drawn]:
    """Have a figure refuse what is of no class that its annotations name, such as the path of a set."""
    told = {name: said.replace("pd.", "").split(" | ") for name, said in draw.__annotations__.items()}
    wanted = {name: kinds for name, kinds in told.items() if name != "return" and _KINDS.issuperset(kinds)}
    form = signature(draw)

    @wraps(draw)
    def checked(*args: _Given.args, **options: _Given.kwargs) -> _Drawn:
        for name, value in form.bind(*args, **options).arguments.items():
            kinds = wanted.get(name)
            if kinds and not {"None" if value is None else one.__name__ for one in type(value).__mro__} & {*kinds}:
                said = f" {value!r}" if isinstance(value, str) else ""
                expected = " or ".join(kind for kind in kinds if kind != "None")
                raise TableError(f"{draw.__name__}: {name} is a {type(value).__name__}{said}; expected {expected}")
        return draw(*args, **options)

    return checked


def new_figure(width_in: float = 6.4, height_in: float = 4.2) -> Figure:
    """Return an empty figure that belongs to no window and no global state."""
    need_matplotlib()
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), layout="constrained")


def need_matplotlib() -> None:
    """Do nothing where matplotlib can be imported."""
    try:
        import matplotlib  # noqa: F401
    except ImportError as error:
        raise MissingExtraError(
            "figures need matplotlib, which is not installed; install it from the project's folder with "
            "pip install '.[plot]'"
        ) from error


def axis_or_new(ax: Axes | None, *, width_in: float = 6.4, height_in: float = 4.2) -> Axes:
    """Return the axis given, or one in a new figure that a notebook shows by itself."""
    if ax is None:
        need_matplotlib()
        from matplotlib import pyplot

        ax = pyplot.subplots(figsize=(width_in, height_in), layout="constrained")[1]
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.grid(color="#e4e7ea", linewidth=0.7)
    ax.set_axisbelow(True)
    return ax


def legend_above(ax: Axes, **more: Any) -> None:
    """Put the legend over the axis, where it covers nothing."""
    ax.legend(frameon=False, fontsize="small", loc="lower left", bbox_to_anchor=(0.0, 1.0), **more)


def legend_beside(ax: Axes, **more: Any) -> None:
    """Put the legend to the right of the axis, where it covers nothing."""
    ax.legend(frameon=False, fontsize="small", loc="upper left", bbox_to_anchor=(1.0, 1.0), **more)


def whole_figure(ax: Axes) -> Figure:
    """Return the figure that an axis stands in, the whole of it where it stands in a part."""
    # a figure's own `figure` is itself, a part's is the whole; `get_figure(root=True)` came with matplotlib 3.10 only
    whole: Figure = ax.figure.figure
    return whole


def tell(artist: Artist, said: Iterable[str], beers: Iterable[str] = ()) -> None:
    """Give each point of an artist, or the whole of it, the words that a page shows there, and the beer it is of."""
    artist.told = tuple(zip_longest(map(str, said), map(str, beers), fillvalue=""))  # type: ignore[attr-defined]


def plain(name: str) -> str:
    """Return a name as a figure shows it letter by letter: dollars start no formula, an underscore hides no legend."""
    shown = str(name)
    if len(shown) > LONGEST_NAME:
        shown = f"{shown[: LONGEST_NAME - 9]}…{shown[-8:]}"
    shown = shown.replace("$", r"\$")
    return f" {shown}" if shown.startswith("_") else shown


def shades(n: int) -> Sequence[tuple[float, float, float, float]]:
    """Return n colours from dark to light that keep their order in grey and for the colour-blind."""
    from matplotlib import colormaps

    # the lightest fifth of the scale is too pale for a line on white paper
    return [tuple(colormaps["cividis"](position)) for position in np.linspace(0.0, 0.8, max(n, 1))]


def plain_ticks(axis_of: Axes, *, which: str, low: float, high: float) -> None:
    """Write a logarithmic axis in plain numbers (5, 10, 20, 50), as a brewer reads them."""
    from matplotlib.ticker import NullLocator

    axis_of.set(**{f"{which}scale": "log", f"{which}lim": (low, high)})
    steps = [digit * 10.0**power for power in range(-2, 5) for digit in (1, 2, 5)]
    kept = [value for value in steps if low <= value <= high]
    axis = getattr(axis_of, f"{which}axis")
    axis.set_ticks(kept, [f"{value:g}" for value in kept])
    axis.set_minor_locator(NullLocator())


def time_axis(ax: Axes, label: str) -> None:
    """Write dates under an axis as short as they can be said, and what they are."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    low, high = ax.dataLim.intervalx
    # of an axis that nothing is drawn on the ends are infinite
    if np.isfinite([low, high]).all() and high - low < 1.0 / 24.0:
        # within an hour, or of one moment, there is no scale to choose: the day around it is shown
        ax.set_xlim((low + high - 1.0) / 2.0, (low + high + 1.0) / 2.0)
    # with the usual five as the least, spans from 3.5 to 5 hours, days, months or years have no step that fits
    locator = AutoDateLocator(minticks=3, maxticks=8)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    ax.set_xlabel(label)


# IEC 61966-2-1 (sRGB): from X, Y, Z with D65 white at Y = 1 to linear red, green, blue (matrix and curve from memory)
_TO_RGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
_D65_WHITE = np.array([0.9505, 1.0, 1.089])
_VISIBLE_NM = np.arange(400.0, 701.0, 5.0)


def swatch(reflectance: ArrayLike, wavelength_nm: ArrayLike) -> str:
    """Return the colour of the light that comes back through a beer, as a screen shows it."""
    # reflectance (p,), wavelength_nm (p,)
    # wavelength_nm: ascending; beyond its ends the last values are taken, as for a usable band that is narrower than
    # the visible
    seen = np.interp(_VISIBLE_NM, np.asarray(wavelength_nm, float), np.clip(reflectance, 0.0, 1.0))
    xyz = tristimulus_values(seen[None, :], _VISIBLE_NM, illuminant="D65")[0] / white_point("D65") * _D65_WHITE
    linear = np.clip(_TO_RGB @ xyz, 0.0, 1.0)
    curved = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1.0 / 2.4) - 0.055)
    red, green, blue = np.rint(255.0 * curved).astype(int)
    return f"#{red:02x}{green:02x}{blue:02x}"
