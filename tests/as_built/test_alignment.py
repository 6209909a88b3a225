"""Rigid alignment: symmetries of known surfaces, and rigid motions that must come out entirely."""

import numpy as np
import pytest
from as_built_rig import folded_model, make_model

from rigwarp.as_built import remove_rigid
from rigwarp.as_built.describe.alignment import align_built, rigid_motions
from rigwarp.as_built.describe.footprint import nearest_surface, zone_points
from rigwarp.as_built.describe.observability import symmetry_names
from rigwarp.geometry import rotation_from_vector
from rigwarp.tracing.surfaces.bent_panel import CylinderSurface
from rigwarp.tracing.surfaces.conic import ConicSurface
from rigwarp.tracing.surfaces.outline import Outline
from rigwarp.tracing.surfaces.panel import FlatSurface

LINE = np.arange(-36.0, 37.0, 2.0)
SQUARE = Outline.from_corners(np.array([[-40.0, -40.0], [40.0, -40.0], [40.0, 40.0], [-40.0, 40.0]]))


def conic(radius_mm, conic_constant):
    return ConicSurface(radius_mm=radius_mm, conic_constant=conic_constant, coefficients_mm=(), aperture_mm=(0.0, 45.0))


def flat():
    return FlatSurface(zone=0, name="flat", T_mirror_from_surface=np.eye(4), outline=SQUARE)


def cylinder():
    return CylinderSurface(radius_mm=300.0, zone=0, name="bent", T_mirror_from_surface=np.eye(4), outline=SQUARE)


@pytest.mark.parametrize(
    ("surfaces", "names"),
    [
        ([conic(100.0, 0.0)], ["turns of the mirror about the centre of its sphere (three directions)"]),
        ([conic(100.0, -1.0)], ["spin of the mirror about its axis of revolution"]),
        ([conic(-60.0, -2.25)], ["spin of the mirror about its axis of revolution"]),
        ([flat()], ["sliding of the mirror within its plane (two directions)", "spin of the mirror within its plane"]),
        ([cylinder()], ["sliding of the mirror along its straight direction", "turn of the mirror about its axis"]),
        (folded_model().surfaces, ["sliding of the mirror along its straight direction"]),
    ],
    ids=["sphere", "paraboloid", "hyperboloid", "plane", "cylinder", "fold"],
)
def test_symmetries_of_known_surfaces(surfaces, names):
    """Each motion of a surface onto itself is found, told as the slide or turn that it is."""
    grid = np.stack(np.meshgrid(LINE, LINE), axis=-1)
    motions = rigid_motions(zone_points(surfaces, grid, nearest_surface(surfaces, grid)))
    assert symmetry_names(motions.symmetries) == names
    told = {"three": 3, "two": 2}
    assert len(motions.symmetries) == sum(next((n for w, n in told.items() if w in name), 1) for name in names)


@pytest.mark.parametrize("surface", [conic(60.0, 0.0), conic(-80.0, -1.0), flat()], ids=["sphere", "bowl", "plane"])
def test_a_rigid_motion_leaves_nothing(surface):
    """Height difference between a surface and itself moved by 10 um and 0.1 mrad: exact, by bisection along z."""
    x, y = (a.ravel() for a in np.meshgrid(LINE, LINE))
    shift, turn = np.array([0.004, -0.006, 0.007]), np.array([5e-5, -7e-5, 4e-5])
    R = rotation_from_vector(turn)
    z = surface.sag(x, y)
    moved = z.copy()
    for _ in range(4):  # fixed point: the moved surface at (x, y) is met where the body point lies on the design
        body = (np.stack([x, y, moved], axis=-1) - shift) @ R
        moved = moved - (body[:, 2] - surface.sag(body[:, 0], body[:, 1]))
    height_um = 1000.0 * (moved - z).reshape(len(LINE), len(LINE))
    left = remove_rigid(height_um, LINE, LINE, (surface,))
    assert np.std(height_um) > 1.0
    # second order in the motion: (0.01 mm)^2 / 60 mm is a nanometre or two
    assert np.nanmax(np.abs(left)) < 0.01


def test_figure_is_kept_and_missing_points_stay_missing():
    model = make_model()
    X, Y = np.meshgrid(LINE, LINE)
    height = 10.0 * ((X / 36.0) ** 2 - (Y / 36.0) ** 2)
    height[np.hypot(X, Y) > 36.0] = np.nan
    left = remove_rigid(height, LINE, LINE, model)
    np.testing.assert_array_equal(np.isnan(left), np.isnan(height))
    # astigmatism over a round aperture is no rigid motion: nothing but rounding and the grid's asymmetry goes
    np.testing.assert_allclose(left[np.isfinite(left)], height[np.isfinite(height)], atol=1e-6)


def dent(x, y):
    """20 um deep, sigma 5 mm."""
    return -0.02 * np.exp(-((x - 8.0) ** 2 + (y + 5.0) ** 2) / 50.0)


def test_a_motion_of_a_millimetre_takes_form_errors_along():
    """A dented bowl moved by 1 mm and 7 mrad is the same bowl: alignment finds the dent where it was."""
    bowl = conic(-60.0, 1.0)
    shift, R = np.array([0.8, -0.5, 0.3]), rotation_from_vector(np.array([6e-3, -4e-3, 0.0]))

    def moved_minus_design(x, y, zone):
        spot = np.stack([x, y], axis=-1)
        for _ in range(12):  # fixed point, each gains two digits: the body's point that now lies above (x, y)
            body = np.stack([*spot.T, bowl.sag(*spot.T) + dent(*spot.T)], axis=-1)
            there = body @ R.T + shift
            spot = spot + np.stack([x, y], axis=-1) - there[:, :2]
        return there[:, 2] - bowl.sag(x, y)

    X, Y = np.meshgrid(LINE, LINE)
    zone = np.where(np.hypot(X, Y) < 34.0, 0, -1).astype(np.int16)
    left = align_built(moved_minus_design, LINE, LINE, zone, (bowl,))
    wanted = align_built(lambda x, y, _: dent(x, y), LINE, LINE, zone, (bowl,))
    np.testing.assert_array_equal(np.isnan(left), zone < 0)
    # what two turns of 7 mrad leave of spin, 0.05 mrad, moves the dent by half a micrometre: 1 nm on its slope
    assert 1000.0 * np.nanmax(np.abs(left - wanted)) < 0.05  # um
    raw = np.full(zone.shape, np.nan)
    raw[zone == 0] = moved_minus_design(X[zone == 0], Y[zone == 0], 0)
    assert 1000.0 * np.nanmax(np.abs(remove_rigid(raw, LINE, LINE, (bowl,)) - wanted)) > 1.0
