"""Physics of the invented lab: beers, light, cup and spectrometer, and pours with their errors as counts."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone

import numpy as np
import numpy.typing as npt
import pandas as pd

from specmatch.array_types import Floats, Ints
from specmatch.colour import EBC_PER_SRM, average_absorbance

# The invented spectrometer and cup: from the absorbance of a beer to detector counts.
# Light of a white LED goes down through the beer, off a mirror-like base and back up; a surface gives glare, foam
# covers part of the cup, haze sends light back before it reached the base. All figures are invented, of the size that
# small spectrometers of this class have.

CUP_MM, FILL_ML = 40.0, 10.0
DEPTH_CM = FILL_ML / (np.pi * (CUP_MM / 20.0) ** 2)  # light passes it twice
FULL_SCALE = 65535

# Light is traced on a grid finer than the slit and wider than the detector, so that the slit never meets its end.
LIGHT_NM: Floats = np.arange(310.0, 881.0, 2.0)


def white_led(age: float | Floats = 0.0) -> Floats:
    """Return the spectrum of a white LED on `LIGHT_NM`, its blue peak 1 when new."""
    # age: 0 for a new lamp, 1 at the end of its time of use: it has lost 8 % of its light, its phosphor 3 % more
    age = np.asarray(age, dtype=float)[..., np.newaxis]
    blue = np.exp(-0.5 * ((LIGHT_NM - 452.0) / 11.0) ** 2)
    width_nm = np.where(LIGHT_NM < 555.0, 42.0, 62.0)
    phosphor = 0.65 * np.exp(-0.5 * ((LIGHT_NM - 555.0) / width_nm) ** 2)
    return np.exp(-0.08 * age) * (blue + np.exp(-0.03 * age) * phosphor)


@dataclass(frozen=True)
class Cup:
    """A clear cup on a mirror-like base."""

    surface_reflectance: float = 0.021  # of the liquid at normal incidence (n = 1.34), a fraction
    glare_seen: float = 0.008 / 0.021  # share of the surface's mirror image that reaches the detector
    base_reflectance: float = 0.55  # level of the base at 550 nm; it falls by 2 % for each 100 nm
    foam_reflectance: float = 0.65  # of foam and bubbles, which are white

    def reflectance(
        self, absorbance: Floats, *, depth_cm: float | Floats, foam: float | Floats = 0.0, haze: float | Floats = 0.0
    ) -> Floats:
        """Return the light that comes back over the light sent down, on `LIGHT_NM`."""
        # absorbance: log10 absorbance of 1 cm
        # haze: light that haze sends back at 550 nm; what comes back early is lost to the beam
        depth, cover, back = (np.asarray(v, dtype=float)[..., np.newaxis] for v in (depth_cm, foam, haze))
        rho = self.surface_reflectance
        base = self.base_reflectance * (1.0 - 0.02 * (LIGHT_NM - 550.0) / 100.0)
        returned = back * (550.0 / LIGHT_NM) ** 2
        through = (1.0 - rho) ** 2 * base * 10.0 ** (-2.0 * depth * absorbance)
        clear = rho * self.glare_seen + (1.0 - returned) * through + returned
        return (1.0 - cover) * clear + cover * self.foam_reflectance


def _pixel_wavelengths() -> Floats:
    pixel = np.arange(1.0, 289.0)
    coefficients = (337.2, 2.02, -6.0e-4, -9.0e-7, 1.5e-9, -4.0e-12)
    # two decimals, as the instrument prints them, so that a table and a file carry the same grid
    return np.round(np.polynomial.polynomial.polyval(pixel, coefficients), 2)


@dataclass(frozen=True, eq=False)
class Spectrometer:
    """A small grating spectrometer with a 16-bit converter; one file is the mean of 32 readouts."""

    name: str = "invented-288"  # as written in the header of its files
    wavelength_nm: Floats = field(default_factory=_pixel_wavelengths)  # A fifth-order polynomial in the pixel number
    slit_nm: float = 13.0  # full width at half maximum of its line shape
    stray_light: float = 0.002  # share of the mean light that falls on every pixel alike
    electrons_per_count: float = 96.0  # over all readouts; sets the shot noise
    read_noise: float = 7.0  # counts, of the mean of the readouts
    # dark_counts, dark_current: offset, and counts per unit of exposure, of a pixel without light
    dark_counts: float = 900.0
    dark_current: float = 40.0
    noisy: bool = True  # false leaves out every noise and the rounding to whole counts

    def slit(self, shift_nm: float = 0.0) -> Floats:
        """Return the share of each traced wavelength that each pixel sees, (len(LIGHT_NM), p)."""
        sigma = self.slit_nm / 2.3548
        centre = self.wavelength_nm + shift_nm
        weight = np.exp(-0.5 * ((LIGHT_NM[:, np.newaxis] - centre) / sigma) ** 2)
        return weight / weight.sum(axis=0)

    def peak(self, light: Floats) -> float:
        """Return the largest value that a spectrum of light, (len(LIGHT_NM),), gives at any pixel."""
        return float((light @ self.slit()).max())

    def counts(
        self, light: Floats, *, exposure: Floats, shift_nm: Floats, ceiling: Floats, dark_drift: Floats,
        rng: np.random.Generator,
    ) -> Floats:  # fmt: skip
        """Return detector counts of spectra of light."""
        seen = np.empty((light.shape[0], self.wavelength_nm.size))
        for shift in np.unique(shift_nm):
            rows = shift_nm == shift
            seen[rows] = light[rows] @ self.slit(float(shift))
        seen = (1.0 - self.stray_light) * seen + self.stray_light * seen.mean(axis=1, keepdims=True)
        exposed = (seen + self.dark_current) * exposure[:, np.newaxis]
        offset = self.dark_counts + dark_drift[:, np.newaxis]
        if not self.noisy:
            return exposed + offset
        noise = rng.standard_normal(seen.shape)
        counts = exposed + offset + noise * np.sqrt(exposed / self.electrons_per_count + self.read_noise**2)
        return np.clip(np.rint(counts), 0.0, ceiling[:, np.newaxis])


# The invented beers: names, colours and the smooth shapes of their spectra.

HOUSE_BEERS = (
    "Chalk Lager", "Meadow Pils", "Straw Blond", "Lantern Gold", "Saddle Pale", "Mill Bitter", "Amber Lane",
    "Foxglove Red", "Hedge Dunkel", "Walnut Brown", "Night Porter", "Peat Stout",
)  # fmt: skip

# Relative sd of the smooth shapes: of batches within a beer (three modes), and of beers (the same and two more).
BATCH_SHAPE_SD = np.array([0.014, 0.010, 0.007, 0.0, 0.0])
BEER_SHAPE_SD = np.array([0.020, 0.015, 0.010, 0.007, 0.005])
BATCH_COLOUR_SD = 0.045
PALEST_EBC, DARKEST_EBC = 5.0, 80.0


def smooth_modes(wavelength_nm: npt.ArrayLike) -> Floats:
    """Return five smooth shapes, (5, p), each between -1 and 1 over 400-700 nm and level outside it."""
    u = np.clip((np.asarray(wavelength_nm, dtype=float) - 400.0) / 300.0, 0.0, 1.0)
    order = np.arange(1.0, BEER_SHAPE_SD.size + 1.0)[:, np.newaxis]
    return np.cos(np.pi * order * u)


_MODES = smooth_modes(LIGHT_NM)
_MODES_430 = smooth_modes([430.0])[:, 0]
_AVERAGE_1_EBC = average_absorbance(LIGHT_NM, 1.0 / EBC_PER_SRM)


def house_colours(rng: np.random.Generator) -> Floats:
    """Return colours of the house beers, pale to dark, in EBC; neighbours differ by a factor between 1.20 and 1.35."""
    # one gap, anywhere, is 1.34: room for a beer of nobody's that is 15 % from its neighbours on both sides
    n_other = len(HOUSE_BEERS) - 2
    wide = np.log(1.34)
    jitter = rng.uniform(-0.035, 0.035, n_other)
    other = (np.log(DARKEST_EBC / PALEST_EBC) - wide) / n_other + jitter - jitter.mean()
    gaps = np.insert(other, rng.integers(n_other + 1), wide)
    return PALEST_EBC * np.exp(np.concatenate([[0.0], np.cumsum(gaps)]))


@dataclass(frozen=True)
class Liquids:
    """What is in the cup, one row a batch."""

    beer: tuple[str, ...]  # beer, batch: names
    batch: tuple[str, ...]
    absorbance: Floats  # log10 absorbance of 1 cm

    @property
    def colour_ebc(self) -> Floats:
        """True colour by its definition, 25 times the absorbance of 1 cm at 430 nm, (n,)."""
        return 25.0 * self.absorbance[:, int(np.flatnonzero(LIGHT_NM == 430.0)[0])]


def absorbance_of(colour_ebc: Floats, beer_shape: Floats, *, strength: Floats, batch_shape: Floats) -> Floats:
    """Return log10 absorbance of 1 cm of batches, (n, len(LIGHT_NM))."""
    # colour_ebc: colour of the beer; its own shape leaves the absorbance at 430 nm alone
    # beer_shape, batch_shape: sizes of the smooth modes of the beer and of the batch; a batch's shape moves its colour
    # too
    shape = beer_shape @ (_MODES - _MODES_430[:, np.newaxis]) + batch_shape @ _MODES
    return colour_ebc[:, np.newaxis] * _AVERAGE_1_EBC * np.exp(shape + strength[:, np.newaxis])


# The bench of the invented lab: sessions with dark, reference and control scans, pours with their errors, counts.

POUR_SD, LAMP_SD, FOAM_SD, HAZE_SD, DARK_DRIFT_SD = 0.012, 0.006, 0.0015, 0.003, 1.5
INTEGRATION_MS = 20.0
# light that a new lamp and a cup with water give at the brightest pixel
REFERENCE_COUNTS = 47000.0
FIRST_SESSION = datetime(2025, 1, 7, 8, 0, tzinfo=timezone(timedelta(hours=1)))
SPAN_DAYS = 168
# absorbance of 1 cm of the sealed control, about 25 EBC
SEALED_DYE = np.exp(-(LIGHT_NM - 430.0) / 90.0) * np.exp(0.05 * _MODES[1])
DAYLIGHT = np.exp(-0.5 * ((LIGHT_NM - 560.0) / 130.0) ** 2)


@dataclass(frozen=True)
class PourConditions:
    """What is the matter with a pour; the defaults are a good pour."""

    fill: float = 1.0  # volume in the cup over the stated volume
    foam: float = 0.0  # share of the cup under foam, on top of the usual trace
    haze: float = 0.0  # light that haze sends back at 550 nm, on top of the usual trace
    lamp_gain: float = 1.0  # light of the lamp over its usual light
    exposure: float = 1.0  # integration time over the usual one; a dark scan of that time is taken too
    ambient: float = 0.0  # daylight that leaks in, over the light of the reference
    shift_nm: float = 0.0  # shift of the wavelength axis
    clip: float | None = None  # largest count, where it is below the converter's own
    water: float = 0.0  # share of water in the cup
    blend_with: str | None = None  # batch among those scanned whose beer makes up `blend_share` of the cup
    blend_share: float = 0.0


@dataclass(frozen=True)
class RawScans:
    """Raw scans as an instrument leaves them."""

    counts: Floats
    wavelength_nm: Floats
    # A row a scan in the order taken, index `scan_id`: `role`, `sample`, `pour`, `batch`, `beer`, `measured_at`,
    table: pd.DataFrame

    def reflectance(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Return spectra and scans tables of the samples: (S - dark) over (Ref - dark), each at its own time."""
        table = self.table
        time = table["integration_ms"].to_numpy()
        role, session = table["role"].to_numpy(), table["session"].to_numpy()
        dark = {(session[i], time[i]): i for i in np.flatnonzero(role == "dark")}
        reference = {session[i]: i for i in np.flatnonzero(role == "reference")}
        sample = np.flatnonzero(role == "sample")
        against = np.array([reference[session[i]] for i in sample], dtype=int)

        def per_ms(rows: Ints) -> Floats:
            darks = np.array([dark[session[i], time[i]] for i in rows], dtype=int)
            return (self.counts[rows] - self.counts[darks]) / time[rows, np.newaxis]

        # a dead pixel of the reference may equal its dark: the quotient is then no number that anyone should use
        with np.errstate(divide="ignore", invalid="ignore"):
            values = per_ms(sample) / per_ms(against)
        values[~np.isfinite(values)] = 0.0
        index = table.index[sample]
        spectra = pd.DataFrame(values, index=index, columns=pd.Index(self.wavelength_nm, dtype=float))
        return spectra, table.iloc[sample].drop(columns=["role", "beer"])


@dataclass(frozen=True)
class Bench:
    """Cup and spectrometer, and the people who use them."""

    cup: Cup
    spectrometer: Spectrometer

    def scan(
        self,
        liquids: Liquids,
        conditions: Sequence[Sequence[PourConditions]],
        *,
        rng: np.random.Generator,
        per_session: int | None,
        draw: int,
    ) -> RawScans:
        """Return raw scans of one sample a batch, in sessions of `per_session` in chance order; None: all, as given."""
        n_batches = len(liquids.batch)
        order = np.arange(n_batches) if per_session is None else rng.permutation(n_batches)
        plan = _plan(order, conditions, per_session or n_batches)
        role, session, faults = plan["role"].to_numpy(), plan["session"].to_numpy(), plan["faults"].tolist()
        n, is_sample = len(plan), role == "sample"

        pour_error = 1.0 + POUR_SD * rng.standard_normal(n)
        lamp = 1.0 + LAMP_SD * rng.standard_normal(n)
        foam = FOAM_SD * np.abs(rng.standard_normal(n))
        haze = HAZE_SD * np.abs(rng.standard_normal(n))
        drift = DARK_DRIFT_SD * rng.standard_normal(n)

        absorbance = np.zeros((n, LIGHT_NM.size))
        in_cup = [faults[i] for i in np.flatnonzero(is_sample)]
        absorbance[is_sample] = _in_the_cup(liquids, plan["batch"].to_numpy()[is_sample], in_cup)
        absorbance[role == "control"] = SEALED_DYE

        def fault(name: str) -> Floats:
            return np.array([getattr(f, name) for f in faults], dtype=float)

        reflectance = self.cup.reflectance(
            absorbance,
            depth_cm=DEPTH_CM * np.where(is_sample, pour_error * fault("fill"), 1.0),
            foam=np.where(is_sample, foam + fault("foam"), 0.0),
            haze=np.where(is_sample, haze + fault("haze"), 0.0),
        )
        age = session / max(int(session[-1]), 1)
        water = self.cup.reflectance(np.zeros((1, LIGHT_NM.size)), depth_cm=DEPTH_CM)
        scale = REFERENCE_COUNTS / self.spectrometer.peak(white_led() * water[0])
        light = scale * white_led(age) * (lamp * fault("lamp_gain"))[:, np.newaxis] * reflectance
        light += REFERENCE_COUNTS * fault("ambient")[:, np.newaxis] * DAYLIGHT
        light[role == "dark"] = 0.0
        if not self.spectrometer.noisy:
            drift[:] = 0.0
        ceiling = np.array([FULL_SCALE if f.clip is None else f.clip for f in faults], dtype=float)
        counts = self.spectrometer.counts(
            light, exposure=fault("exposure"), shift_nm=fault("shift_nm"), ceiling=ceiling, dark_drift=drift, rng=rng
        )
        return RawScans(counts, self.spectrometer.wavelength_nm, self._table(plan, liquids, draw))

    def _table(self, plan: pd.DataFrame, liquids: Liquids, draw: int) -> pd.DataFrame:
        role, sessions, turns = plan["role"].to_numpy(), plan["session"].tolist(), plan["turn"].tolist()
        is_sample = role == "sample"
        in_cup = is_sample | (role == "reference")
        batch = [liquids.batch[b] if s else "" for b, s in zip(plan["batch"], is_sample, strict=True)]
        beer = [liquids.beer[b] if s else "" for b, s in zip(plan["batch"], is_sample, strict=True)]
        sample = [f"{name}-S1" if name else "" for name in batch]
        pour = [f"{name}-P{k + 1}" if name else "" for name, k in zip(sample, plan["pour"], strict=True)]
        session = [f"D{draw}-{s + 1:03d}" for s in sessions]
        gap = timedelta(days=SPAN_DAYS) / (sessions[-1] + 1)
        start = FIRST_SESSION + draw * timedelta(days=SPAN_DAYS)
        at = [
            (start + gap * s + timedelta(minutes=2 * k)).replace(microsecond=0).isoformat()
            for s, k in zip(sessions, turns, strict=True)
        ]
        scan_id = [f"{name}-{k + 1:02d}" for name, k in zip(session, turns, strict=True)]
        return pd.DataFrame(
            {
                "role": role, "sample": sample, "pour": pour, "batch": batch, "beer": beer, "measured_at": at,
                "integration_ms": [INTEGRATION_MS * f.exposure for f in plan["faults"]],
                "fill_ml": np.where(in_cup, FILL_ML, np.nan), "cup": np.where(in_cup, "C40", ""),
                "cup_mm": np.where(in_cup, CUP_MM, np.nan), "instrument": self.spectrometer.name, "session": session,
                "operator": [("KA", "LB")[s % 2] for s in sessions], "stage": "package",
                "reference_kind": np.where(role == "dark", "", "water"),
            },
            index=pd.Index(scan_id, name="scan_id"),
        )  # fmt: skip


def _plan(order: Ints, conditions: Sequence[Sequence[PourConditions]], per_session: int) -> pd.DataFrame:
    """Return a row a scan in the order taken; `batch` and `pour` count for samples only."""
    good = PourConditions()
    rows: list[tuple[str, int, int, int, int, PourConditions]] = []
    for session, start in enumerate(range(0, order.size, per_session)):
        batches = [int(b) for b in order[start : start + per_session]]
        times = sorted({f.exposure for b in batches for f in conditions[b]} | {1.0})
        opening = [("dark", 0, 0, PourConditions(exposure=t)) for t in times]
        opening += [("reference", 0, 0, good), ("control", 0, 0, good)]
        samples = [("sample", b, k, f) for b in batches for k, f in enumerate(conditions[b])]
        rows += [(role, session, turn, b, k, f) for turn, (role, b, k, f) in enumerate(opening + samples)]
    return pd.DataFrame(rows, columns=["role", "session", "turn", "batch", "pour", "faults"])


def _in_the_cup(liquids: Liquids, batch: Ints, faults: Sequence[PourConditions]) -> Floats:
    absorbance = liquids.absorbance[batch]
    for row, fault in enumerate(faults):
        if fault.blend_with is not None:
            other = liquids.absorbance[liquids.batch.index(fault.blend_with)]
            absorbance[row] += fault.blend_share * (other - absorbance[row])
        if fault.water:
            absorbance[row] *= 1.0 - fault.water
    return absorbance
