import numpy as np
import pytest

from specmatch.errors import OptionError
from specmatch.maths.regression.lab_effects import (
    BETWEEN_LABS,
    LabEffects,
    design,
    extra_variance,
    fit_lab_effects,
    known_labs,
    with_extra,
)


def test_labs_with_batches_enough_are_told_apart_the_usual_one_first():
    labs = ["B"] * 3 + ["A"] * 5 + ["C"] * 2 + ["A + B", ""]
    assert known_labs(labs) == ("A", "B")
    assert known_labs(["A"] * 9) == () and known_labs(["A"] * 9 + ["B"] * 2) == ()
    got = design(["A", "B", "A + B", "", "C"], ("A", "B"))
    assert got.tolist() == [[1, 0], [0, 1], [0.5, 0.5], [0.5, 0.5], [0.5, 0.5]]


def test_effects_are_those_of_generalised_least_squares_drawn_to_nothing():
    rng = np.random.default_rng(1)
    n = 30
    root = rng.standard_normal((n, n)) / 4.0
    covariance = root @ root.T + 0.02**2 * np.eye(n) + 9.0
    labs = ["A" if i % 3 else "B" for i in range(n)]
    y = rng.multivariate_normal(np.zeros(n), covariance) + 0.05 * np.array([lab == "B" for lab in labs])
    got = fit_lab_effects(labs, y, np.linalg.inv(covariance))
    # the same by the covariance of a joint normal: the effect has a prior, responses follow from it
    x = np.array([lab == "B" for lab in labs], float)
    joint = covariance + BETWEEN_LABS**2 * np.outer(x, x)
    expected = BETWEEN_LABS**2 * x @ np.linalg.solve(joint, y)
    variance = BETWEEN_LABS**2 - BETWEEN_LABS**4 * x @ np.linalg.solve(joint, x)
    assert got.labs == ("A", "B")
    assert got.effect == pytest.approx([0.0, expected], rel=1e-6) and got.sd[1] == pytest.approx(np.sqrt(variance))
    assert got.of(["A", "B", "A + B"]) == pytest.approx([0.0, expected, expected / 2.0])


def test_a_lab_that_is_not_known_is_refused():
    effects = LabEffects(("A", "B"), np.array([0.0, 0.1]), np.array([0.0, 0.01]))
    assert effects.place("B") == 1
    with pytest.raises(OptionError, match="lab 'C' is not one that the model knows; it knows A, B"):
        effects.place("C")


def test_stated_scatter_weighs_a_value():
    colour, nothing = np.full(4, 10.0), np.full(4, np.nan)
    assert extra_variance(colour, nothing, nothing).tolist() == [0.0] * 4
    # two determinations halve the variance of the one that all share
    got = extra_variance(colour, np.full(4, 0.2), np.array([2.0, 2.0, 2.0, 8.0]))
    assert got == pytest.approx([0.0, 0.0, 0.0, 0.02**2 * (1 / 8 - 1 / 2)])
    # without a number the standard deviation is that of the value
    assert extra_variance(colour, np.array([0.1, 0.1, 0.1, 0.5]), nothing)[3] == pytest.approx(0.05**2 - 0.01**2)
    assert with_extra(np.ones(2), np.array([-0.9, 3.0])).tolist() == [0.25, 4.0]
    assert with_extra(np.ones(2), None).tolist() == [1.0, 1.0]
