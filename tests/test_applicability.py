"""`Applicability`: scikit-learn's contract, limits at their stated rate, reasons."""

import pytest
from sklearn.utils.estimator_checks import parametrize_with_checks

from specmatch.models.applicability import Applicability


# the checks fit without groups, on purpose: that warning is ignored here and nowhere else
@pytest.mark.filterwarnings("ignore::specmatch.errors.MissingGroupsWarning")
@parametrize_with_checks([Applicability()])
def test_keeps_the_estimator_contract(estimator, check):
    check(estimator)
