"""The bench of the invented lab: sessions with dark, reference and control scans, pours with their errors, counts."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

import numpy as np
import numpy.typing as npt
import pandas as pd

from specmatch.array_types import Floats, Ints
from specmatch.demo.beers import Liquids, smooth_modes
from specmatch.demo.optics import CUP_MM, FILL_ML, FULL_SCALE, LIGHT_NM, Cup, Spectrometer, depth_cm, white_led

POUR_SD, LAMP_SD, FOAM_SD, HAZE_SD, DARK_DRIFT_SD = 0.012, 0.006, 0.0015, 0.003, 1.5
INTEGRATION_MS = 20.0
# light that a new lamp and a cup with water give at the brightest pixel
REFERENCE_COUNTS = 47000.0
FIRST_SESSION = datetime(2025, 1, 7, 8, 0, tzinfo=timezone(timedelta(hours=1)))
SPAN_DAYS = 168


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
        """Return raw scans of one sample a batch, in sessions of `per_session` batches in chance order.

        None makes one session of all, in the order given.
        """
        n_batches = len(liquids.batch)
        order = np.arange(n_batches) if per_session is None else rng.permutation(n_batches)
        plan = _plan(order, conditions, per_session or n_batches)
        n = plan.role.size
        is_sample, is_light = plan.role == "sample", plan.role != "dark"

        pour_error = 1.0 + POUR_SD * rng.standard_normal(n)
        lamp = 1.0 + LAMP_SD * rng.standard_normal(n)
        foam = FOAM_SD * np.abs(rng.standard_normal(n))
        haze = HAZE_SD * np.abs(rng.standard_normal(n))
        drift = DARK_DRIFT_SD * rng.standard_normal(n)

        absorbance = np.zeros((n, LIGHT_NM.size))
        in_cup = [plan.faults[i] for i in np.flatnonzero(is_sample)]
        absorbance[is_sample] = _in_the_cup(liquids, plan.batch[is_sample], in_cup)
        absorbance[plan.role == "control"] = _sealed_dye()

        def fault(name: str) -> Floats:
            return np.array([getattr(f, name) for f in plan.faults], dtype=float)

        reflectance = self.cup.reflectance(
            absorbance,
            depth_cm=depth_cm() * np.where(is_sample, pour_error * fault("fill"), 1.0),
            foam=np.where(is_sample, foam + fault("foam"), 0.0),
            haze=np.where(is_sample, haze + fault("haze"), 0.0),
        )
        age = plan.session / max(int(plan.session[-1]), 1)
        water = self.cup.reflectance(np.zeros((1, LIGHT_NM.size)), depth_cm=depth_cm())
        scale = REFERENCE_COUNTS / self.spectrometer.peak(white_led() * water[0])
        light = scale * white_led(age) * (lamp * fault("lamp_gain"))[:, np.newaxis] * reflectance
        light += REFERENCE_COUNTS * fault("ambient")[:, np.newaxis] * _daylight()
        light[~is_light] = 0.0
        if not self.spectrometer.noisy:
            drift[:] = 0.0
        counts = self.spectrometer.counts(
            light,
            exposure=fault("exposure"),
            shift_nm=fault("shift_nm"),
            ceiling=np.array([FULL_SCALE if f.clip is None else f.clip for f in plan.faults], dtype=float),
            dark_drift=drift,
            rng=rng,
        )
        return RawScans(counts, self.spectrometer.wavelength_nm, self._table(plan, liquids, draw))

    def _table(self, plan: "_Plan", liquids: Liquids, draw: int) -> pd.DataFrame:
        is_sample = plan.role == "sample"
        in_cup = is_sample | (plan.role == "reference")
        batch = [liquids.batch[b] if s else "" for b, s in zip(plan.batch, is_sample, strict=True)]
        beer = [liquids.beer[b] if s else "" for b, s in zip(plan.batch, is_sample, strict=True)]
        sample = [f"{name}-S1" if name else "" for name in batch]
        pour = [f"{name}-P{k + 1}" if name else "" for name, k in zip(sample, plan.pour, strict=True)]
        session = [f"D{draw}-{s + 1:03d}" for s in plan.session]
        gap = timedelta(days=SPAN_DAYS) / (int(plan.session[-1]) + 1)
        start = FIRST_SESSION + draw * timedelta(days=SPAN_DAYS)
        at = [
            (start + gap * int(s) + timedelta(minutes=2 * int(k))).replace(microsecond=0).isoformat()
            for s, k in zip(plan.session, plan.turn, strict=True)
        ]
        scan_id = [f"{name}-{k + 1:02d}" for name, k in zip(session, plan.turn, strict=True)]
        return pd.DataFrame(
            {
                "role": plan.role, "sample": sample, "pour": pour, "batch": batch, "beer": beer, "measured_at": at,
                "integration_ms": [INTEGRATION_MS * f.exposure for f in plan.faults],
                "fill_ml": np.where(in_cup, FILL_ML, np.nan), "cup": np.where(in_cup, "C40", ""),
                "cup_mm": np.where(in_cup, CUP_MM, np.nan), "instrument": self.spectrometer.name, "session": session,
                "operator": [("KA", "LB")[int(s) % 2] for s in plan.session], "stage": "package",
                "reference_kind": np.where(plan.role == "dark", "", "water"),
            },
            index=pd.Index(scan_id, name="scan_id"),
        )  # fmt: skip


@dataclass(frozen=True)
class _Plan:
    """A row a scan in the order taken; `batch` and `pour` count for samples only."""

    role: npt.NDArray[np.str_]
    session: Ints
    turn: Ints
    batch: Ints
    pour: Ints
    faults: list[PourConditions]


def _plan(order: Ints, conditions: Sequence[Sequence[PourConditions]], per_session: int) -> _Plan:
    good = PourConditions()
    rows: list[tuple[str, int, int, int, int, PourConditions]] = []
    for session, start in enumerate(range(0, order.size, per_session)):
        batches = [int(b) for b in order[start : start + per_session]]
        times = sorted({f.exposure for b in batches for f in conditions[b]} | {1.0})
        opening = [("dark", 0, 0, PourConditions(exposure=t)) for t in times]
        opening += [("reference", 0, 0, good), ("control", 0, 0, good)]
        samples = [("sample", b, k, f) for b in batches for k, f in enumerate(conditions[b])]
        rows += [(role, session, turn, b, k, f) for turn, (role, b, k, f) in enumerate(opening + samples)]
    *columns, faults = zip(*rows, strict=True)
    role, session_of, turn_of, batch, pour = map(np.array, columns)
    return _Plan(role, session_of, turn_of, batch, pour, list(faults))


def _in_the_cup(liquids: Liquids, batch: Ints, faults: Sequence[PourConditions]) -> Floats:
    absorbance = liquids.absorbance[batch]
    for row, fault in enumerate(faults):
        if fault.blend_with is not None:
            other = liquids.absorbance[liquids.batch.index(fault.blend_with)]
            absorbance[row] += fault.blend_share * (other - absorbance[row])
        if fault.water:
            absorbance[row] *= 1.0 - fault.water
    return absorbance


def _sealed_dye() -> Floats:
    """Return the absorbance of 1 cm of the sealed control, about 25 EBC."""
    return np.exp(-(LIGHT_NM - 430.0) / 90.0) * np.exp(0.05 * smooth_modes(LIGHT_NM)[1])


def _daylight() -> Floats:
    return np.exp(-0.5 * ((LIGHT_NM - 560.0) / 130.0) ** 2)
