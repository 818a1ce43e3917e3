"""`BeerMatcher`: scikit-learn's contract, tables by wavelength, batches as the unit."""

import pytest
from sklearn.utils.estimator_checks import parametrize_with_checks

from specmatch.models.beer_matcher import BeerMatcher


# the checks fit without groups, on purpose: that warning is ignored here and nowhere else
@pytest.mark.filterwarnings("ignore::specmatch.errors.MissingGroupsWarning")
@parametrize_with_checks([BeerMatcher()])
def test_keeps_the_estimator_contract(estimator, check):
    check(estimator)
