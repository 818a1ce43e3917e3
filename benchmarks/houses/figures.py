"""What the library is worth in one house: colour, coverage, identity and audit, on batches it has not seen."""

import warnings
from collections import Counter

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.exceptions import ConvergenceWarning

import specmatch as sm
from benchmarks.houses.house import Draw, House, HouseSpec, log_bins
from benchmarks.houses.rivals import PlainPLS, ProcessOnScores, oracle_nearest

Floats = NDArray[np.float64]

NEW_BATCHES, FOREIGN, ORACLE_BATCHES, ORACLE_BINS = 240, 120, 200, 16
RATE = 0.05
# true of a set by how it was drawn, no false alarm: gaps between colours, beers of few batches or sessions
TRUE_OF_SMALL_SETS = frozenset({"colour_gap", "thin_beer", "few_sessions"})
HIGH_IS_BAD = ("error_percent", "error_over_pls", "error_over_process", "false_reject", "findings")
LOW_IS_BAD = ("coverage", "coverage_pale", "nearest_right", "nearest_less_oracle", "foreign_refused")


def _rms(relative: Floats) -> float:
    return float(np.sqrt(np.mean(relative**2)))


def _means(drawn: Draw, channels: NDArray[np.bool_]) -> Floats:
    """Mean reflectance of each batch in the order of the batches table."""
    table = drawn.spectra.loc[:, channels].groupby(drawn.scans["batch"], sort=False).mean()
    return table.loc[drawn.batches.index].to_numpy()


def _rivals(past: Draw, new: Draw, band: tuple[float, float]) -> dict[str, Floats]:
    """Colours of new batches by the rivals, in the band of the model that they are held against."""
    nm = past.spectra.columns.to_numpy(float)
    channels = (nm >= band[0]) & (nm <= band[1])
    code = {name: i for i, name in enumerate(past.batches.index)}
    lab = past.batches["colour"].to_numpy(float)
    pls = PlainPLS(past.spectra.loc[:, channels].to_numpy(), past.scans["batch"].map(code).to_numpy(), lab)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        process = ProcessOnScores(pls, _means(past, channels), lab)
    seen = _means(new, channels)
    return {"pls": pls.predict(seen), "process": process.predict(seen)}


def _colour(
    readings: pd.DataFrame, past: Draw, new: Draw, house: sm.HouseModel, bias: dict[str, float]
) -> dict[str, float]:
    """Return errors against what the lab of each batch would say without an error of its own, and coverage.

    Of two labs that differ nobody can know which is right; a reading is told which of them it stands for.
    """
    true = new.true_colour.to_numpy() * (1.0 + new.batches["lab"].map(bias).to_numpy(float))
    lab = new.batches["colour"].to_numpy(float)
    rivals = _rivals(past, new, (float(house.wavelengths_[0]), float(house.wavelengths_[-1])))
    error = _rms(readings["colour"].to_numpy(float) / true - 1.0)
    covered = (readings["colour_low"].to_numpy(float) <= lab) & (lab <= readings["colour_high"].to_numpy(float))
    return {
        "error_percent": 100.0 * error,
        "error_over_pls": error / _rms(rivals["pls"] / true - 1.0),
        "error_over_process": error / _rms(rivals["process"] / true - 1.0),
        "coverage": float(covered.mean()),
        "coverage_pale": float(covered[true <= np.quantile(true, 1.0 / 3.0)].mean()),
    }


def _identity(readings: pd.DataFrame, drawn: Draw, p: pd.DataFrame, house: House) -> dict[str, float]:
    beer = drawn.batches["beer"].to_numpy()
    moments = house.true_means_and_covariances(
        ORACLE_BATCHES, features=log_bins(drawn.spectra.columns.to_numpy(float), drawn.band_nm, ORACLE_BINS)
    )
    known = oracle_nearest(moments, moments.features(_means(drawn, np.ones(drawn.spectra.shape[1], bool))))
    right = float((readings["nearest_beer"].to_numpy() == beer).mean())
    own = p.to_numpy()[np.arange(beer.size), p.columns.get_indexer(beer)]
    return {
        "nearest_right": right,
        "nearest_less_oracle": right - float((np.array(moments.beers)[known] == beer).mean()),
        "false_reject": float((own <= RATE).mean()),
    }


def figures(spec: HouseSpec, seed: int) -> dict[str, object]:
    """Return the figures of one member and seed: draw 0 is learnt, 1 is new (sessions mix beers), 2 is foreign."""
    house = House(spec, seed)
    past = house.draw()
    new = house.draw(max(1, round(NEW_BATCHES / len(house.beers))), 1, single_session_per_beer=False)
    foreign = house.draw(FOREIGN, 2, foreign_over_colours=True)
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC", band_nm=past.band_nm)
    found = Counter(code for code in refs.audit()["code"] if code not in TRUE_OF_SMALL_SETS)
    model = sm.HouseModel(false_reject_rate=RATE).fit(refs)
    samples = [f"{name}-S1" for name in new.batches.index]
    bias = dict(spec.cellar.labs)
    labs = dict(zip(samples, new.batches["lab"], strict=True)) if len(bias) > 1 else None
    readings = model.read(new.spectra, scans=new.scans, lab=labs).loc[samples]
    p = model.p_values(new.spectra, scans=new.scans).loc[samples]
    refused = model.read(foreign.spectra, scans=foreign.scans)["plausible_beers"].map(len) == 0
    return {
        "member": spec.name,
        "seed": seed,
        "learnt": len(past.batches),
        "new": len(new.batches),
        "foreign": len(foreign.batches),
        **_colour(readings, past, new, model, bias),
        **_identity(readings, new, p, house),
        "foreign_refused": float(refused.mean()),
        "findings": sum(found.values()),
        "findings_by_code": dict(found),
    }
