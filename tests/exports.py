"""Ordinary exports of scans as programs write them, drawn at random: two writers of different style.

`instrument_export` writes line by line, as a measuring program does: a block of settings, a table, a closing block.
`sheet_export` lays out a grid of cells and saves it, as a spreadsheet does: titles, unit rows, error marks, quotes,
one separator as often on every line as the widest line needs.
"""

import csv
import io
from dataclasses import dataclass, field

import numpy as np

X_NAMES = (
    "Wavelength [nm]", "wavelength_nm", "nm", "Wavelength", "Wellenl\u00e4nge (nm)", "Longueur d'onde (nm)",
    "Longitud de onda / nm", "Lunghezza d'onda [nm]", "Golflengte (nm)", "V\u00e5gl\u00e4ngd [nm]",
    "D\u0142ugo\u015b\u0107 fali [nm]", "WL", "Lambda (nm)", "Aallonpituus", "\u6ce2\u9577",
)  # fmt: skip
Y_NAMES = {
    "counts": ("counts", "Counts", "Raw counts", "Intensity (counts)", "Z\u00e4hlwerte", "Signal",
               "Intensit\u00e9", "\u5f37\u5ea6"),
    "fraction": ("Reflectance", "Reflectance [-]", "reflectance (0-1)", "Remission", "R\u00e9flectance",
                 "Reflectantie"),
    "percent": ("Reflectance [%]", "%R", "Reflectance (%)", "Reflexionsgrad [%]", "Riflettanza %", "R [%]"),
}  # fmt: skip
BEERS = (
    "Pale 5%", "Straw Blond", "Strawberry", "A", "OD", "Abs", "Pale (1)", "Ratio Ale", "Fraction 3", "Amber",
    "Night Porter", "Raw Ale", "S1", "B-0417", "Signal Hill", "Lot 7/2", "Transmitter Stout", "Percent",
    "Kriek 4,5 %", "R",
    "Pils_2",
)  # fmt: skip
MISSING = (
    "NaN", "---", "n/a", "N/A", "#N/A", "#NV", "#WERT!", "#VALEUR!", "#\u00a1VALOR!", "#WAARDE!", "#N/D", "k.A.",
    "n.d.", "#DIV/0!", "1.#QNAN", "--", "null", "*****", "#####", "?", "fehlt", "error", "",
)  # fmt: skip
OVER = ("OVER", "OVRFLW", "1.#INF", "sat", "OL", "\u00dcberlauf", "satur\u00e9", ">65535", "overload")
SETTINGS = (
    ("Operator", "K. Ale"), ("Integration time", "20 ms"), ("Date", "2024-03-12 08:30"), ("Averages", "32"),
    ("Temperature", "21,5 C"), ("Serial", "0012345"), ("Beer", "Pale 5%"), ("Comment", "second cup; rinsed"),
    ("Slit", "5 nm"), ("Range", "380-780 nm"), ("Temperatur [\u00b0C]", "20.4"), ("Dark corrected", "no"),
)  # fmt: skip
CLOSING_TEXT = ("End of data", "checked: yes", "---", "[end]", "Mean; 0.45", "Datei gespeichert", "Operator: K. Ale")


@dataclass
class Export:
    """A file, what is truly in it, and the keywords that leave nothing to be guessed."""

    raw: bytes
    x: np.ndarray
    values: list[np.ndarray]
    over: list[np.ndarray]
    quantity: str
    told: dict[str, object] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)


def _axis(rng) -> np.ndarray:
    start, step = rng.uniform(340, 430), rng.choice([0.5, 1.0, 1.46, 2.0, 5.0, 10.0])
    n = int(rng.integers(30, 90)) if step < 4 else int(rng.integers(20, 60))
    n = min(n, int((1000 - start) / step))
    if step in (1.0, 2.0, 5.0, 10.0):
        start = round(start)
    k = np.arange(n)
    return start + step * k * (1 - 0.0002 * k * (step == 1.46))


def _values(rng, nm, kind) -> np.ndarray:
    depth = rng.uniform(0.05, 1.6)
    reflectance = 0.008 + 0.95 * 10.0 ** (-depth * np.exp(-(nm - 400) / rng.uniform(70, 130)))
    if kind == "counts":
        level = rng.choice([0.0, 300.0, 9000.0, 45000.0])
        lamp = np.exp(-(((nm - 450) / 12) ** 2)) + 0.9 * np.exp(-(((nm - 570) / 70) ** 2))
        offset = rng.choice([60.0, 400.0, 1000.0])
        return offset + level * lamp * reflectance + rng.normal(0, 4, nm.size)
    return (100.0 if kind == "percent" else 1.0) * (reflectance + rng.normal(0, 5e-4, nm.size))


@dataclass
class _Content:
    """What both writers write: wavelengths and columns of values as text, and their truth."""

    kind: str
    x_text: list[str]
    x: np.ndarray
    cells: list[list[str]]
    values: list[np.ndarray]
    over: list[np.ndarray]
    titles: list[str]
    x_title: str
    decimal: str
    x_unit: str


def _content(rng, *, decimal: str, most: int) -> _Content:
    kind = str(rng.choice(["counts", "counts", "fraction", "percent"]))
    nm, n = _axis(rng), int(rng.choice([1, 1, 1, 2, 3]) if most > 1 else 1)
    x_unit = str(rng.choice(["nm"] * 8 + ["um", "1/cm"]))
    digits = int(rng.integers(1, 4))
    written = {"nm": nm, "um": nm / 1e3, "1/cm": 1e7 / nm}[x_unit]
    digits = {"nm": digits if nm[1] - nm[0] < 5 else int(rng.integers(0, 3)), "um": digits + 4, "1/cm": digits}[x_unit]
    if x_unit == "nm" and np.all(nm == np.round(nm)):
        digits = int(rng.choice([0, 0, 1, 2]))
    elif digits == 0:
        digits = 1
    if rng.random() < 0.2:
        written = written[::-1]
        nm = nm[::-1]
    x_text = [f"{v:.{digits}f}" for v in written]
    x = np.array(x_text, float)
    x = {"nm": x, "um": x * 1e3, "1/cm": 1e7 / x}[x_unit]
    cells, values, over = [], [], []
    # not three digits: without a word of what it is, 1.234 is 1234 as well
    y_digits = {
        "counts": int(rng.choice([0, 0, 0, 1, 2])),
        "fraction": int(rng.integers(4, 7)),
        "percent": int(rng.choice([1, 2, 4])),
    }[kind]
    for _ in range(n):
        text = [f"{v:.{y_digits}f}" for v in _values(rng, nm, kind)]
        y, high = np.array(text, float), np.zeros(nm.size, bool)
        if rng.random() < 0.2:
            for k in rng.choice(nm.size, int(rng.integers(1, 4)), replace=False):
                high[k] = rng.random() < 0.4
                text[k], y[k] = str(rng.choice(OVER if high[k] else MISSING)), np.nan
        cells.append(text)
        values.append(y / 100.0 if kind == "percent" else y)
        over.append(high)
    named = rng.random() < 0.75 or x_unit != "nm"
    if n > 1:
        titles = [str(t) for t in rng.choice(BEERS, n, replace=False)]
        if rng.random() < 0.4:
            titles = [f"{title} {_bracket(kind)}" for title in titles]
    else:
        titles = [
            str(rng.choice(Y_NAMES[kind]))
            if rng.random() < 0.7
            else str(rng.choice([b for b in BEERS if b not in ("Percent", "R")]))
        ]
    x_title = {"nm": str(rng.choice(X_NAMES)), "um": "Wavelength [um]", "1/cm": "Wavenumber [1/cm]"}[x_unit]
    if not named:
        titles, x_title = [""] * n, ""

    def mark(t):
        return t.replace(".", decimal) if t.replace(".", "").replace("-", "").isdigit() else t

    return _Content(
        kind, [mark(t) for t in x_text], x, [[mark(t) for t in column] for column in cells], values, over, titles,
        x_title, decimal, x_unit,
    )  # fmt: skip


def _bracket(kind: str) -> str:
    return {"counts": "[counts]", "fraction": "[reflectance]", "percent": "[% reflectance]"}[kind]


def _table(rng, content: _Content, said: list[str], *, most: int = 4) -> tuple[list[str], list[list[str]], int]:
    """Columns in some order: wavelengths first, in the middle or last; a column that numbers the lines in front."""
    columns = [list(c) for c in content.cells]
    titles = list(content.titles)
    place = 0
    if rng.random() < 0.3:
        place = len(columns) if rng.random() < 0.6 else int(rng.integers(0, len(columns) + 1))
        said.append(f"wavelengths in place {place}")
    columns.insert(place, content.x_text)
    titles.insert(place, content.x_title)
    if rng.random() < 0.25:
        start = int(rng.integers(0, 2))
        columns.insert(0, [str(k + start) for k in range(content.x.size)])
        titles.insert(0, str(rng.choice(["", "No.", "#", "Nr", "Pixel", "Index", "Punkt"])) if content.x_title else "")
        place += 1
        said.append("numbered")
    return titles, [list(row) for row in zip(*columns, strict=True)], place


def _export(text: str, content: _Content, told, said, encoding) -> Export:
    quantity = "counts" if content.kind == "counts" else "reflectance"
    told = {
        **told,
        "x_unit": content.x_unit,
        "quantity": quantity,
        "decimal": content.decimal,
        "thousands": "",
        "layout": "columns",
    }
    if quantity == "reflectance":
        told["scale"] = content.kind
    up = np.argsort(content.x)
    return Export(
        text.encode(encoding), content.x[up], [v[up] for v in content.values], [o[up] for o in content.over], quantity,
        told, said,
    )  # fmt: skip


def _settings(rng) -> list[str]:
    """Lines that a measuring program writes above its table."""
    lines = []
    if rng.random() < 0.4:
        lines.append(
            str(rng.choice(["Spectrum export", "SCAN 17", "Scan of Pale 5%", "*** data ***", "Measurement 2024-03-12"]))
        )
    joiner = str(rng.choice([": ", "=", " = ", ":\t"]))
    for k in rng.permutation(len(SETTINGS))[: int(rng.integers(0, 6))]:
        lines.append(str(rng.choice(["", "# "]) if joiner != ":\t" else "") + joiner.join(SETTINGS[k]))
    if rng.random() < 0.3:
        lines.append(str(rng.choice(["", "[Data]", ">>>>> Begin <<<<<", "#", "-----"])))
    return lines


def instrument_export(rng) -> Export:
    """Lines of a measuring program: settings, a table, a closing block."""
    said = ["instrument"]
    separator = str(rng.choice(["\t", ";", ",", " ", "  ", ", ", "; ", " | "]))
    decimal = "." if "," in separator else str(rng.choice([".", ","]))
    content = _content(rng, decimal=decimal, most=3)
    if separator.strip() == "":
        content.cells = [[c if c and " " not in c else "NaN" for c in column] for column in content.cells]
    if "," in separator:
        content.titles = [title.replace(",", ".") for title in content.titles]  # this program quotes nothing
    titles, rows, place = _table(rng, content, said)
    lines = _settings(rng)
    if any(titles):
        names = [title.replace(" ", "_") if separator.strip() == "" else title for title in titles]
        names = [name or "no" for name in names] if separator.strip() == "" else names
        lines.append(separator.join(names))
    end = separator.rstrip() if rng.random() < 0.25 and separator.strip() else ""
    if end:
        said.append("separator at line ends")
    unit = rng.random() < 0.1
    if unit:
        said.append("cells with units")
        sign = {"counts": "", "fraction": "", "percent": " %"}[content.kind]
        for row in rows:
            row[place] += {"nm": " nm", "um": " um", "1/cm": " cm-1"}[content.x_unit]
            for j in range(1 if "numbered" in said else 0, len(row)):
                if j != place and row[j][-1:].isdigit() and row[j][:1] != ">":
                    row[j] += sign
    pad = rng.random() < 0.2 and separator == " "
    lines += [("   " if pad else "") + separator.join(row) + end for row in rows]
    if rng.random() < 0.35:
        said.append("footer")
        if rng.random() < 0.5:
            lines.append("")
        for _ in range(int(rng.integers(1, 3))):
            lines.append(str(rng.choice(CLOSING_TEXT)))
        if rng.random() < 0.3:
            lines.append((separator if separator.strip() else " ").join(["20", f"21{decimal}5"]))
            said.append("numbers below")
    newline = str(rng.choice(["\n", "\r\n", "\r"]))
    text = newline.join(lines) + (newline if rng.random() < 0.9 else "")
    mark = separator.strip(" ") or " "
    return _export(text, content, {"separator": mark, "wavelength_column": place + 1}, said, _encoding(rng, text))


def sheet_export(rng) -> Export:
    """A grid of cells saved by a spreadsheet."""
    said = ["sheet"]
    separator = str(rng.choice([";", ",", "\t", ";"]))
    decimal = "," if separator == ";" and rng.random() < 0.7 else str(rng.choice([".", ","]))
    content = _content(rng, decimal=decimal, most=3)
    titles, rows, place = _table(rng, content, said)
    grid: list[list[str]] = []
    if rng.random() < 0.35:
        grid.append([str(rng.choice(["Colour bench", "Spektren M\u00e4rz", "Export", "Pale 5%", "Lauf 3"]))])
    for k in rng.permutation(len(SETTINGS))[: int(rng.integers(0, 4))]:
        grid.append(list(SETTINGS[k]))
    if rng.random() < 0.3:
        grid.append([])
    if any(titles):
        grid.append(titles)
        if rng.random() < 0.15 and content.x_unit == "nm" and "numbered" not in said:
            word = {"counts": "counts", "fraction": "-", "percent": "%"}[content.kind]
            grid.append(["nm" if j == place else word for j in range(len(titles))])
            said.append("unit row")
    grid += rows
    if rng.random() < 0.3:
        said.append("footer")
        if rng.random() < 0.6:
            grid.append([])
        grid.append([str(rng.choice(["Mittelwert", "mean", "Checked by", "Summe", "n ="])), "see page 2"])
        if rng.random() < 0.3:
            grid.append([])
            grid.append(["20", f"21{decimal}5"])
            said.append("numbers below")
    if rng.random() < 0.35:
        width = max(map(len, grid)) + int(rng.integers(0, 2))
        grid = [row + [""] * (width - len(row)) for row in grid]
        said.append("padded to one width")
    buffer = io.StringIO()
    quoting = csv.QUOTE_ALL if rng.random() < 0.2 else csv.QUOTE_MINIMAL
    csv.writer(buffer, delimiter=separator, quoting=quoting, lineterminator="\n").writerows(grid)
    text = buffer.getvalue()
    if rng.random() < 0.15:
        text = f"sep={separator}\n{text}"
        said.append("sep= line")
    text = text.replace("\n", str(rng.choice(["\n", "\r\n"])))
    return _export(text, content, {"separator": separator, "wavelength_column": place + 1}, said, _encoding(rng, text))


def _encoding(rng, text: str) -> str:
    name = str(rng.choice(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    try:
        text.encode(name)
    except UnicodeError:
        return "utf-8"
    return name
