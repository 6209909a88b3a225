"""Exports as CAD programs write them: chamfers, roundings, strips, balls, text, holes, bodies; against exact rays.

The truth is the closed form of each ray and a paraboloid, sphere or cylinder (`exact_spots`), not another trace. The
bound is 0.005 mm rms on the table wherever light reaches a clean face.
"""

import numpy as np
import pytest
from cad_exports import (
    DOWN,
    ball,
    box,
    chamfer,
    exact_spots,
    fillet,
    joined,
    mould,
    paraboloid,
    soup,
    strips,
)

from rigwarp.errors import InputError
from rigwarp.files.shapes import read_mesh
from rigwarp.geometry import Placement, TriangleMesh
from rigwarp.rig import MeshShape, Obstacle
from rigwarp.tracing import LightFate, build_model, check_export, trace_map, trace_pixels
from rigwarp.tracing.cad.face_fit import patch_surface
from rigwarp.tracing.cad.patches import Patch, reflecting_faces
from rigwarp.tracing.cad.regained import regained
from rigwarp.tracing.cad.welding import rounding_mm, weld
from rigwarp.tracing.surfaces.nurbs_surface import NurbsSurface
from rigwarp.tracing.surfaces.panel import FlatSurface
from rigwarp.tracing.surfaces.quadric import QuadricSurface

_RADIUS_MM = 700.0
_SAG = paraboloid(_RADIUS_MM)
_PARABOLOID = (_SAG, lambda x, y: (-x / _RADIUS_MM, -y / _RADIUS_MM))
_TOLERANCE_MM = 0.005
_HONEST = 1.3  # error over stated sigma


def _sphere(radius_mm):
    def root(x, y):
        return np.sqrt(radius_mm**2 - x * x - y * y)

    return (lambda x, y: radius_mm - root(x, y)), (lambda x, y: (x / root(x, y), y / root(x, y)))


_BALL_250 = _sphere(250.0)


def _cylinder(radius_mm):
    def root(x):
        return np.sqrt(radius_mm**2 - x * x)

    return (lambda x, y: root(x) - radius_mm + 0.0 * y), (lambda x, y: (-x / root(x), 0.0 * y))


def _letters(x, y):
    """Four letters H of 1 mm wide strokes, 5 x 7 mm each."""
    column, row = np.floor(x).astype(int) + 12, np.floor(y).astype(int) + 3
    within = (row >= 0) & (row < 7) & (column >= 0) & (column < 26) & (column % 7 < 5)
    return within & ((column % 7 == 0) | (column % 7 == 4) | (row == 3))


def _hole(x, y):
    return np.hypot(x - 20.0, y + 15.0) < 6.0


@pytest.fixture
def rig_at(rig_around):
    def make(lens_mm=-110.0, table_mm=-600.0, crease_rad=None, resolution=(80, 45)):
        shape = MeshShape(file="m.stl", reflecting_side=DOWN, crease_rad=crease_rad)
        return rig_around(shape, resolution=resolution, projector_mm=(0.0, 0.0, lens_mm), table_mm=table_mm)

    return make


_EXACT = {}


def _exact(rig, truth):
    """Exact spots, found once for each place of the lens: all rigs of this module are alike otherwise."""
    key = (truth, *rig.projector.placement.position_mm)
    if key not in _EXACT:
        _EXACT[key] = exact_spots(rig, *truth)
    return _EXACT[key]


def _judged(rig, mesh, truth, clean):
    """Model, rms error in mm over the clean part of the mirror, share of it that is missing, and error over sigma."""
    model = build_model(rig, meshes={"m.stl": mesh})
    found = trace_map(model)
    spots, at = _exact(rig, truth)
    wanted = clean(at) & (np.linalg.norm(spots, axis=-1) < 2000.0)
    both = wanted & found.answered
    off = np.sum((found.table_mm - spots)[both] ** 2, axis=-1)
    with np.errstate(divide="ignore"):
        z = np.sqrt(np.mean(off) / 2.0 / np.mean(found.sigma_mm[both] ** 2))
    return model, float(np.sqrt(np.mean(off))), 1.0 - both.sum() / wanted.sum(), z


def _inside(at):
    return (np.abs(at[..., 0]) < 59.5) & (np.abs(at[..., 1]) < 44.5)


_RIMS = {
    "chamfer of 45 degrees": {"rim": chamfer(1.0, 45.0)},
    "chamfer of 20 degrees": {"rim": chamfer(1.0, 20.0)},
    "rounding of 1 mm": {"rim": fillet(1.0)},
    "rounding of 1 mm in fine rows": {"rim": fillet(1.0, rows=24), "edge_mm": 3.0},
    "fillet of 0.5 mm": {"rim": fillet(0.5, rows=4)},
    "fillet of 1.5 mm in coarse rows": {"rim": fillet(1.5, rows=3)},
    "rounding of 3 mm": {"rim": fillet(3.0)},
    "rounding of 5 mm in fine rows": {"rim": fillet(5.0, rows=12)},
}


_MEETS_MM, _STAYS_OFF_MM = -150.0, -110.0  # heights of the lens at which the light does or does not meet the rim


@pytest.mark.parametrize(
    ("rim", "lens_mm"),
    [
        *((rim, _MEETS_MM) for rim in _RIMS),
        ("chamfer of 20 degrees", _STAYS_OFF_MM),
        ("rounding of 1 mm", _STAYS_OFF_MM),
    ],
)
def test_rims_do_not_bend_the_mirror(rig_at, rim, lens_mm):
    mesh = mould(_SAG, **_RIMS[rim])
    model, rms, missing, z = _judged(rig_at(lens_mm), mesh, _PARABOLOID, _inside)
    assert rms <= _TOLERANCE_MM
    assert z <= _HONEST
    assert missing == 0.0
    assert len(model.surfaces) == 1


def test_irregular_triangles_next_to_a_rounding(rig_at, rng):
    mesh = mould(_SAG, rim=fillet(1.0), edge_mm=3.0, rng=rng)
    _, rms, missing, z = _judged(rig_at(), mesh, _PARABOLOID, _inside)
    assert rms <= _TOLERANCE_MM
    assert z <= _HONEST
    assert missing == 0.0


def test_light_on_a_chamfer_is_stray_and_told(rig_at):
    """At 150 mm the picture is 125 mm wide (throw ratio 1.2): it meets the chamfers at the mirror's ends."""
    rig = rig_at(-150.0, resolution=(160, 90))
    model = build_model(rig, meshes={"m.stl": mould(_SAG, rim=chamfer(1.0, 45.0))})
    reason = trace_pixels(model).reason
    assert (reason == LightFate.STRAY).any()
    strays = [face for face in model.cad.notes if face.stray]
    assert {face.name for face in strays} == {"edge, chamfer or rounding"}
    # a chamfer of 1 mm at 45 degrees lies 0.35 mm outside the rim at x = 60 mm
    assert sorted(round(float(face.middle_mm[0]), 1) for face in strays) == pytest.approx([-60.3, 60.3], abs=0.15)
    # a flat of 45 degrees throws light that comes from below sideways, and never straight back down
    v, u = np.nonzero(reason == LightFate.STRAY)
    spots = model.stray_spots_mm(model.pixel_rays(np.stack([u, v], axis=-1).astype(float)))
    assert not (np.linalg.norm(spots, axis=-1) < 250.0).any()


@pytest.mark.parametrize(
    ("features", "clean"),
    [
        ({"floor": _letters, "edge_mm": 1.0}, lambda at: ~_letters(at[..., 0], at[..., 1])),
        (
            {"hole": _hole, "rim": fillet(1.0), "edge_mm": 2.0},
            lambda at: np.hypot(at[..., 0] - 20, at[..., 1] + 15) > 7.5,
        ),
    ],
    ids=["engraved text", "hole and rounding"],
)
def test_text_and_holes_leave_the_rest_alone(rig_at, features, clean):
    mesh = mould(_SAG, **features)
    model, rms, missing, z = _judged(rig_at(), mesh, _PARABOLOID, lambda at: clean(at) & _inside(at))
    assert rms <= _TOLERANCE_MM
    assert z <= _HONEST
    assert missing == 0.0
    assert len(model.surfaces) == 1


def _with_facet(radius_mm, facet_mm):
    """A convex sphere in rings, its middle cut flat: all corners lie on the sphere."""
    radii = np.append(np.arange(75.0, facet_mm, -1.25), facet_mm)[:, None]
    turn = np.deg2rad(np.arange(0.0, 361.0, 7.5))
    z = radius_mm - np.sqrt(radius_mm**2 - radii**2) + 0.0 * turn
    p = np.stack([radii * np.cos(turn), radii * np.sin(turn), z], axis=-1)
    middle = np.broadcast_to([0.0, 0.0, z[-1, 0]], p[-1, :-1].shape)
    rings = [p[:-1, :-1], p[1:, :-1], p[1:, 1:]], [p[:-1, :-1], p[1:, 1:], p[:-1, 1:]]
    triangles = [np.stack(corners, axis=-2).reshape(-1, 3, 3) for corners in rings]
    return soup(np.concatenate([*triangles, np.stack([p[-1, :-1], p[-1, 1:], middle], axis=-2)]))


def test_a_facet_cut_into_the_mirror_is_a_face_of_its_own(rig_at):
    rig = rig_at(resolution=(160, 90))
    model, rms, missing, _ = _judged(rig, _with_facet(250.0, 4.0), _BALL_250, lambda at: np.hypot(*at[..., :2].T).T > 5)
    assert rms <= _TOLERANCE_MM
    assert missing == 0.0
    assert isinstance(model.surfaces[1], FlatSurface)
    # a level facet sends light on to the table, 600 mm below, as it came from the lens, 110 mm below
    _, at = _exact(rig, _BALL_250)
    on_facet = np.hypot(*at[..., :2].T).T < 3.5
    facet_mm = _BALL_250[0](4.0, 0.0)
    expected = at[..., :2] / (at[..., 2:] + 110.0) * (2.0 * facet_mm + 110.0 + 600.0)
    np.testing.assert_allclose(trace_map(model).table_mm[on_facet], expected[on_facet], atol=1e-3)


def test_facets_that_a_mesh_kernel_cut_widen_the_outline_and_a_chamfer_does_not():
    """Cut facets have corners on the old facets, off the mirror by a chord; they get their light, but no say."""
    whole = mould(_SAG, edge_mm=4.0, rim=chamfer(1.0, 20.0))
    corners = whole.vertices_mm[whole.faces]
    middle = corners.mean(axis=1)
    near = (np.abs(middle[:, :2] - [20.0, -15.0]) < 7.0).all(axis=1) & (middle[:, 2] < 0.0)
    cut = [np.stack([corners[near, i], corners[near, (i + 1) % 3], middle[near]], axis=1) for i in range(3)]
    welded = weld(soup(np.concatenate([corners[~near], *cut])))
    front = reflecting_faces(Patch.of(welded.vertices_mm, welded.faces), DOWN, file="m.stl")
    on_rim = (np.abs(front.middles_mm) > (60.0, 45.0, 99.0)).any(axis=1)
    assert on_rim.any()
    beside = (np.abs(front.middles_mm[:, :2] - [20.0, -15.0]) < 9.0).all(axis=1)
    piece = front.part(~on_rim & ~beside)
    surface = patch_surface(piece, zone=0, rounding_mm=rounding_mm(welded))
    ((wider, grown),) = regained([piece], [surface], front)
    np.testing.assert_array_equal(wider.numbers, front.numbers[~on_rim])
    place = (np.array([20.0, -15.0, _SAG(20.0, -15.0)]) - grown.T_mirror_from_surface[:3, 3]) @ (
        grown.T_mirror_from_surface[:3, :3]
    )
    assert grown.inside(place[0], place[1])
    assert not surface.inside(place[0], place[1])


def test_a_bracket_in_front_shades_and_a_base_behind_does_not_matter(rig_at):
    bodies = (box((-70, -60, 35), (70, 60, 45)), box((30, -5, -40), (32, 5, -30)))
    model, rms, missing, z = _judged(
        rig_at(), joined(mould(_SAG, rim=chamfer(1.0, 45.0)), *bodies), _PARABOLOID, _inside
    )
    assert rms <= _TOLERANCE_MM
    assert z <= _HONEST
    assert 0.0 < missing < 0.05
    assert len(model.surfaces) == 1


_ANGLES = np.linspace(-0.15, 0.15, 24)
_ARC = 400.0 * np.column_stack([np.sin(_ANGLES), np.cos(_ANGLES) - 1.0])


def test_strips_halved_this_way_and_that_are_one_sheet(rig_at):
    """A kernel's choice of diagonals: the bound of the curvature at a ruling depends on it eightfold."""
    angles = np.linspace(-0.15, 0.15, 11)
    x, z = 400.0 * np.sin(angles), 400.0 * np.cos(angles) - 400.0
    p = np.stack([np.stack([x, np.full(11, y), z], axis=-1) for y in (-45.0, 45.0)], axis=1)
    a, b, c, d = p[:-1, 0], p[1:, 0], p[1:, 1], p[:-1, 1]
    other_way = np.array([0, 1, 1, 0, 0, 0, 1, 0, 1, 1], bool)[:, None, None]
    first = np.where(other_way, np.stack([a, d, b], axis=1), np.stack([a, d, c], axis=1))
    second = np.where(other_way, np.stack([b, d, c], axis=1), np.stack([a, c, b], axis=1))
    model, rms, missing, _ = _judged(rig_at(), soup(np.concatenate([first, second])), _cylinder(400.0), _inside)
    assert len(model.surfaces) == 1
    assert rms <= 1e-4
    assert missing == 0.0


@pytest.mark.parametrize("thickness_mm", [None, 1.0])
def test_a_bent_sheet_of_46_triangles_is_its_cylinder(rig_at, thickness_mm):
    mesh = strips(_ARC, thickness_mm=thickness_mm)
    model, rms, missing, z = _judged(rig_at(), mesh, _cylinder(400.0), _inside)
    assert rms <= 1e-4
    assert z <= _HONEST
    assert missing == 0.0
    (surface,) = model.surfaces
    assert isinstance(surface, QuadricSurface)


def _few_strips(count):
    angles = np.linspace(-0.15, 0.15, count + 1)
    return strips(400.0 * np.column_stack([np.sin(angles), np.cos(angles) - 1.0]))


def test_few_strips_read_as_folded_panels_and_the_advice_mends_it(rig_at):
    """A bent sheet of four strips and a folded one of four panels are the same file: the trace says so."""
    mesh = _few_strips(4)
    model, rms, _, z = _judged(rig_at(), mesh, _cylinder(400.0), _inside)
    assert rms > 20.0
    assert z == np.inf  # flat panels are exact, if they are panels
    assert len(model.surfaces) == 4
    check = check_export(model, trace_map(model), rig_at())
    assert "4 flat panels, each folded by 4.3 to 4.3 degrees" in check.advice  # 0.3 rad in four strips
    assert "crease_deg = 40 " in check.advice
    following = rig_at(crease_rad=np.deg2rad(40.0))
    model, rms, missing, z = _judged(following, mesh, _cylinder(400.0), _inside)
    assert rms <= 1e-4
    assert z <= _HONEST
    assert missing == 0.0
    assert check_export(model, trace_map(model), following).advice == ""
    folded = rig_at(crease_rad=np.deg2rad(2.1))  # the advice's other half: the user knows that it is folded
    model = build_model(folded, meshes={"m.stl": mesh})
    assert len(model.surfaces) == 4
    assert check_export(model, trace_map(model), folded).advice == ""


@pytest.mark.parametrize(
    ("mesh", "truth", "panels"),
    [(_few_strips(2), _cylinder(400.0), 2), (mould(_SAG, edge_mm=40.0), _PARABOLOID, 6)],
    ids=["two strips", "a dome of twelve triangles"],
)
def test_a_curve_in_so_few_triangles_that_it_reads_as_panels_is_told(rig_at, mesh, truth, panels):
    model, rms, _, _ = _judged(rig_at(), mesh, truth, _inside)
    assert rms > 20.0
    assert len(model.surfaces) >= panels
    check = check_export(model, trace_map(model), rig_at())
    assert f"reads as {len(model.surfaces)} flat panels" in check.advice
    assert "crease_deg = 40 " in check.advice
    following = rig_at(crease_rad=np.deg2rad(40.0))
    model, _, _, z = _judged(following, mesh, truth, _inside)
    assert z <= _HONEST
    assert check_export(model, trace_map(model), following).usable == (
        panels > 2
    )  # twelve triangles are a paraboloid's


def test_three_strips_are_too_few_and_never_silently(rig_at):
    """Four rulings leave the curve between them open: no answer, whatever the user says."""
    for crease_rad, says in ((None, "crease_deg = 40 "), (np.deg2rad(40.0), "too coarse")):
        rig = rig_at(crease_rad=crease_rad)
        model = build_model(rig, meshes={"m.stl": _few_strips(3)})
        check = check_export(model, trace_map(model), rig)
        assert says in check.advice
    assert not check.usable


def test_a_step_file_is_traced_as_its_sphere(rig_at, tmp_path):
    """A block whose face is a sphere of R = 250 mm, by the kernel's own writer; the truth is the closed form."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Common
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeSphere
    from OCP.gp import gp_Pnt
    from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

    block = BRepPrimAPI_MakeBox(gp_Pnt(-60.0, -45.0, -5.0), gp_Pnt(60.0, 45.0, 40.0)).Shape()
    ball = BRepPrimAPI_MakeSphere(gp_Pnt(0.0, 0.0, 250.0), 250.0).Shape()
    writer = STEPControl_Writer()
    writer.Transfer(BRepAlgoAPI_Common(block, ball).Shape(), STEPControl_AsIs)
    writer.Write(str(tmp_path / "m.step"))
    mesh = read_mesh(tmp_path / "m.step", key="mirror.file")
    _, rms, missing, z = _judged(rig_at(), mesh, _sphere(250.0), _inside)
    assert rms <= 1e-4
    assert z <= _HONEST
    assert missing == 0.0


def _spline_solid(path):
    """A waved B-spline face of a solid with a rounded rim; returns the kernel's own height and slopes of the face."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Common
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakePrism
    from OCP.collections import Array2_double
    from OCP.GeomAPI import GeomAPI_PointsToBSplineSurface
    from OCP.gp import gp_Pnt, gp_Vec
    from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer
    from OCP.TopAbs import TopAbs_EDGE
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    x, y = np.linspace(-63.0, 63.0, 13), np.linspace(-48.0, 48.0, 10)
    heights = Array2_double(1, 13, 1, 10)
    for i, j in np.ndindex(13, 10):
        wave = 1.5 * np.sin(0.05 * x[i]) * np.cos(0.05 * y[j])
        heights.SetValue(i + 1, j + 1, float(_SAG(x[i], y[j]) + wave))
    made = GeomAPI_PointsToBSplineSurface()
    made.Interpolate(heights, -63.0, x[1] - x[0], -48.0, y[1] - y[0])
    spline = made.Surface()
    prism = BRepPrimAPI_MakePrism(BRepBuilderAPI_MakeFace(spline, 1e-6).Face(), gp_Vec(0.0, 0.0, 60.0)).Shape()
    block = BRepPrimAPI_MakeBox(gp_Pnt(-60.0, -45.0, -40.0), gp_Pnt(60.0, 45.0, 30.0)).Shape()
    solid = BRepAlgoAPI_Common(prism, block).Shape()
    rounded, edges = BRepFilletAPI_MakeFillet(solid), TopExp_Explorer(solid, TopAbs_EDGE)
    rounded.Add(1.5, TopoDS.Edge(edges.Current()))
    writer = STEPControl_Writer()
    writer.Transfer(rounded.Shape(), STEPControl_AsIs)
    writer.Write(str(path))
    u0, u1, v0, v1 = spline.Bounds()
    per = np.array([(u1 - u0) / 126.0, (v1 - v0) / 96.0])

    def evaluated(x, y):
        flat, p, du, dv = np.full((x.size, 3), np.nan), gp_Pnt(), gp_Vec(), gp_Vec()
        for n, (a, b) in enumerate(zip(x.ravel(), y.ravel(), strict=True)):
            if abs(a) < 63.0 and abs(b) < 48.0:
                spline.D1(u0 + per[0] * (a + 63.0), v0 + per[1] * (b + 48.0), p, du, dv)
                flat[n] = p.Z(), du.Z() * per[0], dv.Z() * per[1]
        return flat.reshape(*x.shape, 3)

    return (lambda x, y: evaluated(x, y)[..., 0]), (lambda x, y: (evaluated(x, y)[..., 1], evaluated(x, y)[..., 2]))


def test_a_spline_face_of_a_step_file_is_the_kernels_own(rig_at, tmp_path):
    """Beside a rounding of 1.5 mm, up to the face's own rim; the truth is the kernel's evaluation before it wrote."""
    truth = _spline_solid(tmp_path / "m.step")
    mesh = read_mesh(tmp_path / "m.step", key="mirror.file")
    model, rms, missing, z = _judged(
        rig_at(-140.0, resolution=(48, 27)), mesh, truth, lambda at: (np.abs(at) < (58.0, 43.0, 99.0)).all(axis=-1)
    )
    assert rms <= 1e-6
    assert z <= _HONEST
    assert missing == 0.0
    assert [type(surface) for surface in model.surfaces] == [NurbsSurface]


def test_an_obstacle_shades_whichever_way_its_triangles_are_wound(rig_around):
    bar = box((-70.0, 5.0, -60.0), (70.0, 12.0, -50.0))
    inside_out = TriangleMesh(vertices_mm=bar.vertices_mm, faces=bar.faces[:, ::-1])
    place = Placement(position_mm=np.zeros(3), rotation=np.eye(3))
    rig = rig_around(
        MeshShape(file="m.stl", reflecting_side=DOWN, crease_rad=None),
        resolution=(80, 45),
        projector_mm=(0.0, 0.0, -110.0),
        obstacles=[Obstacle(file="bar.stl", placement=place)],
    )
    reasons = [
        trace_pixels(build_model(rig, meshes={"m.stl": mould(_SAG), "bar.stl": mesh})).reason
        for mesh in (bar, inside_out)
    ]
    np.testing.assert_array_equal(*reasons)
    assert (reasons[0] == LightFate.SHADOW_IN).any()


@pytest.mark.parametrize(
    ("count", "rms_mm"), [(40, _TOLERANCE_MM), (11, 0.5), (5, 0.5)], ids=["many strips", "some", "hardly any"]
)
def test_strips_of_any_profile_are_traced_through_their_rulings(rig_at, count, rms_mm):
    """Few strips leave a wave open; the stated uncertainty holds, and says so."""

    def height(x, y):
        return -(x * x / 900 + x**3 / 60000 + 0.3 * np.sin(x / 20)) + 0.0 * y

    def slope(x, y):
        return -(2 * x / 900 + 3 * x * x / 60000 + 0.015 * np.cos(x / 20)), 0.0 * y

    x = np.linspace(-60.0, 60.0, count + 1)
    mesh = strips(np.column_stack([x, height(x, 0.0)]))
    model, rms, missing, z = _judged(rig_at(), mesh, (height, slope), _inside)
    assert rms <= rms_mm
    assert z <= _HONEST
    assert missing == 0.0
    check = check_export(model, trace_map(model), rig_at())
    assert check.usable == (rms <= _TOLERANCE_MM)


@pytest.mark.parametrize("polar_deg", [180.0, 85.0, 75.0], ids=["whole ball", "cap to 85", "cap to 75 degrees"])
def test_balls_cost_nothing_where_no_light_comes(rig_at, polar_deg):
    mesh = ball(100.0, sectors=90, polar_deg=polar_deg)
    _, rms, missing, z = _judged(
        rig_at(-100.0), mesh, _sphere(100.0), lambda at: np.hypot(at[..., 0], at[..., 1]) < 90.0
    )
    assert rms <= _TOLERANCE_MM
    assert z <= _HONEST
    assert missing == 0.0


def test_a_dent_of_the_mirror_is_no_face_of_its_own(rig_at):
    """A dent as deep as 0.3 mm bends eight times as much as the mirror; it stays, and no light is lost on it."""

    def height(x, y):
        return _SAG(x, y) - 0.3 * np.exp(-((x - 20) ** 2 + y * y) / 50)

    model = build_model(rig_at(), meshes={"m.stl": mould(height, edge_mm=2.5)})
    assert len(model.surfaces) == 1
    assert trace_map(model).answered.all()


@pytest.mark.parametrize(
    ("triangles", "says"),
    [
        (np.repeat(np.random.default_rng(1).uniform(-50, 50, (50, 1, 3)), 3, axis=1), "has an area"),
        (np.random.default_rng(1).uniform(-50, 50, (200, 3, 3)), "do not join"),
    ],
    ids=["no area", "soup"],
)
def test_what_is_no_surface_is_refused(rig_at, triangles, says):
    with pytest.raises(InputError, match=says):
        build_model(rig_at(), meshes={"m.stl": soup(triangles)})
