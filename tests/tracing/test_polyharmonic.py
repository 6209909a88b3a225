"""The smoothest surface through few vertices, beside SciPy's interpolant by the same kernel, and its doubt."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline, RBFInterpolator, RegularGridInterpolator

from rigwarp.tracing.surfaces.height_field import fit_height, or_smoothest
from rigwarp.tracing.surfaces.polyharmonic import fit_scattered

_HALF_MM = np.array([60.0, 45.0])
_STEP_MM = 0.05
_KNOTS = np.arange(-70.0, 71.0, 10.0)
_SPLINE = CubicSpline(_KNOTS, 0.3 * np.sin(0.06 * _KNOTS))


def _height(p):
    """A bowl with waves along y and, along x, a cubic spline: its third derivative jumps every 10 mm."""
    return -np.sum(p**2, axis=1) / 1400.0 + 0.2 * np.cos(0.1 * p[:, 1]) + _SPLINE(p[:, 0])


def _slopes(height, p):
    steps = _STEP_MM * np.eye(2)
    return np.stack([(height(p + step) - height(p - step)) / (2 * _STEP_MM) for step in steps], axis=-1)


def _vertices(rng, spacing_mm):
    counts = np.round(2 * _HALF_MM / spacing_mm).astype(int) + 1
    x, y = np.meshgrid(*(np.linspace(-h, h, n) for h, n in zip(_HALF_MM, counts, strict=True)))
    places = np.stack([x.ravel(), y.ravel()], axis=-1) + rng.uniform(-0.25, 0.25, (x.size, 2)) * spacing_mm
    return np.column_stack([places, _height(places)]).astype(np.float32).astype(float)


@pytest.fixture
def asked(rng):
    return rng.uniform(-0.95, 0.95, (400, 2)) * _HALF_MM


def test_one_tile_is_scipys_interpolant(rng, asked):
    points = _vertices(rng, 6.0)
    assert len(points) < 400
    found = fit_scattered(points).spline
    outside = RBFInterpolator(points[:, :2], points[:, 2], kernel="quintic", degree=2)
    np.testing.assert_allclose(found.gradient(*asked.T), _slopes(outside, asked), atol=2e-5)


def test_the_stated_doubt_holds(rng, asked):
    found = fit_scattered(_vertices(rng, 4.0))
    off = np.sqrt(np.mean((found.spline.gradient(*asked.T) - _slopes(_height, asked)) ** 2))
    stated = np.sqrt(np.mean(RegularGridInterpolator(found.nodes_mm, found.slope_sigma)(asked) ** 2))
    assert 0.2 < off / stated < 1.3


@pytest.mark.parametrize("turn_rad", [0.0, 0.5])
@pytest.mark.parametrize(("lines", "along"), [(2, 100), (3, 300)])
def test_vertices_on_a_few_lines_are_left_to_the_spline_and_its_doubt(lines: int, along: int, turn_rad: float) -> None:
    x, y = np.meshgrid(np.linspace(-60.0, 60.0, lines), np.linspace(-40.0, 40.0, along))
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    p = np.stack([x.ravel(), y.ravel()], axis=-1) @ np.array([[c, s], [-s, c]])
    points = np.column_stack([p, _height(p)])
    fit = or_smoothest(fit_height(points), points)
    assert fit.too_few_points
    assert fit.uncertainty.usual > 1e-3
