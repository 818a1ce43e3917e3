"""scikit-learn's own checks of an estimator: some of each kind in every run, all of them with `--whole`."""

from typing import Any

import pytest
from sklearn.utils.estimator_checks import parametrize_with_checks

# settings, state, shapes, bad values, the same answer again
QUICK = {
    "check_estimator_cloneable", "check_get_params_invariance", "check_set_params", "check_no_attributes_set_in_init",
    "check_estimators_fit_returns_self", "check_dict_unchanged", "check_estimators_pickle",
    "check_n_features_in_after_fitting", "check_fit2d_1sample", "check_estimators_nan_inf",
    "check_methods_subset_invariance", "check_fit_idempotent",
}  # fmt: skip


def with_checks(*estimators: Any) -> pytest.MarkDecorator:
    """Return the mark that runs a test of `estimator` and `check` for each check of each estimator."""
    names, cases = (every := parametrize_with_checks(list(estimators))).args
    marked = [
        pytest.param(one, check, marks=() if getattr(check, "func", check).__name__ in QUICK else pytest.mark.whole)
        for one, check in cases
    ]
    return pytest.mark.parametrize(names, marked, **every.kwargs)
