"""How the CPU renderer's tiles divide the frame and what each needs of the picture."""

from dataclasses import replace

import bent_rig
import numpy as np
import pytest

from rigwarp.live import CpuRenderer, warp_of
from rigwarp.live.render import tiles
from rigwarp.live.render.reference import ReferenceRenderer
from rigwarp.live.render.sampling import Sampler
from rigwarp.live.render.tiles import layout_of, products_are_rounded
from rigwarp.prewarp import Prewarp

SIZE = (720, 405)


def gridded(x, y, pixels, transfer=2.2) -> Prewarp:
    """A mesh through content positions at every eighth projector pixel, the gain falling to one side."""
    rows, columns = x.shape
    v, u = np.mgrid[:rows, :columns] * 8.0
    corner = (np.arange(rows - 1)[:, None] * columns + np.arange(columns - 1)).reshape(-1)
    halves = [np.stack([corner, corner + 1, corner + columns], -1)]
    halves.append(np.stack([corner + 1, corner + columns + 1, corner + columns], -1))
    triangles = np.concatenate(halves).astype(np.int32)
    plain = bent_rig.plain_prewarp(transfer, size=SIZE)
    return replace(
        plain,
        content_pixels=pixels,
        vertices_px=np.stack([u, v], -1).reshape(-1, 2),
        content_px=np.stack([x, y], -1).reshape(-1, 2),
        triangles=triangles,
        triangle_zone=np.zeros(len(triangles), np.int16),
        gain=np.tile(np.linspace(1.0, 0.5, SIZE[0], dtype=np.float32), (SIZE[1], 1)),
    )


def turned(degrees: float, zoom: float) -> Prewarp:
    """Content turned about its middle, its corners off the frame; a ring of light."""
    v, u = np.mgrid[:52, :92] * 8.0
    turn = np.radians(degrees)
    x = zoom * (np.cos(turn) * (u - 360) + np.sin(turn) * (v - 200)) + 360
    y = zoom * (np.cos(turn) * (v - 200) - np.sin(turn) * (u - 360)) + 200
    prewarp = gridded(x, y, (720, 400))
    away = np.hypot(np.arange(720) - 350.0, np.arange(405)[:, None] - 190.0)
    prewarp.gain[(away < 40) | (away > 185)] = 0.0
    return prewarp


def zigzag() -> Prewarp:
    """The whole of a small picture again and again, mirrored, in every corner of the frame."""
    v, u = np.mgrid[:52, :92] * 8.0
    return gridded(np.abs(u % 128 - 64) * 0.95, np.abs(v % 128 - 64) * 0.95, (61, 61))


@pytest.mark.parametrize(("degrees", "zoom"), [(0, 0.9), (33, 0.9), (90, 2.3), (12, 0.5)])
def test_tiles_hold_all_light_once_and_their_sources_all_samples(degrees, zoom):
    sampler = warp_of(turned(degrees, zoom)).sampler((720, 400))
    samples, layout = sampler.samples(), layout_of(sampler)
    assert layout.apart
    assert len(layout.tiles) >= 4
    times = np.zeros(samples.gain_root.shape, int)
    for tile in layout.tiles:
        times[tile.window] += 1
        rows, columns = tile.source
        for group in tile.groups:
            beyond = 1 if group.cubic else 0
            for position in group.taps:
                drawn = position[(position != -16).any(axis=-1)]  # the others are not this group's
                for axis, span, side in ((0, columns, 720), (1, rows, 400)):
                    first = np.floor(drawn[:, axis]).min() - beyond + span.start
                    last = np.floor(drawn[:, axis]).max() + 1 + beyond + span.start
                    assert span.start <= max(first, 0)
                    assert min(last, side - 1) < span.stop
    assert times.max() == 1
    assert np.all(times[samples.gain_root > 0] == 1)


def test_no_more_samples_are_there_at_a_time_than_a_few_tiles_take(monkeypatch):
    """Those of a whole frame would be most of a player's memory; the reference's frames below are of several parts."""
    areas, samples = [], Sampler.samples

    def noted(sampler, window):
        areas.append((window[0].stop - window[0].start) * (window[1].stop - window[1].start))
        return samples(sampler, window)

    monkeypatch.setattr(Sampler, "samples", noted)
    assert layout_of(warp_of(turned(33, 0.9)).sampler((720, 400))).apart
    assert len(areas) >= 2
    assert max(areas) <= 1 << 17


@pytest.mark.parametrize("dither", [False, True])
@pytest.mark.parametrize(
    ("prewarp", "rounded"),
    [(turned(33, 0.9), True), (turned(33, 0.9), False), (turned(90, 2.3), True), (zigzag(), True)],
    ids=["bent", "bent-arm64", "averaged", "whole"],
)
def test_tiled_frames_are_the_references(prewarp, rounded, dither, monkeypatch):
    """Light in 16 bits rounds the other way in a few of a thousand values; a shifted pattern would in one of ten."""
    monkeypatch.setattr(tiles, "products_are_rounded", lambda: rounded and products_are_rounded())
    warp = warp_of(prewarp, sampling="quick")
    picture = bent_rig.noisy(*prewarp.content_pixels)
    expected = ReferenceRenderer(warp, dither=dither).render(picture)
    renderer = CpuRenderer(warp, dither=dither)
    difference = np.abs(renderer.render(picture).astype(int) - expected)
    renderer.close()
    assert expected.max() > 150
    assert difference.max() <= 1
    assert np.mean(difference > 0) < 5e-3


def test_a_picture_shown_many_times_over_becomes_light_once():
    """Otherwise a frame of eight tiles would turn the same picture into light eight times."""
    layout = layout_of(warp_of(zigzag()).sampler((61, 61)))
    assert not layout.apart
    assert all(tile.source == (slice(0, 61), slice(0, 61)) for tile in layout.tiles)
    assert layout.covers


def test_full_gain_needs_no_multiplying():
    plain = bent_rig.plain_prewarp()
    assert [tile.gain for tile in layout_of(warp_of(plain).sampler((64, 48))).tiles] == [None]
    (dimmed,) = layout_of(warp_of(replace(plain, gain=plain.gain * 0.5)).sampler((64, 48))).tiles
    assert dimmed.gain is not None


def test_no_light_is_black():
    renderer = CpuRenderer(bent_rig.plain_prewarp(gain=0.0))
    assert not renderer.render(bent_rig.noisy(64, 48)).any()
    renderer.close()
