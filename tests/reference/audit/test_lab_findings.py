"""Lab values that the spectra contradict: how sure the audit is, and what wrong ones do to the error of the others."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import ndtri
from small_house import small_tables

from specmatch.house.house_model import HouseModel
from specmatch.maths.regression.rows_and_responses import fit_error_model
from specmatch.reference.audit.batches import LabResiduals, _usual_error, lab_findings
from specmatch.reference.reference_set import ReferenceSet
from specmatch.reference.tables.pours import pours_of


def lab_of(residual, t):
    """A set of 108 batches of 12 beers whose errors are normal but for the last batch."""
    rest = ndtri((np.arange(107) + 0.5) / 107)
    n, whole, sd = 108, np.append(0.03 * rest, residual), np.append(np.full(107, 0.03), residual / t)
    read = np.full(n, np.log(30.0))
    lab = LabResiduals(np.arange(n), read + whole, whole, sd, np.zeros(n), np.abs(whole) <= 2.5 * sd, read)
    names = tuple(f"B{k}" for k in range(n))
    return SimpleNamespace(batch_names=names, levels=SimpleNamespace(beer=np.arange(n) % 12)), lab


@pytest.mark.parametrize(("residual", "t", "is_told"), [(0.15, 4.5, True), (-0.15, -4.5, True), (0.07, 4.5, False)])
def test_a_large_error_of_a_lab_is_told_earlier_than_a_small_one(residual, t, is_told):
    pours, lab = lab_of(residual, t)
    told = [one.subject for one in lab_findings(pours, lab, None, "EBC", "colour")]
    assert told == (["B107"] if is_told else [])


def test_a_wrong_value_of_a_dark_beer_makes_the_error_of_dark_beers_little_larger():
    colour, sizes = np.geomspace(5.0, 120.0, 60), []
    for seed in range(20):
        residual = 0.02 * np.random.default_rng(seed).standard_normal(60)
        residual[-3] = -0.25
        errors = _usual_error(residual, colour), fit_error_model(residual, colour)
        sizes.append([float(np.sqrt(error.relative_variance(colour[-1]))) for error in errors])
    usual, of_all = np.median(sizes, axis=0)
    # 0.02 was drawn; the dozen dark values beside it leave the one some weight
    assert usual < 0.035
    assert of_all > 0.045


def test_an_audit_knows_the_law_of_depth_that_a_fit_of_the_set_knows():
    spectra, scans, batches = small_tables()
    refs = ReferenceSet(spectra, scans.assign(fill_ml=10.0), batches, colour_unit="EBC")
    law = pours_of(refs.spectra, refs.scans, refs.batches, refs.band_nm).path_law
    own = HouseModel().fit(refs).fitted.path_law
    assert law is not None
    assert (law.taught_by, law.returned) == (own.taught_by, pytest.approx(own.returned, rel=1e-6))


def test_a_value_that_few_batches_can_be_read_for_is_held_against_its_beer_too():
    rng, n = np.random.default_rng(1), 108
    beer = np.arange(n) % 12
    brewed = np.log(np.geomspace(20.0, 140.0, 12))[beer] + 0.03 * rng.standard_normal(n)
    value, read = brewed + 0.015 * rng.standard_normal(n), brewed + 0.07 * rng.standard_normal(n)
    value[0] += np.log(1.15) + brewed[0] - value[0]
    residual, sd = value - read, np.full(n, 0.07)
    lab = LabResiduals(np.arange(n), value, residual, sd, np.zeros(n), np.abs(residual) <= 2.5 * sd, read)
    pours = SimpleNamespace(batch_names=tuple(f"B{k}" for k in range(n)), levels=SimpleNamespace(beer=beer))
    # by its reading alone nothing could be said
    assert abs(lab.t[0]) < 3.0
    assert [one.subject for one in lab_findings(pours, lab, None, "EBC", "colour")] == ["B0"]
