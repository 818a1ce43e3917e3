"""Which batches to send to the lab next, and what more batches of a beer would buy."""

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask, check_share, is_number
from specmatch.batches import must_be
from specmatch.errors import OptionError, TooFewBatchesError
from specmatch.long_jobs import counted_off, each_of, one_thread, step
from specmatch.maths.classification.beer_scatter import f_statistics
from specmatch.maths.classification.discriminant_space import project, select_space
from specmatch.maths.classification.left_out import JudgedBatches, judge_batches, one_sample_a_batch
from specmatch.maths.regression.colour_model import ColourModel, fit_colour, regressions_for
from specmatch.reference.tables.pours import FEWEST_SHARED, Pours, pours_of, scans_of_module
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet


METHODS = ("model", "kennard_stone")
# Components in which batches of beer differ; more of them would spread the choice over noise.
N_AXES = 6
# Variance of a lab value about a smooth function of the spectrum, over the variance of that function.
LAB_NOISE = 0.002
# A colour regression needs lab values on both sides of what it predicts: fewer tell nothing of a curve.
FEWEST_FOR_A_CURVE = 6


@one_thread()
def choose_batches(
    refs: "ReferenceSet", n: int = 10, *, method: str = "model", transfer: int | None = None
) -> pd.DataFrame:
    """Rank batches without a lab colour by how much their lab colour would tell, or name those to teach a module by.

    Parameters
    ----------
    refs : ReferenceSet
    n : int, default 10
        How many to choose; fewer are returned where fewer are left.
    method : {"model", "kennard_stone"}, default "model"
        `model` takes the batch whose lab value would lower the expected error over all batches of the set most;
        `kennard_stone` the batch farthest from all that are known.
    transfer : int, optional
        Instead choose so many batches, 3 or more, to measure on a second module (`HouseModel.transfer`): by Kennard and
        Stone, whatever has a lab colour.

    Returns
    -------
    DataFrame
        Index `batch`, in the order in which to measure: `beer`, `gain` (share of the remaining variance that it takes
        away, or distance to the nearest known batch), `method`.

    Raises
    ------
    OptionError
        If `n` is below 1, `transfer` below 3 or given beside another, or the method unknown.

    Notes
    -----
    R. W. Kennard, L. A. Stone, Technometrics 11:137-148, 1969. The model's choice is sequential integrated variance
    reduction under a Gaussian process with a linear and a smooth part on the main axes of log absorbance; on the demo
    brewery thirty such batches do as well as about forty-five taken at random.

    Examples
    --------
    >>> batches = refs.batches.copy()
    >>> batches.loc[["AL-0-002", "NP-0-001", "MP-0-003"], "colour"] = float("nan")  # the lab has not seen them yet
    >>> choose_batches(sm.ReferenceSet(refs.spectra, refs.scans, batches), 2).index.tolist()
    ['MP-0-003', 'NP-0-001']
    """
    must_be("set", refs)
    if not (is_number(n, whole=True) and n >= 1):
        raise OptionError(f"n is {n!r}; choose one batch or more")
    if method not in METHODS:
        raise OptionError(f"method is {method!r}; expected one of {', '.join(METHODS)}")
    if transfer is not None and (n != 10 or method != METHODS[0]):
        raise OptionError("transfer says how many itself, and takes those farthest apart; leave n and method out")
    if transfer is not None and not (is_number(transfer, whole=True) and transfer >= FEWEST_SHARED):
        raise OptionError(
            f"transfer is {transfer!r}; a second module needs {FEWEST_SHARED} shared batches at the least"
        )
    own = scans_of_module(refs.scans)  # another module's spectra lie elsewhere, whatever the beer
    pours = pours_of(refs.spectra.loc[own.index], own, refs.batches, refs.band_nm, refs.colour_unit)
    names = list(pours.batch_names)
    # on the main axes of the scale on which a model would tell beers apart
    samples, levels = one_sample_a_batch(pours.reflectance, pours.levels)
    points = project(select_space(samples, pours.reflectance, levels, n_components=N_AXES), samples).scores
    if transfer is not None:
        method, (order, gain) = METHODS[1], _kennard_stone(points, min(transfer, len(names)))
    else:
        known = refs.batches.loc[names, "colour"].notna().to_numpy()
        pick = _by_model if method == "model" else _by_distance
        order, gain = pick(points, known, min(n, int((~known).sum())))
    chosen = [names[row] for row in order]
    table = pd.DataFrame({"beer": refs.batches.loc[chosen, "beer"].to_numpy(), "gain": gain, "method": method})
    return table.set_axis(pd.Index(chosen, dtype=object, name="batch"), axis=0)


@one_thread()
def learning_curve(
    refs: "ReferenceSet", *, more: Sequence[int] = (5, 10), false_reject_rate: float = 0.05, n_jobs: int | None = None
) -> pd.DataFrame:
    """Estimate what more batches of each beer would buy.

    Parameters
    ----------
    refs : ReferenceSet
    more : sequence of int, default (5, 10)
        Batches to add to each beer, each number 1 or more.
    false_reject_rate : float, default 0.05
        In (0, 1).
    n_jobs : int, optional
        Processes, as joblib counts them; one by default.

    Returns
    -------
    DataFrame
        A row a beer and number of added batches, 0 first: `beer, more, n_batches, colour_error` (relative, root mean
        square), `false_reject`, `mix_ups_caught` (share of batches of `most_like`, claimed to be this beer, that would
        be held) and `most_like`. NaN where the set cannot tell.

    Raises
    ------
    TooFewBatchesError, OptionError
        If the set is too small; if a number of batches is not 1 or more, or the rate lies outside (0, 1).

    Notes
    -----
    Colour: the beer's batches are predicted with half and with all but one of its own, and the mean square error is
    carried on as a + b/n. Identity: distances of batches held out stay, while the beer's mean and the degrees of
    freedom of the scatter (an F-tail) grow.

    Examples
    --------
    >>> curve = learning_curve(refs, more=(5,))
    >>> curve.loc[curve["beer"] == "Night Porter", ["n_batches", "colour_error"]].round(3).values.tolist()
    [[6.0, 0.012], [11.0, 0.009]]
    """
    must_be("set", refs)
    if not (isinstance(more, Collection) and all(is_number(added, whole=True) and added >= 1 for added in more)):
        raise OptionError(f"more is {more!r}; expected numbers of batches, 1 or more each, such as (5, 10)")
    check_share(false_reject_rate, "false_reject_rate")
    pours = pours_of(refs.spectra, refs.scans, refs.batches, refs.band_nm, refs.colour_unit)
    judged = judge_batches(pours.reflectance, pours.levels)
    if judged is None:
        raise TooFewBatchesError(
            f"the set holds {counted(pours.levels.beer.size, 'batch')} of {counted(len(pours.beer_names), 'beer')}; a "
            "curve needs several of each"
        )
    lab = refs.batches.loc[list(pours.batch_names), "colour"].to_numpy(dtype=np.float64)
    rows, offered = [], regressions_for(refs.colour_unit)
    with_curve = [beer for beer in range(len(pours.beer_names)) if _has_curve(pours, lab, beer)]
    slopes: dict[int, tuple[float, float]] = {}
    if with_curve:
        step(f"estimating what more batches would buy, {counted(len(with_curve), 'beer')} one after the other")
        whole = _fit(pours, lab, np.flatnonzero(np.isfinite(lab)), offered)
        run = each_of(_colour_curve, ((pours, lab, beer, offered, whole) for beer in with_curve), n_jobs)
        slopes = dict(zip(with_curve, counted_off(run, "beers", len(with_curve)), strict=True))
    for beer, name in enumerate(pours.beer_names):
        n, slope = int((pours.levels.beer == beer).sum()), slopes.get(beer)
        for added in (0, *more):
            false_reject, caught, like = _identity(judged, beer, added, false_reject_rate)
            error = float(np.sqrt(max(slope[0] + slope[1] / (n + added), 0.0))) if slope else np.nan
            most_like = pours.beer_names[like] if like >= 0 else ""
            rows.append((name, added, n + added, error, false_reject, caught, most_like))
    columns = ["beer", "more", "n_batches", "colour_error", "false_reject", "mix_ups_caught", "most_like"]
    return pd.DataFrame(rows, columns=columns)


def _by_distance(points: Floats, known: Mask, n: int) -> tuple[list[int], list[float]]:
    """Take the point farthest from all taken so far; the first, where none is known, is farthest from the middle."""
    apart = np.linalg.norm(points[:, None, :] - points, axis=2)
    nearest = apart[:, known].min(axis=1) if known.any() else np.linalg.norm(points - points.mean(axis=0), axis=1)
    nearest[known] = -1.0
    order, gain = [], []
    for place in range(n):
        row = int(nearest.argmax())
        order.append(row)
        gain.append(float(nearest[row]))
        fresh = apart[:, row] if place == 0 and not known.any() else np.minimum(nearest, apart[:, row])
        nearest = np.where(nearest < 0, -1.0, fresh)
        nearest[row] = -1.0
    return order, gain


def _kennard_stone(points: Floats, n: int) -> tuple[list[int], list[float]]:
    """Take the two points farthest apart, then each time the one farthest from all taken."""
    apart = np.linalg.norm(points[:, None, :] - points, axis=2)
    first, second = (int(k) for k in np.unravel_index(int(apart.argmax()), apart.shape))
    order, gain = _by_distance(points, np.isin(np.arange(len(points)), [first, second]), n - 2)
    return [first, second, *order][:n], ([float(apart[first, second])] * 2 + gain)[:n]


def _by_model(points: Floats, known: Mask, n: int) -> tuple[list[int], list[float]]:
    """Take the point whose value would lower the mean variance over all points most, then the next."""
    scaled = points / (points.std(axis=0)[0] or 1.0)  # a single batch has no spread
    squared = ((scaled[:, None, :] - scaled) ** 2).sum(axis=2)
    reach = float(np.median(squared[squared > 0])) if (squared > 0).any() else 1.0
    covariance = 1.0 + scaled @ scaled.T + np.exp(-squared / reach)
    for labelled in np.flatnonzero(known):
        covariance = _given(covariance, int(labelled))
    order: list[int] = []
    gain: list[float] = []
    left = ~known
    for _ in range(n):
        drop = (covariance**2).sum(axis=1) / (np.diag(covariance) + LAB_NOISE)
        row = int(np.where(left, drop, -1.0).argmax())
        order.append(row)
        gain.append(float(drop[row] / max(float(np.trace(covariance)), 1e-12)))
        covariance = _given(covariance, row)
        left[row] = False
    return order, gain


def _given(covariance: Floats, row: int) -> Floats:
    """Return the covariance once the value at a row is known up to the lab's noise."""
    return covariance - np.outer(covariance[row], covariance[row]) / (covariance[row, row] + LAB_NOISE)


def _has_curve(pours: Pours, lab: Floats, beer: int) -> bool:
    """Return whether lab colours are enough for a beer's curve; of values of 0 or below no error is a part."""
    known = np.isfinite(lab)
    own = int((known & (pours.levels.beer == beer)).sum())
    return own >= FEWEST_FOR_A_CURVE and int(known.sum()) >= 2 * FEWEST_FOR_A_CURVE and bool(lab[known].min() > 0.0)


@one_thread()  # here as well, wherever the beer is fitted
def _colour_curve(
    pours: Pours, lab: Floats, beer: int, offered: tuple[str, ...], whole: ColourModel
) -> tuple[float, float]:
    """Return a and b of mean square log error = a + b/n, from half of the beer's batches and from all but one."""
    # whole: the fit on all batches with a lab colour
    known = np.flatnonzero(np.isfinite(lab))
    own = np.flatnonzero(pours.levels.beer[known] == beer)
    at_full = np.mean(np.log(whole.held_out_colour[own] / whole.lab_colour[own]) ** 2)
    halves = []
    for part in (0, 1):
        left = own[part::2]
        predicted = whole.colours_without(left)
        if predicted is None:
            fit = _fit(pours, lab, np.delete(known, left), offered)
            predicted = fit.predict(pours.batch_means()[known[left]])
        halves.append(np.mean(np.log(predicted / whole.lab_colour[left]) ** 2))
    few, many = own.size / 2.0, own.size - 1.0
    b = max((float(np.mean(halves)) - float(at_full)) / (1.0 / few - 1.0 / many), 0.0)
    return max(float(at_full) - b / many, 0.0), b


def _fit(pours: Pours, lab: Floats, rows: Ints, offered: tuple[str, ...]) -> ColourModel:
    batch = pours.levels.codes("batch")
    used = np.isin(batch, rows)
    return fit_colour(
        pours.reflectance[used], lab[batch[used]], pours.levels.part(used), wavelength_nm=pours.wavelength_nm,
        regressions=offered,
    )  # fmt: skip


def _identity(judged: JudgedBatches, beer: int, added: int, rate: float) -> tuple[float, float, int]:
    """Return false reject, share of the beer most like it that is held, and that beer, with `added` more batches."""
    model, n_beers = judged.model, judged.model.batches_per_beer.size
    n, n_axes = int(model.batches_per_beer[beer]), judged.scores.shape[1]
    own = judged.squared[judged.beer == beer, beer]
    own = own[np.isfinite(own)]
    if own.size == 0 or not model.judges:
        return np.nan, np.nan, -1

    def held(squared: Floats, batches_before: int) -> float:
        grown = squared * (1.0 + 1.0 / batches_before) / (1.0 + 1.0 / (n + added))
        far = f_statistics(grown, n_axes, model.metric.dof + added, model.scatter, np.full(grown.size, beer))
        return float(np.mean(model.tail.p_value(far.statistic, far.n_axes, far.dof) < rate))

    of_other = {other: judged.squared[judged.beer == other, beer] for other in range(n_beers) if other != beer}
    if not of_other:
        return held(own, max(n - 1, 1)), np.nan, -1
    like = min(of_other, key=lambda other: float(np.median(of_other[other])))
    return held(own, max(n - 1, 1)), held(of_other[like], n), like
