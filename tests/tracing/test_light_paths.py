"""What stops light: obstacles, the mirror itself, and ways that miss the table; each pixel says why."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from rigwarp.geometry import Placement, TriangleMesh
from rigwarp.rig import Facet, FacetsShape, MeshShape, Obstacle, ProfileShape
from rigwarp.tracing import LightFate, build_model, trace_map, trace_pixels
from rigwarp.tracing.reasons import LightFate as _Reason

_RESOLUTION = (320, 180)


def _panel(corners):
    return Facet(corners_mm=np.array(corners, float), bend_radius_mm=None, bend_axis=None)


def _square(half_mm, z=0.0):
    return [[-half_mm, -half_mm, z], [half_mm, -half_mm, z], [half_mm, half_mm, z], [-half_mm, half_mm, z]]


def _box(size_mm, centre_mm):
    box = trimesh.creation.box(size_mm)
    mesh = TriangleMesh(vertices_mm=np.array(box.vertices), faces=np.array(box.faces, np.int64))
    return mesh, Obstacle(
        file="box.stl", placement=Placement(position_mm=np.array(centre_mm, float), rotation=np.eye(3))
    )


def test_reasons_are_the_published_ones():
    assert LightFate is _Reason
    assert [r.name for r in LightFate] == [
        "LIT", "MISSES_MIRROR", "SPILL", "SHADOW_IN", "SHADOW_OUT", "UPWARD", "DOUBLE_BOUNCE",
        "STRAY",
    ]  # fmt: skip


def test_an_obstacle_by_a_flat_mirror_shades_where_geometry_says(rig_around):
    """By similar triangles: a flat mirror at z = 0 and a lens at z = -90 light the table at -400 as if from z = +90."""
    mesh, obstacle = _box((20.0, 20.0, 2.0), (30.0, 0.0, -200.0))
    rig = rig_around(FacetsShape(facets=(_panel(_square(60)),)), resolution=_RESOLUTION, obstacles=[obstacle])
    trace = trace_pixels(build_model(rig, meshes={"box.stl": mesh}))
    shaded = trace.reason == LightFate.SHADOW_OUT
    free = build_model(replace(rig, obstacles=()), meshes={})
    x, y = np.moveaxis(trace_pixels(free).table_mm, -1, 0)
    far, near = 490.0 / 289.0, 490.0 / 291.0  # magnification from the box's two faces at -199 and -201 to the table
    umbra = (np.abs(x - 30 * far) < 10 * near) & (np.abs(y) < 10 * near) & (np.abs(x - 30 * near) < 10 * near)
    outside = (x < 20 * near) | (x > 40 * far) | (np.abs(y) > 10 * far)
    assert shaded[umbra].all()
    assert not shaded[outside].any()
    assert shaded.any()
    assert np.isnan(trace.table_mm[shaded]).all()
    assert (trace.zone[shaded] == -1).all()
    assert set(np.unique(trace.reason)) == {LightFate.LIT, LightFate.SHADOW_OUT}


def test_an_obstacle_before_the_mirror_shades_on_the_way_in(rig_around):
    mesh, obstacle = _box((4.0, 4.0, 1.0), (0.0, 0.0, -60.0))
    rig = rig_around(FacetsShape(facets=(_panel(_square(60)),)), resolution=_RESOLUTION, obstacles=[obstacle])
    trace = trace_pixels(build_model(rig, meshes={"box.stl": mesh}))
    v, u = np.nonzero(trace.reason == LightFate.SHADOW_IN)
    half = 2.0 / 29.5 * 1.2 * 320  # the nearer face spans +-2 mm at 29.5 mm from the lens
    assert (u.min(), u.max()) == (np.ceil(159.5 - half), np.floor(159.5 + half))
    assert (v.min(), v.max()) == (np.ceil(89.5 - half), np.floor(89.5 + half))


def test_light_past_the_mirror_spills_only_when_it_comes_down(rig_around):
    """A projector that looks down past a small mirror lights the table directly; one that looks up does not."""
    facets = FacetsShape(facets=(_panel(_square(15)),))
    up = trace_pixels(build_model(rig_around(facets, resolution=_RESOLUTION), meshes={}))
    assert set(np.unique(up.reason)) == {LightFate.LIT, LightFate.MISSES_MIRROR}
    tilted = [[-8.0, -8, 8], [8, -8, -8], [8, 8, -8], [-8, 8, 8]]
    facing_down = np.diag([1.0, -1.0, -1.0])
    rig = rig_around(
        FacetsShape(facets=(_panel(tilted),)), resolution=_RESOLUTION, projector_mm=(0, 0, 90.0), rotation=facing_down
    )
    model = build_model(rig, meshes={})
    down = trace_pixels(model)
    assert (down.reason == LightFate.SPILL).mean() > 0.5
    assert model.trace(np.array([0.0, 0.0])).reason == LightFate.SPILL
    assert np.isnan(down.table_mm[down.reason == LightFate.SPILL]).all()


def test_light_that_leaves_upward_is_told_apart(rig_around, conic_shape):
    """A dome seen to its rim: beyond 45 degrees of incidence the light no longer comes down (closed form, sphere)."""
    model = build_model(rig_around(conic_shape(20.0, aperture_mm=(0.0, 19.9)), resolution=_RESOLUTION), meshes={})
    trace = trace_pixels(model)
    directions = model.pixel_rays(np.stack(np.meshgrid(np.arange(320.0), np.arange(180.0)), axis=-1))
    on_mirror = np.isfinite(trace.mirror_mm[..., 0])
    normal = (np.array([0.0, 0.0, 20.0]) - trace.mirror_mm) / -20.0
    out_z = directions[..., 2] - 2.0 * np.sum(directions * normal, axis=-1) * normal[..., 2]
    assert np.array_equal(trace.reason[on_mirror] == LightFate.UPWARD, out_z[on_mirror] >= 0.0)
    assert (trace.reason == LightFate.UPWARD).any()


def _valley(angle_deg):
    """Two panels that meet at x = 0, z = 0 and hang down to both sides, enclosing 180 - 2 angle degrees."""
    drop = -60 * np.tan(np.deg2rad(angle_deg))
    left = [[-60, -40, drop], [0, -40, 0], [0, 40, 0], [-60, 40, drop]]
    right = [[0, -40, 0], [60, -40, drop], [60, 40, drop], [0, 40, 0]]
    return left, right


@pytest.mark.parametrize("as_mesh", [False, True])
def test_double_bounces_in_a_valley_are_found(rig_around, as_mesh):
    """Two-dimensional geometry: after the first reflection the ray either crosses the other panel's segment or not."""
    panels = _valley(50.0)
    if as_mesh:
        corners = np.concatenate(panels).astype(float)
        mesh = TriangleMesh(vertices_mm=corners, faces=np.array([[0, 1, 2], [0, 2, 3], [4, 5, 6], [4, 6, 7]]))
        shape, meshes = (
            MeshShape(file="m.stl", reflecting_side=np.array([0, 0, -1.0]), crease_rad=None),
            {"m.stl": mesh},
        )
    else:
        shape, meshes = FacetsShape(facets=tuple(_panel(p) for p in panels)), {}
    model = build_model(rig_around(shape, resolution=_RESOLUTION, projector_mm=(3.0, 0.0, -100.0)), meshes=meshes)
    trace = trace_pixels(model)
    directions = model.pixel_rays(np.stack(np.meshgrid(np.arange(320.0), np.arange(180.0)), axis=-1))
    hit, n = trace.mirror_mm, trace.normal
    out = directions - 2 * np.sum(directions * n, axis=-1, keepdims=True) * n
    slope = -np.tan(np.deg2rad(50.0))
    side = -np.sign(hit[..., 0])  # the other panel is z = slope |x| at x of this sign
    reach = (slope * side * hit[..., 0] - hit[..., 2]) / (out[..., 2] - slope * side * out[..., 0])
    x, y = hit[..., 0] + reach * out[..., 0], hit[..., 1] + reach * out[..., 1]
    again = (reach > 0) & (x * side > 0) & (np.abs(x) < 60) & (np.abs(y) < 40)
    sure = (np.abs(hit[..., 0]) > 0.1) & (np.abs(np.abs(x) - 60) > 0.1) & (np.abs(np.abs(y) - 40) > 0.1)
    assert (again & sure).sum() > 1000
    found = trace.reason == LightFate.DOUBLE_BOUNCE
    assert np.array_equal(found[sure & np.isfinite(x)], again[sure & np.isfinite(x)])


def test_one_panel_hides_another_from_the_lens(rig_around):
    """The nearer of two panels in line with the lens is the one that is lit; what lies behind it gets nothing."""
    near, far = _panel(_square(10, z=-30.0)), _panel(_square(60))
    trace = trace_pixels(build_model(rig_around(FacetsShape(facets=(far, near)), resolution=_RESOLUTION), meshes={}))
    half = 10.0 / 60.0 * 1.2 * 320
    u, v = np.meshgrid(np.arange(320), np.arange(180))
    on_near = (np.abs(u - 159.5) < half) & (np.abs(v - 89.5) < half)
    assert (trace.zone[on_near & (trace.reason == LightFate.LIT)] == 1).all()
    assert not (trace.zone[~on_near] == 1).any()
    assert (trace.zone[~on_near & (trace.reason == LightFate.LIT)] == 0).all()


def test_the_triangle_that_is_hit_is_the_outside_tracers(rig_around, scattered, mesh_from, rng):
    """Against trimesh's ray query on the same mesh: same lit pixels but for those whose ray runs along the rim."""
    points = scattered(rng, half_x=14.0, half_y=9.0, edge_mm=1.0)
    mesh = mesh_from(lambda x, y: x**2 / 300 + x * y / 500, points)
    shape = MeshShape(file="m.stl", reflecting_side=np.array([0, 0, 1.0]), crease_rad=None)
    model = build_model(rig_around(shape, resolution=_RESOLUTION), meshes={"m.stl": mesh})
    pixels = np.stack(np.meshgrid(np.arange(320.0), np.arange(180.0)), axis=-1).reshape(-1, 2)
    tracer = trimesh.Trimesh(vertices=mesh.vertices_mm, faces=mesh.faces, process=False)
    rays = model.pixel_rays(pixels)
    where, ray, _ = tracer.ray.intersects_location(
        np.broadcast_to([0.0, 0.0, -90.0], rays.shape), rays, multiple_hits=False
    )
    ours = trace_pixels(model).mirror_mm.reshape(-1, 3)
    met = np.zeros(len(rays), bool)
    met[ray] = True
    assert np.sum(met != np.isfinite(ours[:, 0])) <= 2  # rays that graze the rim to within single precision
    both = np.isfinite(ours[ray, 0])
    # jittered 1 mm facets have edges of up to 2.4 mm and lie within edge^2 / (8 R) = 0.005 mm of the surface
    assert np.abs(where[both] - ours[ray[both]]).max() < 0.005


def test_coarse_and_dense_paths_agree_on_reasons(rig_around):
    mesh, obstacle = _box((20.0, 20.0, 2.0), (30.0, 0.0, -200.0))
    shape = FacetsShape(facets=tuple(_panel(p) for p in _valley(35.0)))
    rig = rig_around(shape, resolution=_RESOLUTION, projector_mm=(3.0, 0.0, -100.0), obstacles=[obstacle])
    model = build_model(rig, meshes={"box.stl": mesh})
    assert np.array_equal(trace_pixels(model).reason, trace_pixels(model, step_px=1).reason)
    assert np.array_equal(trace_map(model).zone, trace_pixels(model, step_px=1).zone)


def test_a_profiles_kink_separates_zones(rig_around):
    r = np.linspace(0.0, 40.0, 81)
    z = r**2 / 200 + np.where(r < 15.0, 0.0, (r - 15.0) * np.tan(np.deg2rad(3.0)))
    rig = rig_around(ProfileShape(file="p.csv"), resolution=_RESOLUTION)
    model = build_model(rig, meshes={}, profiles={"p.csv": np.round(np.stack([r, z], axis=-1), 3)})
    assert [s.aperture_mm for s in model.surfaces] == [(0.0, 15.0), (15.0, 40.0)]
    trace = trace_pixels(model)
    radius = np.linalg.norm(trace.mirror_mm[..., :2], axis=-1)
    lit = trace.reason == LightFate.LIT
    assert np.array_equal(trace.zone[lit] == 1, radius[lit] > 15.0)
