"""Plain text for a terminal: tables that a tired person can read, figures in words, findings of an audit, histories."""

import math
import textwrap
from collections.abc import Mapping, Sequence
from itertools import zip_longest
from typing import Any

import pandas as pd

from specmatch.batches import in_digits
from specmatch.house.reading.explanations import apart_from_claim
from specmatch.reference.audit.finding import remedy_of
from specmatch.wording import counted, listed, rows_beside

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
    columns = [[_lines(show(cell), wrap.get(name)) for cell in shown.iloc[:, i]] for i, name in enumerate(headings)]
    widths = [
        max(len(text) for text in [heading, *(line for cell in column for line in cell)])
        for heading, column in zip(headings, columns, strict=True)
    ]
    rows = [headings, ["-" * width for width in widths]]
    for cells in zip(*columns, strict=True):
        rows += [list(line) for line in zip_longest(*cells, fillvalue="")]
    form = "  ".join(f"{{:{'>' if to_right else '<'}{width}}}" for width, to_right in zip(widths, right, strict=True))
    return "\n".join(form.format(*row).rstrip() for row in rows)


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
    of_colour = readings[["colour", "colour_low", "colour_high", "colour_unit"]]
    interval = [
        "" if math.isnan(numbers[0]) else "{} ({} to {})".format(*(in_digits(number, unit) for number in numbers))
        for *numbers, unit in of_colour.itertuples(index=False)
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
    decision = [value if isinstance(value, str) else "reading only" for value in readings["decision"]]
    shown["decision"] = [_DECISION_SHOWN.get(value, value) for value in decision]
    shown["reason"] = ["; ".join(_sentences(row)) for row in readings.to_dict("records")]
    room = _REASON_WIDTH if width is None else width - len(text_table(shown.drop(columns="reason")).split("\n")[1]) - 2
    return text_table(shown, wrap={"reason": max(room, _LEAST_REASON)})


def _sentences(row: Mapping[str, Any]) -> list[str]:
    said = [row["reason"]]
    if row["decision"] in _DECISION_SHOWN:
        said.append(f"to do: {row['advice']}")
    if warnings := _warnings_shown(row):
        said.append(f"warnings: {warnings}")
    if only := apart_from_claim(row).codes_if_claimed:
        said.append(f"if it is {row['claimed']} after all: {show(only)}")
    return said


def _warnings_shown(row: Mapping[str, Any]) -> str:
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
    ends = risks[["accepted_low", "accepted_high", "unit"]].itertuples(index=False)
    passes = [f"{low:.3g} to {high:.3g} {unit}" if low <= high else "no reading" for low, high, unit in ends]
    shown = risks[["rule"]].assign(passes=passes)
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


# what each figure of an evaluation says
FIGURE_WORDS = dict(rows_beside(__file__, "figure_words.csv"))


def figures_in_words(figures: pd.Series) -> pd.DataFrame:
    """Set words beside figures."""
    says = [FIGURE_WORDS.get(str(name), "") for name in figures.index]
    return pd.DataFrame({"value": figures.to_numpy(), "says": says}, index=figures.index.rename("figure"))


_MOST_SHOWN, _MOST_NAMED = 8, 12
# what many findings of one code come to; {n} how many, {names} which
_TOGETHER = {
    "missing_lab": "{n} batches wait for the lab: {names}; they serve identity only",
    "thin_beer": "{n} beers have too few batches to tell their own scatter: {names}",
    "colour_gap": "{n} gaps in colour: {names}; colours in between rest on interpolation",
    "mislabelled": "{n} labels do not fit",
    "lab_value": "{n} lab values do not fit what their spectra read",
    "swapped_lab_values": "{n} lab values that fit if they change places",
    "duplicate_scans": "{n} scans are copies of others",
    "odd_pour": "{n} pours or batches are unlike those beside them",
    "mixed_conditions": "the set mixes {n} conditions",
}
# these need no word on each
_ALIKE = ("missing_lab", "thin_beer", "colour_gap")


def grouped(findings: pd.DataFrame, scans: pd.DataFrame, batches: pd.DataFrame, place: str) -> list[dict[str, Any]]:
    """Return findings by code and by what carries out their advice, in the order of the audit."""
    levels = findings["level"].where(findings["code"] == "mislabelled", "")
    groups = []
    for (code, _), rows in findings.groupby([findings["code"], levels], sort=False):
        told = rows[["level", "subject", "suggestion"]].itertuples(index=False)
        remedies = [remedy_of(code, level, subject, other, scans, batches) for level, subject, other in told]
        names, sentences, subjects = (rows[name].tolist() for name in ("finding", "sentence", "subject"))
        together = _TOGETHER.get(code, f"{{n}} findings of {code}")
        together = together.format(n=len(rows), names=listed(subjects, _MOST_NAMED))
        commands = [remedy.command(place, name) for remedy, name in zip(remedies, names, strict=True)]
        edits = zip([remedy.row() for remedy in remedies], sentences, strict=True)
        groups.append({
            "code": code, "sentence": together if len(rows) > 1 else sentences[0], "action": rows["action"].iloc[0],
            "findings": names, "sentences": sentences,
            "commands": list(dict.fromkeys(commands)) if code in _ALIKE else commands, "subjects": subjects,
            "edits": [edit | {"reason": reason} for edit, reason in edits if edit is not None],
        })  # fmt: skip
    return groups


def group_lines(groups: Sequence[dict[str, Any]]) -> list[str]:
    """Lay the groups out for a terminal."""
    lines = []
    for place, group in enumerate(groups, start=1):
        lines.append(f"{place}. {group['sentence']} [{group['code']}]")
        lines.append(f"   do: {group['action']}")
        one_by_one = len(group["commands"]) > 1
        for sentence, command in list(zip(group["sentences"], group["commands"], strict=False))[:_MOST_SHOWN]:
            if one_by_one:
                lines.append(f"   - {sentence}")
            lines.append(f"   {'  ' if one_by_one else ''}{command}")
        if len(group["commands"]) > _MOST_SHOWN:
            lines.append(f"   and {len(group['commands']) - _MOST_SHOWN} more: see --json, or edit them by a sheet")
        alone = sum(other["code"] == group["code"] for other in groups) == 1
        name = group["code"] if len(group["findings"]) > 1 and alone else group["findings"][0]
        lines.append(f"   if it is as it should be, settle it: --settle {name!r}")
    return lines


# a screen holds some forty lines
MOST_ENTRIES, MOST_CHANGES, MOST_TOLD = 18, 18, 4
_WIDTH = 116


def story_lines(
    entries: Sequence[Mapping[str, Any]], changes: pd.DataFrame, sources: Sequence[Mapping[str, Any]]
) -> list[str]:
    """Lay out the history since and the differences; what is long is summed up, and nothing is left untold."""
    lines = _entry_lines(entries)
    origin = {batch: source["name"] for source in sources for batch in source["batches"]}
    if changes.empty:
        return [*lines, "the two hold the same"]
    if len(changes) <= MOST_CHANGES:
        table = changes.copy()
        added = table["change"] == "batch added"
        if added.any() and origin:
            table["from"] = table["subject"].map(origin).where(added).fillna("")
        return [*lines, text_table(table)]
    for change, rows in changes.groupby("change", sort=False):
        names = list(map(str, rows["subject"]))
        said = f"{change}: {len(names)}"
        if change == "batch added" and origin:
            by_folder = pd.Series([origin.get(name, "elsewhere") for name in names]).value_counts(sort=False)
            said += f", from {_some([f'{folder} ({n})' for folder, n in by_folder.items()])}"
        elif len(names) <= MOST_TOLD and change in ("relabelled", "colour changed", "setting"):
            rows_said = rows.itertuples(index=False)
            said += f": {'; '.join(f'{row.subject} {row.before} -> {row.after}' for row in rows_said)}"
        else:
            said += f": {_some(names)}"
        lines.append(said)
    return lines


def _entry_lines(entries: Sequence[Mapping[str, Any]]) -> list[str]:
    if len(entries) <= MOST_ENTRIES:
        return [_entry_line(entry) for entry in entries]
    groups: dict[str, list[Mapping[str, Any]]] = {}
    for entry in entries:
        groups.setdefault(str((entry.get("edit") or {}).get("kind", "change")), []).append(entry)
    lines = []
    for kind, group in groups.items():
        if kind == "extend" or len(group) > MOST_ENTRIES // 3:
            signed = sorted({str(entry.get("when"))[:10] for entry in group} - {""})
            span = f" ({signed[0]} to {signed[-1]})" if signed else ""
            why = _some([entry["why"] for entry in group])
            lines.append(f"- {len(group)} times {_KINDS.get(kind, kind)}{span}: {why}")
        else:
            lines += [_entry_line(entry) for entry in group]
    return lines


_KINDS = {
    "extend": "extended", "relabel": "relabelled", "colour": "a colour set", "drop": "dropped",
    "sheet": "edited by a sheet",
    "settle": "a finding settled", "undo": "undone",
}  # fmt: skip


def _entry_line(entry: Mapping[str, Any]) -> str:
    signed = ", ".join(entry[key] for key in ("who", "when") if entry.get(key))
    line = f"- {entry['what']}: {entry['why']}{f' ({signed})' if signed else ''}"
    return line if len(line) <= 2 * _WIDTH else f"{line[: 2 * _WIDTH - 2]} …"


def _some(names: Sequence[str]) -> str:
    rest = f" and {len(names) - MOST_TOLD} more" if len(names) > MOST_TOLD else ""
    return ", ".join(dict.fromkeys(names[:MOST_TOLD])) + rest
