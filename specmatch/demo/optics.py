"""The invented spectrometer and cup: from the absorbance of a beer to detector counts.

Light of a white LED goes down through the beer, off a mirror-like base and back up; a surface gives glare, foam
covers part of the cup, haze sends light back before it reached the base. All figures are invented, of the size that
small spectrometers of this class have.
"""

from dataclasses import dataclass, field

import numpy as np

from specmatch.array_types import Floats

CUP_MM, FILL_ML = 40.0, 10.0
FULL_SCALE = 65535

# Light is traced on a grid finer than the slit and wider than the detector, so that the slit never meets its end.
LIGHT_NM: Floats = np.arange(310.0, 881.0, 2.0)


def depth_cm(fill_ml: float = FILL_ML, cup_mm: float = CUP_MM) -> float:
    """Return the depth of a filling in a round cup, in cm; light passes it twice."""
    # fill_ml: volume poured, in mL
    # cup_mm: inner diameter, in mm
    return fill_ml / (np.pi * (cup_mm / 20.0) ** 2)


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
        self,
        light: Floats,
        *,
        exposure: Floats,
        shift_nm: Floats,
        ceiling: Floats,
        dark_drift: Floats,
        rng: np.random.Generator,
    ) -> Floats:
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
