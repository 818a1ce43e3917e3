"""Before the first batch: how many batches and pours, in which cup, and how many packages at the line then."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from specmatch.array_types import is_number
from specmatch.errors import OptionError, TableError
from specmatch.house.planning.advice import (
    advice_said,
    advised,
    bench_sheet,
    choice_said,
    of_beers,
    of_cups,
    upkeep,
    weak_pairs,
)
from specmatch.house.planning.assumptions import (
    HABITS,
    LINE,
    WISHES,
    Grounds,
    beer_list,
    cup_depths,
    ground_of,
    settings_of,
)
from specmatch.house.planning.forecast import ENDLESS, NEW_BATCHES, Design, Tried, curves, try_all
from specmatch.house.planning.line import SHIFTS, plan_line
from specmatch.storage import path_of, write_atomic

if TYPE_CHECKING:
    from specmatch.measurement.commissioning.commission import Commissioning
    from specmatch.measurement.session import Session
    from specmatch.reference.reference_set import ReferenceSet

FORMAT = 1
N_BATCHES, N_POURS, CUPS = (4, 8, 16), (1, 3), ((40.0, 10.0),)
# simulated houses, new batches judged in each, shifts; of a list of so many beers
WHOLE, ROUGH = (10, NEW_BATCHES, SHIFTS), (2, 60, 200)
# batches from which a rough plan learns colour: of forty beers eight each, where sixteen narrow its interval by 5 %
ROUGH_BATCHES = 320
OF_SOME = f"a rough plan learns colour from {ROUGH_BATCHES} batches at most: more would narrow its intervals a little"
USUAL_BEERS = 12
IT_IS_A_MODEL = "simulated optics are a model: save this plan and let evaluate hold it against the set as it grows"
# houses simulated as large as the set that is there, and how many held-out batches the simulation is worth (tuning)
AS_SHOWN_ROUNDS, WORTH_OF_MODEL = 4, 8.0
_TABLES = ("curves", "beers", "pairs", "cups", "line", "packages", "upkeep", "bench_sheet", "assumed")


@dataclass(frozen=True)
class Plan:
    """What `plan` advises, forecasts and stands on."""

    # cup_mm, fill_ml, depth_mm, n_pours, n_batches, weeks, meets, and the figures forecast for them
    advice: pd.Series
    sentences: tuple[str, ...]  # the advice in words, what cannot be had, what it rests on
    # a row a design: cup_mm, fill_ml, depth_mm, n_pours, n_batches; half_width (relative), false_reject, caught and
    # covered, each with its Monte-Carlo error (`_sd`) and where nine houses in ten lie (`_low`, `_high`); blend
    curves: pd.DataFrame
    # index `beer`, at the advice: colour, half_width, half_width_in_unit, false_reject, caught, most_like, weeks
    beers: pd.DataFrame
    # pairs not told apart as wished at the advice: claimed, really, held, held_sd, at_best, n_batches, sentence
    pairs: pd.DataFrame
    cups: pd.DataFrame  # a row a cup and fill: half-width of pale, middle and dark beers, caught; the better one first
    # a row an interval between readings: looked_at, caught and false_holds_a_week with bounds, meets
    line: pd.DataFrame
    packages: pd.DataFrame  # of a lot looked at once: from where, how many, chance to meet a wrong one
    changeover: pd.Series
    upkeep: pd.DataFrame  # reference and control: how often, and why
    bench_sheet: pd.DataFrame  # week, session, turn, what, batch, pours, scans_a_pour, to_the_lab
    assumed: pd.DataFrame  # what, value, unit, source
    colour_unit: str
    coverage: float
    false_reject_rate: float
    rough: bool
    seed: int

    def save(self, path: str | Path) -> None:
        """Write the plan as a JSON document, to be held against the set as it grows (`specmatch.evaluate`)."""
        body: dict[str, Any] = {"format": FORMAT}
        for one in fields(self):
            value = getattr(self, one.name)
            if isinstance(value, pd.DataFrame):
                value = value.reset_index() if value.index.name else value
                value = json.loads(value.to_json(orient="split", index=False, double_precision=15))
            elif isinstance(value, pd.Series):
                value = json.loads(value.to_json())
            body[one.name] = value
        write_atomic(Path(path), (json.dumps(body, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode())

    @classmethod
    def load(cls, path: str | Path) -> Plan:
        """Read a plan that `save` has written."""
        try:
            body = json.loads(path_of(path).read_text(encoding="utf-8"))
            if (number := body.pop("format")) != FORMAT:
                raise OptionError(f"{path} is a plan of format {number}; this version reads {FORMAT}: plan anew")
            for name in _TABLES:
                body[name] = pd.DataFrame(body[name]["data"], columns=body[name]["columns"])
            body["beers"] = body["beers"].set_index("beer")
            for name in ("advice", "changeover"):
                body[name] = pd.Series(body[name], dtype=object, name=name)
            return cls(**{**body, "sentences": tuple(body["sentences"])})
        except OptionError:
            raise
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise OptionError(f"{path} holds no plan ({error}); make one with specmatch plan --save FILE") from None


def forecast_at(made: Plan, n_batches: float, n_pours: float) -> pd.Series:
    """Return the curves of the advised cup at any number of batches, pours as near as were tried."""
    own = made.curves[np.isclose(made.curves["depth_mm"], float(made.advice["depth_mm"]))]
    tried = own["n_pours"].unique()
    own = own[own["n_pours"] == tried[int(np.abs(tried - n_pours).argmin())]].sort_values("n_batches")
    # what more batches buy goes with 1/n
    x, wanted = -1.0 / own["n_batches"].to_numpy(float), -1.0 / max(float(n_batches), 1.0)
    found = {name: float(np.interp(wanted, x, own[name].to_numpy(float))) for name in own.columns}
    if wanted < x[0] and x.size > 1:
        # fewer than were tried: further along the line of the first two
        for name in ("half_width", "half_width_low", "half_width_high"):
            first, second = own[name].to_numpy(float)[:2]
            found[name] = first + (second - first) * (wanted - x[0]) / (x[1] - x[0])
    return pd.Series({**found, "n_batches": float(n_batches)}, name="forecast")


def plan(
    beers: pd.DataFrame | Mapping[str, float],
    *,
    refs: ReferenceSet | None = None,
    module: Commissioning | Session | None = None,
    cups: Sequence[tuple[float, float]] = CUPS,
    n_batches: Sequence[int] = N_BATCHES,
    n_pours: Sequence[int] = N_POURS,
    habits: Mapping[str, float] | None = None,
    wishes: Mapping[str, float] | None = None,
    line: Mapping[str, float] | None = None,
    colour_unit: str = "EBC",
    rough: bool = False,
    seed: int = 0,
    n_jobs: int | None = None,
    progress: Callable[[str], None] | None = None,
) -> Plan:
    """Say before the first batch what a reference set must hold, and how often to look at the line then.

    Parameters
    ----------
    beers : DataFrame or mapping
        Beer -> colour; or index (or column) `beer` and `colour`, optionally `colour_unit` and `batches_a_week`.
    refs : ReferenceSet, optional
        A set of a few batches that is there already: the plan goes on from what it shows.
    module : Commissioning or Session, optional
        With a few scans of water and of one beer; a cautious default otherwise.
    cups : sequence of (float, float), default ((40, 10),)
        Inner diameter, mm, and fill, mL, of each cup to choose from.
    n_batches : sequence of int, default (4, 8, 16)
        Batches a beer to try, 3 or more each.
    n_pours : sequence of int, default (1, 3)
        Pours a sample to try.
    habits : mapping, optional
        What the house knows of itself: `lab_sd`, `lab_sd_ebc`, `batch_sd`, `fill_sd`, `foam_sd`, `matt_base`,
        `lamp_drift`, `batches_a_week`, `session_batches`.
    wishes : mapping, optional
        `half_width` (share of the colour, of the typical batch), `caught`, `false_reject`, `coverage`, `blend`.
    line : mapping, optional
        `pallets_an_hour`, `mix_up_pallets`, `within_minutes`, `chance`, `false_holds_a_week`, `run_hours`,
        `runs_a_week`, `retest_minutes`.
    colour_unit : {"EBC", "SRM"}, default "EBC"
        Of the list, where it does not say so itself.
    rough : bool, default False
        Fewer simulated houses: in seconds, with a larger Monte-Carlo error.
    seed : int, default 0
    n_jobs : int, optional
        Processes, as joblib counts them; one by default.
    progress : callable, optional
        Told what is being done, in a line of text.

    Returns
    -------
    Plan

    Raises
    ------
    OptionError, TableError
        If a cup has no size, or a number is not one that can be; if the list names a beer twice or no colour above 0.

    Notes
    -----
    Houses are simulated: beers of these colours, whose absorption leaves the average beer's as real beers do, batches
    and pours that differ as good practice lets them (or as the set shows), the noise of the module; each is judged by
    the library's own class model and colour regression. How such forecasts fared stands in the documentation.

    Examples
    --------
    >>> made = sm.plan({"Pils": 8.0, "Amber": 22.0, "Stout": 70.0}, n_batches=(4,), n_pours=(1,), rough=True)
    >>> made.sentences[2]
    'the check may be switched on after 4 weeks, when the beer brewed least often (Pils) has its batches'
    """
    own_habits, own_wishes = settings_of(habits, HABITS, "habit"), settings_of(wishes, WISHES, "wish")
    own_line = settings_of(line, LINE, "line setting")
    batches, pours = _numbers(n_batches, "n_batches", 3), _numbers(n_pours, "n_pours", 1)
    listed = beer_list(beers, colour_unit, own_habits["batches_a_week"])
    wanted = (own_wishes["coverage"], own_wishes["false_reject"])
    ground = ground_of(listed, cups, own_habits, habits or {}, module, refs, wanted[1])
    designs = [Design(float(cup[0]), float(cup[1]), float(depth), m, n)
               for cup, depth in zip(cups, cup_depths(cups), strict=True) for m in pours for n in batches]  # fmt: skip
    rounds, n_new, shifts = ROUGH if rough else WHOLE
    rounds = int(np.clip(round(rounds * USUAL_BEERS / len(listed.names)), 2, rounds))  # fewer where each holds many
    work = {"rounds": rounds, "n_new": n_new, "most": ROUGH_BATCHES if rough else ENDLESS}
    tries = try_all(ground.house, designs, wanted, seed=seed, n_jobs=n_jobs, tell=progress, **work)
    tries = _as_shown(tries, ground, wanted, seed)
    table = curves(tries)
    best, meets = advised(table, own_wishes)
    at_line, of_line = plan_line(tries[best], wanted[1], own_line, listed.names, shifts=shifts, seed=seed)
    beer_by_beer = of_beers(tries[best], listed, ground)
    design, weeks = designs[best], float(beer_by_beer["weeks"].max())
    pairs, cup_by_cup = weak_pairs(tries, best, listed, own_wishes["caught"]), of_cups(tries, design)
    kept = upkeep(tries[best], ground.lamp_drift, ground.drift_source, float(table["half_width"].iloc[best]))
    counts = {"n_pours": design.n_pours, "n_batches": design.n_batches, "weeks": weeks, "meets": meets}
    advice = pd.Series({**table.iloc[best].to_dict(), **counts}, dtype=object, name="advice")
    first = [*advice_said(advice, own_wishes, ground, listed), *choice_said(cup_by_cup, table, design)]
    limits = [OF_SOME] if len(listed.names) * batches[-1] > work["most"] else []
    of_upkeep = [f"{row.what} every {row.every_hours:.2g} h: {row.why}" for row in kept.itertuples()]
    rest = [*of_upkeep, *listed.notes, *ground.notes, IT_IS_A_MODEL, *limits]
    return Plan(
        advice=advice,
        sentences=(*first, *pairs["sentence"], *of_line, *rest),
        curves=table,
        beers=beer_by_beer,
        pairs=pairs,
        cups=cup_by_cup,
        **at_line,
        upkeep=kept,
        bench_sheet=bench_sheet(listed, design, ground.batches_there, int(own_habits["session_batches"])),
        assumed=ground.table,
        colour_unit=listed.unit,
        coverage=wanted[0],
        false_reject_rate=wanted[1],
        rough=rough,
        seed=seed,
    )


def _numbers(given: Sequence[int], name: str, least: int) -> list[int]:
    values = set(given) if isinstance(given, Iterable) else {given}
    if not values or not all(is_number(v, whole=True) and v >= least for v in values):
        raise OptionError(f"{name} is {given!r}; expected whole numbers, {least} or more each")
    return sorted(int(v) for v in values)


def _as_shown(tries: list[list[Tried]], ground: Grounds, wanted: tuple[float, float], seed: int) -> list[list[Tried]]:
    """Widen or narrow intervals as a set that is there shows: by its held-out errors and by its intervals, alike."""
    fitted = ground.fitted
    if fitted is None or fitted.colour is None or fitted.pours is None:
        return tries
    fit, levels = fitted.colour, fitted.pours.levels
    n = max(3, round(float(np.mean(list(ground.batches_there.values())))))
    pours = max(1, round(1.0 / fitted.faults.scatter.per_pour))
    present = Design(0.0, 0.0, ground.house.depth_mm, pours, n)
    alike = try_all(ground.house, [present], wanted, rounds=AS_SHOWN_ROUNDS, seed=seed)[0]
    got = fit.interval(levels.mean(fitted.pours.reflectance, to="sample"), levels.counts("sample"), wanted[0])
    shown = float(np.sqrt(np.mean(np.log(fit.held_out_colour / fit.lab_colour) ** 2)))
    shown *= float(np.median((got.high - got.low) / 2.0 / got.colour))
    simulated = float(np.mean([one.held_out for one in alike]) * np.mean([one.half_width for one in alike]))
    free = fit.held_out_colour.size
    # a few held-out batches know a size badly: the simulation counts as so many more
    factor = float(np.sqrt((free * shown / simulated + WORTH_OF_MODEL) / (free + WORTH_OF_MODEL)))
    return [
        [replace(one, half_width=factor * one.half_width, half_width_of=factor * one.half_width_of) for one in rounds]
        for rounds in tries
    ]


def forecast_beside(found: pd.Series, held: pd.DataFrame, made: Plan, n_batches: float, n_pours: float) -> pd.DataFrame:
    """Return what a plan forecast for a set of this size beside what its evaluation found."""
    # found: figures of an evaluation; held: its pairs
    if made.curves.empty:
        raise TableError("the plan holds no curves")
    at = forecast_at(made, n_batches, n_pours)
    pairs = held[held["kind"] == "pair"]
    seen = {
        "half_width": float(found["median_relative_half_width"]),
        "false_reject": float(found["false_hold"]),
        "caught": float((pairs["held"] * pairs["n"]).sum() / max(pairs["n"].sum(), 1)) if len(pairs) else np.nan,
        "covered": float(found["covered"]),
    }
    n = float(found["n_batches"])
    rows = []
    for name, value in seen.items():
        share = float(np.clip(at[name], 0.0, 1.0))
        # what is found is itself counted on so many batches
        own = at[name] / np.sqrt(2.0 * n) if name == "half_width" else np.sqrt(share * (1.0 - share) / n)
        reach = float(np.hypot((at[f"{name}_high"] - at[f"{name}_low"]) / 2.0, 1.645 * own))
        most = np.inf if name == "half_width" else 1.0  # the others are shares
        low, high = max(at[name] - reach, 0.0), min(at[name] + reach, most)
        rows.append((name, at[name], low, high, value, bool(low <= value <= high)))
    return pd.DataFrame(rows, columns=["figure", "forecast", "low", "high", "found", "as_forecast"])
