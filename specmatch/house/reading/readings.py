"""From samples to the table of readings, whole or part by part where scans do not fit into memory."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.array_types import Floats, Ints, Mask
from specmatch.batches import VALUE_NAME, by_sample, check_scans
from specmatch.errors import TableError
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.house.fitting.pours import Averages
from specmatch.house.reading.colour import ColourReadings, as_lab_reports, read_colours
from specmatch.house.reading.explanations import Reasons, give_reasons
from specmatch.house.reading.samples import Part, SampleSet, widened
from specmatch.maths.classification.class_model import Match
from specmatch.maths.faults.diagnosis import Diagnosis
from specmatch.maths.faults.fault_model import best_explained_beer
from specmatch.measurement.folder.stated import as_stated
from specmatch.spectra import by_scan_id, text_ids

try:
    from pandas.api.internals import create_dataframe_from_blocks
except ImportError:  # pandas below 3
    create_dataframe_from_blocks = None

Objects = NDArray[np.object_]

# fewer rows than this are laid out one by one: finding what repeats would take longer
FEW_ROWS = 32

# names that are looked at together: their choice is one whole number
BITS = 31


def codes_by_row(
    names: pd.Index,
    of_sample: Mapping[str, Iterable[str]],
    before: Mapping[int, Iterable[str]],
    flagged: Sequence[tuple[Mask, tuple[str, ...]]],
    after: Mapping[int, Iterable[str]],
    always: tuple[str, ...],
    *,
    of_all: tuple[str, ...] = (),
) -> Objects:
    """Return the codes of each row, each once, in the order of the arguments; those `of_all` go before `before`."""
    # -> (n,)
    pattern = (1 << np.arange(len(flagged))) @ np.array([mask for mask, _ in flagged])
    rows = set(before).union(after)
    if of_sample:
        rows.update(np.flatnonzero(names.isin(list(of_sample))).tolist())
    raised: dict[int, list[str]] = {}
    # nearly all rows have nothing else: they share the few tuples that there are
    usual = np.empty(1 << len(flagged), dtype=object)
    for bits in set(pattern.tolist()):
        raised[bits] = [code for place, (_, added) in enumerate(flagged) if bits >> place & 1 for code in added]
        usual[bits] = tuple(dict.fromkeys((*of_all, *raised[bits], *always)))
    codes = usual[pattern]
    for row in rows:
        own = of_sample.get(names[row], ()) if of_sample else ()
        some = raised[pattern[row]]
        codes[row] = tuple(dict.fromkeys((*own, *of_all, *before.get(row, ()), *some, *after.get(row, ()), *always)))
    return codes


def chosen_names(chosen: Mask, names: Sequence[str]) -> Objects:
    """Return for each row the names that it chooses."""
    # chosen (n, m) -> (n,)
    patterns, of_row = chosen, np.arange(len(chosen))
    if len(chosen) >= FEW_ROWS:
        of_row = np.zeros(len(chosen), np.int64)
        for start in range(0, len(names), BITS):
            part = chosen[:, start : start + BITS]
            # rows that were alike so far, told apart by the next names
            of_row = pd.factorize((of_row << BITS) + part @ (1 << np.arange(part.shape[1])))[0].astype(np.int64)
        patterns = chosen[np.unique(of_row, return_index=True)[1]]
    tuples = np.empty(len(patterns), dtype=object)
    for row, mask in enumerate(patterns.tolist()):
        tuples[row] = tuple(name for name, one in zip(names, mask, strict=True) if one)
    return tuples[of_row]


def sentences_by_row(sentences: Mapping[int, Sequence[str]], n: int, of_all: tuple[str, ...] = ()) -> Objects:
    """Return the sentences of each row as one text, those of all rows first, blank where there are none."""
    # -> (n,)
    texts = np.full(n, "; ".join(of_all), dtype=object)
    for row, said in sentences.items():
        texts[row] = "; ".join((*of_all, *said))
    return texts


READING_COLUMNS = (
    "colour", "colour_low", "colour_high", "colour_unit", "interval_method", "nearest_beer", "p_value",
    "p_value_method", "plausible_beers", "nearest_batch", "distance", "n_pours", "instrument", "path_factor",
    "warnings",
    "explanation", "colour_without_fault", "warnings_if_claimed", "explanation_if_claimed",
)  # fmt: skip

# A good sample in twenty is rejected at a rate of 0.05: only well beyond it is it worth a transmission measurement.
CLEARLY_UNLIKE = 0.1

# Beers that a sample without a claim is held against where it is typical of none.
NEAR_BEERS = 3


def readings_table(
    part: Part,
    coverage: float,
    false_reject_rate: float,
    claims: Sequence[str | None] | None = None,
    lab: str | Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Return a row a sample: colour with an interval, identity, warnings and the reasons behind them."""
    f, samples, match = part.fitted, part.samples, part.match
    means, nearest = samples.averages, match.distance.argmin(axis=1)
    n = len(means.names)
    rows = np.arange(n)
    plausible = match.p_value > false_reject_rate
    assert f.domain is not None  # fits without one never leave `evaluate`
    outside_domain = f.domain.outside(means.reflectance, means.counts) & ~samples.partial
    got = _colours(f, samples, coverage, nearest, plausible.any(axis=1) & np.logical_not(outside_domain))
    beer, known_faults = _beer_to_explain(f, means, match, plausible, claims)
    unlike = np.fmax.reduce(match.p_value, axis=1, initial=0.0) <= CLEARLY_UNLIKE * false_reject_rate
    reasons = give_reasons(f, samples, beer=beer, colour=got.colour, unlike=unlike, known=known_faults)
    known = plausible.sum(axis=1)
    flagged = _flags(f, got, known, outside_domain, nearest)
    always = ("normal_errors_assumed",) if got.normal_errors_assumed else ()
    depths = samples.depths
    told, said = ((), ()) if depths is None else (depths.codes_of_all, depths.sentences_of_all)
    warnings = codes_by_row(means.names, samples.warnings, reasons.codes, flagged, got.codes, always, of_all=told)
    # typical of another beer than the claimed: what was sought against the claim most likely never happened
    other = np.zeros(n, bool)
    if claims:
        other = (known > 0) & ~plausible[rows, beer] & np.isin(np.array(claims, dtype=object), f.beers)
    codes, explanation = _only_if_claimed(samples, reasons, other)
    beers, batches = np.array(f.beers, dtype=object), np.array(f.batches, dtype=object)
    reported, times = as_lab_reports(f.colour, got, means.names, lab, coverage)
    columns = {  # in the order of `READING_COLUMNS`
        "colour": reported.colour,
        "colour_low": reported.low,
        "colour_high": reported.high,
        "colour_unit": f.colour_unit,
        "interval_method": reported.method,
        "nearest_beer": beers[nearest],
        "p_value": match.p_value[rows, nearest],
        "p_value_method": np.array(match.p_method, dtype=object)[nearest],
        "plausible_beers": chosen_names(plausible, f.beers),
        "nearest_batch": batches[match.nearest_batch],
        "distance": match.nearest_distance,
        "n_pours": means.counts,
        "instrument": np.array(samples.instruments, dtype=object) if samples.instruments else "",
        "path_factor": np.ones(n) if depths is None else depths.factor,
        "warnings": warnings,
        "explanation": sentences_by_row(reasons.sentences, n, said),
        "colour_without_fault": reasons.colour_without_fault * times,
        "warnings_if_claimed": codes,
        "explanation_if_claimed": explanation,
    }
    readings = table_of(columns, samples.index)
    if f.value_name != VALUE_NAME:  # for those who show them; columns keep their names
        readings.attrs["value_name"] = f.value_name
    return readings


def table_of(columns: dict[str, Any], index: pd.Index) -> pd.DataFrame:
    """Return columns as a table, without the checks that take pandas as long as a reading."""
    if create_dataframe_from_blocks is None:
        return pd.DataFrame(columns, index=index)
    n, heads = len(index), _heads(tuple(columns)).view()  # who names the columns names their own
    text, kind = _text_type()
    blocks: list[tuple[Any, Ints]] = []
    others: dict[Any, dict[int, Any]] = {}
    for place, one in enumerate(columns.values()):
        array = np.full(n, one, dtype=object) if isinstance(one, str) else np.asarray(one)
        if kind and array.dtype.kind == "O" and (n == 0 or isinstance(array[0], str)):
            blocks.append((kind._from_sequence(array, dtype=text), np.array([place])))
        else:
            others.setdefault(array.dtype, {})[place] = array
    blocks += [(np.array(list(some.values())), np.array(list(some))) for some in others.values()]
    return create_dataframe_from_blocks(blocks, index=index, columns=heads)


@lru_cache(maxsize=1)
def _text_type() -> tuple[Any, Any]:
    text = pd.Index([""]).dtype  # objects, where pandas is told not to look for text
    return text, text.construct_array_type() if isinstance(text, pd.api.extensions.ExtensionDtype) else None


@lru_cache(maxsize=4)
def _heads(names: tuple[str, ...]) -> pd.Index:
    return pd.Index(names)


def _flags(
    f: FittedHouse, got: ColourReadings, known: Ints, outside_domain: Mask, nearest: Ints
) -> list[tuple[Mask, tuple[str, ...]]]:
    """Return which rows carry which codes by what was read; `known` counts the plausible beers."""
    return [
        (_outside_colours(f, got.colour), ("outside_colour_range",)),
        (_unknown_colours(f, got.colour, got.low, got.high), ("colour_unknown",)),
        (known == 0, ("unlike_any_beer", "interval_not_covered")),
        # it may pass for a beer of the set, but the colour regression has not seen its kind
        (outside_domain, ("interval_not_covered",)),
        (known > 1, ("ambiguous_beer",)),
        (np.asarray(f.identity.too_few_batches)[nearest], ("too_few_batches",)),
    ]


def figures_table(
    part: Part, levels: Sequence[float], false_reject_rate: float, lab: Mapping[str, str] | None
) -> pd.DataFrame:
    """Return what figures of held-out batches need of readings; limits are columns `(level, "low")` and `"high"`."""
    f, samples, match = part.fitted, part.samples, part.match
    means, nearest = samples.averages, match.distance.argmin(axis=1)
    n = len(means.names)
    plausible = match.p_value > false_reject_rate
    table: dict[Any, Any] = {
        "nearest_beer": np.array(f.beers, dtype=object)[nearest],
        "p_value": match.p_value[np.arange(n), nearest],
        "plausible_beers": chosen_names(plausible, f.beers),
        "n_pours": means.counts,
    }
    for level in levels:
        got = _colours(f, samples, level, nearest, np.zeros(n, bool))
        got, _ = as_lab_reports(f.colour, got, means.names, lab, level)
        table["colour"], table[level, "low"], table[level, "high"] = got.colour, got.low, got.high
    return pd.DataFrame(table, index=samples.index)


def _outside_colours(fitted: FittedHouse, colour: Floats) -> Mask:
    if fitted.colour is None:
        return np.zeros(len(colour), bool)
    inside: Mask = (fitted.lowest_colour <= colour) & (colour <= fitted.highest_colour)
    return ~inside


def _unknown_colours(fitted: FittedHouse, colour: Floats, low: Floats, high: Floats) -> Mask:
    """Return which colours are missing, cut at zero, without limits, or known no better than the set's whole range."""
    whole = fitted.highest_colour - fitted.lowest_colour if fitted.colour is not None else 0.0
    known: Mask = np.isfinite(colour) & np.isfinite(low) & np.isfinite(high) & (high - low < whole)
    if fitted.colour is None or fitted.colour.is_relative:
        known &= low > 0.0
    return ~known


def _colours(fitted: FittedHouse, samples: SampleSet, coverage: float, nearest: Ints, known: Mask) -> ColourReadings:
    """Read the colours, none of samples that lack a stretch of the spectrum nor by a set of too few lab colours."""
    means = samples.averages
    if fitted.colour is None or fitted.cautions is None:
        none = np.full(len(means.names), np.nan)
        return ColourReadings(none, none, none, "none: the set holds too few lab colours", False, {})
    got = read_colours(
        fitted.colour, fitted.cautions, means.reflectance, means.counts, coverage, nearest=nearest, known=known
    )
    if samples.depths is not None and samples.depths.rows.size:
        predict = fitted.colour.predict
        low, high = widened(got.colour, got.low, got.high, samples.depths, means.reflectance, predict, coverage)
        got = replace(got, low=low, high=high)
    if samples.missing is None:
        return got
    # without whole stretches of the spectrum there is an identity on what is left, and no colour
    colour, low, high = (np.where(samples.partial, np.nan, values) for values in (got.colour, got.low, got.high))
    return replace(got, colour=colour, low=low, high=high)


def _beer_to_explain(
    fitted: FittedHouse, means: Averages, match: Match, plausible: Mask, claims: Sequence[str | None] | None
) -> tuple[Ints, tuple[Ints, Diagnosis] | None]:
    """Return the beer to seek faults of each sample against, claimed or likeliest; and faults known by then."""
    beer = match.distance.argmin(axis=1)
    lost = np.flatnonzero(np.logical_not(plausible.any(axis=1)))
    if lost.size:
        # a fault may have carried it nearer to another beer than to its own
        near = match.distance[lost].argsort(axis=1)[:, :NEAR_BEERS]
        # beers that were not offered then are infinitely far: the nearest stands in for them
        near = np.where(np.isinf(np.take_along_axis(match.distance[lost], near, axis=1)), near[:, :1], near)
        beer[lost], found = best_explained_beer(fitted.faults, means.reflectance[lost], means.counts[lost], near)
    likeliest = beer.copy()
    for row, claim in enumerate(claims or ()):
        # a package label may stand for several beers: then the nearest serves as well
        if claim in fitted.beers:
            beer[row] = fitted.beers.index(claim)
    if not lost.size:
        return beer, None
    same = np.flatnonzero(beer[lost] == likeliest[lost])
    return beer, (lost[same], found.rows(same))


def _only_if_claimed(samples: SampleSet, reasons: Reasons, rows: Mask) -> tuple[Objects, Objects]:
    codes, sentences = np.empty(rows.size, dtype=object), np.full(rows.size, "", dtype=object)
    codes[:] = [()] * rows.size
    for row, found in reasons.against_beer.items():
        of_scans = samples.warnings.get(samples.averages.names[row], ())
        only = tuple(code for code in found if code not in of_scans)
        if rows[row] and only:
            codes[row], sentences[row] = only, reasons.of_beer[row]
    return codes, sentences


Answer = Callable[[Any, Any], pd.DataFrame]
Claims: TypeAlias = str | pd.Series | Mapping[str, str] | None


def answer_parts(parts: Iterable[Any], answer: Answer) -> Iterator[pd.DataFrame]:
    """Answer part after part; a part is a table of spectra, a session, or a pair of spectra and scans."""
    if isinstance(parts, pd.DataFrame | pd.Series) or hasattr(parts, "spectra"):
        raise TableError(
            f"parts is one {type(parts).__name__}; expected several: an iterable of tables, of sessions, or of pairs "
            "(spectra, scans); one alone is read by read and verify"
        )
    if not isinstance(parts, Iterable):
        raise TableError(f"parts is a {type(parts).__name__}; expected an iterable of tables, sessions or pairs")
    before: frozenset[str] = frozenset()
    for number, part in enumerate(parts, start=1):
        spectra, scans = part if isinstance(part, tuple) and len(part) == 2 else (part, None)
        # filters and partitions leave empty tables behind, of which there is nothing to say
        if isinstance(spectra, pd.DataFrame) and not len(spectra):
            continue
        try:
            table = answer(spectra, scans)
        except ValueError as error:
            error.add_note(f"in part {number} of the parts given")
            raise
        again = before.intersection(table.index)
        if again:
            raise TableError(
                f"sample {min(again)!r} stands in part {number} and in the part before it; a sample is read whole: cut "
                "the parts where samples end"
            )
        before = frozenset(table.index)
        yield table


def judge_parts(
    parts: Iterable[Any], claimed: Claims, judge: Callable[[Any, Any, Claims], pd.DataFrame]
) -> Iterator[pd.DataFrame]:
    """Judge part after part, each by the claims of its own samples; one that no part needs is refused at the end."""
    if not isinstance(claimed, Mapping | pd.Series):
        yield from answer_parts(parts, lambda spectra, scans: judge(spectra, scans, claimed))
        return
    claim_of = by_sample(claimed)
    unused = set(claim_of)

    def judge_own(spectra: Any, scans: Any) -> pd.DataFrame:
        alone = isinstance(spectra, pd.Series)
        table = getattr(spectra, "spectra", spectra)
        scan_ids = text_ids(pd.Index([table.name]) if alone else by_scan_id(table).index, "scan_id")
        names = check_scans(as_stated(getattr(spectra, "scans", scans), "scans"), scan_ids)["sample"].unique()
        own = {name: claim_of[name] for name in names if name in claim_of}
        unused.difference_update(own)
        return judge(spectra, scans, own)

    yield from answer_parts(parts, judge_own)
    if unused:
        raise TableError(f"a claim is made for sample {min(unused)!r}, which no part holds; samples match as text")
