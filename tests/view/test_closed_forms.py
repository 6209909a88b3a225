"""A view traced, against what a flat wing is: a pinhole at the camera's mirror image. Figures derived by hand."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from two_wings_rig import seen_by, two_wings

from rigwarp.geometry import Placement, ViewMap, look_at
from rigwarp.rig import Facet, FacetsShape, Lens, Mirror, Rig
from rigwarp.view import LeanDoubt, ViewPart, cover_of, height_of, pixels_of, points, trace_view, view_parts

# pixel u, v; table x, y; lean x, y; singular values and determinant of d(mm) / d(px): worked out by hand
CHECKS = [
    ((1199.5, 539.5), (398.319546, 0.0), (0.831029, 0.0), (0.774023, 0.603979), 0.467493),
    ((1499.5, 239.5), (667.484877, -210.032700), (1.238975, -0.318324), (1.050702, 0.692992), 0.728128),
    ((1799.5, 939.5), (1038.550731, 333.053008), (1.801360, 0.504773), (1.492648, 0.820566), 1.224816),
    ((119.5, 939.5), (-1038.550731, 333.053008), (-1.801360, 0.504773), (1.492648, 0.820566), 1.224816),
]


@pytest.fixture(scope="module")
def rig() -> Rig:
    return two_wings()


@pytest.fixture(scope="module")
def parts(rig: Rig) -> tuple[ViewPart, ...]:
    return view_parts(rig, None, meshes={}, profiles={})


@pytest.fixture(scope="module")
def small() -> tuple[Rig, ViewMap]:
    """A sixth of the pixels along each side: pixel u of 1920 is (u + 0.5) / 6 - 0.5 here."""
    rig = two_wings(resolution=(320, 180))
    return rig, trace_view(view_parts(rig, None, meshes={}, profiles={}), rig.table)


@pytest.mark.parametrize(("pixel", "place", "lean", "scales", "determinant"), CHECKS)
def test_a_wing_is_a_pinhole(parts, pixel, place, lean, scales, determinant) -> None:
    model = parts[0 if pixel[0] > 959.5 else 1].model
    step = 1e-3 * np.array([[0.0, 0.0], [1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    traced = model.trace(np.array(pixel) + step)
    np.testing.assert_allclose(traced.table_mm[0], place, atol=1e-5)
    at = model.mirror.to_table(traced.mirror_mm[0])
    np.testing.assert_allclose((traced.table_mm[0] - at[:2]) / at[2], lean, atol=1e-6)
    spots = traced.table_mm
    slope = np.stack([spots[1] - spots[2], spots[3] - spots[4]], axis=-1) / 2e-3
    np.testing.assert_allclose(np.linalg.svd(slope, compute_uv=False), scales, atol=1e-5)
    assert np.linalg.det(slope) == pytest.approx(determinant, abs=1e-5)  # by one mirror: positive


def test_the_design_map_is_that_of_both_pinholes(small) -> None:
    rig, design = small
    v, u = np.nonzero(design.answered)
    pixels = (np.stack([u, v], axis=-1) + 0.5) * 6.0 - 0.5
    for zone, side in ((0, 1), (1, -1)):
        here = design.zone[v, u] == zone
        place, lean = seen_by(pixels[here], side)
        np.testing.assert_allclose(design.table_mm[v, u][here], place, atol=1e-3)  # between traced pixels: splines
        np.testing.assert_allclose(design.lean[v, u][here], lean, atol=1e-5)
    assert np.all((design.zone[v, u] == 0) == (pixels[:, 0] > 959.5))
    cover = cover_of(design, rig.table)
    # straight up beside the fold a wing sees (400 tan 30 deg, 0); the strip in between is seen by neither
    unseen = cover.layers[len(cover.y_mm) // 2] == 0
    strip = cover.x_mm[unseen & (np.abs(cover.x_mm) < 500.0)]
    assert np.ptp(strip) == pytest.approx(2 * 400.0 * np.tan(np.pi / 6), abs=2 * 3000.0 / 240)
    assert cover.widest_unseen_mm > np.ptp(strip)
    assert cover.overlap_share == 0.0


def test_a_high_thing_is_seen_where_its_lean_says(small) -> None:
    """The point (200, 0, 20) appears at x = 210.940789, where the lean is 0.547039 (of a wing that goes on)."""
    place_mm, lean = 210.940789, 0.547039
    assert place_mm - 20.0 * lean == pytest.approx(200.0, abs=1e-5)
    # and by the map: of (400, 0, 30), seen by the right wing's pinhole at (-150, 0, 659.807621)
    _, design = small
    run = (400.0 + 150.0) / (659.807621 - 30.0)
    seen_at = np.array([[-150.0 + 659.807621 * run, 0.0]])
    pixel = pixels_of(design, seen_at).pixels_px[0]
    place, sigma = points(design, pixel, height_mm=30.0, height_sigma_mm=2.0)
    np.testing.assert_allclose(place, [[400.0, 0.0]], atol=0.01)  # bilinear between pixels of 4 mm
    assert sigma[0] == pytest.approx(2.0 * run / np.sqrt(2.0), rel=1e-3)  # |a| u(h), per axis
    np.testing.assert_allclose(pixels_of(design, [[400.0, 0.0]], height_mm=30.0).pixels_px[0], pixel, atol=0.01)


def test_a_height_is_as_sure_as_its_sights() -> None:
    """Drawn anew: pixels with noise; leans that are off alike in both wings, which cancels, or against each other."""
    rig, random, height_mm = two_wings(resolution=(320, 180), rise_deg=-15.0), np.random.default_rng(4), 45.0
    design = trace_view(view_parts(rig, None, meshes={}, profiles={}), rig.table)
    exact = pixels_of(design, [[10.0, 40.0]], height_mm=height_mm).pixels_px
    first, second = exact + 0.05 * random.normal(size=(2, 4000, 2))
    height, sigma = height_of(design, first, second, sigma_px=0.05)
    assert np.std(height) / np.mean(sigma) == pytest.approx(1.0, abs=0.04)
    terms = np.zeros((2, 10, 2, 2))
    terms[:, 0, 0] = 0.01 * np.array([[1.0, 1.0], [1.0, -1.0]])
    whole = np.full((2, 2), 200.0)
    doubt = LeanDoubt(first_zones=np.array([0, 1]), middle_px=whole, half_px=whole, terms=terms, found=np.zeros(2))
    apart = np.subtract(*(design.lean[tuple(np.rint(px[0, ::-1]).astype(int))] for px in exact))
    for kept, times in ((0, 0.0), (1, 0.02)):
        one = replace(doubt, terms=terms[..., kept : kept + 1], found=np.zeros(1))
        _, sigma = height_of(design, *exact, lean_doubt=one)
        expected = height_mm * times * abs(apart[0]) / np.sum(apart**2)
        assert sigma[0] == pytest.approx(expected, rel=0.01, abs=1e-9)


def test_two_wings_tell_the_height() -> None:
    """h = (D.(a1 - a2)) / |a1 - a2|^2 where wings that sink outwards cross their sights."""
    rig = two_wings(resolution=(320, 180), rise_deg=-15.0)
    design = trace_view(view_parts(rig, None, meshes={}, profiles={}), rig.table)
    thing = np.array([[10.0, 40.0]])
    first, second = pixels_of(design, thing, height_mm=45.0).pixels_px
    height, sigma = height_of(design, first, second, sigma_px=0.1)
    assert height[0] == pytest.approx(45.0, abs=0.01)
    assert 0.0 < sigma[0] < 5.0
    assert np.isnan(height_of(design, first, first)[0])[0]  # one wing alone tells none
    assert cover_of(design, rig.table).overlap_share > 0.0


@pytest.mark.parametrize("distortion", [np.zeros(5), np.array([-0.12, 0.03, 0.002, -0.003, 0.0])])
def test_a_table_seen_directly_is_seen_as_opencv_has_it(distortion) -> None:
    """Camera looking down at a slant: cv2.projectPoints is the reference, and the parity is that of no mirror."""
    rig = two_wings(resolution=(320, 180))
    eye, matrix = np.array([-500.0, 200.0, 900.0]), np.array([[250.0, 0.0, 150.0], [0.0, 255.0, 95.0], [0.0, 0.0, 1.0]])
    rotation = look_at(eye, np.array([-100.0, 0.0, 0.0]), 0.3)
    placement = replace(rig.view.placement, position_mm=eye, rotation=rotation)
    rig = replace(rig, view=replace(rig.view, placement=placement))
    away = replace(rig.view.mirrors[0], placement=replace(placement, position_mm=eye + 50.0 * rotation[:, 2]))
    small = away.shape.facets[0]
    facet = replace(
        small, corners_mm=np.array([[-1.0, -1.0, 0.0], [-1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [1.0, -1.0, 0.0]])
    )
    rig = replace(rig, view=replace(rig.view, mirrors=(replace(away, shape=replace(away.shape, facets=(facet,))),)))
    parts = view_parts(rig, Lens(matrix=matrix, distortion=distortion), meshes={}, profiles={})
    design = trace_view(parts, rig.table)
    assert parts[-1].mirror is None
    assert parts[-1].parity == -1
    v, u = (a[::7] for a in np.nonzero(design.zone == parts[-1].first_zone))
    assert len(u) > 1000
    spots = np.column_stack([design.table_mm[v, u], np.zeros(len(u))])
    turn = cv2.Rodrigues(rotation.T)[0]
    seen, _ = cv2.projectPoints(spots, turn, -rotation.T @ eye, matrix, distortion)
    np.testing.assert_allclose(seen[:, 0], np.stack([u, v], axis=-1), atol=0.01)
    raised = spots + np.column_stack([-30.0 * design.lean[v, u], np.full(len(u), 30.0)])
    seen, _ = cv2.projectPoints(raised, turn, -rotation.T @ eye, matrix, distortion)
    np.testing.assert_allclose(seen[:, 0], np.stack([u, v], axis=-1), atol=0.01)


def test_the_projectors_mirror_stands_in_the_views_way(small: tuple[Rig, ViewMap]) -> None:
    """A plate 20 mm wide, 90 mm over the lens: a pinhole's shadow in the picture, and once more on the way down."""
    rig, unhindered = small
    corners = np.array([[-10.0, -10.0, 0.0], [10.0, -10.0, 0.0], [10.0, 10.0, 0.0], [-10.0, 10.0, 0.0]])
    plate = Mirror(
        shape=FacetsShape(facets=(Facet(corners_mm=corners, bend_radius_mm=None, bend_axis=None),)),
        placement=Placement(position_mm=np.array([30.0, 0.0, 190.0]), rotation=np.eye(3)),
        position_tolerance_mm=1.0,
        rotation_tolerance_rad=0.01,
    )
    hindered = view_parts(replace(rig, mirror=plate, projects=True), None, meshes={}, profiles={})
    hidden = unhindered.answered & ~trace_view(hindered, rig.table).answered
    u, v = np.meshgrid(np.arange(320), np.arange(180))
    per_px = 90.0 / (1400.0 / 6.0)
    x, y = (u - 159.5) * per_px, (v - 89.5) * per_px
    shadow = (np.abs(x - 30.0) < 10.0) & (np.abs(y) < 10.0) & unhindered.answered
    assert hidden[shadow].mean() > 0.98
    assert np.count_nonzero(hidden) < 2.5 * np.count_nonzero(shadow)
    assert not hidden[u < 160].any(), "the left wing is seen past it"
