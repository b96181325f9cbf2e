import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from roomtune.advisor.least_squares import minimise, quadratic


def summed(model):
    """A model of residuals and their slopes as `minimise` wants it."""
    return lambda x, _: quadratic(*model(x))


def rosenbrock(x):
    residuals = np.array([10 * (x[1] - x[0] ** 2), 1 - x[0]])
    return residuals, np.array([[-20 * x[0], 10.0], [-1.0, 0.0]])


def test_finds_the_minimum_of_rosenbrocks_valley():
    found = minimise(
        summed(rosenbrock),
        np.array([-1.2, 1.0]),
        np.full(2, -5),
        np.full(2, 5),
        200,
        1e-14,
    )
    np.testing.assert_allclose(found.variables, [1, 1], atol=1e-6)


def test_stops_at_a_bound_as_scipy_does():
    lower, upper = np.array([-2.0, -2.0]), np.array([0.5, 2.0])
    found = minimise(summed(rosenbrock), np.array([-1.2, 1.0]), lower, upper, 200, 1e-14)
    oracle = least_squares(
        lambda x: rosenbrock(x)[0], [-1.2, 1.0], bounds=(lower, upper), xtol=1e-12, ftol=1e-12
    )
    assert found.cost <= oracle.cost * (1 + 1e-6)
    assert found.variables[0] == 0.5


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.integers(0, 10_000))
def test_bounded_linear_problems_equal_scipy(seed):
    # Oracle: scipy.optimize.lsq_linear
    from scipy.optimize import lsq_linear

    random = np.random.default_rng(seed)
    matrix, wanted = random.normal(size=(12, 5)), random.normal(size=12)
    lower, upper = np.full(5, -0.3), np.full(5, 0.3)
    found = minimise(
        lambda x, _: quadratic(matrix @ x - wanted, matrix), np.zeros(5), lower, upper, 300, 1e-15
    )
    oracle = lsq_linear(matrix, wanted, (lower, upper), tol=1e-14)
    assert found.cost <= oracle.cost + 1e-6
    assert np.all(found.variables >= lower)
    assert np.all(found.variables <= upper)


def test_never_ends_above_the_start():
    random = np.random.default_rng(3)
    for _ in range(20):
        matrix = random.normal(size=(6, 4))

        def bent(x, matrix=matrix):
            inner = matrix @ x
            return np.sin(inner) + 0.3 * inner, (np.cos(inner) + 0.3)[:, None] * matrix

        start = random.normal(size=4)
        first = 0.5 * float(np.sum(bent(start)[0] ** 2))
        assert minimise(summed(bent), start, np.full(4, -9), np.full(4, 9)).cost <= first
