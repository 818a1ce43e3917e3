"""Plain text for a terminal: tables that a tired person can read, and what each figure of an evaluation says."""

import math
import textwrap
from collections.abc import Mapping
from itertools import zip_longest
from typing import Any

import pandas as pd

from specmatch.house.reading.explanations import apart_from_claim
from specmatch.wording import counted, rows_beside

# what a tired eye must not miss stands in capitals
_DECISION_SHOWN = {"hold": "HOLD", "rescan": "RESCAN"}

# a reading's reason is one sentence: two or three lines of this length keep the table within a wide terminal
_REASON_WIDTH = 48
_LEAST_REASON = 24


def text_table(table: pd.DataFrame, *, wrap: Mapping[str, int] | None = None) -> str:
    """Lay a table out in columns, numbers to the right, text to the left."""
    shown = table.reset_index() if table.index.name else table
    wrap = wrap or {}
    headings = [str(c) for c in shown.columns]
    right = [pd.api.types.is_numeric_dtype(shown.iloc[:, i]) for i in range(len(headings))]
    columns = [
        [_lines(show(value), wrap.get(heading)) for value in shown.iloc[:, i]] for i, heading in enumerate(headings)
    ]
    widths = [
        max(len(text) for text in [heading, *(line for cell in column for line in cell)])
        for heading, column in zip(headings, columns, strict=True)
    ]
    rows = [headings, ["-" * width for width in widths]]
    for cells in zip(*columns, strict=True):
        rows += [list(line) for line in zip_longest(*cells, fillvalue="")]
    return "\n".join(
        "  ".join(
            text.rjust(width) if to_right else text.ljust(width)
            for text, width, to_right in zip(row, widths, right, strict=True)
        ).rstrip()
        for row in rows
    )


def _lines(text: str, width: int | None) -> list[str]:
    return (textwrap.wrap(text, width) if width else None) or [text]


def show(value: Any) -> str:
    """Write one cell: four figures for a number, commas between the items of a tuple, blank for what is missing."""
    if isinstance(value, tuple | list):
        return ", ".join(str(item) for item in value)
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.4g}"
    return "" if value is None else str(value)


def readings_text(readings: pd.DataFrame, *, width: int | None = None) -> str:
    """Lay readings out for a person: a row a sample, and with claims the decision and its reason."""
    # width: of the whole table where claims are judged; the reason, which names the nearest beer where that is another
    # than the claim, then takes what is left
    if readings.empty:
        return "no samples"
    interval = [
        "" if math.isnan(row.colour) else f"{row.colour:.1f} ({_limit(row.colour_low)} to {_limit(row.colour_high)})"
        for row in readings.itertuples()
    ]
    shown = pd.DataFrame(index=readings.index)
    judged = "decision" in readings.columns
    if judged:
        shown["claim"] = readings["claimed"]
    if width is None or not judged:
        shown["nearest beer"] = readings["nearest_beer"]
    shown[f"{readings.attrs.get('value_name', 'colour')}, {readings['colour_unit'].iloc[0]}"] = interval
    if not judged:
        shown["p"] = readings["p_value"].map("{:.2f}".format)
        shown["plausible beers"] = readings["plausible_beers"]
        shown["warnings"] = [_warnings_shown(row) for row in readings.to_dict("records")]
        return text_table(shown, wrap={"plausible beers": _REASON_WIDTH, "warnings": _REASON_WIDTH})
    shown["decision"] = [
        _DECISION_SHOWN.get(value, value) if isinstance(value, str) else "reading only"
        for value in readings["decision"]
    ]
    shown["reason"] = ["; ".join(_sentences(row)) for row in readings.to_dict("records")]
    room = _REASON_WIDTH if width is None else width - len(text_table(shown.drop(columns="reason")).split("\n")[1]) - 2
    return text_table(shown, wrap={"reason": max(room, _LEAST_REASON)})


def _sentences(row: Mapping[str, Any]) -> list[str]:
    """Say why, what to do where somebody must, and what else was found."""
    said = [row["reason"]]
    if row["decision"] in _DECISION_SHOWN:
        said.append(f"to do: {row['advice']}")
    if warnings := _warnings_shown(row):
        said.append(f"warnings: {warnings}")
    if only := apart_from_claim(row).codes_if_claimed:
        said.append(f"if it is {row['claimed']} after all: {show(only)}")
    return said


def _warnings_shown(row: Mapping[str, Any]) -> str:
    """Codes of a reading, and the explanation behind them where there is one."""
    found = apart_from_claim(row)
    return ": ".join(part for part in (show(found.codes), found.explanation) if part)


def beside_limits(figures: pd.DataFrame) -> pd.DataFrame:
    """Round figures and their uncertainties to a hundredth of their limit: what lies below it decides nothing."""
    shown = figures.copy()
    for row in figures.index[figures["limit"] > 0.0]:
        digits = 1 - math.floor(math.log10(figures.at[row, "limit"]))
        for name in ("value", "uncertainty"):
            shown.at[row, name] = round(float(figures.at[row, name]), digits) + 0.0  # no minus before a zero
    return shown


def risks_text(risks: pd.DataFrame) -> str:
    """Lay out what the decision rules on colour come to, or say nothing where there are no limits."""
    if risks.empty:
        return ""
    told = text_table(risk_shares(risks))
    return f"Colour limits, for lots like those of the set (shares of lots with 95 % bounds, JCGM 106):\n{told}"


def risk_shares(risks: pd.DataFrame) -> pd.DataFrame:
    """Write the risks of limits as people read them, those with bounds as `share (low to high)`."""
    shown = risks[["rule"]].assign(
        passes=[f"{low:.3g} to {high:.3g} {unit}" if low <= high else "no reading" for low, high, unit in zip(
            risks["accepted_low"], risks["accepted_high"], risks["unit"], strict=True)]
    )  # fmt: skip
    for name in ("valid_from", "valid_to"):
        if risks[name].notna().any():  # limits of several periods stand below one another
            shown[name] = ["" if day is None else str(day) for day in risks[name]]
    for name, words in (("conform", "conform"), ("held_of_conforming", "held of these")):
        shown[words] = risks[name].map(lambda share: "" if math.isnan(share) else f"{share:.1%}")
    for name, words in (
        ("producer_risk", "conform and held"), ("consumer_risk", "do not and pass"), ("cannot_tell", "cannot tell"),
    ):  # fmt: skip
        shown[words] = [
            f"{share:.1%} ({low:.0%} to {high:.0%})"
            for share, low, high in risks[[name, f"{name}_low", f"{name}_high"]].itertuples(index=False)
        ]
    return shown


def figures_line(figures: pd.Series) -> str:
    """Say in one line how good a model is with batches held out."""
    relative = figures["relative_error"]
    # values of 0 or below have an error in their unit only
    error = f"{figures['rmsep']:.3g}" if pd.isna(relative) and pd.notna(figures["rmsep"]) else _percent(relative)
    of_colour = (
        f"{figures.get('value_name', 'colour')} within {error} of the lab value (root mean square), "
        f"{figures['nominal_coverage']:.0%} intervals cover {_percent(figures['covered'])} of lab values"
    )
    return (
        f"With batches held out ({counted(figures['n_batches'], 'batch')} of {counted(figures['n_beers'], 'beer')}): "
        f"{of_colour if math.isfinite(figures['covered']) else 'too few lab values for a colour'}, "
        f"nearest beer right {_percent(figures['nearest_right'])}, "
        f"right claims held {_percent(figures['false_hold'])} (stated {figures['stated_false_reject_rate']:.0%})."
    )


def _percent(share: float) -> str:
    return f"{share:.1%}" if math.isfinite(share) else "unknown"


def _limit(value: float) -> str:
    return f"{value:.1f}" if math.isfinite(value) else "no limit"


# what each figure of an evaluation says
FIGURE_WORDS = dict(rows_beside(__file__, "figure_words.csv"))


def figures_in_words(figures: pd.Series) -> pd.DataFrame:
    """Set words beside figures."""
    says = [FIGURE_WORDS.get(str(name), "") for name in figures.index]
    return pd.DataFrame({"value": figures.to_numpy(), "says": says}, index=figures.index.rename("figure"))
