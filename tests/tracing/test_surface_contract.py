"""What every kind of mirror surface must keep to."""

import functools

import numpy as np
import pytest

from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.rig import Facet
from rigwarp.tracing.surfaces.bent_panel import bent_panel
from rigwarp.tracing.surfaces.conic import ConicSurface
from rigwarp.tracing.surfaces.height_field import SplineSurface, fit_height
from rigwarp.tracing.surfaces.outline import Outline
from rigwarp.tracing.surfaces.panel import flat_panel
from rigwarp.tracing.surfaces.profile import profile_surfaces
from rigwarp.tracing.surfaces.surface import FiguredSurface, meet_surface, unit_normals

_CORNERS = np.array([[-30.0, -20.0, 0.0], [30.0, -20.0, 0.0], [30.0, 20.0, 0.0], [-30.0, 20.0, 0.0]])


def _conic(k=-2.25, radius_mm=-100.0):
    return ConicSurface(radius_mm=radius_mm, conic_constant=k, coefficients_mm=(1e-7,), aperture_mm=(2.0, 30.0))


def _profile():
    r = np.linspace(0.0, 30.0, 61)
    return profile_surfaces(np.stack([r, r**2 / 180.0], axis=-1), file="p.csv")[0]


@functools.cache
def _spline():
    x, y = np.meshgrid(np.linspace(-30, 30, 41), np.linspace(-20, 20, 31))
    points = np.stack([x.ravel(), y.ravel(), (x**2 / 200 + y**2 / 300 + x**3 / 1e5).ravel()], axis=-1)
    outline = Outline.from_corners(_CORNERS[:, :2])
    return SplineSurface(zone=0, name="s", T_mirror_from_surface=np.eye(4), fit=fit_height(points), outline=outline)


def _bent(radius_mm):
    x = _CORNERS[:, 0]
    corners = _CORNERS + np.stack([0 * x, 0 * x, radius_mm - np.sign(radius_mm) * np.sqrt(radius_mm**2 - x**2)], -1)
    return bent_panel(Facet(corners_mm=corners, bend_radius_mm=radius_mm, bend_axis=np.array([0.0, 1.0, 0.0])), zone=0)


def _figured():
    figure = HeightSpline.over(((-35.0, 35.0), (-35.0, 35.0)), cells=(6, 6))
    bumps = np.random.default_rng(4).normal(0.0, 0.01, figure.coefficients_mm.shape)
    return FiguredSurface(base=_conic(0.0, 100.0), figure=figure.with_coefficients(bumps))


_SURFACES = {
    "hyperboloid": _conic,
    "sphere": lambda: _conic(0.0, 100.0),
    "oblate": lambda: _conic(0.5, 100.0),
    "profile": _profile,
    "spline": _spline,
    "flat": lambda: flat_panel(Facet(corners_mm=_CORNERS, bend_radius_mm=None, bend_axis=None), zone=0),
    "cylinder": lambda: _bent(150.0),
    "cylinder, other way": lambda: _bent(-150.0),
    "with figure": _figured,
}


@pytest.fixture(params=_SURFACES)
def surface(request):
    return _SURFACES[request.param]()


@pytest.fixture
def aperture_points(surface, rng):
    (x0, x1), (y0, y1) = surface.bounds_mm
    x, y = rng.uniform(x0, x1, 2000), rng.uniform(y0, y1, 2000)
    inside = surface.inside(x, y)
    assert inside.sum() > 500
    return x[inside], y[inside]


def test_gradient_is_the_derivative_of_sag(surface, aperture_points):
    x, y = aperture_points
    h = 1e-4  # mm: truncation h^2 z''' / 6 and rounding 1e-15 * z / h both stay below 1e-10
    along_x = (surface.sag(x + h, y) - surface.sag(x - h, y)) / (2 * h)
    along_y = (surface.sag(x, y + h) - surface.sag(x, y - h)) / (2 * h)
    assert surface.gradient(x, y) == pytest.approx(np.stack([along_x, along_y], axis=-1), abs=1e-9)


def test_normals_are_unit_vectors_across_the_slopes(surface, aperture_points):
    x, y = aperture_points
    normal = unit_normals(surface, x, y)
    assert np.linalg.norm(normal, axis=-1) == pytest.approx(1.0, abs=1e-14)
    slope = surface.gradient(x, y)
    tangent = np.stack([np.ones_like(x), np.zeros_like(x), slope[:, 0]], axis=-1)
    assert np.sum(normal * tangent, axis=-1) == pytest.approx(0.0, abs=1e-13)


def test_rays_meet_the_surface_where_it_is(surface, aperture_points):
    """Aim rays at known points: the meeting must be that point."""
    x, y = aperture_points
    T = surface.T_mirror_from_surface
    target = np.stack([x, y, surface.sag(x, y)], axis=-1) @ T[:3, :3].T + T[:3, 3]
    origin = np.array([5.0, -8.0, -90.0])
    rays = target - origin
    distance = np.linalg.norm(rays, axis=-1)
    met = meet_surface(surface, origin, rays / distance[:, None], extended=False)
    assert met.distance_mm == pytest.approx(distance, abs=1e-9)
    assert met.point_mm == pytest.approx(target, abs=1e-9)
    assert np.all(np.sum(met.normal * rays, axis=-1) < 0.0)


def test_aperture_agrees_with_its_distance_bounds_and_rim(surface, rng):
    (x0, x1), (y0, y1) = surface.bounds_mm
    x, y = rng.uniform(x0 - 10, x1 + 10, 3000), rng.uniform(y0 - 10, y1 + 10, 3000)
    inside, outside = surface.inside(x, y), surface.outside_mm(x, y)
    assert np.array_equal(inside, outside == 0.0)
    beyond = np.maximum(np.maximum(x0 - x, x - x1), np.maximum(y0 - y, y - y1))
    assert np.all(outside >= beyond - 1e-12)
    rim = surface.rim_points(1.0)
    nearest = np.min(np.linalg.norm(rim[:, None] - np.stack([x, y], axis=-1)[None], axis=-1), axis=0)
    assert np.all(nearest[~inside] >= outside[~inside] - 1e-9)
    assert np.all(nearest[~inside] <= outside[~inside] + 0.6)  # rim points are 1 mm apart: at most half of it sideways


def test_nan_in_gives_nan_out(surface):
    nan = np.array([np.nan])
    assert np.isnan(surface.sag(nan, nan)).all()
    assert np.isnan(surface.gradient(nan, nan)).all()
    assert not surface.inside(nan, nan).any()


def test_it_goes_on_smoothly_past_the_rim(surface, aperture_points):
    """Half a millimetre beyond the aperture the continuation must not run away: needed by interpolation at the rim."""
    x, y = aperture_points
    rim = surface.rim_points(2.0)
    beyond = rim + 0.5 * rim / np.maximum(np.linalg.norm(rim, axis=-1, keepdims=True), 1e-9)
    step = surface.sag(*beyond.T) - surface.sag(*rim.T)
    steepest = np.linalg.norm(surface.gradient(x, y), axis=-1).max()
    assert np.abs(step).max() < 0.5 * (1.5 * steepest + 0.05)
