"""Obstacles cast shadows on both legs of the light's way."""

from dataclasses import replace

import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.geometry import Placement, TriangleMesh
from rigwarp.rig import Obstacle, Rig, TopView
from rigwarp.rig.model import View
from rigwarp.simulation import VirtualRig, parse_truth
from rigwarp.simulation.view import VirtualView

MIRROR = """
kind = "facets"
position_mm = [0, 0, 700]
[[mirror.facet]]
corners_mm = [[-200, -200, 0], [-200, 200, 0], [200, 200, 0], [200, -200, 0]]
"""


def _plate(half_mm):
    corners = np.array([[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * half_mm
    return TriangleMesh(vertices_mm=corners, faces=np.array([[0, 1, 2], [0, 2, 3]]))


@pytest.fixture
def shaded(make_rig):
    """A plate of 20 mm at a height of 450 mm, between projector (200 mm) and mirror (700 mm), off the axis."""

    def make(x_mm, meshes):
        plain = make_rig(mirror=MIRROR, projector=[0, 0, 200])
        plate = Obstacle(
            file="plate.stl", placement=Placement(position_mm=np.array([x_mm, 0, 450.0]), rotation=np.eye(3))
        )
        fields = {name: getattr(plain, name) for name in plain.__dataclass_fields__} | {"obstacles": (plate,)}
        rig = Rig(**fields)
        return VirtualRig(rig, parse_truth(IDEAL, rig), meshes=meshes)

    return make


IDEAL = """
format = "rigwarp virtual rig"
version = 1
[projector]
pupil_samples = 1
pupil_diameter_mm = 0
[camera]
position_mm = [0, -300, 900]
aim_mm = [0, 0, 0]
focal_px = 450
"""


def test_a_plate_shades_the_ways_up_and_down(shaded):
    x_mm = 50.0
    spot = shaded(x_mm, {"plate.stl": _plate(10.0)}).true_map()
    row = spot.x_mm[90]
    focal = 1.2 * 320
    slope = (np.arange(320) - 159.5) / focal
    up = np.abs(250 * slope - x_mm) < 10.0  # crosses z = 450 on the way up after 250 mm
    down = np.abs((500 + 250) * slope - x_mm) < 10.0  # and on the way down after 500 + 250 mm
    on_table = np.abs(1200 * slope) < 270  # the table top reaches 20 mm beyond its 250
    assert (up & on_table).any()
    assert (down & on_table).any()
    np.testing.assert_array_equal(np.isfinite(row), on_table & ~up & ~down)


def test_a_plate_hides_the_table_from_a_views_camera_on_both_ways(shaded):
    """The camera of a view in the projector's place: the same plate, the same closed form, light's way turned round."""
    x_mm, meshes = 50.0, {"plate.stl": _plate(10.0)}
    own = shaded(x_mm, meshes)._rig
    view = View(
        device="virtual",
        resolution=(320, 180),
        focal_px=1.2 * 320,
        lens=None,
        placement=Placement(position_mm=np.array([0.0, 0.0, 200.0]), rotation=np.eye(3)),
        position_tolerance_mm=1.0,
        rotation_tolerance_rad=0.01,
        mirrors=(own.mirror,),
        target=own.target,
        top=TopView(size_mm=(400.0, 400.0), centre_mm=np.zeros(2), mm_per_pixel=1.0),
    )
    rig = replace(own, view=view)
    truth = parse_truth(IDEAL + "[view]\naperture_diameter_mm = 0\n", rig)
    row = VirtualView(rig, truth, meshes=meshes).true_map().x_mm[90]
    slope = (np.arange(320) - 159.5) / (1.2 * 320)
    hidden = (np.abs(250 * slope - x_mm) < 10.0) | (np.abs((500 + 250) * slope - x_mm) < 10.0)
    np.testing.assert_array_equal(np.isfinite(row), (np.abs(1200 * slope) < 270) & ~hidden)
    assert hidden.sum() > 30


def test_a_missing_mesh_is_named(shaded):
    with pytest.raises(InputError, match=r"obstacle\[0\].file.*plate.stl"):
        shaded(50.0, {})


def test_a_plate_hides_the_table_from_an_eye_above_it(shaded):
    virtual = shaded(50.0, {"plate.stl": _plate(10.0)})
    hidden = virtual.path.blocked_from(np.array([50.0, 0.0, 900.0]), np.array([50.0, 69.0, 71.0]), np.zeros(3))
    np.testing.assert_array_equal(hidden, [True, True, False])  # a plate half-way up throws a shadow twice its size
