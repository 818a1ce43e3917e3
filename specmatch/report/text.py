"""Plain text for a terminal: tables that a tired person can read, and what each figure of an evaluation says."""

import math
import textwrap
from collections.abc import Mapping
from itertools import zip_longest
from typing import Any

import pandas as pd

from specmatch.house.reading.explanations import apart_from_claim
from specmatch.wording import counted

# what a tired eye must not miss stands in capitals
_DECISION_SHOWN = {"hold": "HOLD", "rescan": "RESCAN"}

# a reading's reason is one sentence: two or three lines of this length keep the table within a wide terminal
_REASON_WIDTH = 48


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


def readings_text(readings: pd.DataFrame) -> str:
    """Lay readings out for a person: a row a sample, and with claims the decision and its reason."""
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
    return text_table(shown, wrap={"reason": _REASON_WIDTH})


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
    shares = {
        "conform": "conform", "held_of_conforming": "held of these", "producer_risk": "conform and held",
        "consumer_risk": "do not and pass", "cannot_tell": "cannot tell",
    }  # fmt: skip
    shown = risks[["rule"]].assign(
        passes=[f"{low:.3g} to {high:.3g} {unit}" for low, high, unit in zip(
            risks["accepted_low"], risks["accepted_high"], risks["unit"], strict=True)]
    )  # fmt: skip
    shown = shown.join(risks[list(shares)].map(lambda share: f"{share:.1%}").rename(columns=shares))
    return "Colour limits, for lots like those of the set (shares of lots, JCGM 106):\n" + text_table(shown)


def figures_line(figures: pd.Series) -> str:
    """Say in one line how good a model is with batches held out."""
    return (
        f"With batches held out ({counted(figures['n_batches'], 'batch')} of {counted(figures['n_beers'], 'beer')}): "
        f"{figures.get('value_name', 'colour')} within {_percent(figures['relative_error'])} of the lab value "
        "(root mean square), "
        f"{figures['nominal_coverage']:.0%} intervals cover {_percent(figures['covered'])} of lab values, "
        f"nearest beer right {_percent(figures['nearest_right'])}, "
        f"right claims held {_percent(figures['false_hold'])} (stated {figures['stated_false_reject_rate']:.0%})."
    )


def _percent(share: float) -> str:
    return f"{share:.1%}" if math.isfinite(share) else "unknown"


def _limit(value: float) -> str:
    return f"{value:.1f}" if math.isfinite(value) else "no limit"


FIGURE_WORDS = {
    "n_batches": "batches that were held out",
    "n_beers": "beers",
    "bias": "mean of reading minus lab value, in the colour unit; above 0 it reads too dark",
    "bias_limit": "a bias up to this size may be chance",
    "sep": "standard deviation of reading minus lab value, bias taken off; colour unit",
    "rmsep": "root mean square of reading minus lab value; colour unit",
    "slope": "of lab value on reading; 1 is right",
    "intercept": "of lab value on reading; 0 is right",
    "slope_t": "how far the slope is from 1, in its standard errors",
    "slope_limit": "a slope_t up to this size may be chance",
    "rpd": "standard deviation of the lab values over sep",
    "iqr_over_sep": "middle half of the lab values (quartile to quartile) over sep",
    "r_squared": "1 less the squared errors over the spread of the lab values; 1 is right",
    "relative_error": "root mean square of the error as a share of the lab value",
    "median_relative_half_width": "half an interval as a share of the reading, median",
    "nominal_coverage": "share of lab values that the intervals promise to hold",
    "covered": "share of lab values that they held",
    "one_model_covers_low": "so little may one model of this many batches hold (5th percentile)",
    "one_model_covers_high": "and so much (95th percentile)",
    "nearest_right": "share of batches whose nearest beer is their own",
    "nearest_right_low": "95 % bound of that",
    "stated_false_reject_rate": "share of right claims that may be held",
    "false_hold": "share of right claims that were held, one reading each, no retest",
    "false_hold_high": "95 % bound of that",
    "several_plausible": "share of batches with several plausible beers",
    "n_identity": "batches behind the shares of beers",
    "n_colour": "batches behind the figures of colour",
    "between_batch_sd": "relative sd of held-out readings between batches of a beer, the model's own error in it",
    "between_batch_sd_low": "95 % bounds of that",
    "between_batch_sd_high": "",
    "between_pour_sd": "the same between pours of a batch",
    "between_pour_sd_low": "95 % bounds of that",
    "between_pour_sd_high": "",
    "between_scan_sd": "the same between scans of a pour; blank where each pour has one scan",
    "between_scan_sd_low": "95 % bounds of that",
    "between_scan_sd_high": "",
    "n_folds": "parts that the batches were dealt into",
    "seed": "fixes those parts",
    "unknown_refused": "share of batches refused by all other beers, their own beer left out of the set",
    "unknown_refused_over_colours": "share refused of beers that the house does not make, drawn over its own colours",
    "value_name": "what the lab measures of each batch",
}


def figures_in_words(figures: pd.Series) -> pd.DataFrame:
    """Set words beside figures."""
    says = [FIGURE_WORDS.get(str(name), "") for name in figures.index]
    return pd.DataFrame({"value": figures.to_numpy(), "says": says}, index=figures.index.rename("figure"))
