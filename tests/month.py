"""A month at three packaging lines of the invented brewery, in memory: what a line's record is tried out on.

Everything here is invented. Readings every half hour, a changeover every six hours with a new lot, a reference and a
control; some runs are mix-ups, one beer's recipe changes, the lamp ages, one pour in a hundred is foamy.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from typing import Any

import numpy as np
import pandas as pd

from specmatch.demo.brewery import Brewery
from specmatch.demo.physics import Liquids, PourConditions, RawScans
from specmatch.line.acquisition import peak_position, reference_level
from specmatch.line.journal.journal import Journal
from specmatch.line.recording import REFERENCE, record_control, record_sample
from specmatch.line.rules.judging import LineSetting, kept_mean, reading_record
from specmatch.line.rules.run_rule import Judged, find_run
from specmatch.warning_codes import RESCAN, WARNING_CODES

START = datetime(2026, 3, 2, 6, 0, tzinfo=timezone(timedelta(hours=1)))
LINES = ("L1", "L2", "L3")
RUNS_A_DAY, READINGS_A_RUN = 4, 12
# poured anew at once when a reading departs
SPARE = 2
FOAM_SHARE, FOAMY_POURS = 0.08, 0.01
RECIPE_FACTOR = 1.12


@dataclass(frozen=True)
class Month:
    """What happened, and what the line made of it.

    Attributes
    ----------
    runs : DataFrame
        A row a run: `line, lot, claimed, really, changed` (recipe), `day, departures, held`.
    recipe_beer : str
        Its colour grew by 12 % from `recipe_day` on.
    recipe_day : int
    n_readings : int
        Retests among them.
    n_days : int
    """

    runs: pd.DataFrame
    recipe_beer: str
    recipe_day: int
    n_readings: int
    n_days: int


class _InOrder:
    """Random numbers for the bench that leave the order of the line as it is."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng

    def permutation(self, n: int) -> np.ndarray:
        return np.arange(n)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._rng, name)


def run_month(
    journal: Journal,
    setting: LineSetting,
    brewery: Brewery,
    *,
    seed: int,
    n_days: int = 30,
    n_mix_ups: int = 6,
    n_pours: int = 3,
    readings_a_run: int = READINGS_A_RUN,
    recipe_day: int = 22,
) -> Month:
    """Run a month at the lines and record it.

    Parameters
    ----------
    journal : Journal
    setting : LineSetting
        Its line is set for each of the three.
    brewery : Brewery
        The one that the model was fitted on.
    seed : int
    n_days, n_mix_ups, n_pours, readings_a_run : int
    recipe_day : int
        Day from which one beer is brewed 12 % darker; beyond `n_days` it never is.

    Returns
    -------
    Month
    """
    rng = np.random.default_rng([brewery.seed, seed, 8])
    runs, recipe_beer = _plan(brewery, rng, n_days, n_mix_ups, recipe_day)
    liquids = _liquids(brewery, runs, recipe_beer, seed)
    departures, held, n_readings = np.zeros(len(runs), int), np.zeros(len(runs), bool), 0
    for number, line in enumerate(LINES):
        mine = np.flatnonzero((runs["line"] == line).to_numpy())
        on_line = replace(setting, line=line)
        with journal.writing():
            for run, row in _line(
                journal, on_line, brewery, runs, liquids, mine, rng, 1000 * seed + number, n_pours, readings_a_run
            ):
                n_readings += 1
                departures[run] += "first_departure" in row["reading"]["warnings"]
                held[run] |= row["decision"] == "hold"
    return Month(runs.assign(departures=departures, held=held), recipe_beer, recipe_day, n_readings, n_days)


def _plan(
    brewery: Brewery, rng: np.random.Generator, n_days: int, n_mix_ups: int, recipe_day: int
) -> tuple[pd.DataFrame, str]:
    beers = list(brewery.beers)
    rows = []
    for line in LINES:
        before = -1
        for slot in range(n_days * RUNS_A_DAY):
            beer = int(rng.choice([i for i in range(len(beers)) if i != before]))
            before = beer
            rows.append((line, f"{line}-{slot + 1:03d}", beers[beer], slot // RUNS_A_DAY, slot))
    runs = pd.DataFrame(rows, columns=["line", "lot", "claimed", "day", "slot"])
    runs["really"] = runs["claimed"]
    for run in rng.choice(len(runs), n_mix_ups, replace=False):
        # half of the mix-ups are with a neighbour in colour, which is the harder case
        claimed = beers.index(runs.at[run, "claimed"])
        near = [i for i in (claimed - 1, claimed + 1) if 0 <= i < len(beers)]
        others = near if rng.random() < 0.5 else [i for i in range(len(beers)) if i != claimed]
        runs.loc[run, "really"] = beers[int(rng.choice(others))]
    recipe_beer = beers[int(rng.integers(len(beers)))]
    runs["changed"] = (runs["really"] == recipe_beer) & (runs["day"] >= recipe_day)
    return runs, recipe_beer


def _liquids(brewery: Brewery, runs: pd.DataFrame, recipe_beer: str, seed: int) -> np.ndarray:
    """Absorbance of 1 cm of each run, (n_runs, light)."""
    most = int(runs["really"].value_counts().max())
    drawn = brewery.batches(most, draw=5000 + seed)
    place = {beer: iter(np.flatnonzero(np.array(drawn.beer) == beer)) for beer in brewery.beers}
    absorbance = drawn.absorbance[[next(place[beer]) for beer in runs["really"]]]
    absorbance[runs["changed"].to_numpy()] *= RECIPE_FACTOR
    return absorbance


def _line(
    journal: Journal, setting: LineSetting, brewery: Brewery, runs: pd.DataFrame, liquids: np.ndarray,
    mine: np.ndarray, rng: np.random.Generator, draw: int, n_pours: int, n_readings: int,
) -> Iterator[tuple[int, dict[str, Any]]]:  # fmt: skip
    each = n_readings + SPARE
    run_of = np.repeat(mine, each)
    names = tuple(f"{runs.at[run, 'lot']}/{k + 1:02d}" for run in mine for k in range(each))
    foam = rng.random((len(names), n_pours)) < FOAMY_POURS
    conditions = [[PourConditions(foam=FOAM_SHARE * f) for f in row] for row in foam]
    raw = brewery.bench.scan(
        Liquids(tuple(runs["claimed"].to_numpy()[run_of]), names, liquids[run_of]),
        conditions,
        rng=_InOrder(rng),  # type: ignore[arg-type]
        per_session=each,
        draw=draw,
    )
    spectra, scans = raw.reflectance()
    claims = pd.Series([runs.at[run, "claimed"] for run in run_of], index=[f"{name}-S1" for name in names])
    table = setting.house.verify(spectra, claimed=claims, scans=scans, specification=setting.specification)
    rows_of = scans.groupby("sample", sort=False).indices
    references = _references(raw)
    controls = _controls(raw, setting)
    for place, run in enumerate(mine):
        start = START + timedelta(hours=6 * int(runs.at[run, "slot"]))
        common = {"operator": "KA", "instrument": raw.table["instrument"].iloc[0], "model_hash": setting.model_hash}
        opened = {**common, **_at(start), "line": setting.line}
        journal.append({"kind": REFERENCE, **opened, "reading": references[place]})
        for again in range(3):
            # out of its limits, a control is measured again at once
            taken = {**opened, **_at(start + timedelta(minutes=again))}
            if (
                record_control(journal, setting, controls[(place + again) % len(mine)], (), taken)[0]["decision"]
                != RESCAN
            ):
                break
        spare = iter(range(place * each + n_readings, (place + 1) * each))
        for k in range(n_readings):
            at = start + timedelta(minutes=30 * k + 5)
            reading = place * each + k
            row = _record(journal, setting, table, spectra, scans, rows_of, names[reading], runs.loc[run], at, common)
            yield int(run), row
            while find_run(journal, setting.line, runs.at[run, "claimed"], runs.at[run, "lot"]).state == "open":
                poured_again = next(spare, None)
                if poured_again is None:
                    break
                at += timedelta(minutes=5)
                row = _record(
                    journal, setting, table, spectra, scans, rows_of, names[poured_again], runs.loc[run], at, common
                )
                yield int(run), row


def _record(
    journal: Journal, setting: LineSetting, table: pd.DataFrame, spectra: pd.DataFrame, scans: pd.DataFrame,
    rows_of: dict[str, np.ndarray], name: str, run: pd.Series, at: datetime, common: dict[str, Any],
) -> dict[str, Any]:  # fmt: skip
    row = table.loc[f"{name}-S1"]
    faults = tuple(code for code in row["warnings"] if WARNING_CODES[code].effect == RESCAN)
    departs = row["decision"] == "hold"
    places = rows_of[f"{name}-S1"]
    kept = kept_mean(spectra.iloc[places], scans.iloc[places])
    judged = Judged(reading_record(row), row["decision"], row["reason"], row["advice"], faults, departs, kept)
    record = {**common, **_at(at), "line": setting.line, "claimed": run["claimed"], "lot": run["lot"], "sample": name}
    return record_sample(journal, setting, judged, record)[0]


def _at(time: datetime) -> dict[str, Any]:
    return {"measured_at": time.isoformat(), "measured_unix": time.timestamp()}


def _references(raw: RawScans) -> list[dict[str, float]]:
    role, time = raw.table["role"].to_numpy(), raw.table["integration_ms"].to_numpy(float)
    found, dark = [], raw.counts[0]
    for i in np.flatnonzero(np.isin(role, ("dark", "reference"))):
        if role[i] == "dark":
            dark = raw.counts[i]
            continue
        light = (raw.counts[i] - dark) / time[i]
        usable = light > 0.02 * light.max()
        found.append({"level": reference_level(light, usable), "peak_nm": peak_position(light, raw.wavelength_nm)})
    return found


def _controls(raw: RawScans, setting: LineSetting) -> list[dict[str, Any]]:
    """Readings of the control of each session, over that session's dark and reference."""
    role = raw.table["role"].to_numpy()
    nets, dark, reference = [], raw.counts[0], raw.counts[0]
    for i in np.flatnonzero(np.isin(role, ("dark", "reference", "control"))):
        if role[i] == "dark":
            dark = raw.counts[i]
        elif role[i] == "reference":
            reference = raw.counts[i] - dark
        else:
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = (raw.counts[i] - dark) / reference
            nets.append(np.where(np.isfinite(ratio), ratio, 0.0))
    spectra = pd.DataFrame(np.array(nets), columns=raw.wavelength_nm, index=[f"control {i}" for i in range(len(nets))])
    table = setting.house.read(spectra)
    return [reading_record(row) for _, row in table.iterrows()]
