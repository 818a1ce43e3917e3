"""Findings about batches: a label that does not fit, lab values that the spectra contradict, or in another unit."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr, stdtr

from specmatch.array_types import Floats, Ints, Mask
from specmatch.batches import values_of
from specmatch.colour import ebc_from_srm
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
# So much of the least variance of a value about its reading is the lab's (tuning: a third or two thirds find as many).
LAB_PART = 0.5
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
# A lab is judged from so many batches; two labs are told apart at this two-sided level.
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
    # log_lab, residual, sd: (m,): log lab colour; it less the held-out log colour; the expected size of that
    log_lab: Floats
    residual: Floats
    sd: Floats
    of_lab: Floats  # (m,): by how much its lab reads above the others, which is in neither residual nor t
    core: Mask  # (m,): lab values that the others were judged by
    # (n_batches,): log colour read from the spectra of every batch, by a regression without it where it has a lab
    # colour
    log_read: Floats

    @property
    def t(self) -> Floats:
        """Residuals over their expected size, (m,)."""
        return self.residual / self.sd


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
    residual, sd, of_lab = np.zeros(rows.size), np.ones(rows.size), np.zeros(rows.size)
    who = LabValues(tuple(str(name) for name in labs[rows]), np.zeros(rows.size))
    for limit in LAB_CORE_LIMITS:
        used = core[position[batch]] & (position[batch] >= 0)
        fit = fit_colour(
            pours.reflectance[used],
            lab_colour[batch[used]],
            pours.levels.part(used),
            wavelength_nm=pours.wavelength_nm,
            regressions=regressions,
            values=who.part(core),
        )
        of_lab = fit.labs.of(who.labs) if fit.labs is not None and fit.labs.labs else np.zeros(rows.size)
        log_read = np.log(fit.predict(means))
        # `held_out_colour` is in the order of batch codes, and so are the rows of the core
        log_read[rows[core]] = np.log(fit.held_out_colour)
        residual = np.log(colour) - of_lab - log_read[rows]
        error = fit.error if limit == LAB_CORE_LIMITS[0] else _usual_error(residual[core], colour[core])
        sd = np.sqrt(error.relative_variance(colour))
        sd *= max(_spread((residual / sd)[core]), 1e-9)
        now = np.abs(residual) <= limit * sd
        if (now == core).all() or now.sum() < FEWEST_LAB_VALUES:
            break
        core = now
    return LabResiduals(rows, np.log(colour), residual, sd, of_lab, core, log_read)


def _spread(residual: Floats) -> float:
    """Return the standard deviation of normal residuals of which some may be wrong."""
    return float(np.median(np.abs(residual))) / 0.6745


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
    said, read = _about_its_beer(lab, pours.levels.beer[lab.rows])
    # the reading, and not the lab value, is what is unlike the other batches of the beer
    strange = np.abs(read) > STRANGER * np.abs(said)
    off, t = _off_by_both(lab, said, read)
    # a filling that slipped has a long tail, and so have small departures
    tail = np.where(np.abs(off) >= LARGE_DEPARTURE, ndtr(-np.abs(t)), stdtr(ERROR_TAIL, -np.abs(t)))
    p_value = 2.0 * np.where(strange, stdtr(SHORTEST_TAIL, -np.abs(t)), tail)
    # the reading says that something is off; that it is the scans, these must say themselves
    like = strange & (False if scored is None else scored.own_p_value[lab.rows] > SCANS_P)
    worth = (np.minimum(np.abs(lab.residual), np.abs(off)) > LEAST_DEPARTURE) & ~like
    told = worth & (p_value <= told_up_to(p_value[worth], p_value.size))
    for place, row in enumerate(lab.rows):
        if place in explained or not told[place]:
            continue
        batch, reads = pours.batch_names[row], np.exp(lab.log_lab[place] - lab.residual[place])
        sentence = (
            f"batch {batch} has {np.exp(lab.log_lab[place]):.3g} {unit} by the lab and reads {reads:.3g} by "
            f"a regression without it, {np.expm1(lab.residual[place]):+.0%} of {what}"
        )
        size = float(abs(t[place]))
        if strange[place]:
            yield found("odd scans", batch, size, said=sentence)
        else:
            yield found("lab value", batch, size, f"{reads:.3g} {unit}", said=sentence, what=what)


def _about_its_beer(lab: LabResiduals, beer: Ints) -> tuple[Floats, Floats]:
    """Return how far each lab value and each reading lies from the other batches of its beer, NaN of lone ones."""
    # beer (m,) -> (m,), (m,)
    said, read, usual = lab.log_lab - lab.of_lab, lab.log_read[lab.rows], np.full(beer.size, np.nan)
    for place, own in enumerate(beer):
        others = (beer == own) & lab.core
        others[place] = False
        if others.any():
            usual[place] = np.median(said[others] + read[others]) / 2.0
    return said - usual, read - usual


def _off_by_both(lab: LabResiduals, said: Floats, read: Floats) -> tuple[Floats, Floats]:
    """Return by how much each lab value is off what its reading and its beer say together, and t of that, (m,) each."""
    # the best guess of a batch lies between the two, weighed by their variances (linear regression on the reading)
    known = np.isfinite(said)
    of_lab = LAB_PART * float((lab.sd**2).min())
    of_reading = lab.sd**2 - of_lab
    # errors of value and reading are independent: what both share is what batches of a beer differ by
    shown = known & lab.core
    between = 0.0
    if shown.any():
        between = max((_spread((said + read)[shown]) ** 2 - _spread((said - read)[shown]) ** 2) / 4.0, 0.0)
    trust = np.where(known, between / (between + of_reading), 1.0)
    off = np.where(known, said - trust * read, lab.residual)
    t = off / np.sqrt(of_lab + trust * of_reading)
    return off, t / max(_spread(t[lab.core]), 1e-9)


def _swaps(pours: Pours, lab: LabResiduals) -> list[tuple[float, int, int]]:
    """Return pairs of one beer whose residuals would both vanish if their lab values changed places, best first."""
    pairs = []
    beer = pours.levels.beer[lab.rows]
    suspects = np.flatnonzero(np.abs(lab.t) > SUSPECT_LIMIT)
    for at, one in enumerate(suspects):
        for two in suspects[at + 1 :]:
            apart = lab.log_lab[one] - lab.log_lab[two]
            if beer[one] != beer[two] or abs(apart) < LEAST_DEPARTURE:
                continue
            after_one, after_two = (lab.residual[one] - apart) / lab.sd[one], (lab.residual[two] + apart) / lab.sd[two]
            gain = lab.t[one] ** 2 + lab.t[two] ** 2 - after_one**2 - after_two**2
            if gain > SWAP_GAIN and max(abs(after_one), abs(after_two)) < SWAPPED_LIMIT:
                pairs.append((float(gain), int(one), int(two)))
    return sorted(pairs, reverse=True)


def lab_bias_findings(lab: LabResiduals, labs: NDArray[np.str_], what: str) -> Iterator[Finding]:
    """Yield `lab_bias` for labs (or methods) whose values lie off those of the most frequent one: one for each lab."""
    # labs (n_batches,)
    names, codes, counts = np.unique(labs[lab.rows][lab.core], return_inverse=True, return_counts=True)
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


# Lab colours in the other unit than is said: a factor of 1.97 between EBC and SRM, held against the spectra.

# EBC is 1.97 SRM (ASBC Beer-10 and EBC 9.6, factor 25 over 12.7): on a log scale a shift that no beer's scatter has
LOG_FACTOR = float(np.log(ebc_from_srm(1.0)))
# EBC 9.6: colour is 25 times the absorbance of 1 cm at 430 nm
EBC_OF_A430 = 25.0
# bands whose absorbance tells colour to 3-13 % over the tuning houses, nm; the first starts where there is light
_BLUE_NM, _BLUE_WIDTH_NM, _OTHERS_NM = 430.0, 15.0, ((500.0, 540.0), (600.0, 640.0))
# the shift must stand so many scatters out, and a batch that far from where it stands and near where it would
LARGEST_SCATTER, LEAST_T, FITTING_T = LOG_FACTOR / 5.0, 4.5, 3.0
FEWEST = 12
# the part of who is off that the bands do not tell: a line that bends at one end of the colours looks like a factor
LEAST_APART = 0.5
# a lab is named as a whole where nearly all of its batches are off, and they are several
LAB_SHARE = 0.8
# lab colour over 25 A430 / path is 0.617 to 1.24 over the tuning houses, whose cups and bases differ
LOWEST_RATIO, HIGHEST_RATIO = 0.61, 1.5
# where absorbance is neither noise nor drowned in stray light
_TRUSTED_A = (0.15, 1.0)
FEWEST_FOR_DEPTH = 6
COMMON_FACTOR = (
    "fill_ml and cup_mm are not recorded (or no beer is pale enough), so a factor common to all lab colours, such as "
    "SRM said to be EBC, cannot be told"
)
_ITERATIONS, _STARTS = 30, 8


def unit_findings(
    pours: Pours, lab_colour: Floats, labs: NDArray[np.str_], scans: pd.DataFrame, colour_unit: str
) -> tuple[list[Finding], bool]:
    """Return `unit_doubtful` findings, and whether a factor common to the whole set could be told."""
    # lab_colour, labs (n_batches,)
    rows = np.flatnonzero(np.isfinite(lab_colour))
    names = np.array(pours.batch_names, dtype=object)
    absorbance = -np.log10(np.clip(pours.batch_means(), 1e-3, None))
    ratio = _absolute(pours, absorbance, lab_colour, scans, colour_unit)
    told = int(np.isfinite(ratio).sum()) >= FEWEST_FOR_DEPTH
    higher = np.zeros(lab_colour.size, dtype=bool)
    if rows.size >= FEWEST:
        design = _design(absorbance[rows], pours.wavelength_nm)
        higher[rows] = _split(design, np.log(lab_colour[rows]), pours.levels.beer[rows])
    other = "SRM" if colour_unit == "EBC" else "EBC"
    wrong = _wrong_group(higher, rows, ratio, told, colour_unit)
    if told and not wrong.any():
        level = float(np.nanmedian(ratio))
        if not LOWEST_RATIO <= level <= HIGHEST_RATIO:
            usual = {"lowest": LOWEST_RATIO, "highest": HIGHEST_RATIO}
            said = {"level": level, "n": int(np.isfinite(ratio).sum()), "other": other, "unit": colour_unit, **usual}
            return [found("unit of the set", "colour_unit", max(level, 1.0 / level), other, **said)], True
    return list(_of_batches(names, wrong, labs, rows, other, colour_unit)), told


def _design(absorbance: Floats, nm: Floats) -> Floats:
    start = max(_BLUE_NM, float(nm[0]))
    bands = [(start, start + _BLUE_WIDTH_NM), *_OTHERS_NM]
    inside = [(nm >= low) & (nm <= high) for low, high in bands]
    x = [np.log(np.clip(absorbance[:, where].mean(axis=1), 1e-3, None)) for where in inside if where.any()]
    return np.column_stack([np.ones(len(absorbance)), *x, x[0] ** 2])


def _split(design: Floats, log_colour: Floats, beer: NDArray[np.int64]) -> Mask:
    """Return which batches stand a factor of 1.97 above the others on the spectra; none where all are of one unit."""
    # design (m, k), log_colour (m,), beer (m,) -> (m,)
    m, k = design.shape
    nobody = np.zeros(m, dtype=bool)
    if m <= 2 * k:
        return nobody
    rng = np.random.default_rng(0)
    rest = log_colour - design[:, 1]
    gapped = nobody.copy()
    for code in np.unique(beer):
        own = beer == code
        if np.ptp(rest[own]) > 0.66 * LOG_FACTOR:
            gapped[own] = rest[own] > (rest[own].min() + rest[own].max()) / 2.0
    usual = _robust_residual(design, log_colour)
    starts: list[Mask] = [nobody, gapped, usual > LOG_FACTOR / 2.0, usual > -LOG_FACTOR / 2.0]
    starts += [np.asarray(rng.random(m) < 0.5) for _ in range(_STARTS)]
    higher, square = min((_settle(design, log_colour, start) for start in starts), key=lambda pair: pair[1])
    scatter = float(np.sqrt(square / (m - k)))
    if not higher.any() or higher.all() or scatter > LARGEST_SCATTER:
        return nobody
    side = higher.astype(np.float64)
    apart = side - design @ np.linalg.lstsq(design, side, rcond=None)[0]
    if float(apart @ apart) < LEAST_APART * side.sum() * (1.0 - side.mean()):
        return nobody
    residual = log_colour - design @ np.linalg.lstsq(design, log_colour - LOG_FACTOR * higher, rcond=None)[0]
    clear = np.where(higher, residual > LEAST_T * scatter, residual < LOG_FACTOR - LEAST_T * scatter)
    near = np.abs(residual - LOG_FACTOR * higher) < FITTING_T * scatter
    # a beer that stands off as a whole may be of another kind: only beers with batches on both sides show a unit
    both = np.array([0 < higher[beer == code].sum() < (beer == code).sum() for code in beer])
    if not both.any():
        return nobody
    fits, sides = clear & near, [both & side for side in (higher, ~higher)]
    # ... and a stray batch is off by some other factor, which the many on the other side must not cover
    return higher if fits[both].mean() > 0.9 and all(fits[side].mean() > 0.5 for side in sides) else nobody


def _robust_residual(design: Floats, log_colour: Floats) -> Floats:
    """Return residuals of a fit that few batches off the line do not bend (least absolute deviations, reweighted)."""
    weight = np.ones(len(log_colour))
    residual = log_colour
    for _ in range(_ITERATIONS):
        root = np.sqrt(weight)
        residual = log_colour - design @ np.linalg.lstsq(design * root[:, None], log_colour * root, rcond=None)[0]
        weight = 1.0 / np.maximum(np.abs(residual), 1e-3)
    return residual


def _settle(design: Floats, log_colour: Floats, higher: Mask) -> tuple[Mask, float]:
    """Take fit and sides in turn until they agree, from one start; return the sides and the sum of squares."""
    square = np.inf
    for _ in range(_ITERATIONS):
        residual = log_colour - design @ np.linalg.lstsq(design, log_colour - LOG_FACTOR * higher, rcond=None)[0]
        now = residual > LOG_FACTOR / 2.0
        square = float(np.sum((residual - LOG_FACTOR * now) ** 2))
        if (now == higher).all():
            break
        higher = now
    return higher, square


def _absolute(pours: Pours, absorbance: Floats, lab_colour: Floats, scans: pd.DataFrame, colour_unit: str) -> Floats:
    """Return lab colour over 25 times absorbance at 430 nm over the path, down and up through the beer."""
    nothing = np.full(lab_colour.size, np.nan)
    at = int(np.abs(pours.wavelength_nm - _BLUE_NM).argmin())
    if not {"fill_ml", "cup_mm"} <= set(scans.columns) or abs(pours.wavelength_nm[at] - _BLUE_NM) > 5.0:
        return nothing
    depth = 4.0 * scans["fill_ml"].astype(float) / (np.pi * (scans["cup_mm"].astype(float) / 10.0) ** 2)
    depth_cm = depth.groupby(scans["batch"]).mean().reindex(list(pours.batch_names)).to_numpy(dtype=float)
    a430 = absorbance[:, at]
    trusted = (a430 > _TRUSTED_A[0]) & (a430 < _TRUSTED_A[1]) & (depth_cm > 0)
    path = 2.0 * np.where(trusted, depth_cm, np.nan)
    in_ebc = lab_colour * (1.0 if colour_unit == "EBC" else np.exp(LOG_FACTOR))
    return np.where(trusted, in_ebc * path / (EBC_OF_A430 * np.where(trusted, a430, np.nan)), np.nan)


def _wrong_group(higher: Mask, rows: NDArray[np.int64], ratio: Floats, told: bool, colour_unit: str) -> Mask:
    """Return the batches that are in the other unit: by depth where known, else the fewer."""
    lower = np.zeros_like(higher)
    lower[rows] = ~higher[rows]
    if not higher.any():
        return higher
    if told and np.isfinite(ratio[higher]).any() and np.isfinite(ratio[lower]).any():
        level = [float(np.nanmedian(ratio[group])) for group in (lower, higher)]
        low_is_wrong = abs(np.log(level[0])) > abs(np.log(level[1]))
        many, usual = (lower if low_is_wrong else higher).sum(), level[0 if low_is_wrong else 1]
        # most of a set are not called wrong for a few: only by a depth that is not theirs
        if 2 * many > rows.size and LOWEST_RATIO <= usual <= HIGHEST_RATIO:
            low_is_wrong = not low_is_wrong
    elif lower.sum() != higher.sum():
        low_is_wrong = bool(lower.sum() < higher.sum())
    else:
        low_is_wrong = colour_unit == "EBC"
    return lower if low_is_wrong else higher


def _of_batches(
    names: NDArray[np.object_], wrong: Mask, labs: NDArray[np.str_], rows: NDArray[np.int64], off: str, unit: str
) -> Iterator[Finding]:
    if not wrong.any():
        return
    factor = float(np.exp(LOG_FACTOR))
    rest = wrong.copy()
    for lab in np.unique(labs[rows]):
        own = rows[labs[rows] == lab]
        if lab and own.size >= FEWEST_OF_A_LAB and wrong[own].mean() >= LAB_SHARE and not wrong[rows].all():
            rest[own] = False
            n_off = int(wrong[own].sum())
            of_lab = {"lab": lab, "n_off": n_off, "n": own.size, "factor": factor, "off": off, "unit": unit}
            yield found("unit of a lab", str(lab), factor, off, **of_lab)
    for row in np.flatnonzero(rest):
        batch = str(names[row])
        yield found("unit of a batch", batch, factor, off, batch=batch, factor=factor, off=off, unit=unit)
