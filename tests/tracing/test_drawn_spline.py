"""Splines found again from vertices alone, drawn by SciPy through a grid of heights as CAD programs draw them."""

import numpy as np
import pytest
from scipy.interpolate import NdBSpline, RBFInterpolator, RectBivariateSpline
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


def _even():
    """FITPACK's bicubic interpolant of 13 x 10 heights: even knots, two of which at each end are left out."""
    return RectBivariateSpline(*_GRID, _wave(_GRID[0][:, None], _GRID[1]), kx=3, ky=3)


class _Uneven:
    """A bicubic spline on knots drawn at random, its poles on a wave at the means of their knots (Greville 1969)."""

    def __init__(self, rng):
        self._knots = [self._drawn(rng, half) for half in _HALF_MM]
        x, y = (np.array([k[i + 1 : i + 4].mean() for i in range(len(k) - 4)]) for k in self._knots)
        self._spline = NdBSpline(tuple(self._knots), _wave(x[:, None], y), 3)

    @staticmethod
    def _drawn(rng, half):
        while True:
            knots = np.sort(rng.uniform(-1.0, 1.0, rng.integers(2, 10)))
            if np.diff(knots, prepend=-1.0, append=1.0).min() > 0.06:
                return half * np.concatenate([[-1.05] * 4, knots, [1.05] * 4])

    @property
    def inner(self):
        return [k[4:-4] for k in self._knots]

    def ev(self, x, y, dx=0, dy=0):
        return self._spline(np.column_stack([x, y]), nu=(dx, dy))


@pytest.fixture(scope="module")
def drawn():
    return _even()


def _vertices(rng, height, count=1000, *, rounding_mm=None):
    places = rng.uniform(-1.0, 1.0, (count, 2)) * _HALF_MM
    points = np.column_stack([places, height(*places.T)])
    return (
        points.astype(np.float32).astype(float) if rounding_mm is None else rounding_mm * np.rint(points / rounding_mm)
    )


def _fit(points, *, rim=None, within_mm=_WITHIN_MM, rounding_mm=1e-7):
    rim = np.zeros(len(points), bool) if rim is None else rim
    return drawn_fit(points, rim, within_mm=within_mm, rounding_mm=rounding_mm)


def _off(rng, surface, drawn):
    """Errors of slopes at 500 places, and of what is stated there, rms."""
    asked = rng.uniform(-0.95, 0.95, (500, 2)) * _HALF_MM
    exact = np.stack([drawn.ev(*asked.T, dx=1), drawn.ev(*asked.T, dy=1)], axis=-1)
    return surface.spline.gradient(*asked.T) - exact, np.sqrt(np.mean(surface.uncertainty.at(*asked.T) ** 2))


@pytest.mark.parametrize("seed", range(6))
def test_uneven_knots_are_found_and_the_slopes_are_the_drawn_ones(seed):
    rng = np.random.default_rng([8, seed])
    drawn = _Uneven(rng)
    fit = _fit(_vertices(rng, drawn.ev, 1800))
    assert fit is not None
    for axis, wanted in zip(fit.spline.axes, drawn.inner, strict=True):
        apart = np.abs(axis.breaks[1:-1] - wanted[:, None]).min(axis=1)
        assert np.median(apart) < 0.01  # mm; one close to a rim is told by few vertices
    off, stated = _off(rng, fit, drawn)
    assert np.sqrt(np.mean(off**2)) < min(1.3 * stated, 2e-7)


def test_even_knots_are_found_far_better_than_an_interpolant_does(rng, drawn):
    points = _vertices(rng, drawn.ev)
    fit = _fit(points)
    assert fit is not None
    off, stated = _off(rng, fit, drawn)
    assert 0.1 < np.sqrt(np.mean(off**2)) / stated < 1.3
    assert np.abs(off).max() < 1e-6
    # SciPy's interpolant of the same vertices by the kernel r^5, at some places
    outside = RBFInterpolator(points[:, :2], points[:, 2], kernel="quintic", degree=2)
    asked, step = rng.uniform(-0.95, 0.95, (100, 2)) * _HALF_MM, np.array([0.05, 0.0])
    by_x = (outside(asked + step) - outside(asked - step)) / (2.0 * step[0])
    assert np.std(by_x - drawn.ev(*asked.T, dx=1)) > 100.0 * np.std(off[:, 0])


@pytest.mark.parametrize("rounding_mm", [1e-5, 1e-4])
def test_where_a_text_file_has_few_decimals_the_slopes_are_honest(rounding_mm):
    """More than the float's rounding is left, so that vertices kept out and neighbours have to judge."""
    shares = []
    for seed in range(5):
        rng = np.random.default_rng([9, seed])
        drawn = _Uneven(rng)
        if (fit := _fit(_vertices(rng, drawn.ev, 1800, rounding_mm=rounding_mm), within_mm=1.2e-4)) is not None:
            off, stated = _off(rng, fit, drawn)
            shares.append(np.sqrt(np.mean(off**2)) / stated)
    assert len(shares) > 2
    assert np.max(shares) < 1.8  # of a few knots each
    assert np.sqrt(np.mean(np.square(shares))) < 1.3


def test_corners_that_a_kernel_cut_off_the_face_move_nothing(rng, drawn):
    """Those of the rim lie on two faces to a tolerance of 0.00002 mm."""
    points, rim = _vertices(rng, drawn.ev, 1800), np.arange(1800) < 120
    points[:60, 0], points[60:120, 1] = np.sign(points[:60, 0]) * 60.0, np.sign(points[60:120, 1]) * 45.0
    points[rim, 2] = drawn.ev(*points[rim, :2].T) + rng.normal(0.0, 2e-5, 120)
    fit = _fit(points, rim=rim, within_mm=1.2e-4)
    assert fit is not None
    asked = rng.uniform(-0.85, 0.85, (300, 2)) * _HALF_MM
    exact = np.stack([drawn.ev(*asked.T, dx=1), drawn.ev(*asked.T, dy=1)], axis=-1)
    off, stated = fit.spline.gradient(*asked.T) - exact, fit.uncertainty.at(*asked.T)
    assert np.sqrt(np.mean(off**2)) < 1.3 * np.sqrt(np.mean(stated**2))
    assert np.sqrt(np.mean(off**2)) < 2e-7


def test_a_surface_that_was_not_drawn_so_is_left_alone(rng):
    """A wave as fine as the spacing of its vertices lies on no knots that they could tell."""
    points = _vertices(rng, lambda x, y: _wave(x, y) + 0.05 * np.sin(0.7 * x + 0.3 * y))
    assert _fit(points) is None


def test_a_bump_on_a_drawn_spline_is_not_ironed_out(rng, drawn):
    """Two micrometres high, on a hundredth of the vertices."""
    points = _vertices(rng, lambda x, y: drawn.ev(x, y) + _bump(x, y))
    assert _fit(points) is None


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
