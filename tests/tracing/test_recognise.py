"""Closed forms found again in CAD exports: the numbers that the mesh was made from, in the keys of rig.toml."""

import numpy as np
import pytest
from cad_exports import DOWN, chamfer, mould, soup, strips
from scipy.spatial.transform import Rotation

from rigwarp.geometry import Placement, TriangleMesh
from rigwarp.rig import MeshShape
from rigwarp.tracing import build_model, recognise


def _conic_sag(radius_mm, k):
    """ISO 10110-12, towards -z."""

    def sag(x, y):
        r2 = x * x + y * y
        return -r2 / (radius_mm * (1.0 + np.sqrt(1.0 - (1.0 + k) * r2 / radius_mm**2)))

    return sag


@pytest.fixture
def found_in(rig_around):
    def look(mesh, mount=None):
        shape = MeshShape(file="m.stl", reflecting_side=DOWN, crease_rad=None)
        rig = rig_around(shape, resolution=(160, 90), projector_mm=(0.0, 0.0, -110.0), table_mm=-600.0, mirror=mount)
        model = build_model(rig, meshes={"m.stl": mesh})
        return recognise(model.surfaces, rig.mirror.placement)

    return look


@pytest.mark.parametrize(
    ("radius_mm", "k", "kind"),
    [(700.0, -1.0, "conic"), (300.0, 0.0, "sphere"), (250.0, 0.7, "conic"), (400.0, -2.3, "conic")],
)
def test_conics_are_found_with_their_chamfers_left_out(found_in, radius_mm, k, kind):
    found = found_in(mould(_conic_sag(radius_mm, k), rim=chamfer(1.0, 45.0)))
    (face,) = found.faces
    assert face.kind == kind
    assert face.residual_rms_mm < 2e-6  # STL rounds to 4e-6 mm at most at 60 mm
    assert found.keys["radius_mm"] == pytest.approx(-radius_mm, rel=1e-5)  # towards -z
    assert found.keys["conic_constant"] == pytest.approx(k, abs=1e-3)
    assert found.keys["position_mm"] == pytest.approx([0.0, 0.0, 0.0], abs=1e-3)
    assert found.keys["rotation_deg"] == pytest.approx([0.0, 0.0, 0.0], abs=1e-3)
    # the circle around 120 x 90 mm
    assert found.keys["aperture_mm"] == pytest.approx([0.0, 75.0], abs=0.1)


def test_a_conic_is_placed_where_its_vertex_is(found_in):
    """The CAD origin 40 mm beside the vertex, the axis leaned by 5 degrees, the mirror mounted turned by 30."""
    mesh = mould(_conic_sag(500.0, -1.0))
    lean = Rotation.from_euler("XY", [3.0, 4.0], degrees=True)
    moved = TriangleMesh(vertices_mm=lean.apply(mesh.vertices_mm) + np.array([40.0, -25.0, 6.0]), faces=mesh.faces)
    turned = Rotation.from_euler("Z", 30.0, degrees=True)
    mount = Placement(position_mm=-turned.apply([40.0, -25.0, 6.0]), rotation=turned.as_matrix())
    keys = found_in(moved, mount).keys
    assert keys["position_mm"] == pytest.approx([0.0, 0.0, 0.0], abs=2e-3)
    axis = Rotation.from_euler("ZYX", keys["rotation_deg"][::-1], degrees=True).apply([0.0, 0.0, 1.0])
    np.testing.assert_allclose(axis, (turned * lean).apply([0.0, 0.0, 1.0]), atol=1e-5)


@pytest.mark.parametrize("way", [1.0, -1.0], ids=["concave", "convex"])
def test_a_bent_sheet_is_a_panel_with_its_radius(found_in, way):
    angles = np.linspace(-0.15, 0.15, 24)
    arc = 400.0 * np.column_stack([np.sin(angles), way * (np.cos(angles) - 1.0)])
    (panel,) = found_in(strips(arc)).keys["facet"]
    assert panel["bend_radius_mm"] == pytest.approx(way * 400.0, rel=1e-6)
    assert np.abs(panel["bend_axis"]) == pytest.approx([0.0, 1.0, 0.0], abs=1e-8)
    ends = 400.0 * np.sin(0.15), 400.0 * way * (np.cos(0.15) - 1.0)
    wanted = [(x, y, ends[1]) for x in (-ends[0], ends[0]) for y in (-45.0, 45.0)]
    np.testing.assert_allclose(sorted(panel["corners_mm"], key=lambda c: np.round(c, 2).tolist()), wanted, atol=1e-3)


def test_a_folded_sheet_is_its_panels(found_in):
    keys = found_in(strips([(-60.0, -8.0), (0.0, 0.0), (60.0, -8.0)])).keys
    assert keys["kind"] == "facets"
    corners = sorted(tuple(c) for panel in keys["facet"] for c in panel["corners_mm"])
    wanted = [(x, y, z) for x, z in ((-60.0, -8.0), (0.0, 0.0), (0.0, 0.0), (60.0, -8.0)) for y in (-45.0, 45.0)]
    np.testing.assert_allclose(corners, sorted(wanted), atol=1e-5)


def test_a_mirror_of_no_kind_has_no_keys(found_in):
    """A cone about the y axis: [mirror] has none."""
    turn = np.linspace(-0.3, 0.3, 40)
    near, far = (
        (r * np.sin(turn), np.full(40, y), r * np.cos(turn) - 250.0) for r, y in ((240.0, -45.0), (260.0, 45.0))
    )
    a, b = np.column_stack(near), np.column_stack(far)
    triangles = np.concatenate([np.stack([a[:-1], b[:-1], a[1:]], axis=1), np.stack([a[1:], b[:-1], b[1:]], axis=1)])
    found = found_in(soup(triangles))
    assert [face.kind for face in found.faces] == ["cone"]
    assert found.keys is None
