"""Before the first batch: how many batches and pours, in which cup, and how many packages at the line then."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from specmatch.errors import OptionError, TableError
from specmatch.house.planning.assumptions import (
    DEFAULT,
    HABITS,
    LINE,
    MODULE,
    STATED,
    WISHES,
    Grounds,
    cup_depths,
    ground_of,
    settings_of,
)
from specmatch.house.planning.beer_list import BeerList, beer_list
from specmatch.house.planning.bench_work import bench_sheet, upkeep
from specmatch.house.planning.forecast import NEW_BATCHES, Design, Tried, curves, summary, try_all
from specmatch.house.planning.line import SHIFTS, plan_line
from specmatch.storage import write_atomic
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.measurement.commissioning.commission import Commissioning
    from specmatch.measurement.session import Session
    from specmatch.reference.reference_set import ReferenceSet

FORMAT = 1
N_BATCHES, N_POURS, CUPS = (4, 8, 16), (1, 3), ((40.0, 10.0),)
ROUNDS, ROUGH_ROUNDS, ROUGH_SHIFTS, ROUGH_NEW = 10, 2, 200, 60
# of the half-width: below it two cups, or numbers of pours, are as good as each other
MATTERS = 0.10
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
    line: (
        pd.DataFrame
    )  # a row an interval between readings: looked_at, caught and false_holds_a_week with bounds, meets
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
            body = json.loads(Path(path).read_text(encoding="utf-8"))
            if body.pop("format") != FORMAT:
                raise KeyError("format")
            for name in _TABLES:
                body[name] = pd.DataFrame(body[name]["data"], columns=body[name]["columns"])
            body["beers"] = body["beers"].set_index("beer")
            for name in ("advice", "changeover"):
                body[name] = pd.Series(body[name], dtype=object, name=name)
            return cls(**{**body, "sentences": tuple(body["sentences"])})
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise OptionError(f"{path} holds no plan ({error}); make one with specmatch plan --save FILE") from None

    def at(self, n_batches: float, n_pours: float) -> pd.Series:
        """Return the curves of the advised cup at any number of batches, pours as near as were tried."""
        own = self.curves[np.isclose(self.curves["depth_mm"], float(self.advice["depth_mm"]))]
        tried = own["n_pours"].unique()
        own = own[own["n_pours"] == tried[int(np.abs(tried - n_pours).argmin())]].sort_values("n_batches")
        # what more batches buy goes with 1/n
        x, wanted = -1.0 / own["n_batches"].to_numpy(float), -1.0 / max(float(n_batches), 1.0)
        found = {name: float(np.interp(wanted, x, own[name].to_numpy(float))) for name in own.columns}
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
        Index (or column) `beer` and `colour`; optionally `colour_unit` and `batches_a_week`. Or beer -> colour.
    refs : ReferenceSet, optional
        A set of a few batches that is there already: the plan goes on from what it shows.
    module : Commissioning or Session, optional
        From `specmatch.commission`, or a measured folder with a few scans of water and of one beer; a cautious default
        otherwise.
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
        Of the simulation.
    n_jobs : int, optional
        Processes, as joblib counts them; one by default.
    progress : callable, optional
        Told what is being done, in a line of text.

    Returns
    -------
    Plan

    Raises
    ------
    OptionError
        If a cup has no size, or a number is not one that can be.
    TableError
        If the list of beers names one twice, or a colour is no number above 0.

    Notes
    -----
    Houses are simulated: beers of the list's colours whose absorption leaves the average beer's as real beers do,
    batches and pours that differ as good practice lets them (or as the set shows), the noise of the module; each is
    learnt and judged by the library's own class model and colour regression. Simulated optics are a model: figures of
    how such forecasts fared on invented houses stand in the documentation, and `evaluate` holds a saved plan against
    the set as it grows.

    Examples
    --------
    >>> found = sm.plan({"Pils": 8.0, "Amber": 22.0, "Stout": 70.0}, n_batches=(4, 8), n_pours=(1,), rough=True)
    >>> int(found.advice["n_batches"]), bool(found.advice["meets"])
    (4, True)
    """
    own_habits, own_wishes = settings_of(habits, HABITS, "habit"), settings_of(wishes, WISHES, "wish")
    own_line = settings_of(line, LINE, "line setting")
    batches, pours = _numbers(n_batches, "n_batches", 3), _numbers(n_pours, "n_pours", 1)
    listed = beer_list(beers, colour_unit, own_habits["batches_a_week"])
    all_cups = tuple((float(mm), float(ml)) if len(one) == 2 else one for one in cups for mm, ml in [tuple(one)[:2]])
    depths = cup_depths(all_cups)
    wanted = (own_wishes["coverage"], own_wishes["false_reject"])
    tell = progress or (lambda said: None)
    if refs is not None:
        tell("learning what the set shows")
    ground = ground_of(listed, all_cups, own_habits, habits or {}, module, refs, wanted[1])
    designs = [Design(*cup, float(depth), m, n) for cup, depth in zip(all_cups, depths, strict=True)
               for m in pours for n in batches]  # fmt: skip
    tries = try_all(
        ground.house,
        designs,
        wanted,
        rounds=ROUGH_ROUNDS if rough else ROUNDS,
        n_new=ROUGH_NEW if rough else NEW_BATCHES,
        seed=seed,
        n_jobs=n_jobs,
        tell=progress,
    )
    tries = _as_shown(tries, ground, wanted, seed)
    table = curves(tries)
    best, meets = _advised(table, own_wishes)
    tell("simulating shifts at the line")
    shifts = ROUGH_SHIFTS if rough else SHIFTS
    at_line = plan_line(tries[best], wanted[1], own_line, listed.names, shifts=shifts, seed=seed)
    sheet = bench_sheet(listed.names, listed.batches_a_week, designs[best].n_batches, ground.batches_there,
                        int(own_habits["session_batches"]), designs[best].n_pours)  # fmt: skip
    of_beers = _of_beers(tries[best], listed, ground)
    pairs = _pairs(tries, best, listed, own_wishes["caught"])
    of_cups = _of_cups(tries, designs[best])
    drift = STATED if "lamp_drift" in (habits or {}) else MODULE if module is not None else DEFAULT
    lamp = np.mean([one.lamp for one in tries[best]], axis=0)
    kept = upkeep(lamp, ground.lamp_drift, float(table["half_width"].iloc[best]), drift)
    advice = pd.Series(
        {**table.iloc[best].to_dict(), "n_pours": designs[best].n_pours, "n_batches": designs[best].n_batches,
         "weeks": float(of_beers["weeks"].max()), "meets": meets},
        dtype=object, name="advice",
    )  # fmt: skip
    return Plan(
        advice=advice,
        sentences=(
            *_advice_said(advice, table, own_wishes, ground, listed),
            *_choice_said(of_cups, table, designs[best]),
            *pairs["sentence"],
            *at_line.sentences,
            *(f"{row.what} every {row.every_hours:.2g} h: {row.why}" for row in kept.itertuples()),
            *listed.notes,
            *ground.notes,
            "simulated optics are a model: save this plan and let evaluate hold it against the set as it grows",
        ),
        curves=table,
        beers=of_beers,
        pairs=pairs,
        cups=of_cups,
        line=at_line.table,
        packages=at_line.packages,
        changeover=at_line.changeover,
        upkeep=kept,
        bench_sheet=sheet,
        assumed=ground.table,
        colour_unit=listed.unit,
        coverage=wanted[0],
        false_reject_rate=wanted[1],
        rough=rough,
        seed=seed,
    )


def _numbers(given: Sequence[int], name: str, least: int) -> list[int]:
    values = sorted(set(given))
    if not values or any(int(v) != v or v < least for v in values):
        raise OptionError(f"{name} is {tuple(given)!r}; expected whole numbers, {least} or more each")
    return [int(v) for v in values]


def _as_shown(tries: list[list[Tried]], ground: Grounds, wanted: tuple[float, float], seed: int) -> list[list[Tried]]:
    """Widen or narrow intervals by what held-out colours of a set that is there are off, over the simulated ones."""
    fitted = ground.fitted
    if fitted is None or fitted.colour is None:
        return tries
    n = max(3, round(float(np.mean(list(ground.batches_there.values())))))
    pours = max(1, round(1.0 / fitted.faults.scatter.per_pour))
    present = Design(0.0, 0.0, ground.house.depth_mm, pours, n)
    alike = try_all(ground.house, [present], wanted, rounds=AS_SHOWN_ROUNDS, seed=seed, n_new=1)[0]
    simulated = float(np.mean([one.held_out**2 for one in alike]))
    fit = fitted.colour
    shown = float(np.mean(np.log(fit.held_out_colour / fit.lab_colour) ** 2))
    free = fit.held_out_colour.size
    # a few held-out batches know a mean square badly: the simulated one counts as so many more
    factor = float(np.sqrt((free * shown / simulated + WORTH_OF_MODEL) / (free + WORTH_OF_MODEL)))
    return [
        [replace(one, half_width=factor * one.half_width, half_width_of=factor * one.half_width_of) for one in rounds]
        for rounds in tries
    ]


def _advised(table: pd.DataFrame, wishes: Mapping[str, float]) -> tuple[int, bool]:
    """Return the row of the design advised, and whether it meets every wish: the least work that does."""
    lacks = np.zeros(len(table))
    for name, more_is_better in (("half_width", False), ("caught", True), ("blend", False)):
        wish = wishes[name]
        if np.isnan(wish) or (name == "caught" and table["caught"].isna().all()):
            continue
        found = table[name].to_numpy(float)
        short = (wish - found) / max(wish, 1e-9) if more_is_better else found / max(wish, 1e-9) - 1.0
        lacks += np.maximum(np.nan_to_num(short, nan=1.0), 0.0)
    meets = lacks <= 1e-9
    width = table["half_width"].to_numpy(float)
    if not meets.any():
        near = np.flatnonzero(lacks <= lacks.min() + 0.02)
        return int(near[width[near].argmin()]), False
    n, pours = table["n_batches"].to_numpy(), table["n_pours"].to_numpy()
    able = np.flatnonzero(meets & (n == n[meets].min()))
    # more pours where they buy something that can be seen, and the better cup of those that do
    best = able[width[able].argmin()]
    enough = able[width[able] <= width[best] * (1.0 + MATTERS)]
    fewest = enough[pours[enough] == pours[enough].min()]
    return int(fewest[width[fewest].argmin()]), True


def _of_beers(rounds: Sequence[Tried], listed: BeerList, ground: Grounds) -> pd.DataFrame:
    width = np.mean([one.half_width_of for one in rounds], axis=0)
    held = np.mean([one.held for one in rounds], axis=0)
    rows = []
    for k, name in enumerate(listed.names):
        # held least often, and nearest in colour of those that are held alike
        apart = np.abs(np.log(listed.colour_ebc / listed.colour_ebc[k]))
        apart[k] = np.inf
        like = int(np.lexsort((apart, np.nan_to_num(held[k], nan=np.inf)))[0])
        several = len(listed.names) > 1
        left = max(0, rounds[0].design.n_batches - ground.batches_there.get(name, 0))
        colour = listed.colour_ebc[k] if listed.unit == "EBC" else listed.colour_ebc[k] / 1.97
        rows.append(
            {
                "beer": name,
                "colour": colour,
                "half_width": width[k],
                "half_width_in_unit": width[k] * colour,
                "false_reject": float(np.mean([one.rejected[k] for one in rounds])),
                "caught": float(np.nanmean(held[k])) if several else np.nan,
                "most_like": listed.names[like] if several else "",
                "caught_most_like": float(held[k, like]) if several else np.nan,
                "batches_left": left,
                "weeks": float(np.ceil(left / listed.batches_a_week[k])),
            }
        )
    return pd.DataFrame(rows).set_index("beer")


def _pairs(tries: Sequence[Sequence[Tried]], best: int, listed: BeerList, wish: float) -> pd.DataFrame:
    """Name the pairs that the advice does not tell apart as wished, and what would: more batches, or nothing."""
    own = tries[best][0].design
    same = [t for t in tries if (t[0].design.depth_mm, t[0].design.n_pours) == (own.depth_mm, own.n_pours)]
    rows = []
    for a in range(len(listed.names)):
        for b in range(a + 1, len(listed.names)):
            held, sd = summary(np.array([(one.held[a, b] + one.held[b, a]) / 2.0 for one in tries[best]]))
            if held >= wish:
                continue
            at_best = float(np.mean([min(one.at_best[a, b], one.at_best[b, a]) for one in same[-1]]))
            enough = [
                t[0].design.n_batches
                for t in same
                if np.mean([(one.held[a, b] + one.held[b, a]) / 2.0 for one in t]) >= wish
            ]
            said = f"{listed.names[a]} and {listed.names[b]}: held {held:.0%} of the time when one runs as the other"
            if at_best < wish:
                said += f"; no number of batches or pours will tell them apart, at best {at_best:.0%}"
            elif enough:
                said += f"; with {counted(min(enough), 'batch')} a beer as wished"
            else:
                said += f"; more batches and pours than were tried, at best {at_best:.0%}"
            rows.append((listed.names[a], listed.names[b], held, sd, at_best, min(enough) if enough else np.nan, said))
    columns = ["one", "other", "held", "held_sd", "at_best", "n_batches", "sentence"]
    return pd.DataFrame(rows, columns=columns).sort_values(["held", "one"], ignore_index=True)


def _of_cups(tries: Sequence[Sequence[Tried]], best: Design) -> pd.DataFrame:
    """Say what each cup gives pale, middle and dark beers, at the advised batches and pours."""
    rows = []
    for rounds in tries:
        one = rounds[0].design
        if (one.n_pours, one.n_batches) != (best.n_pours, best.n_batches):
            continue
        thirds = np.array_split(np.mean([r.half_width_of for r in rounds], axis=0), 3)
        width = {name: float(part.mean()) if part.size else np.nan
                 for name, part in zip(("pale", "middle", "dark"), thirds, strict=True)}  # fmt: skip
        half, sd = summary(np.array([r.half_width for r in rounds]))
        caught, _ = summary(np.array([r.figures["caught"] for r in rounds]))
        rows.append({"cup_mm": one.cup_mm, "fill_ml": one.fill_ml, "depth_mm": one.depth_mm, "half_width": half,
                     "half_width_sd": sd, **width, "caught": caught})  # fmt: skip
    return pd.DataFrame(rows).sort_values("half_width", ignore_index=True)


def _advice_said(advice: pd.Series, table: pd.DataFrame, wishes: Mapping[str, float], ground: Grounds,
                 listed: BeerList) -> list[str]:  # fmt: skip
    what = (
        f"{counted(int(advice['n_batches']), 'batch')} of each beer, {counted(int(advice['n_pours']), 'pour')} a "
        f"sample, {advice['fill_ml']:g} mL in a cup of {advice['cup_mm']:g} mm ({advice['depth_mm']:.1f} mm deep)"
    )
    caught = "" if np.isnan(advice["caught"]) else f", {advice['caught']:.1%} of mix-ups caught at one reading"
    gives = (
        f"half-width {_with_error(advice, 'half_width')} of the colour at {wishes['coverage']:.0%}, "
        f"{_with_error(advice, 'false_reject')} of right claims departing{caught}"
    )
    said = [f"{what}: {gives}"]
    if not advice["meets"]:
        lacking = []
        for name, word in (
            ("half_width", "half-width"),
            ("caught", "mix-ups caught"),
            ("blend", "smallest blend seen"),
        ):
            wish, found = wishes[name], advice[name]
            if np.isnan(wish) or (name == "caught" and np.isnan(found)):
                continue
            if not (found >= wish if name == "caught" else found <= wish):
                got = "not seen at 50 % either" if np.isnan(found) else f"{found:.1%}"
                lacking.append(f"{word} {wish:.1%}: {got}")
        said.append(
            f"not every wish is met by any number tried; this is the best that can be had ({'; '.join(lacking)})"
        )
    least = 1.645 * ground.house.lab_relative
    if not np.isnan(wishes["half_width"]) and wishes["half_width"] < least:
        said.append(
            f"no number of batches or pours brings a half-width below about {least:.1%}: so far one lab colour goes "
            "from the truth; two determinations a batch would"
        )
    weeks = float(advice["weeks"])
    slow = [
        name
        for name, rate in zip(listed.names, listed.batches_a_week, strict=True)
        if rate == listed.batches_a_week.min()
    ]
    said.append(
        "the set holds as many already: the check may be switched on"
        if weeks == 0
        else f"the check may be switched on after {counted(int(weeks), 'week')}, when the beer brewed least often "
        f"({slow[0]}) has its batches"
    )
    return said


def _with_error(row: pd.Series, name: str) -> str:
    sd = row[f"{name}_sd"]
    return f"{row[name]:.1%}" + ("" if np.isnan(sd) else f" (±{sd:.1%} of simulation)")


def _choice_said(of_cups: pd.DataFrame, table: pd.DataFrame, best: Design) -> list[str]:
    said = []
    if len(of_cups) > 1:
        one, last = of_cups.iloc[0], of_cups.iloc[-1]
        if last["half_width"] > one["half_width"] * (1.0 + MATTERS):
            said.append(
                f"the cup {one['depth_mm']:.1f} mm deep is the better one: half-width {one['pale']:.1%} for pale and "
                f"{one['dark']:.1%} for dark beers, against {last['pale']:.1%} and {last['dark']:.1%} at "
                f"{last['depth_mm']:.1f} mm"
            )
        else:
            said.append("the cups differ by less than a tenth of the half-width: take the handier one")
    own = table[np.isclose(table["depth_mm"], best.depth_mm) & (table["n_batches"] == best.n_batches)]
    if len(own) > 1:
        few, many = own.iloc[0], own.iloc[-1]
        said.append(
            f"{counted(int(many['n_pours']), 'pour')} instead of {int(few['n_pours'])} take the half-width from "
            f"{few['half_width']:.1%} to {many['half_width']:.1%}"
        )
    return said


def forecast_beside(found: pd.Series, held: pd.DataFrame, made: Plan, n_batches: float, n_pours: float) -> pd.DataFrame:
    """Return what a plan forecast for a set of this size beside what its evaluation found."""
    # found: figures of an evaluation; held: its pairs
    if made.curves.empty:
        raise TableError("the plan holds no curves")
    at = made.at(n_batches, n_pours)
    pairs = held[held["kind"] == "pair"]
    seen = {
        "half_width": float(found["median_relative_half_width"]),
        "false_reject": float(found["false_hold"]),
        "caught": float((pairs["held"] * pairs["n"]).sum() / max(pairs["n"].sum(), 1)) if len(pairs) else np.nan,
        "covered": float(found["covered"]),
    }
    rows = [
        (name, at[name], low, high, value, bool(low <= value <= high))
        for name, value in seen.items()
        for low, high in [(at[f"{name}_low"], at[f"{name}_high"])]
    ]
    return pd.DataFrame(rows, columns=["figure", "forecast", "low", "high", "found", "as_forecast"])
