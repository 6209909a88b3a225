"""Meshes as they come out of CAD: every form of one surface traces alike, creases are found, curves are not split."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import Delaunay

from rigwarp.errors import InputError
from rigwarp.geometry import Placement, TriangleMesh
from rigwarp.rig import Facet, FacetsShape, MeshShape
from rigwarp.tracing import build_model, trace_map
from rigwarp.tracing.cad import mesh_mirror
from rigwarp.tracing.cad.welding import area_vectors, edges_of, inward_faces, weld
from rigwarp.tracing.surfaces.height_field import spread_sample
from rigwarp.tracing.surfaces.panel import FlatSurface

_DOWN = np.array([0.0, 0.0, -1.0])


def _soup(vertices, faces, stored=np.float32):
    corners = vertices[faces].reshape(-1, 3).astype(stored).astype(float)
    return TriangleMesh(vertices_mm=corners, faces=np.arange(len(corners)).reshape(-1, 3))


def _facing_down(points):
    """Delaunay triangles wound so that they look along -z."""
    faces = Delaunay(points).simplices.astype(np.int64)
    a, b, c = (points[faces[:, i]] for i in range(3))
    left = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0] > 0.0
    return np.where(left[:, None], faces[:, ::-1], faces)


def _closed(points, sag, *, back):
    """A body whose front looks down at z = sag and whose back is at z = back(x, y)."""
    front, n = _facing_down(points), len(points)
    x, y = points.T
    vertices = np.concatenate([np.column_stack([x, y, sag(x, y)]), np.column_stack([x, y, back(x, y)])])
    rim = [t for a, b in edges_of(front).border for t in ((b, a, a + n), (b, a + n, b + n))]
    return vertices, np.concatenate([front, front[:, ::-1] + n, np.array(rim)])


def _grid(xs, ys):
    return np.stack(np.meshgrid(xs, ys, indexing="ij"), axis=-1).reshape(-1, 2)


@pytest.fixture
def model_of(rig_around):
    def build(mesh, *, position_mm=(0.0, 0.0, 0.0), crease_rad=None, side=_DOWN, projector_mm=(0.0, 0.0, -120.0)):
        shape = MeshShape(file="m.stl", reflecting_side=side, crease_rad=crease_rad)
        rig = rig_around(shape, resolution=(320, 180), projector_mm=projector_mm)
        placement = Placement(position_mm=np.array(position_mm), rotation=np.eye(3))
        return build_model(replace(rig, mirror=replace(rig.mirror, placement=placement)), meshes={"m.stl": mesh})

    return build


@pytest.fixture
def sphere(rig_around, conic_shape):
    rig = rig_around(conic_shape(-100.0), resolution=(320, 180), projector_mm=(0.0, 0.0, -120.0))
    return build_model(rig, meshes={})


def _rms_mm(found, truth):
    both = found.answered & truth.answered
    assert both.mean() > 0.5
    return float(np.sqrt(np.mean(np.sum((found.table_mm - truth.table_mm) ** 2, axis=-1)[both])))


def _forms(vertices, faces, rng):
    flipped = np.where((rng.random(len(faces)) < 0.5)[:, None], faces[:, ::-1], faces)
    spoilt = np.concatenate([faces, faces[:30], faces[:30, [0, 1, 0]]])
    return {
        "closed": _soup(vertices, faces),
        "welded": TriangleMesh(vertices_mm=vertices.astype(np.float32).astype(float), faces=faces),
        "inside out": _soup(vertices, faces[:, ::-1]),
        "wound at random": _soup(vertices, flipped),
        "repeated and collapsed triangles": _soup(vertices, spoilt),
    }


@pytest.mark.parametrize(
    ("back", "form"),
    [
        ("sheet", "closed"),
        ("sheet", "wound at random"),
        ("sheet", "repeated and collapsed triangles"),
        ("block", "welded"),
        ("block", "inside out"),
    ],
)
def test_closed_forms_of_a_sphere_trace_like_the_sphere(model_of, sphere, scattered, rng, back, form):
    """check_values.md §8's bound for the open surface, 0.005 mm rms, for bodies around it as well."""
    sag = sphere.surfaces[0].sag
    points = scattered(rng, half_x=40.0, half_y=27.0, edge_mm=3.0)
    backs = {"sheet": lambda x, y: sag(x, y) + 1.0, "block": lambda x, y: 30.0 + 0.0 * x}
    mesh = _forms(*_closed(points, sag, back=backs[back]), rng)[form]
    model = model_of(mesh)
    assert len(model.surfaces) == 1
    assert _rms_mm(trace_map(model), trace_map(sphere)) <= 0.005


@pytest.mark.parametrize(("offset_mm", "decimals", "rms_mm"), [(400.0, None, 0.01), (0.0, 3, 0.03)])
def test_far_origins_and_rounded_text_stay_within_their_bounds(
    model_of, sphere, scattered, mesh_from, rng, offset_mm, decimals, rms_mm
):
    """check_values.md §8: 1 mm irregular mesh, stored 400 mm off the origin, and as text with 1 um."""
    points = scattered(rng, half_x=40.0, half_y=27.0, edge_mm=1.0)
    mesh = mesh_from(
        sphere.surfaces[0].sag, points, offset_mm=(offset_mm, 0, 0), stored=float if decimals else np.float32
    )
    if decimals:
        mesh = TriangleMesh(vertices_mm=np.round(mesh.vertices_mm, decimals), faces=mesh.faces)
    model = model_of(mesh, position_mm=(-offset_mm, 0.0, 0.0))
    assert _rms_mm(trace_map(model), trace_map(sphere)) <= rms_mm


def _revolved(sag, *, rings_mm, sectors):
    angle = 2 * np.pi * np.arange(sectors) / sectors
    circles = [r * np.stack([np.cos(angle), np.sin(angle)], axis=-1) for r in rings_mm]
    points = np.concatenate([np.zeros((1, 2)), *circles])
    k = np.arange(sectors)
    after = (k + 1) % sectors
    faces = [np.stack([0 * k, 1 + k, 1 + after], axis=-1)]
    for i in range(len(rings_mm) - 1):
        a, b = 1 + i * sectors, 1 + (i + 1) * sectors
        faces += [np.stack([a + k, b + k, b + after], -1), np.stack([a + k, b + after, a + after], -1)]
    return np.column_stack([points, sag(*points.T)]), np.concatenate(faces)


@pytest.mark.parametrize("ring_mm", [3.0, 5.0])
def test_a_revolved_dome_is_one_zone(model_of, sphere, ring_mm):
    """Its meridian edges turn by up to 2 degrees, four times the smallest crease that is found between panels."""
    vertices, faces = _revolved(sphere.surfaces[0].sag, rings_mm=np.arange(ring_mm, 45.1, ring_mm), sectors=72)
    model = model_of(_soup(vertices, faces), side=-_DOWN)
    assert len(model.surfaces) == 1
    assert _rms_mm(trace_map(model), trace_map(sphere)) <= 0.03  # check_values.md §2.3, 2 mm rings: 0.033 max


@pytest.mark.parametrize("edge_mm", [5.0, 10.0])
@pytest.mark.parametrize("kind", ["sphere", "freeform", "cylinder in strips"])
def test_coarse_curves_are_not_split(model_of, scattered, mesh_from, rng, edge_mm, kind):
    shapes = {
        "sphere": lambda x, y: 100.0 - np.sqrt(1e4 - x**2 - y**2),
        "freeform": lambda x, y: x**2 / 200 + y**2 / 400 + x**3 / 1e5 + 0.05 * np.sin(x / 4),
        "cylinder in strips": lambda x, y: 150.0 - np.sqrt(150.0**2 - x**2) + 0.0 * y,
    }
    points = scattered(rng, half_x=40.0, half_y=40.0, edge_mm=edge_mm)
    if kind == "cylinder in strips":
        points = _grid(np.arange(-40.0, 40.1, edge_mm), np.array([-40.0, 40.0]))
    assert len(model_of(mesh_from(shapes[kind], points)).surfaces) == 1


def _roof(rig_around, *, fold_deg, resolution):
    slope = np.tan(np.deg2rad(fold_deg / 2))
    left = np.array([[-60, -40, 60 * slope], [-60, 40, 60 * slope], [0, 40, 0], [0, -40, 0]])
    panels = tuple(Facet(corners_mm=c, bend_radius_mm=None, bend_axis=None) for c in (left, left * [-1, 1, 1]))
    exact = build_model(rig_around(FacetsShape(facets=panels), resolution=resolution), meshes={})
    return (lambda x, y: np.abs(x) * slope), exact


@pytest.mark.parametrize(("fold_deg", "columns"), [(0.5, 3), (0.5, 41), (40.0, 3)])
def test_two_flat_panels_of_a_thin_sheet_are_two_zones_up_to_the_crease(rig_around, fold_deg, columns):
    resolution = (640, 360)
    sag, exact = _roof(rig_around, fold_deg=fold_deg, resolution=resolution)
    points = _grid(np.linspace(-60.0, 60.0, columns), np.linspace(-40.0, 40.0, 2 if columns == 3 else 27))
    mesh = _soup(*_closed(points, sag, back=lambda x, y: sag(x, y) + 1.0))
    shape = MeshShape(file="m.stl", reflecting_side=_DOWN, crease_rad=None)
    model = build_model(rig_around(shape, resolution=resolution), meshes={"m.stl": mesh})
    assert len(model.surfaces) == 2
    assert all(isinstance(s, FlatSurface) for s in model.surfaces)
    found, truth = trace_map(model), trace_map(exact)
    off = np.linalg.norm(found.table_mm - truth.table_mm, axis=-1)
    away = np.abs(np.arange(resolution[0]) - (resolution[0] - 1) / 2) > 1.0
    assert np.nanmax(off[:, away]) <= 0.005
    assert np.array_equal(found.answered[:, away], truth.answered[:, away])


@pytest.mark.parametrize("folds_deg", [(10, 10), (5, 12, 5), (0.5, 0.5, 0.5)])
@pytest.mark.parametrize("columns", [0, 41])
def test_every_panel_of_a_fan_is_a_zone(model_of, mesh_from, folds_deg, columns):
    creases = np.linspace(-60.0, 60.0, len(folds_deg) + 2)
    slopes = np.concatenate([[0.0], np.cumsum(np.tan(np.deg2rad(folds_deg)))])
    heights = np.concatenate([[0.0], np.cumsum(slopes * np.diff(creases))])
    xs = np.unique(np.concatenate([creases, np.linspace(-60.0, 60.0, columns) if columns else []]))
    points = _grid(xs, np.linspace(-40.0, 40.0, 27 if columns else 2))
    mesh = mesh_from(lambda x, y: np.interp(x, creases, heights), points)
    model = model_of(mesh, projector_mm=(0.0, 0.0, -200.0))
    assert len(model.surfaces) == len(folds_deg) + 1


def test_slivers_along_a_crease_do_not_bridge_it(model_of, mesh_from, scattered, rng):
    points = scattered(rng, half_x=60.0, half_y=40.0, edge_mm=3.0)
    points = points[np.abs(points[:, 0]) > 1.0]
    spread = rng.uniform(-39.0, 39.0, (40, 2))
    crease = np.stack([np.zeros(28), np.linspace(-40.0, 40.0, 28)], axis=-1)
    close = np.stack([np.full(30, 1e-3), rng.uniform(-39.0, 39.0, 30)], axis=-1)
    points = np.concatenate([points, spread, spread + 1e-4, crease, close])
    slope = np.tan(np.deg2rad(0.25))
    model = model_of(mesh_from(lambda x, y: np.abs(x) * slope, points), projector_mm=(0.0, 0.0, -200.0))
    assert len(model.surfaces) == 2


def test_a_crease_between_curved_panels_is_found(model_of, mesh_from, scattered, rng):
    points = scattered(rng, half_x=40.0, half_y=27.0, edge_mm=3.0)
    points = points[np.abs(points[:, 0]) > 1.0]
    points = np.concatenate([points, np.stack([np.zeros(19), np.linspace(-27.0, 27.0, 19)], axis=-1)])
    slope = np.tan(np.deg2rad(1.0))
    mesh = mesh_from(lambda x, y: 150.0 - np.sqrt(150.0**2 - x**2 - y**2) + np.abs(x) * slope, points)
    assert len(model_of(mesh).surfaces) == 2


def test_welding_merges_what_rounding_kept_apart():
    vertices = np.array([[0, 0, 0], [10, 0, 0], [0, 10, 0], [10, 1e-6, 0], [10, 10, 0], [1e-6, 10, 0]], float)
    welded = weld(TriangleMesh(vertices_mm=vertices, faces=np.array([[0, 1, 2], [3, 4, 5]])))
    assert len(welded.vertices_mm) == 4
    assert len(edges_of(welded.faces).ends) == 1


@pytest.mark.parametrize(
    ("scale", "side", "position_mm", "says"),
    [
        (1e-3, -_DOWN, (0, 0, 0), "0.08 mm across"),
        (1e3, -_DOWN, (0, 0, 0), "across, too large"),
        (1.0, np.array([1.0, 0.0, 0.0]), (0, 0, 0), "faces the reflecting side"),
        (1.0, -_DOWN, (900, 0, 0), "rays of the projector meets the mesh"),
    ],
)
def test_impossible_meshes_are_refused_with_the_number(
    model_of, mesh_from, scattered, rng, scale, side, position_mm, says
):
    points = scattered(rng, half_x=40.0, half_y=27.0, edge_mm=5.0)
    flat = mesh_from(lambda x, y: 0.0 * x, points)
    mesh = TriangleMesh(vertices_mm=scale * flat.vertices_mm, faces=flat.faces)
    with pytest.raises(InputError, match=says):
        model_of(mesh, side=side, position_mm=position_mm)


def test_light_on_the_back_of_a_body_is_refused(model_of, sphere, scattered, rng):
    points = scattered(rng, half_x=40.0, half_y=27.0, edge_mm=5.0)
    vertices, faces = _closed(points, sphere.surfaces[0].sag, back=lambda x, y: 30.0 + 0.0 * x)
    with pytest.raises(InputError, match="meet its back first"):
        model_of(_soup(vertices, faces), side=-_DOWN)


def test_edges_of_a_part_are_those_found_anew(rng):
    points = rng.uniform(-1.0, 1.0, (300, 2))
    faces = Delaunay(points).simplices.astype(np.int64)
    chosen = rng.random(len(faces)) < 0.7
    derived, anew = edges_of(faces).part(chosen), edges_of(faces[chosen])

    def rows(edges):
        shared = np.column_stack([edges.ends, edges.faces, edges.opposite, edges.same_way])
        border = np.column_stack([np.sort(edges.border, axis=1), edges.border_faces])
        return [a[np.lexsort(a.T)] for a in (shared, border)]

    for one, other in zip(rows(derived), rows(anew), strict=True):
        np.testing.assert_array_equal(one, other)


def test_a_fine_sheet_is_no_closed_solid():
    """Of 300 x 300 cells 0.4 % of the edges lie on the rim, as few as in a solid with small defects."""
    points = _grid(np.arange(301.0), np.arange(301.0))
    corner = np.arange(301 * 301).reshape(301, 301)[:-1, :-1].ravel()
    faces = np.concatenate([corner[:, None] + [0, 301, 1], corner[:, None] + [301, 302, 1]])
    vertices = np.column_stack([points, np.zeros(len(points))])
    edges = edges_of(faces)
    assert len(edges.border) < 0.005 * len(edges.ends)
    assert inward_faces(area_vectors(vertices, faces), edges, vertices[faces[:, 0]]) is None


def test_where_light_is_far_a_fine_mesh_is_left_out_and_nothing_changes(model_of, sphere, rng, scattered, monkeypatch):
    """The block's back and far flanks are no part of the fit; the map stays that of the sphere."""
    sag = sphere.surfaces[0].sag
    points = scattered(rng, half_x=40.0, half_y=27.0, edge_mm=3.0)
    mesh = _forms(*_closed(points, sag, back=lambda x, y: 30.0 + 0.0 * x), rng)["welded"]
    monkeypatch.setattr(mesh_mirror, "_MANY", 100)
    asked = []
    monkeypatch.setattr(mesh_mirror, "in_lights_box", lambda *a: asked.append(len(a[0].faces)) or _in_box(*a))
    model = model_of(mesh)
    assert asked
    assert _rms_mm(trace_map(model), trace_map(sphere)) <= 0.005


_in_box = mesh_mirror.in_lights_box


@pytest.mark.parametrize(("count", "most"), [(10, 100), (150, 100), (1000, 100), (10_007, 100)])
def test_a_spread_sample_has_every_part_once(count, most):
    chosen = spread_sample(count, most)
    assert (np.diff(chosen) > 0).all()
    assert chosen[-1] < count
    assert min(count, most) <= len(chosen) <= 2 * most
