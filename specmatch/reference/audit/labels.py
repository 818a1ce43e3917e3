"""Findings about batches: a label that does not fit, and lab values that the spectra contradict."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtr

from specmatch.array_types import Floats, Ints, Mask
from specmatch.batches import values_of
from specmatch.maths.classification.left_out import SHORTEST_TAIL, JudgedBatches
from specmatch.maths.regression.colour_model import REGRESSIONS, fit_colour
from specmatch.maths.regression.lab_effects import LabValues
from specmatch.maths.regression.rows_and_responses import ErrorModel, fit_error_model
from specmatch.maths.statistics.levels import binomial_bounds, mean_by
from specmatch.reference.audit.finding import Finding, found, told_up_to
from specmatch.reference.tables.pours import Pours

# A label is doubted where few batches of its beer lie as far out, and some other beer it fits, by the odds of that beer
# against its own, more surely than labels are right: of a thousand batches one is mislabelled (a cautious guess) ...
FITTING_P, WRONG_LABELS = 0.01, 1e-3
# ... or where it fits none, when a clean set would hold it once in ten thousand by a tail that is not known so far out.
UNLIKE_ANY_RATE = 1e-4
# Lab values: the departure below which nobody would repeat a measurement, and from which a value would mislead whoever
# relies on it (a usual tolerance of a pale lager; common practice, no source): small ones are told where a long tail of
# errors does not reach, large ones where a normal one does not (tuning: 54 houses, docs/depth.md) ...
LEAST_DEPARTURE, LARGE_DEPARTURE = 0.05, 0.1
# ... and t of those that the others are judged by, round by round: wide, by an error that bears wrong values too,
# while these still pull the fit, so that two of them do not cast out the right ones of their beer, then narrow, so that
# they do not hide one another.
LAB_CORE_LIMITS = (3.2, 2.5, 2.5)
# The usual error is that under a t of so few degrees of freedom, or one wrong value of a dark beer would make errors of
# all dark beers large (tuning).
ERROR_TAIL, ERROR_ROUNDS = 4.0, 4
# Scans are what is odd only where so few batches of the beer are as far out.
SCANS_P = 0.01
# Two values were swapped when both are off by themselves and neither is once they change places.
SUSPECT_LIMIT, SWAP_GAIN, SWAPPED_LIMIT = 3.2, 15.0, 3.0
FEWEST_LAB_VALUES = 10
# A reading so many times as far from the other batches of its beer as the lab value is what is wrong, not the lab.
STRANGER = 1.5
# Two labs are compared from so many batches each, and told apart at this two-sided level.
FEWEST_OF_A_LAB, LAB_BIAS_P = 3, 0.001

# Labels or lab values that go with no spectrum were parted from their batches, as by sorting one column of a sheet: so
# few batches are nearest to their own beer, of three beers or more; or half of the readings miss by so much, and by so
# large a part of what values scatter (tuning: 28 clean houses have 0.86 or more, 0.03 or less and 0.07 or less).
NEAREST_TO_OWN, FEWEST_BEERS, FAR_OFF, OF_SCATTER = 0.6, 3, 0.1, 0.2


def label_findings(pours: Pours, scored: JudgedBatches) -> Iterator[Finding]:
    """Yield `mislabelled` for batches that are unlike their beer, with the beer that they fit, if any."""
    least_odds = scored.squared.shape[1] / WRONG_LABELS
    own = scored.own_p_value
    doubted = told_up_to(own, own.size)
    for row, beer in enumerate(scored.beer):
        squared, p_value = scored.squared[row], scored.p_value[row]
        if not p_value[beer] <= doubted:
            continue
        batch, label = pours.batch_names[row], pours.beer_names[beer]
        doubt = f"batch {batch} is labelled {label}, but {p_value[beer]:.1e} of {label} would lie as far out as it does"
        others = np.where(np.arange(squared.size) == beer, np.inf, squared)
        nearest = int(others.argmin())
        gain = float(squared[beer] - others[nearest])
        if p_value[nearest] > FITTING_P and scored.log_odds(row, nearest) > np.log(least_odds):
            fits = pours.beer_names[nearest]
            yield found("fits another", batch, gain, fits, doubt=doubt, p_value=p_value[nearest], fits=fits)
        elif p_value[beer] < UNLIKE_ANY_RATE / scored.beer.size:
            yield found("fits none", batch, float(squared[beer]), doubt=doubt)


@dataclass(frozen=True)
class LabResiduals:
    """What the spectra say of lab values, each judged by a regression without it."""

    rows: Ints  # (m,): batches that have a lab colour
    # log_lab, residual: (m,): log lab colour; it less the held-out log colour
    # t: (m,): the latter over its expected size
    log_lab: Floats
    residual: Floats
    t: Floats
    of_lab: Floats  # (m,): by how much its lab reads above the others, which is in neither residual nor t
    core: Mask  # (m,): lab values that the others were judged by
    # (n_batches,): log colour read from the spectra of every batch, by a regression without it where it has a lab
    # colour
    log_read: Floats


def lab_residuals(
    pours: Pours, lab_colour: Floats, labs: NDArray[np.str_], *, regressions: tuple[str, ...] = REGRESSIONS
) -> LabResiduals | None:
    """Hold each lab value against the colour that a regression without it reads from the spectra."""
    # lab_colour, labs (n_batches,)
    rows = np.flatnonzero(np.isfinite(lab_colour))
    colour = lab_colour[rows]
    # values of 0 or below have no logarithm to be judged by
    if rows.size < FEWEST_LAB_VALUES or colour.min() <= 0.0 or np.ptp(colour) < 1e-9 * colour.max():
        return None
    means, batch = pours.batch_means(), pours.levels.codes("batch")
    log_read = np.zeros(lab_colour.size)
    position = np.full(lab_colour.size, -1)
    position[rows] = np.arange(rows.size)
    core = np.ones(rows.size, dtype=bool)
    residual, t, of_lab = np.zeros(rows.size), np.zeros(rows.size), np.zeros(rows.size)
    who = tuple(str(name) for name in labs[rows])
    for limit in LAB_CORE_LIMITS:
        used = core[position[batch]] & (position[batch] >= 0)
        fit = fit_colour(
            pours.reflectance[used],
            lab_colour[batch[used]],
            pours.levels.part(used),
            wavelength_nm=pours.wavelength_nm,
            regressions=regressions,
            values=LabValues(
                tuple(name for name, one in zip(who, core, strict=True) if one), np.zeros(int(core.sum()))
            ),
        )
        of_lab = fit.labs.of(who) if fit.labs is not None and fit.labs.labs else np.zeros(rows.size)
        log_read = np.log(fit.predict(means))
        # `held_out_colour` is in the order of batch codes, and so are the rows of the core
        log_read[rows[core]] = np.log(fit.held_out_colour)
        residual = np.log(colour) - of_lab - log_read[rows]
        error = fit.error if limit == LAB_CORE_LIMITS[0] else _usual_error(residual[core], colour[core])
        t = residual / np.sqrt(error.relative_variance(colour))
        t /= max(float(np.median(np.abs(t[core]))) / 0.6745, 1e-9)
        now = np.abs(t) <= limit
        if (now == core).all() or now.sum() < FEWEST_LAB_VALUES:
            break
        core = now
    return LabResiduals(rows, np.log(colour), residual, t, of_lab, core, log_read)


def _usual_error(residual: Floats, colour: Floats) -> ErrorModel:
    """Fit the error model to relative residuals of which some may be wrong values, by expectation maximisation."""
    # residual, colour (m,)
    trust = np.ones(residual.size)
    for _ in range(ERROR_ROUNDS):
        error = fit_error_model(residual * np.sqrt(trust), colour)
        trust = (ERROR_TAIL + 1.0) / (ERROR_TAIL + residual**2 / error.relative_variance(colour))
    return error


def parted_labels(scored: JudgedBatches) -> Iterator[Finding]:
    """Yield one finding where the labels of a set do not go with its spectra."""
    n, n_beers = scored.squared.shape
    right = int((np.nan_to_num(scored.squared, nan=np.inf).argmin(axis=1) == scored.beer).sum())
    if n_beers >= FEWEST_BEERS and binomial_bounds(right, n)[1] < NEAREST_TO_OWN:
        yield found("labels parted", "beer", 1.0 - right / n, n=n, right=right)


def parted_lab_values(lab: LabResiduals, what: str) -> Iterator[Finding]:
    """Yield one finding where the lab values of a set do not go with its spectra."""
    off = float(np.median(np.abs(lab.residual)))
    spread = float(np.median(np.abs(lab.log_lab - np.median(lab.log_lab))))
    if off > max(FAR_OFF, OF_SCATTER * spread):
        yield found("lab values parted", "colour", off / spread, values=values_of(what), off=np.expm1(off))


def lab_findings(
    pours: Pours, lab: LabResiduals, scored: JudgedBatches | None, unit: str, what: str
) -> Iterator[Finding]:
    """Yield `swapped_lab_values`, `lab_value`, and `odd_pour` where it is the scans that are odd."""
    explained: set[int] = set()
    for gain, one, two in _swaps(pours, lab):
        if explained & {one, two}:
            continue
        explained |= {one, two}
        for here, there in ((one, two), (two, one)):
            batch, other = (pours.batch_names[lab.rows[place]] for place in (here, there))
            has, of_other = np.exp(lab.log_lab[[here, there]])
            reads = np.exp(lab.log_lab[here] - lab.residual[here])
            values = {"has": has, "reads": reads, "of_other": of_other, "unit": unit}
            yield found("swapped", batch, gain, other, batch=batch, other=other, **values)
    strange = _strange_spectrum(lab, pours.levels.beer[lab.rows])
    # a filling that slipped has a long tail, and so have small departures
    far = (np.abs(lab.residual) >= LARGE_DEPARTURE) & ~strange
    p_value = 2.0 * np.where(far, ndtr(-np.abs(lab.t)), stdtr(SHORTEST_TAIL, -np.abs(lab.t)))
    # the reading says that something is off; that it is the scans, these must say themselves
    like = strange & (False if scored is None else scored.own_p_value[lab.rows] > SCANS_P)
    worth = (np.abs(lab.residual) > LEAST_DEPARTURE) & ~like
    told = worth & (p_value <= told_up_to(p_value[worth], p_value.size))
    for place, row in enumerate(lab.rows):
        if place in explained or not told[place]:
            continue
        batch, read = pours.batch_names[row], np.exp(lab.log_lab[place] - lab.residual[place])
        said = (
            f"batch {batch} has {np.exp(lab.log_lab[place]):.3g} {unit} by the lab and reads {read:.3g} by "
            f"a regression without it, {np.expm1(lab.residual[place]):+.0%} of {what}"
        )
        size = float(abs(lab.t[place]))
        if strange[place]:
            yield found("odd scans", batch, size, said=said)
        else:
            yield found("lab value", batch, size, f"{read:.3g} {unit}", said=said, what=what)


def _strange_spectrum(lab: LabResiduals, beer: Ints) -> Mask:
    """Say where the reading, and not the lab value, is what is unlike the other batches of the beer, shape (m,)."""
    strange = np.zeros(beer.size, bool)
    for place, own in enumerate(beer):
        others = (beer == own) & lab.core
        others[place] = False
        if others.any():
            usual = float(np.median((lab.log_lab - lab.of_lab)[others]))
            read, said = lab.log_read[lab.rows[place]], lab.log_lab[place] - lab.of_lab[place]
            strange[place] = abs(read - usual) > STRANGER * abs(said - usual)
    return strange


def _swaps(pours: Pours, lab: LabResiduals) -> list[tuple[float, int, int]]:
    """Return pairs of one beer whose residuals would both vanish if their lab values changed places, best first."""
    size = np.abs(lab.residual) / np.maximum(np.abs(lab.t), 1e-9)
    pairs = []
    beer = pours.levels.beer[lab.rows]
    suspects = np.flatnonzero(np.abs(lab.t) > SUSPECT_LIMIT)
    for at, one in enumerate(suspects):
        for two in suspects[at + 1 :]:
            apart = lab.log_lab[one] - lab.log_lab[two]
            if beer[one] != beer[two] or abs(apart) < LEAST_DEPARTURE:
                continue
            after_one, after_two = (lab.residual[one] - apart) / size[one], (lab.residual[two] + apart) / size[two]
            gain = lab.t[one] ** 2 + lab.t[two] ** 2 - after_one**2 - after_two**2
            if gain > SWAP_GAIN and max(abs(after_one), abs(after_two)) < SWAPPED_LIMIT:
                pairs.append((float(gain), int(one), int(two)))
    return sorted(pairs, reverse=True)


def lab_bias_findings(lab: LabResiduals, labs: NDArray[np.str_], what: str) -> Iterator[Finding]:
    """Yield `lab_bias` for labs (or methods) whose values lie off those of the most frequent one: one for each lab."""
    # labs (n_batches,)
    who = labs[lab.rows][lab.core]
    names, codes, counts = np.unique(who, return_inverse=True, return_counts=True)
    large = [name for name in np.flatnonzero(counts >= FEWEST_OF_A_LAB) if names[name]]
    if len(large) < 2:
        return
    residual = (lab.residual + lab.of_lab)[lab.core]
    means, _ = mean_by(residual, codes)
    usual = max(large, key=lambda name: int(counts[name]))
    dof = residual.size - names.size
    variance = float(((residual - means[codes]) ** 2).sum() / max(dof, 1))
    for name in large:
        if name == usual or dof < 2:
            continue
        bias = float(means[name] - means[usual])
        t = abs(bias) / np.sqrt(variance * (1.0 / counts[name] + 1.0 / counts[usual]))
        if 2.0 * stdtr(dof, -t) < LAB_BIAS_P:
            yield found(
                "lab bias", str(names[name]), float(t), f"{np.expm1(-bias):+.1%}", lab=names[name], usual=names[usual],
                bias=np.expm1(bias), n=counts[name], n_usual=counts[usual], what=what, values=values_of(what),
            )  # fmt: skip
