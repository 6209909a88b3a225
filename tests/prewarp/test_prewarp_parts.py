"""The prewarp's parts on inputs with closed-form answers."""

import numpy as np
import pytest

from rigwarp.prewarp.bisection import TILE_PX, compact, lattice_size, straying_points, triangles_of, with_dependants
from rigwarp.prewarp.extend import extend_linearly
from rigwarp.prewarp.gain import edge_coverage, evened, rim_share, smooth_light
from rigwarp.prewarp.rasterise import cover_pixels, interpolate
from rigwarp.rig import Content


def test_interpolation_is_exact_for_linear_values():
    """Barycentric interpolation reproduces any linear function; 1e-9 is rounding at coordinates near 1000."""
    vertices = np.array([[-7.3, -4.1], [90.2, 3.0], [20.0, 75.5], [99.0, 88.0]])
    triangles = np.array([[0, 1, 2], [1, 3, 2], [0, 0, 1]], np.int32)  # the last one is degenerate
    values = np.stack([3.0 + 2.0 * vertices[:, 0] - vertices[:, 1], 0.5 * vertices[:, 1]], axis=-1)
    cover = cover_pixels(vertices, triangles, (80, 60))
    out = interpolate(cover, values, triangles)
    v, u = np.mgrid[:60, :80]
    inside = np.isfinite(out[..., 0])
    np.testing.assert_allclose(out[inside], np.stack([3.0 + 2.0 * u - v, 0.5 * v], axis=-1)[inside], atol=1e-9)
    # pixel (40, 30) is plainly inside, (2, 58) plainly outside
    assert inside[30, 40]
    assert not inside[58, 2]
    assert not (cover.triangle == 2).any()


def test_a_pixel_is_coloured_by_its_own_zone():
    square = np.array([[-1.0, -1.0], [20.0, -1.0], [20.0, 20.0], [-1.0, 20.0]])
    vertices = np.concatenate([square, square])
    triangles = np.array([[0, 1, 2], [0, 2, 3], [4, 5, 6], [4, 6, 7]], np.int32)
    values = np.repeat([[1.0], [2.0]], 4, axis=0)
    zone = np.zeros((16, 16), np.int16)
    zone[:, 7:] = 1
    zone[3, 3] = -1
    cover = cover_pixels(vertices, triangles, (16, 16), triangle_zone=np.array([0, 0, 1, 1], np.int16), zone=zone)
    out = interpolate(cover, values, triangles)[..., 0]
    np.testing.assert_allclose(out[zone >= 0], zone[zone >= 0] + 1.0, atol=1e-12)
    assert np.isnan(out[3, 3])


@pytest.mark.parametrize("seed", range(4))
def test_any_set_of_wanted_points_gives_a_mesh_without_cracks(seed):
    """The triangles tile the lattice: areas add up, and every edge inside it belongs to exactly two triangles."""
    rng = np.random.default_rng(seed)
    shape = (lattice_size(2 * TILE_PX), lattice_size(TILE_PX))
    wanted = rng.random(shape) < 10.0 ** -(1 + seed)
    used = with_dependants(wanted | straying_points(np.zeros((*shape, 2)), np.ones(shape, bool), 0.5))
    assert used[wanted].all()
    vertices, triangles = compact(triangles_of(used), shape)
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    area = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    assert (area > 0).all()
    assert area.sum() == (shape[0] - 1) * (shape[1] - 1)
    edges = np.sort(np.concatenate([triangles[:, [i, (i + 1) % 3]] for i in range(3)]), axis=1)
    pairs, uses = np.unique(edges, axis=0, return_counts=True)
    ends = vertices[pairs[uses == 1]]
    limit = np.array([shape[1] - 1, shape[0] - 1])
    on_rim = ((ends == 0).all(axis=1) | (ends == limit).all(axis=1)).any(axis=1)
    assert on_rim.all()
    assert uses.max() == 2


def test_continuation_of_a_linear_map_is_that_map():
    v, u = np.mgrid[:40, :60].astype(float)
    full = np.stack([2.0 * u - 0.3 * v, 0.7 * v + 5.0], axis=-1)
    holed = full.copy()
    holed[np.hypot(u - 30, v - 20) > 15] = np.nan
    holed[18:22, 28:31] = np.nan
    np.testing.assert_allclose(extend_linearly(holed), full, atol=1e-9)


def test_edge_is_one_projector_pixel_wide_and_in_its_place():
    """A straight edge at u = 20.25, half a content pixel per projector pixel: coverage of pixel 20 is 0.75."""
    v, u = np.mgrid[:30, :40].astype(float)
    content = Content(
        shape="rectangle", size_mm=(10.0, 10.0), centre_mm=np.zeros(2), rotation_rad=0.0, pixels=(100, 100)
    )
    content_px = np.stack([99.5 + 0.5 * (u - 20.25), 50.0 + 0.0 * v], axis=-1)
    coverage = edge_coverage(content_px, content)
    np.testing.assert_allclose(coverage[15, 18:24], [1.0, 1.0, 0.75, 0.0, 0.0, 0.0], atol=1e-9)


def test_flattening_of_a_step_and_of_unknown_light():
    light = np.full((60, 80), 4.0)
    light[:, 60:] = 2.0
    light[20:30, 20:30] = np.nan
    inside = np.ones(light.shape, bool)
    gain = evened(np.ones(light.shape), smooth_light(light, inside), np.zeros(light.shape))
    assert gain[45, 10] == pytest.approx(0.5, abs=1e-6)
    assert gain[25, 25] == pytest.approx(0.5, abs=1e-6)  # unknown light is taken from its neighbours
    assert gain[45, 75] == pytest.approx(1.0, abs=1e-6)
    assert smooth_light(np.full((4, 4), np.nan), np.ones((4, 4), bool)) is None


def test_a_wanted_falloff_leaves_that_much_less_light_at_the_rim():
    """Even light over a disc, a quarter less wanted at its rim: gain 1 - r^2 / 4 up to one factor, 1 at the rim."""
    content = Content(
        shape="circle", size_mm=(100.0, 100.0), centre_mm=np.zeros(2), rotation_rad=0.0, pixels=(200, 200)
    )
    v, u = np.mgrid[:200, :200].astype(float)
    rim = rim_share(np.stack([u, v], -1), content)
    assert rim[100, 100] == pytest.approx(0.0, abs=1e-4)
    assert rim[100, 0] == pytest.approx(0.99, abs=0.01)
    inside = rim < 1.0
    gain = evened(inside.astype(float), np.full((200, 200), 7.0), rim, lowest_gain=0.1, falloff=0.25)
    ratio = gain[inside] / (1.0 - 0.25 * rim[inside])
    # where it is not cut at 1 (the target is what 95 % of the area reaches) the shape is the wanted one
    free = gain[inside] < 1.0
    assert free.any()
    np.testing.assert_allclose(ratio[free], ratio[free].max(), rtol=1e-9)
    assert gain[100, 0] / gain[100, 100] == pytest.approx(0.7525, abs=0.01)
