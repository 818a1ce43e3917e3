"""Writes true spectra as text in any ordinary dialect, for round trips."""

from dataclasses import dataclass, field

import numpy as np
from hypothesis import strategies as st

HEADER_LINES = (
    "operator: A. Tester",
    "instrument;I-7",
    "# exported by hand",
    "temperature: 21,5 C",
    "integration_ms;20",
    "remark = second cup",
    "serial 12345",
    "date: 2024-03-12T08:30:00",
)
FOOTER_LINES = ("end of data", "checked: yes", "mean;0.45")


@dataclass(frozen=True)
class Dialect:
    """How a file is written, and what a caller would say to settle it."""

    separator: str = ";"
    decimal: str = "."
    thousands: str = ""
    encoding: str = "utf-8"
    newline: str = "\n"
    final_newline: bool = True
    header: tuple[str, ...] = ()
    footer: tuple[str, ...] = ()
    names: str = "units"  # "units", "plain", "none"
    layout: str = "columns"
    descending: bool = False
    x_unit: str = "nm"
    quantity: str = "reflectance"
    percent: bool = False
    x_decimals: int = 1
    y_decimals: int = 4
    n_spectra: int = 1
    quoted: bool = False
    padded: bool = False
    points_line: bool = False

    def told(self) -> dict[str, object]:
        """Keywords that leave nothing to be guessed."""
        told: dict[str, object] = {
            "separator": self.separator, "decimal": self.decimal, "thousands": self.thousands, "layout": self.layout,
            "x_unit": self.x_unit, "quantity": self.quantity,
        }  # fmt: skip
        if self.quantity in ("reflectance", "transmittance"):
            told["scale"] = "percent" if self.percent else "fraction"
        return told


@dataclass(frozen=True)
class Written:
    """A file and what is truly in it, to the digits written."""

    raw: bytes
    wavelength_nm: list[np.ndarray] = field(default_factory=list)
    values: list[np.ndarray] = field(default_factory=list)


def number_text(value: float, decimals: int, dialect: Dialect) -> str:
    """One number in the marks of a dialect."""
    text = f"{value:.{decimals}f}"
    whole, _, rest = text.partition(".")
    if dialect.thousands:
        sign, digits = ("-", whole[1:]) if whole.startswith("-") else ("", whole)
        groups = []
        while len(digits) > 3:
            digits, last = digits[:-3], digits[-3:]
            groups.insert(0, last)
        whole = sign + dialect.thousands.join([digits, *groups])
    return whole + (dialect.decimal + rest if rest else "")


def write(x_nm: list[np.ndarray], y: list[np.ndarray], dialect: Dialect) -> Written:
    """Write spectra (ascending nm, fractions) in a dialect; all of one grid unless the layout is pairs."""
    factor = {"nm": 1.0, "um": 1e-3, "1/cm": 1.0}[dialect.x_unit]
    x_decimals = dialect.x_decimals + (3 if dialect.x_unit == "um" else 0)
    scale = 100.0 if dialect.percent else 1.0
    written_x, written_y, true_x, true_y = [], [], [], []
    for nm, values in zip(x_nm, y, strict=True):
        x = 1e7 / nm if dialect.x_unit == "1/cm" else nm * factor
        order = np.arange(x.size)[::-1] if dialect.descending else np.arange(x.size)
        xs = [number_text(v, x_decimals, dialect) for v in x[order]]
        ys = [number_text(v * scale, dialect.y_decimals, dialect) for v in values[order]]
        # the digits written, not a rounding of our own: the two differ where a value lies half way
        back = np.array([float(f"{v:.{x_decimals}f}") for v in x[order]])
        back_nm = 1e7 / back if dialect.x_unit == "1/cm" else back / factor
        ascending = np.argsort(back_nm)
        true_x.append(back_nm[ascending])
        digits = np.array([float(f"{v * scale:.{dialect.y_decimals}f}") for v in values[order]])
        true_y.append((digits / scale)[ascending])
        written_x.append(xs)
        written_y.append(ys)
    lines = list(dialect.header)
    if dialect.points_line:
        lines.append(f"points{':' if dialect.separator == ' ' else dialect.separator}{len(written_x[0])}")
    if dialect.layout == "rows" and dialect.x_unit != "nm":
        lines.append(f"x unit: {dialect.x_unit}")
    lines += _table(written_x, written_y, dialect)
    lines += list(dialect.footer)
    text = dialect.newline.join(lines) + (dialect.newline if dialect.final_newline else "")
    return Written(text.encode(dialect.encoding), true_x, true_y)


def _table(xs: list[list[str]], ys: list[list[str]], dialect: Dialect) -> list[str]:
    x_name = {"units": f"wavelength [{dialect.x_unit}]", "plain": "wavelength", "none": ""}[dialect.names]
    if dialect.names == "units":
        unit = " [%]" if dialect.percent else " [fraction]" if dialect.quantity == "reflectance" else ""
        y_name = f"{dialect.quantity}{unit}"
    else:
        y_name = dialect.quantity
    if dialect.separator == " ":
        x_name, y_name = x_name.replace(" ", "_"), y_name.replace(" ", "_")
    n = len(ys)
    y_names = [y_name] if n == 1 else [f"{y_name}{'_' if dialect.separator == ' ' else ' '}S{k + 1}" for k in range(n)]
    if dialect.layout == "rows":
        corner = f"scan {y_name}" if dialect.separator != " " else f"scan_{y_name}"
        rows = [[corner, *xs[0]], *([f"S{k + 1}", *values] for k, values in enumerate(ys))]
    elif dialect.layout == "pairs":
        longest = max(map(len, xs))
        rows = [[name for k in range(n) for name in (x_name, y_names[k])]] if x_name else []
        for i in range(longest):
            rows.append([cell for k in range(n) for cell in ((xs[k][i], ys[k][i]) if i < len(xs[k]) else ("", ""))])
    else:
        rows = [[x_name, *y_names]] if x_name else []
        rows += [[x, *(values[i] for values in ys)] for i, x in enumerate(xs[0])]
    return [_line(row, dialect) for row in rows]


def _line(cells: list[str], dialect: Dialect) -> str:
    must = [dialect.separator in cell for cell in cells]
    if dialect.separator != " " and (dialect.quoted or any(must)):
        cells = [f'"{cell}"' for cell in cells]
    elif dialect.padded and dialect.separator not in (" ", "\t"):
        cells = [f" {cell} " for cell in cells]
    return dialect.separator.join(cells)


@st.composite
def spectra(draw, *, quantity: str = "reflectance", n: int = 1, several_grids: bool = False):
    """True spectra: a smooth axis of slowly changing step, and smooth beer-like values."""
    grids, values = [], []
    start = draw(st.floats(380.0, 450.0))
    step = draw(st.sampled_from([0.5, 1.0, 2.0, 3.3, 5.0]))
    points = draw(st.integers(12, 60))
    bend = draw(st.floats(-0.002, 0.002))
    for k in range(n):
        if k == 0 or several_grids:
            if several_grids and k:
                points = draw(st.integers(8, points))
            nm = start + np.arange(points) * step * (1.0 + bend * np.arange(points) / points)
        strength = draw(st.floats(0.05, 2.0))
        absorbance = strength * np.exp(-(nm - 400.0) / draw(st.floats(60.0, 120.0)))
        if quantity == "counts":
            level = draw(st.sampled_from([900.0, 12000.0, 60000.0]))
            shape = 0.3 + np.exp(-(((nm - 450) / 15) ** 2)) + 0.8 * np.exp(-(((nm - 560) / 60) ** 2))
            values.append(100.0 + level * shape * 10.0**-absorbance)
        elif quantity == "absorbance":
            values.append(absorbance)
        else:
            values.append(0.006 + 0.95 * 10.0**-absorbance)
        grids.append(nm)
    return grids, values


@st.composite
def dialects(draw):
    """Any ordinary dialect that a file of one to four spectra may be written in."""
    separator = draw(st.sampled_from([";", ",", "\t", " "]))
    decimal = draw(st.sampled_from([".", ","]))
    quantity = draw(st.sampled_from(["reflectance", "counts", "absorbance"]))
    layout = draw(st.sampled_from(["columns", "columns", "columns", "rows", "pairs"]))
    thousands = ""
    if quantity == "counts" and draw(st.integers(0, 4)) == 0:
        marks = [mark for mark in (".", ",", "'", " ", "\u00a0") if mark not in (decimal, separator)]
        thousands = draw(st.sampled_from(marks))
        if thousands == " " and separator in (" ", ","):
            thousands = "'"
    x_unit = draw(st.sampled_from(["nm", "nm", "nm", "um", "1/cm"]))
    names = draw(st.sampled_from(["units", "units", "plain", "none"]))
    if x_unit != "nm" or layout == "rows":
        names = "units"
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    n_spectra = 1 if layout == "columns" and draw(st.booleans()) else draw(st.integers(2, 4))
    header = tuple(draw(st.lists(st.sampled_from(HEADER_LINES), max_size=5, unique=True)))
    if encoding == "cp1252":
        header = (*header, "beer: K\u00f6lsch, 21 \u00b0C")
    return Dialect(
        separator=separator, decimal=decimal, thousands=thousands, encoding=encoding,
        newline=draw(st.sampled_from(["\n", "\r\n", "\r"])), final_newline=draw(st.booleans()), header=header,
        footer=tuple(draw(st.lists(st.sampled_from(FOOTER_LINES), max_size=2, unique=True))), names=names,
        layout=layout,
        descending=draw(st.booleans()), x_unit=x_unit, quantity=quantity,
        percent=quantity == "reflectance" and draw(st.booleans()),
        x_decimals=draw(st.integers(1, 3)),
        y_decimals=draw(st.integers(0, 2) if quantity == "counts" else st.integers(3, 6)),
        n_spectra=n_spectra, quoted=draw(st.booleans()), padded=draw(st.booleans()), points_line=draw(st.booleans()),
    )  # fmt: skip
