"""What a plan takes a house to be: its list of beers, habits, module and what a set has shown, each with its source."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, is_number
from specmatch.batches import COLOUR_UNITS, in_colour_unit, must_be
from specmatch.errors import OptionError, SheetError, TableError, TooFewBatchesError, UnitError
from specmatch.house.planning.forecast import Assumed
from specmatch.maths.faults.normal_variation import BATCH_SD, CAUSES, POUR_SD, USUAL_FOAM, fit_natural_scatter
from specmatch.maths.faults.normal_variation import SHAPE_SD as BATCH_SHAPE_SD
from specmatch.maths.optics.cup import SHAPE_SD, Optics, glare_of, smooth_shapes
from specmatch.maths.optics.path_law import textbook_law
from specmatch.maths.spectra.channels import usable_channels
from specmatch.maths.spectra.noise import ChannelNoise, fit_light_noise, pooled, slit_bins
from specmatch.maths.statistics.levels import Levels, mean_by, parent_codes
from specmatch.measurement.commissioning.commission import Commissioning
from specmatch.measurement.folder.columns import said_of_spellings
from specmatch.measurement.folder.sheets import number_columns, read_sheet
from specmatch.measurement.folder.stated import as_stated
from specmatch.measurement.reflectance.path_length import filling_depth_mm
from specmatch.wording import counted, rows_beside

if TYPE_CHECKING:
    from specmatch.house.fitting.fitted import FittedHouse
    from specmatch.measurement.session import Session
    from specmatch.reference.reference_set import ReferenceSet


STATED, SET, DEFAULT, MODULE, LIST = "stated", "the set", "cautious default", "the module", "the list"
_COLUMNS = ["what", "value", "unit", "source"]


@dataclass(frozen=True)
class Setting:
    """One number that a house may state: its default, what it is, and from where to where it may go."""

    default: float
    what: str
    unit: str
    lowest: float
    highest: float


# sizes that are common practice, no source, and those that good practice leaves; those of a house's own go before them
_LEFT = {"batch_sd": BATCH_SD[0], "fill_sd": POUR_SD[0], "foam_sd": POUR_SD[CAUSES.index("white")]}
HABITS, WISHES, LINE = (
    {
        name: Setting(float(default or _LEFT[name]), what, unit, float(lowest), float(highest))
        for of, name, default, what, unit, lowest, highest in rows_beside(__file__, "settings.csv") if of == kind
    }
    for kind in ("habit", "wish", "line")
)  # fmt: skip
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
        if not (is_number(value) and one.lowest <= value <= one.highest):
            raise OptionError(
                f"{kind} {name} is {value!r} ({one.what}); expected {one.lowest:g} to {one.highest:g} {one.unit}"
            )
        out[name] = float(value)
    return out


@dataclass(frozen=True)
class Grounds:
    """What a plan stands on."""

    house: Assumed  # at the depth of the first cup
    table: pd.DataFrame  # of `_COLUMNS`
    lamp_drift: float
    drift_source: str
    notes: tuple[str, ...]
    batches_there: dict[str, int] = field(default_factory=dict)  # beer -> batches that the set holds already
    fitted: FittedHouse | None = None


def cup_depths(cups: Sequence[tuple[float, float]]) -> Floats:
    """Return the depth of each cup and fill, mm; a cup of no size refuses."""
    if not cups:
        raise OptionError("no cup is given; name its inner diameter in mm and its fill in mL, such as (40, 10)")
    for one in cups:
        if np.shape(one) != (2,) or not all(is_number(x) and 0 < x < np.inf for x in one):
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
    beers: BeerList, cups: Sequence[tuple[float, float]], habits: Mapping[str, float], stated: Mapping[str, float],
    module: Commissioning | Session | None, refs: ReferenceSet | None, false_reject_rate: float,
) -> Grounds:  # fmt: skip
    """Gather what the house, its module and its set say, and defaults for the rest."""
    rows = [("colours of the beers", f"{beers.colour_ebc[0]:.3g} to {beers.colour_ebc[-1]:.3g}", "EBC", LIST)]
    for name, value in habits.items():
        rows.append((HABITS[name].what, f"{value:g}", HABITS[name].unit, STATED if name in stated else DEFAULT))
    shown, drift = _shown_by(module, habits, stated, rows)
    shapes = smooth_shapes(shown["wavelength_nm"])
    house = Assumed(
        **shown,
        law=replace(textbook_law(), returned=habits["matt_base"]),
        depth_mm=float(cup_depths(cups)[0]),
        colour_ebc=beers.colour_ebc,
        known=np.full((len(beers.names), shapes.shape[1]), np.nan),
        unlike=SHAPE_SD[:, None] * shapes,
        shapes=(BATCH_SHAPE_SD / np.sqrt(np.arange(1.0, SHAPE_SD.size + 1.0)))[:, None] * shapes,
        lab_relative=habits["lab_sd"],
        lab_ebc=habits["lab_sd_ebc"],
        session_batches=max(1, round(habits["session_batches"])),
    )
    source = STATED if "lamp_drift" in stated else DEFAULT
    drift, source = (habits["lamp_drift"], source) if np.isnan(drift) else (drift, MODULE)
    if refs is None:
        rows.append(("shapes of spectra", "the average beer's, and how real beers leave it", "", DEFAULT))
    ground = Grounds(house, pd.DataFrame(rows, columns=_COLUMNS), drift, source, ())
    if refs is None:
        return ground
    must_be("set", refs)
    return _with_set(ground, beers, tuple(cups[0]), refs, rows, false_reject_rate)


def _shown_by(
    module: Commissioning | Session | None, habits: Mapping[str, float], stated: Mapping[str, float],
    rows: list[tuple[str, str, str, str]],
) -> tuple[dict[str, Any], float]:  # fmt: skip
    """Take what good practice leaves, and of it what the module shows otherwise; said in further rows."""
    # -> fields of `Assumed`; drift of the light an hour, NaN where nothing shows it
    nm, pour, batch, drift = GRID_NM, POUR_SD.copy(), BATCH_SD.copy(), np.nan
    pour[0], batch[0] = habits["fill_sd"], habits["batch_sd"]
    pour[CAUSES.index("white")] = habits["foam_sd"]
    noise = ChannelNoise(np.ones(GRID_NM.size), 1e-7, 3e-7)
    if module is None:
        rows.append(("noise of the module", "430-700 nm, even light", "", DEFAULT))
    elif isinstance(module, Commissioning):
        noise, drift, said = _of_commissioning(module, noise)
        rows.append(("noise of the module", said, "", MODULE))
    else:
        nm, noise, pour_sd = _of_scans(module)
        beside = np.arange(pour.size) > 0
        # the same hands and the same module from batch to batch as from pour to pour, the beer itself aside
        batch = np.where(beside, batch * pour_sd / POUR_SD, batch)
        pour = np.where(beside | ("fill_sd" not in stated), pour_sd, pour)
        rows[:] = [row for row in rows if row[0] != HABITS["foam_sd"].what]
        said = f"{nm[0]:.0f}-{nm[-1]:.0f} nm, from {counted(len(module.spectra), 'scan')}"
        rows.append(("noise of the module", said, "", MODULE))
        shown = "as the scans show and good practice has it"
        rows.append(("foam, haze and light from pour to pour", shown, "", MODULE))
    return {"wavelength_nm": nm, "noise": noise, "pour_sd": pour, "batch_sd": batch}, drift


def _of_commissioning(found: Commissioning, noise: ChannelNoise) -> tuple[ChannelNoise, float, str]:
    def value(name: str) -> float:
        return float(found.figures["value"].get(name, np.nan))

    share = value("noise")
    if np.isfinite(share):
        # of one scan in the brightest channel: counting rules there, a quarter is the detector's own
        noise = replace(noise, read=0.25 * share**2, shot=0.75 * share**2)
        return noise, value("level_drift"), f"{share:.2%} a scan, of its commissioning"
    return noise, value("level_drift"), "not commissioned for noise: a good small spectrometer's"


def _of_scans(session: Session) -> tuple[Floats, ChannelNoise, Floats]:
    # -> (p,), noise, (c,) along `CAUSES`
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
    return axis, noise, np.sqrt(scatter.pour[: len(CAUSES)])


def _with_set(
    ground: Grounds, beers: BeerList, first_cup: tuple[float, ...], refs: ReferenceSet,
    rows: list[tuple[str, str, str, str]], false_reject_rate: float,
) -> Grounds:  # fmt: skip
    """Go on from what a set of a few batches shows: its beers as they are, its scatter, noise, law and lab."""
    from specmatch.house.fitting.fitting import fit_house

    fitted, house = fit_house(refs, false_reject_rate=false_reject_rate), ground.house
    shared = [name for name in beers.names if name in fitted.beers]
    if not shared:
        raise TooFewBatchesError("no beer of the list is in the set; name the beers alike in both")
    notes = []
    if unknown := [name for name in fitted.beers if name not in beers.names]:
        notes.append(f"the set holds beers that the list does not, and they are not planned for: {', '.join(unknown)}")
    if lacking := [name for name in beers.names if name not in shared]:
        notes.append(f"the set does not hold {', '.join(lacking)}: planned as beers of the average shape")
    depth = house.depth_mm
    if fitted.depth is not None and np.isfinite(fitted.depth.cup_mm):
        depth = float(filling_depth_mm(np.array([fitted.depth.fill_ml]), np.array([fitted.depth.cup_mm]))[0])
    else:
        notes.append(f"the set states no cup and fill: it is taken to stand at that of the first cup, {first_cup}")
    there = {name: int((refs.batches["beer"] == name).sum()) for name in shared}
    lab = _lab_of(refs)
    house = _house_of(house, beers, fitted, refs.colour_unit, depth)
    own = {"batch_sd": house.batch_sd[0], "fill_sd": house.pour_sd[0]}
    if lab is not None:
        house = replace(house, lab_relative=lab[0], lab_ebc=lab[1], lab_states_sd=True)
        own |= {"lab_sd": lab[0], "lab_sd_ebc": lab[1]}
    replaced = {HABITS[name].what for name in (*own, "foam_sd", "matt_base")} | {"noise of the module"}
    said = f"{counted(sum(there.values()), 'batch')} of {counted(len(shared), 'beer')}"
    rows = [row for row in rows if row[0] not in replaced]
    rows.append(("spectra of the beers, scatter of batches and pours, noise, law of the cup", said, "", SET))
    rows += [(HABITS[name].what, f"{value:.3g}", HABITS[name].unit, SET) for name, value in own.items()]
    if fitted.colour is not None:
        rows.append(("width of intervals", "drawn to what held-out colours of the set are off", "", SET))
    table = pd.DataFrame(rows, columns=_COLUMNS)
    return replace(ground, house=house, table=table, notes=tuple(notes), batches_there=there, fitted=fitted)


def _house_of(house: Assumed, beers: BeerList, fitted: FittedHouse, unit: str, depth_mm: float) -> Assumed:
    faults, scatter = fitted.faults, fitted.faults.scatter
    nm, seen = faults.optics.wavelength_nm, faults.pool(faults.beer_means)
    known, colour = np.full((len(beers.names), nm.size), np.nan), beers.colour_ebc.copy()
    for place, name in enumerate(beers.names):
        if name in fitted.beers:
            known[place] = seen[fitted.beers.index(name)]
            if fitted.colour is not None:
                # the regression knows a beer's colour better than the mean of a few lab values does
                read = fitted.colour.predict(faults.beer_means[[fitted.beers.index(name)]])
                colour[place] = in_colour_unit(read, unit, "EBC")[0]
    law = replace(house.law, glare=faults.optics.glare)
    if fitted.path_law is not None:
        law = replace(fitted.path_law, light=faults.noise.light, shape=np.zeros(1))
    n_causes = scatter.pour.size - len(scatter.shapes)
    absent = np.zeros(house.pour_sd.size - n_causes)
    batch = np.maximum(scatter.batch - scatter.per_pour * scatter.pour, 0.25 * scatter.batch)
    return replace(
        house,
        wavelength_nm=nm,
        noise=replace(faults.noise, misfit=0.0),
        law=law,
        depth_mm=depth_mm,
        colour_ebc=colour,
        known=known,
        unlike=SHAPE_SD[:, None] * smooth_shapes(nm),
        pour_sd=np.append(np.sqrt(scatter.pour[:n_causes]), absent),
        batch_sd=np.append(np.sqrt(batch[:n_causes]), absent),
        shapes=np.sqrt(batch[n_causes:])[:, None] * _smooth(scatter.shapes, nm),
    )


def _smooth(shapes: Floats, nm: Floats) -> Floats:
    """Return shapes that a few batches taught without the noise in them: what a level and smooth ones make of them."""
    # a shape that jumps from channel to channel would move the colour at 430 nm and nothing beside it
    basis = np.vstack([np.ones(nm.size), smooth_shapes(nm)])
    return np.asarray(shapes @ np.linalg.pinv(basis) @ basis)


def _lab_of(refs: ReferenceSet) -> tuple[float, float] | None:
    """Return share and constant (EBC) of the lab's standard deviation, where the batches table states it."""
    if "colour_sd" not in refs.batches:
        return None
    sd = pd.to_numeric(refs.batches["colour_sd"], errors="coerce").to_numpy(float)
    both = in_colour_unit(np.array([sd, refs.batches["colour"].to_numpy(float)]), refs.colour_unit, "EBC")
    both = both[:, np.isfinite(both).all(axis=0) & (both[0] > 0)]
    if both.shape[1] < 3:
        return None
    from scipy.optimize import nnls

    # sd^2 = (share c)^2 + constant^2, each row in its own size
    weight = both[1] ** -2
    found = nnls(np.column_stack([both[1] ** 2, np.ones(both.shape[1])]) * weight[:, None], both[0] ** 2 * weight)[0]
    return float(np.sqrt(found[0])), float(np.sqrt(found[1]))


BEER_COLUMNS = ("beer", "colour", "colour_unit", "batches_a_week")
_LARGEST_COLOUR_EBC = 1000.0


def read_beers(path: str | Path) -> tuple[pd.DataFrame, list[str]]:
    """Read a sheet of beers and colours; what was odd about it comes second."""
    sheet = read_sheet(path, known=BEER_COLUMNS, optional=("batches_a_week",))
    name = Path(path).name
    absent = [column for column in ("beer", "colour") if column not in sheet.table]
    if absent:
        got = ", ".join(sheet.table.columns)
        raise SheetError(f"{name}: no column {absent[0]!r}, got {got}; a row a beer, with beer and colour")
    table = sheet.table.copy()
    numbers = number_columns(sheet, ("colour", "batches_a_week"), name=name)
    table[list(numbers.columns)] = numbers
    return table.set_index("beer"), sheet.notes


@dataclass(frozen=True)
class BeerList:
    """The beers of a house, pale to dark."""

    names: tuple[str, ...]
    colour_ebc: Floats
    batches_a_week: Floats
    unit: str
    notes: tuple[str, ...]


def beer_list(beers: pd.DataFrame | Mapping[str, float], unit: str, usual_rate: float) -> BeerList:
    """Bring a list of beers and colours to one form, and say what it cannot promise."""
    if not isinstance(beers, pd.DataFrame | Mapping):
        raise TableError(f"the list of beers is a {type(beers).__name__}; expected beer -> colour, or a DataFrame")
    table = pd.DataFrame({"colour": pd.Series(dict(beers), dtype=object)}) if isinstance(beers, Mapping) else beers
    table = as_stated(table, "list of beers", numbers=())
    if unit not in COLOUR_UNITS:
        raise UnitError(f"colour_unit is {unit!r}; expected EBC or SRM")
    if "colour" not in table.columns or table.columns.nlevels > 1:
        raise TableError(f"the list of beers lacks the column 'colour', got {', '.join(map(str, table.columns))}")
    names = [str(name).strip() for name in table.index]
    if len(names) == 0 or "" in names:
        raise TableError("the list of beers is empty, or a beer in it has no name; give one row a beer")
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise TableError(f"beer {twice[0]!r} stands twice in the list; keep the row that counts")
    units = [unit] * len(names)
    if "colour_unit" in table.columns:
        said = table["colour_unit"].fillna("").astype(str).str.strip().str.upper()
        units = [one or unit for one in said]
        if set(units) - set(COLOUR_UNITS):
            raise UnitError(f"the list of beers has the colour unit {min(set(units) - set(COLOUR_UNITS))!r}; "
                            "expected EBC or SRM")  # fmt: skip
    colour = pd.to_numeric(table["colour"], errors="coerce").to_numpy(float)
    colour = np.array([in_colour_unit(np.array([c]), u, "EBC")[0] for c, u in zip(colour, units, strict=True)])
    wrong = ~((colour > 0) & (colour < _LARGEST_COLOUR_EBC))
    if wrong.any():
        row = int(wrong.argmax())
        raise TableError(f"beer {names[row]!r} has the colour {table['colour'].tolist()[row]!r}; expected a number > 0")
    rate = np.full(len(names), usual_rate)
    if "batches_a_week" in table.columns:
        own = pd.to_numeric(table["batches_a_week"], errors="coerce").to_numpy(float)
        if (own <= 0).any():
            raise TableError(f"beer {names[int((own <= 0).argmax())]!r}: batches_a_week must be above 0, or blank")
        rate = np.where(np.isfinite(own), own, usual_rate)
    order = np.argsort(colour, kind="stable")
    named = tuple(names[i] for i in order)
    colour = colour[order]
    notes = [
        f"{named[i]} and {named[i + 1]} are of one colour on the list: only the shape of their spectra may tell them "
        "apart, which no list says; measure two batches of each before anything is promised of this pair"
        for i in range(len(named) - 1)
        if colour[i + 1] - colour[i] <= 1e-9 * colour[i]
    ]
    notes += said_of_spellings("beer", named)
    if len(named) == 1:
        notes.append("one beer: there is no mix-up within the house to catch, so only its colour is planned")
    return BeerList(named, colour, rate[order], unit, tuple(notes))
