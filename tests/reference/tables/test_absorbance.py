"""Absorbance handed over as reflectance: refused where the colours of the batches give it away."""

import numpy as np
import pytest
from small_house import small_tables

from specmatch.errors import UnitError
from specmatch.reference.reference_set import ReferenceSet


def test_absorbance_taken_for_reflectance_is_refused():
    spectra, scans, batches = small_tables(4, 2, 2)
    absorbance = -np.log10(spectra.clip(lower=1e-4))
    with pytest.raises(UnitError, match="this is absorbance.*give quantity='absorbance'"):
        ReferenceSet(absorbance, scans, batches)
    stated = ReferenceSet(absorbance, scans, batches, quantity="absorbance")
    np.testing.assert_allclose(stated.spectra, spectra.clip(lower=1e-4), rtol=1e-12)  # one power and one logarithm
    # of another liquid nothing is known of what falls where
    ReferenceSet(absorbance, scans, batches, value_name="glucose", value_unit="g/L")


def test_absorbance_that_is_added_to_a_set_is_refused_as_of_a_new_one():
    spectra, scans, batches = small_tables(4, 4, 2)
    old = batches.index.str.endswith(("0", "1"))
    first, later = (scans.index[scans["batch"].isin(batches.index[part])] for part in (old, ~old))
    refs = ReferenceSet(spectra.loc[first], scans.loc[first], batches[old])
    absorbance = -np.log10(spectra.loc[later].clip(lower=1e-4))
    with pytest.raises(UnitError, match="this is absorbance"):
        refs.extend(absorbance, scans.loc[later], batches[~old], reason="June")
    assert len(refs.extend(spectra.loc[later], scans.loc[later], batches[~old], reason="June").batches) == 16
