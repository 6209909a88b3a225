"""Profiles of revolution and single-curved panels against closed forms."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rigwarp.errors import InputError
from rigwarp.rig import Facet, FacetsShape, ProfileShape
from rigwarp.tracing import build_model
from rigwarp.tracing.surfaces.profile import profile_surfaces


def _equal_pitch_profile():
    """The mirror of check_values.md §1.7: equal millimetres on the table per pixel; r, z - 90 in 201 rows."""
    scale = 250.0 / (360.0 / 1536.0)

    def growth(theta, r):
        x, z = r[0] * np.sin(theta), r[0] * np.cos(theta)
        psi = (np.arctan2(scale * np.tan(theta) - x, -310.0 - z) - theta) / 2.0
        return [r[0] / np.tan(psi)]

    theta = np.arctan(np.linspace(0.0, 400.0, 201) / 1536.0)
    found = solve_ivp(growth, (1e-9, theta[-1]), [90.0], t_eval=theta[1:], rtol=1e-12, atol=1e-12)
    r, z = found.y[0] * np.sin(found.t), found.y[0] * np.cos(found.t) - 90.0
    return np.concatenate([[[0.0, 0.0]], np.stack([r, z], axis=-1)])


@pytest.mark.parametrize(
    ("decimals", "within_mm"),
    [(9, 1e-5), (4, 0.01), (3, 0.1)],  # §8 allows 1e-5 for exact rows; rounding to d costs slopes of about d / interval
)
def test_a_profile_of_equal_pitch_gives_equal_pitch(rig_around, decimals, within_mm):
    rows = np.round(_equal_pitch_profile(), decimals)
    model = build_model(rig_around(ProfileShape(file="p.csv")), meshes={}, profiles={"p.csv": rows})
    assert len(model.surfaces) == 1
    pixel_radius = np.array([90.0, 180.0, 270.0, 360.0])
    pixels = model.projector.principal_px + pixel_radius[:, None] * np.array([0.6, 0.8])
    landed = np.linalg.norm(model.trace(pixels, extended=True).table_mm, axis=-1)
    assert landed == pytest.approx(pixel_radius / 360.0 * 250.0, abs=within_mm)


def test_a_profile_of_a_conic_traces_like_the_conic(rig_around, conic_shape):
    exact = build_model(rig_around(conic_shape(100.0, -2.25, aperture_mm=(0.0, 25.0))), meshes={})
    r = np.linspace(0.0, 25.0, 101)
    rows = np.stack([r, exact.surfaces[0].sag(r, 0.0 * r)], axis=-1)
    model = build_model(rig_around(ProfileShape(file="p.csv")), meshes={}, profiles={"p.csv": rows})
    pixels = np.random.default_rng(5).uniform([300, 50], [900, 650], (300, 2))
    assert model.trace(pixels).table_mm == pytest.approx(exact.trace(pixels).table_mm, abs=1e-4, nan_ok=True)


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([[0, 0], [1, 0.1]], "at least 3 rows"),
        ([[0, 0], [2, 0.1], [1, 0.2]], "falls from 2 to 1 at row 3"),
        ([[-1, 0], [2, 0.1], [3, 0.2]], "first radius is -1"),
        ([[0, 0], [2, np.nan], [3, 0.2]], "row 2"),
    ],
)
def test_impossible_profiles_are_refused(rows, says):
    with pytest.raises(InputError, match=says):
        profile_surfaces(np.array(rows, float), file="p.csv")


@pytest.mark.parametrize("radius_mm", [200.0, -200.0])
@pytest.mark.parametrize("turn_rad", [0.0, 0.4])
def test_a_bent_panel_is_the_cylinder_through_its_corners(rig_around, radius_mm, turn_rad):
    """Coaxial closed form across the axis: the sphere's of check_values.md §1.9 holds for a cylinder too."""
    half = 40.0
    sagitta = radius_mm - np.sign(radius_mm) * np.sqrt(radius_mm**2 - half**2)
    across, along = (
        np.array([np.cos(turn_rad), np.sin(turn_rad), 0.0]),
        np.array([-np.sin(turn_rad), np.cos(turn_rad), 0.0]),
    )
    corners = [a * half * across + b * 30.0 * along + [0, 0, sagitta] for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    facet = Facet(corners_mm=np.array(corners), bend_radius_mm=radius_mm, bend_axis=along)
    model = build_model(rig_around(FacetsShape(facets=(facet,))), meshes={})
    alpha = np.arctan(200.0 / 1536.0)
    trace = model.trace(model.projector.principal_px + 200.0 * across[:2])
    # meeting of the ray x = (z + 90) tan(alpha) with x^2 + (z - R)^2 = R^2 near z = 0
    t = np.tan(alpha)
    a, b, c = 1 + t * t, 90 * t * t - radius_mm, 8100 * t * t
    z = c / (-b + np.sign(radius_mm) * np.sqrt(b * b - a * c))
    x = (z + 90) * t
    rho = x + (400 + z) * np.tan(alpha + 2 * np.arcsin(x / radius_mm))
    assert trace.table_mm == pytest.approx(rho * across[:2], abs=1e-9)


def test_corners_off_the_cylinder_are_refused(rig_around):
    corners = np.array([[-40, -30, 0], [40, -30, 0], [40, 30, 0], [-40, 30, 9.0]])
    facet = Facet(corners_mm=corners, bend_radius_mm=200.0, bend_axis=np.array([0.0, 1.0, 0.0]))
    with pytest.raises(InputError, match="mm from every cylinder of radius 200"):
        build_model(rig_around(FacetsShape(facets=(facet,))), meshes={})


def test_corners_off_a_plane_are_refused(rig_around):
    corners = np.array([[-40, -30, 0], [40, -30, 0], [40, 30, 0], [-40, 30, 1.0]])
    facet = Facet(corners_mm=corners, bend_radius_mm=None, bend_axis=None)
    with pytest.raises(InputError, match="from a common plane"):
        build_model(rig_around(FacetsShape(facets=(facet,))), meshes={})
