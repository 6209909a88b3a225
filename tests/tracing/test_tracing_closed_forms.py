"""Tracing against closed forms; numbers of check_values.md §1 carry the section they come from."""

import numpy as np
import pytest

from rigwarp.geometry import reflect
from rigwarp.tracing import LightFate, build_model
from rigwarp.tracing.surfaces.conic import ConicSurface
from rigwarp.tracing.surfaces.outline import RoundAperture

_CLOSED_FORM_MM = 1e-9  # tolerance of check_values.md §8; the tables give eight decimals, half a unit of which is 5e-9
_PRINTED_MM = 6e-9


def _pixels_around_axis(model, *, radius_px):
    rng = np.random.default_rng(1)
    angle, radius = rng.uniform(0, 2 * np.pi, 200), radius_px * np.sqrt(rng.uniform(0, 1, 200))
    return model.projector.principal_px + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)


_SAG_AND_SLOPE = [
    (-4, 7.218416868655, 0.328797974611),
    (-2.25, 7.635609200827, 0.365148371670),
    (-1, 8.0, 0.4),
    (-0.5, 8.166739067491, 0.417028828114),
    (-0.25, 8.255579738042, 0.426401432711),
    (0, 8.348486100883, 0.436435780472),
    (0.5, 8.548014086124, 0.458831467741),
]

_PIXEL_TABLE = [
    (100, 0, (960, 360), (289.05489665, 0.45094368)),
    (100, 0, (1200, 600), (935.66400450, 401.47581281)),
    (-100, 0, (960, 360), (-47.83803748, -0.07463032)),
    (-100, 0, (1200, 600), (-82.98575443, -35.60762523)),
    (-100, -1, (1200, 600), (-68.98919791, -29.60196628)),
    (-100, -0.5, (1200, 600), (-75.67781910, -32.47192773)),
    (100, -2.25, (960, 360), (280.16597074, 0.43707640)),
    (100, -2.25, (1200, 600), (700.99874244, 300.78536585)),
]


@pytest.mark.parametrize(("k", "sag", "slope"), _SAG_AND_SLOPE)
def test_conic_sag_and_slope_are_those_of_section_1_1(k, sag, slope):
    surface = ConicSurface(radius_mm=100.0, conic_constant=k, coefficients_mm=(), aperture_mm=(0, 60))
    x, y = np.array(24.0), np.array(32.0)
    assert surface.sag(x, y) == pytest.approx(sag, abs=1e-12)
    assert surface.gradient(x, y) == pytest.approx(slope * np.array([0.6, 0.8]), abs=1e-12)


@pytest.mark.parametrize(("radius", "k", "pixel", "expected"), _PIXEL_TABLE)
def test_pixels_land_where_section_1_10_says(rig_around, conic_shape, radius, k, pixel, expected):
    """Cross-checked there with two optics libraries; the last two rows are the other-sheet trap."""
    model = build_model(rig_around(conic_shape(radius, k)), meshes={})
    assert model.trace(np.array(pixel)).table_mm == pytest.approx(np.array(expected), abs=_PRINTED_MM)


@pytest.mark.parametrize(
    ("radius", "pixel_radius", "rho"),
    [(100, 100, 79.720532925), (100, 320, 288.467654239), (-100, 100, -14.969245189), (-100, 320, -47.763879699)],
)
def test_coaxial_sphere_of_section_1_9(rig_around, conic_shape, radius, pixel_radius, rho):
    model = build_model(rig_around(conic_shape(radius)), meshes={})
    pixel = model.projector.principal_px + pixel_radius * np.array([np.cos(0.7), np.sin(0.7)])
    expected = rho * np.array([np.cos(0.7), np.sin(0.7)])
    assert model.trace(pixel).table_mm == pytest.approx(expected, abs=_CLOSED_FORM_MM)


@pytest.mark.parametrize("k", [-0.25, -0.5])
def test_ellipsoid_sends_light_from_one_focus_to_the_other(rig_around, conic_shape, k):
    """§1.4: foci at R/(1+e) and R/(1-e) from the vertex; the concave side faces the projector at the far focus."""
    e = np.sqrt(-k)
    near, far = 100 / (1 + e), 100 / (1 - e)
    rig = rig_around(conic_shape(-100.0, k, aperture_mm=(0, 55)), projector_mm=(0, 0, -far), table_mm=-near)
    model = build_model(rig, meshes={})
    trace = model.trace(_pixels_around_axis(model, radius_px=200))
    assert np.abs(trace.table_mm).max() < _CLOSED_FORM_MM
    lengths = [np.linalg.norm(trace.mirror_mm + np.array([0, 0, focus]), axis=1) for focus in (near, far)]
    assert sum(lengths) == pytest.approx(2 * 100 / (1 - e**2), abs=_CLOSED_FORM_MM)


@pytest.mark.parametrize("k", [-2.25, -4.0])
def test_hyperboloid_light_leaves_as_if_from_the_other_focus(rig_around, conic_shape, k):
    """§1.4: the projector in the far focus (convex side), reflected light seems to come from the near one."""
    e = np.sqrt(-k)
    model = build_model(rig_around(conic_shape(100.0, k), projector_mm=(0, 0, 100 / (1 - e))), meshes={})
    trace = model.trace(_pixels_around_axis(model, radius_px=200))
    virtual = np.array([0, 0, 100 / (1 + e)])
    landed = np.column_stack([trace.table_mm, np.full(len(trace.table_mm), -400.0)])
    offside = np.cross(landed - virtual, trace.mirror_mm - virtual)
    assert np.abs(offside).max() / 400 < _CLOSED_FORM_MM * 10  # distances of up to 1000 mm multiply the rounding


def test_law_of_reflection_on_a_tilted_asphere(rig_around, conic_shape):
    """Equal angles, one plane: independent of how the point was found."""
    shape = conic_shape(120.0, -0.7, coefficients_mm=(2e-7, -1e-11))
    model = build_model(rig_around(shape), meshes={}).moved(
        np.array([3.0, -5.0, 1.0]),
        np.array([0.02, -0.03, 0.1]),
        np.array([1.0, 2.0, -4.0]),
        np.array([-0.05, 0.08, 0.3]),
    )
    pixels = np.random.default_rng(3).uniform(100, 700, (300, 2))
    trace = model.trace(pixels)
    lit = trace.reason == LightFate.LIT
    assert lit.sum() > 200
    R = model.mirror.rotation
    incoming = model.pixel_rays(pixels)[lit] @ R
    landed = np.column_stack([trace.table_mm[lit], np.full(lit.sum(), model.table_height_mm)])
    outgoing = model.mirror.to_part(landed) - trace.mirror_mm[lit]
    outgoing /= np.linalg.norm(outgoing, axis=1, keepdims=True)
    normal = trace.normal[lit]
    assert np.linalg.norm(normal, axis=1) == pytest.approx(1.0, abs=1e-13)
    assert np.sum(incoming * normal, 1) == pytest.approx(-np.sum(outgoing * normal, 1), abs=1e-12)
    assert np.abs(np.sum(np.cross(incoming, normal) * outgoing, 1)).max() < 1e-12
    assert outgoing == pytest.approx(reflect(incoming, normal), abs=1e-12)


def test_the_vertex_is_no_rim() -> None:
    """A full aperture has one rim, its outer circle; only a hole in the middle gives a second one."""
    full, holed = (RoundAperture(aperture_mm=(inner, 45.0)).rim_points(1.0) for inner in (0.0, 5.0))
    assert np.allclose(np.linalg.norm(full, axis=1), 45.0)
    assert set(np.round(np.linalg.norm(holed, axis=1), 9)) == {5.0, 45.0}
