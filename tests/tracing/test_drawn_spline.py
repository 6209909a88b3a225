"""Splines found again from vertices alone, drawn by SciPy through a grid of heights as CAD programs draw them."""

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator, RectBivariateSpline
from scipy.spatial import Delaunay
from scipy.spatial.transform import Rotation

from rigwarp.geometry import TriangleMesh
from rigwarp.tracing.cad.face_fit import patch_surface
from rigwarp.tracing.cad.patches import Patch
from rigwarp.tracing.surfaces.height_field import drawn_fit

_HALF_MM = np.array([60.0, 45.0])
_WITHIN_MM = 1e-5  # vertices were rounded to float32: 4e-6 mm at most
_GRID = [np.linspace(-h - 3.0, h + 3.0, n) for h, n in zip(_HALF_MM, (13, 10), strict=True)]


def _wave(x, y):
    return -(x**2 + y**2) / 1400.0 + 1.5 * np.sin(0.05 * x) * np.cos(0.05 * y)


def _bump(x, y):
    return 0.002 * np.exp(-((x - 20.0) ** 2 + y**2) / 18.0)


@pytest.fixture(scope="module")
def drawn():
    """FITPACK's bicubic interpolant of 13 x 10 heights: even knots, two of which at each end are left out."""
    return RectBivariateSpline(*_GRID, _wave(_GRID[0][:, None], _GRID[1]), kx=3, ky=3)


def _vertices(rng, height, count=1000):
    places = rng.uniform(-1.0, 1.0, (count, 2)) * _HALF_MM
    return np.column_stack([places, height(*places.T)]).astype(np.float32).astype(float)


def test_the_knots_are_found_and_the_slopes_are_the_drawn_ones(rng, drawn):
    points = _vertices(rng, drawn.ev)
    fit = drawn_fit(points, within_mm=_WITHIN_MM)
    assert fit is not None
    steps = np.array([along[1] - along[0] for along in _GRID])
    finer = steps / fit.spline.cell_mm
    np.testing.assert_allclose(finer, np.rint(finer), atol=1e-3)
    asked = rng.uniform(-0.95, 0.95, (500, 2)) * _HALF_MM
    exact = np.stack([drawn.ev(*asked.T, dx=1), drawn.ev(*asked.T, dy=1)], axis=-1)
    off = fit.spline.gradient(*asked.T) - exact
    stated = np.sqrt(np.mean(fit.uncertainty.at(*asked.T) ** 2))
    assert 0.2 < np.sqrt(np.mean(off**2)) / stated < 1.3
    assert np.abs(off).max() < 1e-6
    # SciPy's interpolant of the same vertices by the kernel r^5, at some of the places
    outside = RBFInterpolator(points[:, :2], points[:, 2], kernel="quintic", degree=2)
    step = np.array([0.05, 0.0])
    by_x = (outside(asked[:100] + step) - outside(asked[:100] - step)) / (2.0 * step[0])
    assert np.std(by_x - exact[:100, 0]) > 100.0 * np.std(off[:, 0])


def test_a_surface_that_was_not_drawn_so_is_left_alone(rng):
    """A wave as fine as the spacing of its vertices lies on no even knots."""
    points = _vertices(rng, lambda x, y: _wave(x, y) + 0.05 * np.sin(0.7 * x + 0.3 * y))
    assert drawn_fit(points, within_mm=_WITHIN_MM) is None


def test_a_bump_on_a_drawn_spline_is_not_ironed_out(rng, drawn):
    """Two micrometres high, on a hundredth of the vertices."""
    points = _vertices(rng, lambda x, y: drawn.ev(x, y) + _bump(x, y))
    assert drawn_fit(points, within_mm=_WITHIN_MM) is None


def test_the_knots_of_a_part_that_lies_turned_are_found_along_its_flat_sides(rng):
    """A front in few triangles with two of a block's sides, turned as in an assembly: heights between the vertices."""
    x, y = (np.linspace(-h - 3.0, h + 3.0, n) for h, n in zip(_HALF_MM, (8, 7), strict=True))
    drawn = RectBivariateSpline(x, y, _wave(x[:, None], y), kx=3, ky=3)
    grid = np.stack(np.meshgrid(*(np.linspace(-h, h, n) for h, n in zip(_HALF_MM, (23, 18), strict=True))), axis=-1)
    grid[1:-1, 1:-1] += rng.uniform(-0.8, 0.8, grid[1:-1, 1:-1].shape)
    places = grid.reshape(-1, 2)
    front = np.column_stack([places, drawn.ev(*places.T)])
    top = front[[0, 22, -1]] + [0.0, 0.0, 30.0]
    turn = Rotation.from_rotvec([0.4, -0.2, 0.6])
    vertices = turn.apply(np.concatenate([front, top])).astype(np.float32).astype(float)
    n, faces = len(front), Delaunay(places).simplices.astype(np.int64)
    sides = np.array([[0, 22, n + 1], [0, n + 1, n], [22, n - 1, n + 2], [22, n + 2, n + 1]])
    body = TriangleMesh(vertices_mm=vertices, faces=np.concatenate([faces, sides]))
    asked = rng.uniform(-0.9, 0.9, (300, 2)) * _HALF_MM
    exact = turn.apply(np.column_stack([asked, drawn.ev(*asked.T)]))
    surface = patch_surface(Patch.of(vertices, faces), zone=0, rounding_mm=2e-6, body=body)
    x, y, z = ((exact - surface.T_mirror_from_surface[:3, 3]) @ surface.T_mirror_from_surface[:3, :3]).T
    # interpolated, as it was before, it is off by 1e-5 mm
    assert np.sqrt(np.mean((surface.sag(x, y) - z) ** 2)) < 1e-6
