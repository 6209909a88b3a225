"""Rational splines against a closed form and SciPy's own B-splines."""

import numpy as np
import pytest
from scipy.interpolate import BSpline

from rigwarp.geometry import Nurbs

_U = np.array([0, 0, 0, 0, 1, 2, 2, 3.5, 5, 5, 5, 5], float)  # one knot twice
_V = np.array([0, 0, 0, 0.5, 1, 1, 1], float)


@pytest.fixture
def surface():
    rng = np.random.default_rng(3)
    poles = rng.normal(size=(8, 4, 4))
    poles[..., 3] = rng.uniform(0.5, 2.0, (8, 4))
    return Nurbs(poles=poles, knots_u=_U, knots_v=_V)


def test_points_and_tangents_are_those_of_scipys_splines(surface):
    rng = np.random.default_rng(4)
    u, v = np.append(rng.uniform(0, 5, 50), [0, 2, 5]), np.append(rng.uniform(0, 1, 50), [1, 0.5, 0])
    bu, bv = BSpline(_U, np.eye(8), 3), BSpline(_V, np.eye(4), 2)
    whole, by_u, by_v = (
        np.einsum("ni,nj,ijc->nc", bu(u, nu=m), bv(v, nu=n), surface.poles) for m, n in ((0, 0), (1, 0), (0, 1))
    )
    point, along_u, along_v = surface.point_and_tangents(u, v)
    weight = whole[:, 3:]
    np.testing.assert_allclose(point, whole[:, :3] / weight, atol=1e-13)
    for found, d in ((along_u, by_u), (along_v, by_v)):  # the quotient rule
        quotient = (d[:, :3] * weight - whole[:, :3] * d[:, 3:]) / weight**2
        np.testing.assert_allclose(found, quotient, rtol=1e-9, atol=1e-9)


def test_a_quarter_of_a_cylinder_and_its_continuation():
    """A circle as Piegl and Tiller's example 7.1 has it: weights 1, 1, 2; poles (1, 0), (1, 1), (0, 1)."""
    arc = np.array([[1, 0, 1], [1, 1, 1], [0, 2, 2]], float)  # homogeneous x, y, w
    poles = np.stack([np.column_stack([arc[:, :2], h * arc[:, 2], arc[:, 2]]) for h in (0.0, 3.0)], axis=1)
    quarter = Nurbs(poles=poles, knots_u=np.array([0.0, 0, 0, 1, 1, 1]), knots_v=np.array([0.0, 0, 1, 1]))
    u = np.linspace(-0.1, 1.1, 41)
    point, by_u, _ = quarter.point_and_tangents(u, np.full(41, 0.25))
    np.testing.assert_allclose(np.hypot(*point[:, :2].T), 1.0, atol=1e-14)
    np.testing.assert_allclose(np.sum(point[:, :2] * by_u[:, :2], axis=1), 0.0, atol=1e-13)
    np.testing.assert_allclose(point[:, 2], 0.75, atol=1e-14)
    assert np.isnan(quarter.point_and_tangents(np.array([np.nan]), np.array([0.5]))[0]).all()
