"""Height fields on uneven knots against SciPy's own B-splines."""

import numpy as np
import pytest
from scipy.interpolate import NdBSpline

from rigwarp.geometry.knot_spline import KnotSpline, design_matrix
from rigwarp.geometry.nurbs import SplineAxis

_X = np.array([-3, -3, -3, -3, -1, 0.5, 0.6, 4, 4, 4, 4], float)
_Y = np.array([0, 0, 0, 0, 1, 1, 2, 2, 2, 2], float)  # one knot twice


@pytest.fixture
def splines():
    weights = np.random.default_rng(5).normal(size=(7, 6))
    ours = KnotSpline(axes=(SplineAxis.of(_X, 7), SplineAxis.of(_Y, 6)), coefficients_mm=weights)
    return ours, NdBSpline((_X, _Y), weights, 3)


def test_heights_slopes_and_basis_are_those_of_scipys_splines(splines):
    ours, theirs = splines
    rng = np.random.default_rng(6)
    x, y = rng.uniform(-3, 4, (4, 30)), rng.uniform(0, 2, (4, 30))
    at = np.stack([x, y], axis=-1)
    height, slope = ours.value_and_gradient(x, y)
    np.testing.assert_allclose(height, theirs(at), atol=1e-12)
    np.testing.assert_allclose(slope, np.stack([theirs(at, nu=(1, 0)), theirs(at, nu=(0, 1))], axis=-1), atol=1e-11)
    whole, by_x, by_y = (
        design_matrix(ours.axes, x.ravel(), y.ravel(), nux=nux, nuy=nuy) @ ours.coefficients_mm.ravel()
        for nux, nuy in ((0, 0), (1, 0), (0, 1))
    )
    np.testing.assert_allclose(whole, height.ravel(), atol=1e-12)
    np.testing.assert_allclose(np.stack([by_x, by_y], axis=-1), slope.reshape(-1, 2), atol=1e-11)
    assert np.isnan(ours.value(np.array([np.nan, 0.0]), np.array([1.0, np.nan]))).all()


def test_third_derivatives_jump_at_knots_as_scipys_do(splines):
    ours, theirs = splines
    jumps = ours.axes[0].jumps() @ ours.coefficients_mm
    for knot, jump in zip(_X[4:7], jumps, strict=True):
        sides = [theirs(np.array([[knot + d, 1.5]]), nu=(3, 0))[0] for d in (-1e-9, 1e-9)]
        across = KnotSpline(axes=ours.axes, coefficients_mm=np.tile(jump, (7, 1)))  # constant along x
        assert across.value(0.0, 1.5) == pytest.approx(sides[1] - sides[0], abs=1e-6 * np.abs(jumps).max())


def test_beyond_its_domain_it_goes_on_with_its_rims_curvature(splines):
    ours, _ = splines
    step = np.array([0.0, 0.1, 0.2, 0.3])
    second = np.diff(ours.value(4.0 + step, 1.2), n=2)
    assert second[0] == pytest.approx(second[1], rel=1e-9)
