"""The first screen of a page: a verdict in a sentence, what a model can and cannot do, and a row a beer at a glance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.batches import COLOUR_UNITS, VALUE_NAME, in_digits, values_of
from specmatch.house.assessment.evaluation import ALL, BEER, COLOUR, Evaluation
from specmatch.house.assessment.mix_ups import BLEND, GOOD_ENOUGH, PAIR, UNKNOWN
from specmatch.maths.classification.blends import BLEND_SHARES
from specmatch.maths.classification.evidence import power
from specmatch.maths.statistics.levels import binomial_bounds
from specmatch.reference.tables.edits import batch_days
from specmatch.report.pages.html import Markup, described, small_drawing, table, text
from specmatch.report.plots.spectra import IN_A_GLASS, batch_colours, house_glass, set_glass
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.house.assessment.evaluation import Evaluation
    from specmatch.house.house_model import HouseModel
    from specmatch.reference.reference_set import ReferenceSet


# why a page or a command may say 0 % here and holds a week there
HELD_AND_A_WEEK = (
    "A share of right claims held is of single readings, one of each batch. A line takes many readings of a run, and "
    "each is one more chance to depart: so it may be 0.0 % here while evaluate states some false holds a week."
)
# a pair of beers is named when this share of held-out batches, or more, would slip through
_NAMED = 0.10
_MOST_NAMED, _MOST_BEERS_NAMED = 3, 6

PROVES_NOTHING = "Prove what a liquid is: it compares colours and shapes of spectra, nothing else."
# the same two in a line, for a first screen
IT_CANNOT = "prove what a liquid is, or refuse every beer that the set does not hold"
ALWAYS_TRUE = (
    PROVES_NOTHING,
    "Promise to refuse a beer that the set does not hold: one that looks like yours passes.",
    "See a small part of another beer in the right one.",
)


def evaluated_abilities(found: Evaluation, unit: str) -> tuple[list[str], list[str]]:
    """Say what a model can and cannot do from its evaluation with batches held out."""
    figures = found.figures
    can, cannot = [], []
    n, n_identity = int(figures["n_colour"]), int(figures["n_identity"])
    what, error = figures.get("value_name", VALUE_NAME), f"{figures['rmsep']:.2g} {unit}"
    if math.isfinite(figures["rmsep"]):
        relative = figures["relative_error"]
        within, rest = (f"{relative:.1%}", f"; {error}") if math.isfinite(relative) else (error, "")
        can.append(
            f"Read {what} within {within} of the lab value (root mean square over {counted(n, 'batch')}, each held "
            f"out{rest})."
        )
        level = figures["nominal_coverage"]
        row = found.coverage[(found.coverage["nominal"] == level) & (found.coverage["by"] == ALL)].iloc[0]
        said = f"{row['covered']:.0%} of {n} lab {values_of(what)} lay in their {level:.0%} interval"
        bounds = f"95% bounds {row['low']:.0%} to {row['high']:.0%}"
        if row["high"] < level:
            cannot.append(f"Give intervals that hold what they state: {said} ({bounds}).")
        else:
            can.append(f"Say how sure it is of its {values_of(what)}: {said} ({bounds}).")
        thirds = found.coverage[(found.coverage["nominal"] == level) & (found.coverage["by"] == COLOUR)]
        if weak := list(thirds["group"][thirds["high"] < level]):
            cannot.append(f"Promise as much for {' and '.join(weak)} beers by themselves: their intervals cover less.")
        cannot += beers_covered_less(found.coverage, level)
    else:
        cannot.append(f"Read {what}: too few batches have a lab {what}.")
    if n_identity:
        if figures["n_beers"] > 1:
            can.append(
                f"Name the nearest of {figures['n_beers']} beers: right for {figures['nearest_right']:.1%} of "
                f"{counted(n_identity, 'held-out batch')} (at least {figures['nearest_right_low']:.1%}, 95% bound)."
            )
        pairs = found.mix_ups[found.mix_ups["kind"] == PAIR]
        if pairs["n"].sum():
            can.append(
                f"Hold {_share(pairs):.1%} of claims that one beer of the set is another ({pairs['n'].sum()} tried)."
            )
        cannot.append(
            f"Pass every right claim: {figures['false_hold']:.1%} were held (stated "
            f"{figures['stated_false_reject_rate']:.0%}; at most {figures['false_hold_high']:.1%}, 95% bound)."
        )
        cannot += _missed(pairs)
    return can, [*cannot, PROVES_NOTHING, _unknown(found.mix_ups), _blends(found.mix_ups)]


def blends_by_part(mix_ups: pd.DataFrame) -> dict[float, pd.DataFrame]:
    """Return the rows about blends, by the part of the other beer."""
    blends = mix_ups[mix_ups["kind"] == BLEND]
    return {part: rows for part in BLEND_SHARES if len(rows := blends[blends["share"] == part])}


def _unknown(mix_ups: pd.DataFrame) -> str:
    left_out = mix_ups[mix_ups["kind"] == UNKNOWN]
    if not left_out["n"].sum():
        return ALWAYS_TRUE[1]
    share = _share(left_out)
    rest = "the rest passed for one of them" if share < 1.0 else "a beer that is more like one of yours may pass"
    return (
        "Promise to refuse a beer that the set does not hold: when each beer was left out in turn, "
        f"{share:.0%} of its batches were refused by all the others; {rest}."
    )


def _blends(mix_ups: pd.DataFrame) -> str:
    shares = [f"{_share(rows):.0%} with {part:.0%} of it" for part, rows in blends_by_part(mix_ups).items()]
    if not shares:
        return ALWAYS_TRUE[2]
    return f"See a small part of the beer most like it: computed blends were held in {', '.join(shares)}."


def _share(rows: pd.DataFrame) -> float:
    return float((rows["held"] * rows["n"]).sum() / rows["n"].sum())


def thin_beers(beers: Sequence[str]) -> list[str]:
    """Return a sentence about beers with too few batches, or none."""
    if not beers:
        return []
    more = f" and {counted(len(beers) - _MOST_BEERS_NAMED, 'more beer')}" if len(beers) > _MOST_BEERS_NAMED else ""
    named = ", ".join(beers[:_MOST_BEERS_NAMED])
    return [f"Say much of {named}{more}: too few batches for a scatter of their own."]


def beers_covered_less(coverage: pd.DataFrame, level: float) -> list[str]:
    """Say which beers' lab colours lie in their intervals surely less often than stated, or that none do."""
    part = coverage[(coverage["nominal"] == level) & (coverage["by"] == BEER)]
    # one bound in forty lies below by chance: of so many beers together one in twenty sets has any
    weak = part[binomial_bounds(part["covered"] * part["n"], part["n"], 1.0 - 0.1 / max(len(part), 1))[1] < level]
    named = ", ".join(f"{row.group} ({row.covered:.0%} of {row.n})" for row in weak.itertuples())
    return [f"Promise as much for every beer: covered surely less often is {named}."] if named else []


def _missed(mix_ups: pd.DataFrame) -> list[str]:
    weak = mix_ups[(mix_ups["held"] < 1.0 - _NAMED) & (mix_ups["n"] > 0)].sort_values(["held", "claimed", "really"])
    said = [
        f"Tell {row.really} from {row.claimed} when it is claimed to be {row.claimed}: "
        f"{row.held:.0%} of {counted(row.n, 'batch')} {'was' if row.n == 1 else 'were'} held."
        for row in weak.head(_MOST_NAMED).itertuples()
    ]
    more = len(weak) - len(said)
    return [*said, f"Tell apart {counted(more, 'more pair')}, listed in the table of mix-ups."] if more > 0 else said


# trends are drawn to one scale, so that beers compare; it is never finer than this part of a beer's mean colour
_FINEST = 0.05
_WIDTH, _HEIGHT = 96.0, 26.0


def set_beers(refs: ReferenceSet, house: HouseModel | None, evaluation: Evaluation | None) -> pd.DataFrame:
    """Return a row a beer, pale to dark: `glass, colours, days, nearest, held`."""
    days, glass = batch_days(refs.scans, refs.batches), set_glass(refs)
    code = np.searchsorted(list(glass), refs.batches["beer"].to_numpy(dtype=str))
    colour = refs.batches["colour"].to_numpy(np.float64)
    rows = _rows(list(glass), code, colour, days.tolist(), list(glass.values()))
    if house is not None and house.fitted.identity.judges and len(glass) > 1:
        rows = rows.join(nearest_beers(house))
    if evaluation is not None and "nearest" in rows:
        pairs = evaluation.mix_ups[evaluation.mix_ups["kind"] == PAIR].dropna(subset=["held"])
        rows["expected"] = rows["held"]
        seen = [_worst_pair(pairs, str(beer), row.nearest) for beer, row in rows.iterrows()]
        rows["nearest"], rows["held"], rows["n"] = zip(*seen, strict=True) if seen else ([], [], [])
    return rows


def model_beers(house: HouseModel) -> pd.DataFrame:
    """Return a row a beer of a model, pale to dark, its neighbour held as often as the model's scatter lets expect."""
    fitted = house.fitted
    days = [""] * len(fitted.batches)
    rows = _rows(fitted.beers, fitted.beer_of_batch, batch_colours(fitted), days, house_glass(fitted))
    return rows.join(nearest_beers(house)) if fitted.identity.judges and len(fitted.beers) > 1 else rows


def _rows(
    beers: list[str] | tuple[str, ...], code: np.ndarray, colour: Floats, days: list[str], glass: list[str]
) -> pd.DataFrame:
    of_beer = []
    for beer in range(len(beers)):
        own = np.flatnonzero(code == beer)
        # a batch without a day stands where the set has it
        own = own[np.argsort([days[k] for k in own], kind="stable")] if all(days[k] for k in own) else own
        of_beer.append({"glass": glass[beer], "colours": colour[own], "days": [days[k] for k in own]})
    rows = pd.DataFrame(of_beer, index=pd.Index(list(beers), name="beer", dtype=object))
    middle = [float(np.nanmean(x)) if np.isfinite(x).any() else np.inf for x in rows["colours"]]
    return rows.iloc[np.argsort(middle, kind="stable")]


def nearest_beers(house: HouseModel) -> pd.DataFrame:
    """Return of each beer the one that lies nearest, and the chance that one is held as the other, either way."""
    identity, beers = house.fitted.identity, house.fitted.beers
    pours = round(float(np.median(identity.samples.n_pours)))
    gap = (identity.beer_means[:, None, :] - identity.beer_means) ** 2 / identity.metric.scatter(float(pours))
    apart = gap.sum(axis=2)
    np.fill_diagonal(apart, np.inf)
    nearest = apart.argmin(axis=1)

    def held(claimed: int, really: int) -> float:
        return power(identity, claimed, really, n_pours=pours, rate=house.false_reject_rate)

    rows = [(beers[b], min(held(a, b), held(b, a))) for a, b in enumerate(nearest.tolist())]
    return pd.DataFrame(rows, columns=["nearest", "held"], index=pd.Index(list(beers), name="beer"))


def _worst_pair(pairs: pd.DataFrame, beer: str, nearest: str) -> tuple[str, float, int]:
    """Return the beer that this one was least often told from, either way; the nearest where none was ever missed."""
    own = pairs[(pairs["claimed"] == beer) | (pairs["really"] == beer)]
    own = own.assign(other=np.where(own["claimed"] == beer, own["really"], own["claimed"]))
    worst = own.groupby("other")["held"].min()
    other = nearest if worst.empty or worst.min() == 1.0 else str(worst.idxmin())
    told = own[own["other"] == other]
    if told.empty:
        return other, float("nan"), 0
    least = told.loc[told["held"].idxmin()]
    return other, float(least["held"]), int(least["n"])


def glance(rows: pd.DataFrame, *, unit: str, what: str = "colour") -> str:
    """Return the table of the beers, a row a beer, with its colour in a glass and the way its batches went."""
    spread = max([_FINEST, *(_reach(x) for x in rows["colours"])])
    shown = pd.DataFrame(index=rows.index)
    painted = rows["glass"].ne("").any()
    if painted:
        shown["in a glass"] = [_glass(str(beer), row.glass) for beer, row in rows.iterrows()]
    shown[f"{what}, {unit}"] = [_spread(x, unit) for x in rows["colours"]]
    shown["batches"] = [len(x) for x in rows["colours"]]
    shown["batch by batch"] = [_trend(str(beer), row.colours, row.days, spread, unit) for beer, row in rows.iterrows()]
    order = "their days" if any(map(any, rows["days"])) else "the table of the set"
    notes = [IN_A_GLASS] if painted else []
    notes.append(
        f"Lab {values_of(what)}: mean and, after ±, the standard deviation between batches. Lines: batches in the "
        f"order of {order}, all to one scale, from edge to edge {spread:.0%} below to {spread:.0%} above "
        "the beer's mean."
    )
    if "nearest" in rows:
        observed = "n" in rows
        shown["nearest beer"] = rows["nearest"]
        shown["told apart?"] = [_told(row.held, row.n if observed else None) for row in rows.itertuples()]
        notes.append(
            "Told apart: how often a batch of the one, claimed to be the other, was held; the worse of both ways."
            if observed
            else "Told apart: the chance that a sample of the one, claimed to be the other, is held, expected from the "
            "scatter of the batches; the worse of both ways."
        )
    return table(shown, "From pale to dark", cards="cards dense") + f'<p class="quiet">{text(" ".join(notes))}</p>'


def _glass(beer: str, colour: str) -> Markup:
    if not colour:
        return Markup("")
    glass = f'<path d="M3 2 L31 2 L28 24 L6 24 Z" fill="{colour}" stroke="currentColor"/>'
    return small_drawing("glass", 34, 26, f"{beer} in a glass: about {colour}", glass)


def _spread(colours: Floats, unit: str) -> str:
    known = colours[np.isfinite(colours)]
    if known.size < 2:
        return in_digits(float(known[0]), unit) if known.size else "no lab colour"
    sd = float(known.std(ddof=1))
    return f"{in_digits(float(known.mean()), unit)} ± {sd:{'.1f' if unit in COLOUR_UNITS else '.2g'}}"


def _reach(colours: Floats) -> float:
    known = colours[np.isfinite(colours)]
    return float(np.abs(known / known.mean() - 1.0).max()) if known.size > 1 else 0.0


def _trend(beer: str, colours: Floats, days: list[str], reach: float, unit: str) -> Markup:
    at = np.flatnonzero(np.isfinite(colours))
    if at.size < 2:
        return Markup("too few")
    known = colours[at]
    x = 4.0 + (_WIDTH - 8.0) * at / (len(colours) - 1)
    y = _HEIGHT / 2.0 - (known / known.mean() - 1.0) / reach * (_HEIGHT / 2.0 - 4.0)
    line = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))
    span = f", {days[0]} to {days[-1]}" if days[0] and days[-1] else ""
    first, last, lowest, highest = (in_digits(x, unit) for x in (known[0], known[-1], known.min(), known.max()))
    said = f"{beer}, {counted(at.size, 'batch')}{span}: first {first}, last {last}, "
    said += f"lowest {lowest}, highest {highest} {unit}"
    dots = "".join(
        f'<circle cx="{a:.1f}" cy="{b:.1f}" r="1.8">'
        f"<title>{text(f'{days[k]} {in_digits(colours[k], unit)} {unit}'.strip())}</title></circle>"
        for a, b, k in zip(x, y, at, strict=True)
    )
    drawn = f'<path d="M0 {_HEIGHT / 2:g} H{_WIDTH:g}" class="middle"/><polyline points="{line}"/>{dots}'
    return small_drawing("trend", _WIDTH, _HEIGHT, said, drawn)


def _told(held: float, n: int | None = None) -> str:
    if np.isnan(held):
        return "cannot tell yet"
    word = "yes" if held >= GOOD_ENOUGH else "not always" if held >= 0.5 else "no"
    share = "over 99%" if held > 0.99 else f"{held:.0%}"
    return f"{word}: {share} expected" if n is None else f"{word}: {round(held * n)} of {n} held"


def told_apart(rows: pd.DataFrame) -> str:
    """Say in half a sentence whether the beers can be told apart."""
    if "nearest" not in rows:
        return "cannot yet tell whether its beers can be told apart" if len(rows) > 1 else "holds one beer only"
    known = rows.dropna(subset=["held"])
    weak = known[known["held"] < GOOD_ENOUGH].sort_values("held", kind="stable")
    if known.empty:
        return "cannot yet tell its beers apart"
    if weak.empty:
        return f"tells each of its {counted(len(rows), 'beer')} from the one nearest to it"
    first = f"{weak.index[0]} from {weak['nearest'].iloc[0]}"
    more = f" ({len(weak)} of {len(rows)} beers have such a neighbour)" if len(weak) > 2 else ""
    return f"does not always tell {first}{more}"


def map_says(rows: pd.DataFrame) -> str:
    """Say what the map of the beers shows."""
    ends = f", from {rows.index[0]} on the pale side to {rows.index[-1]} on the dark" if len(rows) > 1 else ""
    return f"{counted(len(rows), 'beer')} with their batches{ends}; the model {told_apart(rows)}."


def verdict(sentence: str, facts: Mapping[str, str]) -> str:
    """Return what a page begins with: one sentence, and a line for each thing that is asked next."""
    known = {name: said for name, said in facts.items() if said}
    return f'<p class="verdict">{text(sentence)}</p>{described("once", known)}'


def span(moments: Iterable[Any]) -> str:
    """Say from when to when, to the minute where clock times are known."""
    known = sorted(str(moment) for moment in moments if isinstance(moment, str) and moment)
    if not known:
        return "no times are recorded"
    first, last = (moment[:16].replace("T", " ") for moment in (known[0], known[-1]))
    return first if first == last else f"{first} to {last[11:] if len(last) > 10 and first[:10] == last[:10] else last}"


def most_alike(rows: pd.DataFrame) -> str:
    """Name the two beers that are least surely told apart, and how often they are."""
    known = rows.dropna(subset=["held"]) if "held" in rows else rows.iloc[:0]
    if known.empty:
        return ""
    # of pairs that were held alike, the one that the scatter lets expect to be held least
    beer = known.sort_values([name for name in ("held", "expected") if name in known], kind="stable").index[0]
    said = _told(known.at[beer, "held"], known.at[beer, "n"] if "n" in known else None)
    return f"{beer} and {known.at[beer, 'nearest']}; told apart? {said}"
