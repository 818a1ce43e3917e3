"""The spectra of a set as pours, without holes, and the modules that they were measured on."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.array_types import Floats, Ints
from specmatch.batches import in_ebc
from specmatch.maths.optics.path_law import PathLaw
from specmatch.maths.spectra.channels import refuse_few_channels, usable_channels
from specmatch.maths.statistics.levels import Levels, mean_by
from specmatch.measurement.reflectance.path_length import TEACHES, SetDepth, bring_pours, depth_of_set, fillings


@dataclass(frozen=True)
class Pours:
    """Mean reflectance of every pour, and what it belongs to."""

    reflectance: Floats  # (n_pours, p)
    wavelength_nm: Floats  # (p,): the usable band
    pour_names: tuple[str, ...]
    sample_names: tuple[str, ...]
    batch_names: tuple[str, ...]
    beer_names: tuple[str, ...]
    levels: Levels
    path_law: PathLaw | None = None  # that brings them to one depth; None where no filling is stated
    # (n_pours,): the set's depth over theirs, logarithm
    log_factor: Floats = field(default_factory=lambda: np.zeros(0))

    def without(self, names: Collection[str]) -> "Pours":
        """Return the same pours without those named; a sample always keeps one."""
        named = np.array([name in names for name in self.pour_names])
        sample = self.levels.sample
        spared = np.bincount(sample[~named], minlength=len(self.sample_names))[sample] == 0
        kept = np.flatnonzero(~named | spared)
        return replace(
            self,
            reflectance=self.reflectance[kept],
            log_factor=self.log_factor[kept],
            pour_names=tuple(self.pour_names[row] for row in kept),
            levels=self.levels.part(kept),
        )

    def batch_means(self) -> Floats:
        """Return mean reflectance of each batch, shape (n_batches, p): over pours, then over samples."""
        return self.levels.mean(self.reflectance, to="batch")


def pours_of(
    spectra: pd.DataFrame,
    scans: pd.DataFrame,
    batches: pd.DataFrame,
    band_nm: tuple[float, float] | None,
    colour_unit: str = "EBC",
) -> Pours:
    """Average the scans of each pour, keep the usable band, and bring all to the set's depth."""
    # band_nm: recorded band; dead channels inside it, or the band itself where there is none, are found from the pours
    wavelength_nm = spectra.columns.to_numpy(dtype=np.float64)
    pour, pour_names = pd.factorize(scans["pour"])
    values = _mean_present(spectra.to_numpy(dtype=np.float64), pour)
    first = np.unique(pour, return_index=True)[1]
    sample, sample_names = pd.factorize(scans["sample"].to_numpy()[first])
    batch, batch_names = pd.factorize(scans["batch"].to_numpy()[first])
    beer, beer_names = pd.factorize(batches.loc[batch_names, "beer"])
    depth = depth_of_set(scans)
    factor = depth_factors(scans, depth, pour)
    band = band_at_one_depth(values, wavelength_nm, band_nm, sample, factor)
    reflectance, nm = _bridged(values[:, band], wavelength_nm[band]), wavelength_nm[band]
    refuse_few_channels(nm)
    kept, law = np.ones(len(pour_names), bool), None
    if depth is not None:
        lab = in_ebc(batches.loc[batch_names, "colour"].to_numpy(dtype=np.float64), colour_unit)
        one = bring_pours(reflectance, factor, batch.astype(np.int64), lab, nm)
        reflectance, kept, law = one.reflectance, one.kept, one.law
    samples, sample = np.unique(sample[kept], return_inverse=True)
    return Pours(
        reflectance=reflectance[kept],
        wavelength_nm=nm,
        pour_names=tuple(str(name) for name, one_of_them in zip(pour_names, kept, strict=True) if one_of_them),
        sample_names=tuple(str(sample_names[code]) for code in samples),
        batch_names=tuple(map(str, batch_names)),
        beer_names=tuple(map(str, beer_names)),
        levels=Levels.of_pours(sample, batch[kept], beer[batch[kept]]),
        path_law=law,
        log_factor=np.log(factor[kept]),
    )


def band_at_one_depth(
    reflectance: Floats, wavelength_nm: Floats, band_nm: tuple[float, float] | None, sample: Ints, factor: Floats
) -> Ints:
    """Return the usable channels as the pours near the set's depth show them."""
    # reflectance (n_pours, p), wavelength_nm (p,), sample (n_pours,), factor (n_pours,): the set's depth over theirs
    near = np.abs(np.log(factor)) <= TEACHES
    rows = near if near.any() else np.ones(near.size, bool)
    return usable_channels(reflectance[rows], wavelength_nm, band_nm, np.unique(sample[rows], return_inverse=True)[1])


def depth_factors(scans: pd.DataFrame, depth: SetDepth | None, pour: Ints) -> Floats:
    """Return the set's depth over that of each pour; those that cannot be told are left as they are."""
    # pour (n_scans,) -> (n_pours,)
    if depth is None:
        return np.ones(int(pour.max()) + 1)
    found = fillings(scans, depth)
    factor = np.where(np.isfinite(found.factor) & ~found.out_of_range, found.factor, 1.0)
    return mean_by(factor[:, None], pour)[0][:, 0]


def _mean_present(values: Floats, pour: Ints) -> Floats:
    """Average the scans of each pour channel by channel over those that are there."""
    present = np.isfinite(values)
    sums = np.zeros((pour.max() + 1, values.shape[1]))
    counts = np.zeros_like(sums)
    np.add.at(sums, pour, np.where(present, values, 0.0))
    np.add.at(counts, pour, present)
    return np.divide(sums, counts, out=np.full_like(sums, np.nan), where=counts > 0)


def _bridged(values: Floats, wavelength_nm: Floats) -> Floats:
    """Fill single missing channels from their neighbours; an audit judges pours, not channels."""
    for row in np.flatnonzero(np.isnan(values).any(axis=1)):
        there = np.isfinite(values[row])
        if there.any():
            values[row, ~there] = np.interp(wavelength_nm[~there], wavelength_nm[there], values[row, there])
        else:
            values[row] = 0.0
    return values


def sessions_of(scans: pd.DataFrame, batches: Sequence[str]) -> NDArray[np.object_]:
    """Return the session in which each batch was measured; "" where none is known, or where it was several."""
    if "session" not in scans.columns:
        return np.full(len(batches), "", dtype=object)
    pairs = scans[["batch", "session"]].dropna().drop_duplicates()
    only = pairs.drop_duplicates("batch", keep=False).set_index("batch")["session"]
    return only.reindex(list(batches)).fillna("").astype(str).to_numpy(dtype=object)


# Which modules a set holds: its own, and further ones that batches measured on both can teach.

# batches that two modules must both have measured, for the one to be taught by the other
FEWEST_SHARED = 3


def second_modules(scans: pd.DataFrame) -> tuple[str, ...]:
    """Return the modules of a set that batches measured on its main one as well can teach."""
    if "instrument" not in scans.columns or scans["instrument"].nunique() < 2:
        return ()
    batches = {str(name): set(own) for name, own in scans["batch"].groupby(_stated(scans), sort=True) if name}
    if len(batches) < 2:
        return ()
    main = max(batches, key=lambda name: len(batches[name]))
    return tuple(name for name in batches if name != main and len(batches[name] & batches[main]) >= FEWEST_SHARED)


def scans_of_module(scans: pd.DataFrame, module: str | None = None) -> pd.DataFrame:
    """Return the scans of one further module, or all but those of further modules."""
    seconds = second_modules(scans)
    if not seconds:
        return scans
    stated = _stated(scans)
    return scans[~stated.isin(seconds)] if module is None else scans[stated == module]


def _stated(scans: pd.DataFrame) -> pd.Series:
    return scans["instrument"].fillna("").astype(str).str.strip()
