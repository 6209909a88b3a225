"""Ends of a built mirror against closed forms: light across a straight edge of the beam is a normal distribution's."""

import numpy as np
from bench_rigs import overhead_camera, panels_rig
from folded_scan import SIGMA_PX, FoldedScan, placed
from scipy.special import ndtr

from rigwarp.geometry import Array
from rigwarp.table_map import Samples, fit_table_map, mounting_tolerances
from rigwarp.table_map.borders import Borders
from rigwarp.table_map.rims import Rims, Seen, find_rims, find_seen
from rigwarp.tracing import build_model

SHAPE = (240, 320)
HOLE_PX, RADIUS_PX = np.array([150.0, 110.0]), 20.0
BEAM_PX = 2.5


def rims_of(pixels_px: Array, light: Array) -> Rims | None:
    samples = Samples(
        pixels_px=pixels_px,
        sigma_px=np.full(pixels_px.shape, SIGMA_PX),
        table_mm=pixels_px,
        light=light,
        camera_px=pixels_px,
        count=np.ones(len(light), np.int64),
    )
    seen = find_seen(samples, Borders(borders=(), zone=np.zeros(len(light), np.int64), sound=light > 0), SHAPE)
    return find_rims(seen, samples.pixels_px, samples.light, np.broadcast_to(np.eye(2), (len(light), 2, 2)), SHAPE)


def scattered(seed: int) -> tuple[Array, Array]:
    """Pixels everywhere, and how far outside the hole."""
    pixels = np.random.default_rng(seed).uniform([0, 0], [SHAPE[1] - 1, SHAPE[0] - 1], (60_000, 2))
    return pixels, np.linalg.norm(pixels - HOLE_PX, axis=-1) - RADIUS_PX


def outside_hole() -> Array:
    v, u = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.asarray(np.hypot(u - HOLE_PX[0], v - HOLE_PX[1]) - RADIUS_PX)


def test_a_hole_ends_where_half_of_the_light_is_left() -> None:
    pixels, outside = scattered(1)
    texture = 1.0 + 0.03 * np.random.default_rng(2).normal(size=len(pixels))
    light = 0.4 * (1.0 + 0.001 * pixels[:, 0]) * texture * ndtr(outside / BEAM_PX)
    seen = light > 0.03
    rims = rims_of(pixels[seen], light[seen])
    assert rims is not None
    beyond, away = rims.beyond(SHAPE), outside_hole()
    assert beyond[away < -1.5].all()
    assert not beyond[away > 1.5].any()
    sound = rims.sound(pixels)
    assert not sound[outside < 0.5 * BEAM_PX].any()  # 69 % of the light
    assert sound[outside > 3.0 * BEAM_PX].all()


def test_samples_that_end_in_full_light_are_no_end_of_the_mirror() -> None:
    pixels, outside = scattered(3)
    seen = (outside > 0) & (pixels[:, 0] < 260.0)  # decoding failed in a disk, and the table ends
    light = 0.4 * (1.0 + 0.03 * np.random.default_rng(4).normal(size=len(pixels)))
    rims = rims_of(pixels[seen], light[seen])
    assert rims is None or not rims.beyond(SHAPE).any()


def test_what_is_seen_everywhere_has_no_end() -> None:
    pixels, _ = scattered(5)
    assert rims_of(pixels, np.full(len(pixels), 0.4)) is None


def test_sigma_beside_a_rim_is_what_a_disk_cut_straight_lands_aside() -> None:
    """Share and centroid of a disk cut at t radii from its middle, in closed form, aside along one axis."""
    t = np.linspace(0.0, 0.6, 31)
    share = 1.0 - (np.arccos(t) - t * np.sqrt(1.0 - t**2)) / np.pi
    aside_mm = 0.2 * 2.0 * (1.0 - t**2) ** 1.5 / (3.0 * np.pi * share)
    seen = Seen(square_px=1.0, here=np.ones((1, len(t)), bool))
    at = np.stack([np.arange(len(t)), np.zeros(len(t))], axis=-1)
    rims = Rims(seen=seen, share=share[None], gone=np.zeros((1, len(t)), bool))
    assert not rims.drawn_mm2(seen.here.shape).any()
    found = np.sqrt(rims.measured(at, np.stack([aside_mm, np.zeros(len(t))], axis=-1)).drawn_mm2(seen.here.shape))[0]
    per_axis = aside_mm / np.sqrt(2.0)
    assert np.all((found > per_axis) & (found < 1.4 * per_axis))


def test_the_whole_picture_is_as_its_pixels_are() -> None:
    """OpenCV's enlargement against SciPy's interpolation; squares reach past the picture."""
    values = np.random.default_rng(8).uniform(size=(7, 9))
    seen = Seen(square_px=3.0, here=values > 0.5)
    v, u = np.mgrid[:20, :26]
    each = seen.at(values, np.stack([u, v], axis=-1).astype(float))
    np.testing.assert_allclose(seen.on_pixels(values, (20, 26)), each, atol=1e-6)


def test_the_map_ends_at_a_hole_that_the_design_does_not_have() -> None:
    rig = panels_rig([[[-120, -120, 0], [120, -120, 0], [120, 120, 0], [-120, 120, 0]]])
    design = build_model(rig, meshes={})
    middle = np.array([280.0, 190.0])

    def shares(pixels: Array) -> Array:
        return np.asarray(ndtr((np.linalg.norm(pixels - middle, axis=-1) - RADIUS_PX) / BEAM_PX))[None]

    built = placed(design)
    samples = FoldedScan(model=built, rig=rig, shares=shares, by_zone=False).samples()
    tolerances = mounting_tolerances(3.0, np.radians(1.0), 1.0, np.radians(0.5))
    fit = fit_table_map(design, samples, overhead_camera(), tolerances).table_map
    v, u = np.mgrid[: fit.zone.shape[0], : fit.zone.shape[1]]
    pixels = np.stack([u, v], axis=-1).astype(float)
    outside = np.linalg.norm(pixels - middle, axis=-1) - RADIUS_PX
    assert not fit.answered[outside < -2.0].any()
    near = (outside > 2.0) & (outside < 12.0)
    assert fit.measured[near].all()
    error = fit.table_mm[near] - built.trace(pixels[near], zone=0, extended=True).table_mm
    assert np.sqrt(np.mean((error / fit.sigma_mm[near][:, None]) ** 2)) < 1.3
