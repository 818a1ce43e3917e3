"""What a plan takes a house to be: from list, habits, module and what a set has shown, each with its source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.batches import in_colour_unit
from specmatch.errors import OptionError, TableError, TooFewBatchesError
from specmatch.house.planning.beer_list import BeerList
from specmatch.house.planning.simulation import Assumed
from specmatch.maths.faults.normal_variation import BATCH_SD, CAUSES, POUR_SD, USUAL_FOAM, fit_natural_scatter
from specmatch.maths.faults.normal_variation import SHAPE_SD as BATCH_SHAPE_SD
from specmatch.maths.optics.cup import Optics, glare_of
from specmatch.maths.optics.inverse_model import SHAPE_SD, smooth_shapes
from specmatch.maths.optics.path_law import textbook_law
from specmatch.maths.spectra.band import usable_channels
from specmatch.maths.spectra.noise import ChannelNoise, fit_light_noise, pooled, slit_bins
from specmatch.maths.statistics.levels import Levels, mean_by, parent_codes
from specmatch.measurement.commissioning.commission import Commissioning
from specmatch.measurement.reflectance.path_length import filling_depth_mm
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.house.fitting.fitting import FittedHouse
    from specmatch.measurement.session import Session
    from specmatch.reference.reference_set import ReferenceSet

STATED, SET, DEFAULT, MODULE, LIST = "stated", "the set", "cautious default", "the module", "the list"


@dataclass(frozen=True)
class Setting:
    """One number that a house may state: its default, what it is, and from where to where it may go."""

    default: float
    what: str
    unit: str
    lowest: float
    highest: float


# sizes that are common practice, no source; those of a house's own go before them
HABITS = {
    "lab_sd": Setting(0.015, "one lab colour, standard deviation as a share", "share", 0.0, 0.3),
    "lab_sd_ebc": Setting(0.1, "one lab colour, constant part of its standard deviation", "EBC", 0.0, 5.0),
    "batch_sd": Setting(float(BATCH_SD[0]), "colour of batches of one beer, standard deviation", "share", 0.001, 0.5),
    "fill_sd": Setting(float(POUR_SD[0]), "depth of beer from pour to pour, standard deviation", "share", 0.0, 0.2),
    "foam_sd": Setting(float(POUR_SD[CAUSES.index("white")]), "foam on a pour, share of the surface", "share", 0, 0.2),
    "matt_base": Setting(0.0, "light that the base returns more than once: 0 a mirror, 0.5 a bright matt base", "share",
                         0.0, 0.9),
    "lamp_drift": Setting(0.005, "drift of the light an hour", "share/h", 0.0, 0.5),
    "batches_a_week": Setting(1.0, "batches of one beer a week", "", 0.01, 500.0),
    "session_batches": Setting(6.0, "batches measured in one session", "", 1.0, 200.0),
}  # fmt: skip
WISHES = {
    "coverage": Setting(0.90, "share of lab values that an interval covers", "share", 0.5, 0.999),
    "false_reject": Setting(0.05, "share of right claims that may depart", "share", 0.001, 0.5),
    "half_width": Setting(np.nan, "half-width of a colour, typical batch, share of the colour", "share", 0.0, 1.0),
    "caught": Setting(0.95, "share of mix-ups caught at one reading, all pairs of beers", "share", 0.0, 1.0),
    "blend": Setting(np.nan, "smallest share of the nearest beer in a batch that is seen as a rule", "share", 0.0, 1.0),
}
LINE = {
    "pallets_an_hour": Setting(20.0, "pallets that the line fills an hour", "", 0.1, 1000.0),
    "mix_up_pallets": Setting(10.0, "pallets of the wrong beer in one mix-up", "", 0.1, 10000.0),
    "within_minutes": Setting(60.0, "time within which it must be held", "min", 1.0, 10000.0),
    "chance": Setting(0.95, "chance of holding it in time", "share", 0.0, 1.0),
    "false_holds_a_week": Setting(1.0, "false holds that a week may have", "", 0.0, 1000.0),
    "run_hours": Setting(6.0, "hours of one run, from changeover to changeover", "h", 0.1, 48.0),
    "runs_a_week": Setting(28.0, "runs a week", "", 1.0, 1000.0),
    "retest_minutes": Setting(5.0, "from a package taken to its retest read", "min", 0.0, 240.0),
}
GRID_NM = np.arange(430.0, 701.0, 5.0)


def settings_of(given: Mapping[str, float] | None, known: Mapping[str, Setting], kind: str) -> dict[str, float]:
    """Return every setting of a kind, those given in place of the defaults; a name or a size out of place refuses."""
    out = {name: one.default for name, one in known.items()}
    for name, value in (given or {}).items():
        if name not in known:
            near = get_close_matches(name, known, 1, 0.5)
            meant = f"; nearest is {near[0]!r}" if near else ""
            raise OptionError(f"{kind} {name!r} is not known{meant}; known are {', '.join(known)}")
        one = known[name]
        if not (np.isfinite(value) and one.lowest <= value <= one.highest):
            raise OptionError(
                f"{kind} {name} is {value!r} ({one.what}); expected {one.lowest:g} to {one.highest:g} {one.unit}"
            )
        out[name] = float(value)
    return out


@dataclass(frozen=True)
class Grounds:
    """What a plan stands on."""

    house: Assumed  # at the depth of the first cup
    table: pd.DataFrame  # `what`, `value`, `unit`, `source`
    lamp_drift: float
    notes: tuple[str, ...]
    batches_there: dict[str, int] = field(default_factory=dict)  # beer -> batches that the set holds already
    fitted: FittedHouse | None = None


def cup_depths(cups: tuple[tuple[float, float], ...]) -> Floats:
    """Return the depth of each cup and fill, mm; a cup of no size refuses."""
    if not cups:
        raise OptionError("no cup is given; name its inner diameter in mm and its fill in mL, such as (40, 10)")
    for one in cups:
        if len(one) != 2 or not all(np.isfinite(x) and x > 0 for x in one):
            raise OptionError(f"cup {one!r} has no size; expected its inner diameter in mm and its fill in mL, both "
                              "above 0, such as (40, 10)")  # fmt: skip
    values = np.array(cups, float)
    depth = filling_depth_mm(values[:, 1], values[:, 0])
    far = (depth < 0.5) | (depth > 100.0)
    if far.any():
        row = int(far.argmax())
        raise OptionError(f"cup {cups[row]!r} would hold beer {depth[row]:.3g} mm deep; expected 0.5 to 100 mm: inner "
                          "diameter in mm first, then fill in mL")  # fmt: skip
    return depth


def ground_of(
    beers: BeerList, cups: tuple[tuple[float, float], ...], habits: Mapping[str, float], stated: Mapping[str, float],
    module: Commissioning | Session | None, refs: ReferenceSet | None, false_reject_rate: float,
) -> Grounds:  # fmt: skip
    """Gather what the house, its module and its set say, and defaults for the rest."""
    depth = float(cup_depths(cups)[0])
    rows = [("colours of the beers", f"{beers.colour_ebc[0]:.3g} to {beers.colour_ebc[-1]:.3g}", "EBC", LIST)]
    rows += [
        (HABITS[name].what, f"{value:g}", HABITS[name].unit, STATED if name in stated else DEFAULT)
        for name, value in habits.items()
    ]
    pour, batch = POUR_SD.copy(), BATCH_SD.copy()
    pour[0], batch[0] = habits["fill_sd"], habits["batch_sd"]
    pour[CAUSES.index("white")] = habits["foam_sd"]
    nm, noise, drift = GRID_NM, ChannelNoise(np.ones(GRID_NM.size), 1e-7, 3e-7), habits["lamp_drift"]
    source, said = DEFAULT, "430-700 nm, even light"
    if isinstance(module, Commissioning):
        noise, found_drift, said = _of_commissioning(module, noise)
        source, drift = MODULE, drift if np.isnan(found_drift) else found_drift
    elif module is not None:
        shown = _of_scans(module)
        nm, noise = shown.nm, shown.noise
        own = np.arange(pour.size) > 0 if "fill_sd" in stated else np.ones(pour.size, bool)
        # the same hands and the same module from batch to batch as from pour to pour, the beer itself aside
        steadier = np.where(np.arange(pour.size) > 0, shown.pour_sd / POUR_SD, 1.0)
        pour, batch = np.where(own, shown.pour_sd, pour), batch * steadier
        source, said = MODULE, f"{nm[0]:.0f}-{nm[-1]:.0f} nm, from {counted(len(module.spectra), 'scan')}"
        rows = [row for row in rows if row[0] != HABITS["foam_sd"].what]
        rows.append(
            ("foam, haze and light from pour to pour", "as the scans show and good practice has it", "", MODULE)
        )
    rows.append(("noise of the module", said, "", source))
    order = np.arange(1.0, SHAPE_SD.size + 1.0)
    shapes = smooth_shapes(nm)
    house = Assumed(
        wavelength_nm=nm,
        noise=noise,
        law=replace(textbook_law(), returned=habits["matt_base"]),
        depth_mm=depth,
        colour_ebc=beers.colour_ebc,
        known=np.full((len(beers.names), nm.size), np.nan),
        unlike=SHAPE_SD[:, None] * shapes,
        pour_sd=pour,
        batch_sd=batch,
        shapes=(BATCH_SHAPE_SD / np.sqrt(order))[:, None] * shapes,
        lab_relative=habits["lab_sd"],
        lab_ebc=habits["lab_sd_ebc"],
    )
    if refs is None:
        rows.append(("shapes of spectra", "the average beer's, and how real beers leave it", "", DEFAULT))
        return Grounds(house, _table(rows), drift, ())
    return _with_set(house, beers, cups, refs, rows, drift, false_reject_rate)


def _table(rows: list[tuple[str, str, str, str]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["what", "value", "unit", "source"])


def _of_commissioning(found: Commissioning, noise: ChannelNoise) -> tuple[ChannelNoise, float, str]:
    def value(name: str) -> float:
        return float(found.figures["value"].get(name, np.nan))

    share = value("noise")
    if np.isfinite(share):
        # of one scan in the brightest channel: counting rules there, a quarter is the detector's own
        noise = replace(noise, read=0.25 * share**2, shot=0.75 * share**2)
        return noise, value("level_drift"), f"{share:.2%} a scan, of its commissioning"
    return noise, value("level_drift"), "not commissioned for noise: a good small spectrometer's"


@dataclass(frozen=True)
class _FirstScans:
    """What a few scans show of a module and of the hands that pour."""

    nm: Floats  # (p,): centres of the bins
    noise: ChannelNoise
    pour_sd: Floats  # (c,): along `CAUSES`


def _of_scans(session: Session) -> _FirstScans:
    """Learn from a few scans of water and beer; those of one sample are of one liquid."""
    values = session.spectra.to_numpy(float)
    nm = session.spectra.columns.to_numpy(float)
    values = np.where(np.isfinite(values), values, 0.0)
    group = pd.factorize(session.scans["sample"])[0].astype(np.int64)
    if group.size == 0:
        raise TableError("the module's folder holds no scan of role sample; scan water and one beer a few times each")
    kept = usable_channels(values, nm, session.band_nm, group)
    if kept.size < 8:
        raise TableError("the module's scans leave fewer than 8 usable channels; scan water and one beer again")
    bins = slit_bins(nm[kept])
    values, axis = pooled(values[:, kept], bins), pooled(nm[kept], bins)
    noise = fit_light_noise(values, group, wavelength_nm=axis)
    pour = pd.factorize(session.scans["pour"])[0].astype(np.int64)
    of_pour, sample = mean_by(values, pour)[0], parent_codes(pour, group)
    optics = Optics(axis, noise.light, glare_of(of_pour), USUAL_FOAM)
    scatter = fit_natural_scatter(of_pour, Levels.of_pours(sample, sample, sample), optics=optics, noise=noise)
    return _FirstScans(axis, noise, np.sqrt(scatter.pour[: len(CAUSES)]))


def _with_set(
    house: Assumed, beers: BeerList, cups: tuple[tuple[float, float], ...], refs: ReferenceSet,
    rows: list[tuple[str, str, str, str]], drift: float, false_reject_rate: float,
) -> Grounds:  # fmt: skip
    """Go on from what a set of a few batches shows: its beers as they are, its scatter, noise, law and lab."""
    from specmatch.house.fitting.fitting import fit_house

    fitted = fit_house(refs, false_reject_rate=false_reject_rate)
    faults, scatter = fitted.faults, fitted.faults.scatter
    unknown = [name for name in fitted.beers if name not in beers.names]
    notes = []
    if unknown:
        notes.append(f"the set holds beers that the list does not, and they are not planned for: {', '.join(unknown)}")
    shared = [name for name in beers.names if name in fitted.beers]
    if not shared:
        raise TooFewBatchesError("no beer of the list is in the set; name the beers alike in both")
    law = fitted.path_law or replace(house.law, glare=faults.optics.glare)
    depth = house.depth_mm
    if fitted.depth is not None and np.isfinite(fitted.depth.cup_mm):
        depth = float(filling_depth_mm(np.array([fitted.depth.fill_ml]), np.array([fitted.depth.cup_mm]))[0])
    else:
        notes.append(f"the set states no cup and fill: it is taken to stand at that of the first cup, {cups[0]}")
    nm, seen = faults.optics.wavelength_nm, faults.pool(faults.beer_means)
    known = np.full((len(beers.names), nm.size), np.nan)
    colour = beers.colour_ebc.copy()
    # the regression knows a beer's colour better than the mean of a few lab values does
    read = None if fitted.colour is None else fitted.colour.predict(faults.beer_means)
    there = {}
    for name in shared:
        place, own = beers.names.index(name), (refs.batches["beer"] == name).to_numpy()
        known[place] = seen[fitted.beers.index(name)]
        there[name] = int(own.sum())
        if read is not None:
            colour[place] = in_colour_unit(read[[fitted.beers.index(name)]], refs.colour_unit, "EBC")[0]
    n_causes = scatter.pour.size - len(scatter.shapes)
    batch = np.maximum(scatter.batch - scatter.per_pour * scatter.pour, 0.25 * scatter.batch)
    absent = house.pour_sd.size - n_causes
    relative, constant = _lab_of(refs, house)
    told = relative is not None
    house = replace(
        house,
        wavelength_nm=nm,
        noise=replace(faults.noise, misfit=0.0),
        law=law,
        depth_mm=depth,
        colour_ebc=colour,
        known=known,
        unlike=SHAPE_SD[:, None] * smooth_shapes(nm),
        pour_sd=np.append(np.sqrt(scatter.pour[:n_causes]), np.zeros(absent)),
        batch_sd=np.append(np.sqrt(batch[:n_causes]), np.zeros(absent)),
        shapes=np.sqrt(batch[n_causes:])[:, None] * _smooth(scatter.shapes, nm),
        lab_relative=relative if relative is not None else house.lab_relative,
        lab_ebc=constant if relative is not None else house.lab_ebc,
        lab_states_sd=told,
    )
    what = f"{counted(sum(there.values()), 'batch')} of {counted(len(shared), 'beer')}"
    replaced = {HABITS[name].what for name in ("batch_sd", "fill_sd", "foam_sd", "matt_base")}
    rows = [row for row in rows if row[0] not in replaced and row[0] != "noise of the module"]
    rows += [
        ("spectra of the beers, scatter of batches and pours, noise, law of the cup", what, "", SET),
        ("colour of batches of one beer, standard deviation", f"{house.batch_sd[0]:.3g}", "share", SET),
        ("depth of beer from pour to pour, standard deviation", f"{house.pour_sd[0]:.3g}", "share", SET),
    ]
    if told:
        rows.append(("one lab colour, standard deviation (colour_sd of the set)", f"{house.lab_relative:.3g}", "share",
                     SET))  # fmt: skip
    lacking = [name for name in beers.names if name not in shared]
    if lacking:
        notes.append(f"the set does not hold {', '.join(lacking)}: planned as beers of the average shape")
    return Grounds(house, _table(rows), drift, tuple(notes), there, fitted)


def _smooth(shapes: Floats, nm: Floats) -> Floats:
    """Return shapes that a few batches taught without the noise in them: what a level and smooth ones make of them."""
    # a shape that jumps from channel to channel would move the colour at 430 nm and nothing beside it
    basis = np.vstack([np.ones(nm.size), smooth_shapes(nm)])
    return np.asarray(shapes @ np.linalg.pinv(basis) @ basis)


def _lab_of(refs: ReferenceSet, house: Assumed) -> tuple[float | None, float]:
    """Return share and constant of the lab's standard deviation, from what the batches table states of it."""
    if "colour_sd" not in refs.batches:
        return None, 0.0
    sd = pd.to_numeric(refs.batches["colour_sd"], errors="coerce").to_numpy(float)
    colour = refs.batches["colour"].to_numpy(float)
    both = in_colour_unit(np.array([sd, colour]), refs.colour_unit, "EBC")
    both = both[:, np.isfinite(both).all(axis=0) & (both[0] > 0)]
    if both.shape[1] < 3:
        return None, 0.0
    from scipy.optimize import nnls

    # sd^2 = (share c)^2 + constant^2, each row in its own size
    weight = both[1] ** -2
    found = nnls(np.column_stack([both[1] ** 2, np.ones(both.shape[1])]) * weight[:, None], both[0] ** 2 * weight)[0]
    return float(np.sqrt(found[0])), float(np.sqrt(found[1]))
