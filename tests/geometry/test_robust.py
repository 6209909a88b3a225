"""The robust fit against scipy's, and constants against the distributions they come from."""

import numpy as np
import pytest
from scipy import optimize, stats

from rigwarp.geometry.robust import (
    MEDIAN_LENGTH,
    MEDIAN_PAIR,
    SIGMA_PER_MEDIAN,
    chi_squared_limit,
    huber_cost,
    huber_weights,
    normal_prior,
    robust_least_squares,
    robust_sigma,
    sigma_per_axis,
)

X = np.linspace(0.0, 2.0, 40)
TRUE = np.array([1.5, -0.8])


def curve(p):
    return p[0] * np.exp(p[1] * X)


def derivatives(p):
    return np.stack([np.exp(p[1] * X), p[0] * X * np.exp(p[1] * X)], axis=-1)


@pytest.fixture
def measured():
    values = curve(TRUE) + np.random.default_rng(3).normal(scale=0.01, size=len(X))
    values[[4, 17, 30]] += [0.5, -0.8, 1.2]
    return values


def model_of(values):
    def model(p):
        return (values - curve(p))[:, None], lambda: derivatives(p)[:, None]

    return model


def fit(values, start=(1.0, 0.0), **options):
    return robust_least_squares(
        model_of(values),
        np.array(start),
        prior=normal_prior(np.zeros((2, 2))),
        **{"sigma": lambda _: 0.01, "limit": 2.0, "passes": 60, **options},
    )


def test_agrees_with_scipy_s_huber_loss(measured):
    reference = optimize.least_squares(
        lambda p: (curve(p) - measured) / 0.01,
        [1.0, 0.0],
        loss="huber",
        f_scale=2.0,
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
    )
    found = fit(measured)
    np.testing.assert_allclose(found.unknowns, reference.x, atol=1e-7)
    np.testing.assert_allclose(found.unknowns, TRUE, atol=0.02)
    misfit = np.abs(measured - curve(found.unknowns)) / 0.01
    assert huber_cost(misfit, 2.0) == pytest.approx(2.0 * reference.cost, rel=1e-9)  # scipy halves the sum


def test_a_missing_sample_does_not_count(measured):
    holed = measured.copy()
    holed[5] = np.nan
    model = model_of(measured)

    def without(p):
        residual, jacobian = model(p)
        return np.delete(residual, 5, axis=0), lambda: np.delete(jacobian(), 5, axis=0)

    alone = robust_least_squares(
        without, np.array([1.0, 0.0]), prior=normal_prior(np.zeros((2, 2))), sigma=lambda _: 0.01, limit=2.0, passes=60
    )
    np.testing.assert_allclose(fit(holed).unknowns, alone.unknowns, atol=1e-12)


def test_too_few_samples_leave_the_start_where_it_was(measured):
    holed = np.where(np.arange(len(X)) < 3, measured, np.nan)
    np.testing.assert_array_equal(fit(holed, fewest=4).unknowns, [1.0, 0.0])


def test_a_prior_alone_gives_its_own_covariance(measured):
    precision = np.array([[4.0, 1.0], [1.0, 9.0]])
    found = robust_least_squares(
        model_of(np.full(len(X), np.nan)),
        np.zeros(2),
        prior=normal_prior(precision),
        sigma=lambda _: 1.0,
        limit=2.0,
        passes=5,
    )
    np.testing.assert_allclose(found.covariance, np.linalg.inv(precision))


def test_all_samples_together_count_as_few(measured):
    """With a worth of 10 samples of 40 the covariance is four times as large."""
    plain, few = fit(measured), fit(measured, worth=10.0)
    np.testing.assert_allclose(few.covariance, 4.0 * plain.covariance, rtol=1e-6)


def test_a_step_that_spreads_the_residuals_is_halved():
    """A full Newton step of atan from 2 overshoots and runs away; halved steps arrive."""

    def model(p):
        return -np.arctan(p)[None], lambda: (1.0 / (1.0 + p**2))[None, None]

    options = {"prior": normal_prior(np.zeros((1, 1))), "limit": 1e9, "passes": 12}
    found = robust_least_squares(
        model, np.array([2.0]), sigma=lambda residual: float(np.abs(residual).max()) + 1e-12, tries=6, **options
    )
    assert abs(found.unknowns[0]) < 1e-6
    away = robust_least_squares(model, np.array([2.0]), sigma=lambda _: 1.0, **{**options, "passes": 3})
    assert abs(away.unknowns[0]) > 10.0


def test_weights_fall_as_one_over_the_misfit():
    np.testing.assert_allclose(huber_weights(np.array([0.0, 2.0, 4.0, 20.0]), 2.0), [1.0, 1.0, 0.5, 0.1])


def test_medians_of_normal_values():
    values = np.random.default_rng(1).normal(scale=3.0, size=(200_000, 2))
    assert robust_sigma(values[:, 0]) == pytest.approx(3.0, rel=0.01)
    assert sigma_per_axis(values) == pytest.approx(3.0, rel=0.01)
    assert pytest.approx(1.0 / stats.norm.ppf(0.75), rel=1e-12) == SIGMA_PER_MEDIAN
    assert pytest.approx(stats.rayleigh.median(), rel=1e-12) == MEDIAN_LENGTH
    assert pytest.approx(np.sqrt(stats.chi2.median(2) / 2.0), rel=1e-12) == MEDIAN_PAIR


@pytest.mark.parametrize("chance", [0.25, 1e-3, 1e-5])
def test_chi_squared_limit(chance):
    """Of two degrees of freedom in closed form; of one, a normal value's square."""
    assert chi_squared_limit(2, chance) == pytest.approx(-2.0 * np.log(chance))
    assert chi_squared_limit(1, chance) == pytest.approx(stats.norm.isf(chance / 2.0) ** 2)
