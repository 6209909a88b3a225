"""The prewarp against the analytic map it was built from."""

from dataclasses import replace

import numpy as np
import pytest

from rigwarp.errors import MeasurementError
from rigwarp.geometry import PixelMap
from rigwarp.prewarp import Prewarp, build_prewarp, content_coordinates, mesh_coordinates
from rigwarp.rig import Content
from rigwarp.rig.canvas import table_to_content

WIDTH, HEIGHT = 1280, 720


def content(shape="circle", size=(480.0, 480.0), pixels=(1080, 1080), rotation=0.0):
    return Content(shape=shape, size_mm=size, centre_mm=np.zeros(2), rotation_rad=rotation, pixels=pixels)


def convex_sphere_mm(u, v):
    """Closed form of check_values section 1.9: coaxial projector (f = 1536 px) below a convex sphere, R = 100 mm."""
    radius, distance, height, focal = 100.0, 90.0, 400.0, 1536.0
    du, dv = u - (WIDTH - 1) / 2, v - (HEIGHT - 1) / 2
    alpha = np.arctan2(np.hypot(du, dv), focal)
    # line from the pinhole to the sphere's centre distance D + R: sine rule
    beta = np.arcsin(np.clip((distance + radius) * np.sin(alpha) / radius, -1, 1)) - alpha
    x = radius * np.sin(beta)
    z = radius * (1 - np.cos(beta))
    rho = x + (height + z) * np.tan(alpha + 2 * beta)
    azimuth = np.arctan2(dv, du)
    return np.stack([rho * np.cos(azimuth), -rho * np.sin(azimuth)], axis=-1)


def pixel_map(table_mm, zone=None, *, valid=None):
    zone = np.zeros(table_mm.shape[:2], np.int16) if zone is None else zone.astype(np.int16)
    valid = np.isfinite(table_mm[..., 0]) if valid is None else valid
    table_mm = np.where(valid[..., None], table_mm, np.nan)
    return PixelMap(
        x_mm=table_mm[..., 0],
        y_mm=table_mm[..., 1],
        sigma_mm=np.full(valid.shape, 0.01),
        zone=np.where(valid, zone, -1).astype(np.int16),
        measured=valid,
    )


@pytest.fixture(scope="module")
def sphere() -> tuple[PixelMap, Prewarp]:
    v, u = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    table_map = pixel_map(convex_sphere_mm(u, v))
    return table_map, build_prewarp(table_map, content(), 2.2)


def test_closed_form_used_here():
    # check_values 1.9: pixel radius 100 and 320
    for radius_px, rho_mm in ((100, 79.720532925), (320, 288.467654239)):
        point = convex_sphere_mm((WIDTH - 1) / 2 + radius_px, (HEIGHT - 1) / 2)
        assert point[0] == pytest.approx(rho_mm, abs=1e-9)


def test_mesh_stays_within_tolerance_of_the_closed_form(sphere):
    """Tolerance: the 0.05 content pixels that the mesh promises, against the formula and not the stored map."""
    _, prewarp = sphere
    lit = np.argwhere(prewarp.gain > 0)
    wanted = table_to_content(content(), convex_sphere_mm(lit[:, 1].astype(float), lit[:, 0].astype(float)))
    found = mesh_coordinates(prewarp)[lit[:, 0], lit[:, 1]]
    error = np.linalg.norm(found - wanted, axis=-1)
    assert error.max() <= 0.05
    assert error.max() == pytest.approx(prewarp.mesh_error_px, abs=1e-9)
    assert error.max() > 0.01  # a mesh far finer than asked for would be wasteful
    assert len(prewarp.triangles) < 20_000


def test_gain_covers_exactly_the_content_area(sphere):
    """The summed coverage, weighted by mm^2 per pixel, is the circle's area (1e-3: half a pixel of edge noise)."""
    table_map, prewarp = sphere
    x_u, x_v = np.gradient(table_map.x_mm, axis=(1, 0))
    y_u, y_v = np.gradient(table_map.y_mm, axis=(1, 0))
    area = np.sum(np.abs(x_u * y_v - x_v * y_u) * prewarp.gain)
    assert area == pytest.approx(np.pi * 240.0**2, rel=1e-3)
    radius = np.hypot(table_map.x_mm, table_map.y_mm)
    assert np.all(prewarp.gain[radius < 239.0] == 1.0)
    assert np.all(prewarp.gain[radius > 241.0] == 0.0)


def test_every_lit_pixel_lies_in_a_triangle_and_no_edge_is_cracked(sphere):
    _, prewarp = sphere
    assert np.isfinite(mesh_coordinates(prewarp)[prewarp.gain > 0]).all()
    edges = np.sort(np.concatenate([prewarp.triangles[:, [i, (i + 1) % 3]] for i in range(3)]), axis=1)
    pairs, uses = np.unique(edges, axis=0, return_counts=True)
    assert uses.max() == 2
    # an edge used once is the mesh's rim; a T-junction would put a vertex in the middle of one
    rim = prewarp.vertices_px[pairs[uses == 1]]
    middles = rim.mean(axis=1)
    corners = {tuple(p) for p in prewarp.vertices_px}
    assert not any(tuple(p) in corners for p in middles)
    a, b, c = (prewarp.vertices_px[prewarp.triangles[:, i]] for i in range(3))
    turn = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]
    assert (turn > 0).all()


def test_linear_map_needs_only_the_coarsest_mesh():
    v, u = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    table_mm = np.stack([(u - 640) * 0.3, (360 - v) * 0.3], axis=-1)
    prewarp = build_prewarp(pixel_map(table_mm), content("rectangle", (384.0, 216.0), (1280, 720)), "srgb")
    assert prewarp.mesh_error_px < 1e-9
    assert len(prewarp.triangles) <= 21 * 12 * 4  # tiles of 64 over the picture and a pixel around it, four in each


def test_zones_share_no_triangle_and_each_follows_its_own_map():
    """Two tilted halves with a jump of 40 mm between them."""
    v, u = np.mgrid[:360, :640].astype(float)
    zone = (u + 0.2 * v > 330).astype(int)
    x = (u - 320) * 0.5 + np.where(zone == 1, -20.0, 20.0) + 2e-4 * (u - 320) ** 2
    table_mm = np.stack([x, (180 - v) * 0.5 + 0.03 * zone * u], axis=-1)
    table_map = pixel_map(table_mm, zone)
    prewarp = build_prewarp(table_map, content("rectangle", (300.0, 150.0), (900, 450)), 2.2)
    assert prewarp.mesh_error_px <= 0.05
    assert set(np.unique(prewarp.triangle_zone)) == {0, 1}
    used = [set(prewarp.triangles[prewarp.triangle_zone == z].ravel()) for z in (0, 1)]
    assert not used[0] & used[1]


def test_ragged_edge_and_holes_keep_the_mesh_accurate():
    rng = np.random.default_rng(5)
    v, u = np.mgrid[:360, :640].astype(float)
    table_mm = np.stack([(u - 320) * 0.7 + 15 * np.sin(v / 40), (180 - v) * 0.7 + 15 * np.cos(u / 50)], axis=-1)
    valid = np.hypot(u - 320, v - 180) < 170 + 5 * np.sin(u / 3)
    valid &= rng.random(valid.shape) > 0.02
    table_map = pixel_map(table_mm, valid=valid)
    prewarp = build_prewarp(table_map, content(size=(400.0, 400.0), pixels=(800, 800)), 2.2)
    assert prewarp.mesh_error_px <= 0.05
    assert np.all(prewarp.gain[~valid] == 0)
    # the continuation is for drawing only, yet must not run away: within the mesh it stays near the formula
    inside = np.all((prewarp.vertices_px >= 0) & (prewarp.vertices_px < [640, 360]), axis=1)
    u_n, v_n = prewarp.vertices_px[inside].T
    true_mm = np.stack([(u_n - 320) * 0.7 + 15 * np.sin(v_n / 40), (180 - v_n) * 0.7 + 15 * np.cos(u_n / 50)], axis=-1)
    true_px = table_to_content(content(size=(400.0, 400.0), pixels=(800, 800)), true_mm)
    assert np.linalg.norm(true_px - prewarp.content_px[inside], axis=1).max() < 60.0


def test_flattening_evens_out_measured_light(sphere):
    """Light times gain is flat where the light allows; 0.35 is the stated bound."""
    table_map, _ = sphere
    v, u = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    light = 3.0 * np.exp(-(((u - 640) / 500) ** 2 + ((v - 360) / 500) ** 2))
    prewarp = build_prewarp(table_map, content(), 2.2, light=light)
    inside = np.hypot(table_map.x_mm, table_map.y_mm) < 238.0
    out = (light * prewarp.gain)[inside]
    assert out.max() / out.min() < 1.1
    assert light[inside].max() / light[inside].min() > 1.3
    assert prewarp.gain[inside].min() >= 0.35
    strong = build_prewarp(table_map, content(), 2.2, light=np.where(u < 640, 10.0, 1.0))
    assert strong.gain[360, 500] == pytest.approx(0.35, abs=1e-6)
    assert strong.gain[360, 780] == pytest.approx(1.0, abs=1e-6)


def test_nothing_on_the_content_is_an_error_that_says_so():
    v, u = np.mgrid[:40, :60].astype(float)
    with pytest.raises(MeasurementError, match="content area"):
        build_prewarp(pixel_map(np.stack([u + 1000, v], axis=-1)), content(), 2.2)


def test_what_was_computed_is_kept(sphere):
    """Per pixel nothing is lost to the mesh: the map's own content coordinate, and at most float32's rounding."""
    table_map, prewarp = sphere
    lit = prewarp.gain > 0
    exact = table_to_content(content(), table_map.table_mm)
    assert np.abs(content_coordinates(prewarp) - exact)[lit].max() < 1e-3
    assert np.linalg.norm(mesh_coordinates(prewarp) - exact, axis=-1)[lit].max() > 0.01


def test_without_it_the_mesh_is_taken(sphere):
    _, prewarp = sphere
    np.testing.assert_array_equal(content_coordinates(replace(prewarp, canvas_px=None)), mesh_coordinates(prewarp))
