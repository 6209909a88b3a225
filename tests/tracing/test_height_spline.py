"""The tensor-product height spline against SciPy's own B-splines."""

import numpy as np
import pytest
from scipy.interpolate import BSpline

from rigwarp.geometry.height_spline import HeightSpline


@pytest.fixture(params=[3, 5])
def spline(request, rng):
    flat = HeightSpline.over(((-10.0, 20.0), (5.0, 11.0)), cells=(7, 5), degree=request.param)
    return flat.with_coefficients(rng.normal(size=flat.coefficients_mm.shape))


@pytest.mark.parametrize("orders", [(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (3, 2)])
def test_values_and_derivatives_are_scipys(spline, rng, orders):
    x, y = rng.uniform(-10, 20, 500), rng.uniform(5, 11, 500)
    bases = []
    for knots, position, order in zip(spline.knots, (x, y), orders, strict=True):
        unit = BSpline(knots, np.eye(len(knots) - spline.degree - 1), spline.degree)
        bases.append(unit.derivative(order)(position) if order else unit(position))
    expected = np.einsum("ni,nj,ij->n", *bases, spline.coefficients_mm)
    found = spline.value(x, y, nux=orders[0], nuy=orders[1])
    assert found == pytest.approx(expected, abs=1e-12 * np.abs(expected).max() * 10)
    matrix = spline.design_matrix(x, y, nux=orders[0], nuy=orders[1])
    assert matrix @ spline.coefficients_mm.ravel() == pytest.approx(found, abs=1e-11 * np.abs(found).max())


def test_it_goes_on_with_its_border_curvature(spline):
    """Second-order Taylor continuation along x, in closed form."""
    y = np.full(3, 7.0)
    past = np.array([0.5, 2.0, 10.0])
    edge = np.full(3, 20.0)
    z, slope, bend = (spline.value(edge, y, nux=n) for n in range(3))
    assert spline.value(edge + past, y) == pytest.approx(z + slope * past + bend * past**2 / 2, rel=1e-12)
    assert spline.gradient(edge + past, y)[:, 0] == pytest.approx(slope + bend * past, rel=1e-12)


def test_normal_equations_are_those_of_the_design_matrix(spline, rng):
    x, y, z = rng.uniform(-10, 20, 300), rng.uniform(5, 11, 300), rng.normal(size=300)
    A = spline.design_matrix(x, y).toarray()
    matrix, right = spline.normal_equations(x, y, z)
    assert matrix == pytest.approx(A.T @ A, abs=1e-12)
    assert right == pytest.approx(A.T @ z, abs=1e-12)
    assert spline.right_hand_side(x, y, z) == pytest.approx(right, abs=1e-14)


def test_nan_points_give_nan(spline):
    assert np.isnan(spline.value(np.array([np.nan, 0.0]), np.array([6.0, np.nan]))).all()
