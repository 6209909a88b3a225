"""How exact a frame is whose places in the picture are good to 0.05 pixel only, as those of a mesh are.

Beside an edge a twentieth of a pixel is many codes, and a gamma curve makes as many of a thousandth of white next to
black. So every pixel may show what the reference shows anywhere within that distance, and one code beside it.
"""

from dataclasses import replace

import moderngl
import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.live.render.picture import Picture
from rigwarp.live.render.reference import exact_codes
from rigwarp.live.render.sampling import GRID, SampleMap
from rigwarp.live.render.warp import Warp, warp_of
from rigwarp.prewarp import Prewarp

PLACE_PX = 0.05
MOST_CODES = 1.0
_SHIFT_PX = np.floor(PLACE_PX * GRID) / GRID
_TRIAL_SIZE, _TRIAL_PICTURE = (64, 48), (72, 52)


def codes_beyond(frame: Picture, warp: Warp, picture: Picture) -> Array:
    """(H, W, 3): by how many codes each value lies outside of what the reference shows within 0.05 px of its place.

    The reference is looked at straight to the left, right, above and below, in the corners between, and where a sample
    falls right on a pixel, which is where bilinear ones turn round: a part of all places, so nothing wrong passes.
    """
    samples = warp.samples((picture.shape[1], picture.shape[0]))
    light, codes = warp.light()[picture], frame.astype(float)
    low = high = np.round(exact_codes(samples, light))
    off: BoolArray = np.asarray((np.abs(codes - low) > MOST_CODES).any(axis=-1))
    left = replace(samples, gain_root=np.where(off, samples.gain_root, np.uint16(0)), prepared={})
    for moved in _moved(left) if off.any() else []:
        shown = np.where(off[..., None], np.round(exact_codes(moved, light)), low)
        low, high = np.minimum(low, shown), np.maximum(high, shown)
    beyond: Array = np.maximum(np.maximum(low - codes, codes - high), 0.0)
    return beyond


def mesh_is_exact(context: moderngl.Context) -> bool:
    """Try the mesh on this GPU: texture units may have coarser weights than expected, or a coarser sRGB curve."""
    from rigwarp.live.render.gl import GlRenderer

    warp = warp_of(trial_prewarp())
    renderer = None
    try:
        renderer = GlRenderer(warp, context, way="meshed")
        worst = max(codes_beyond(renderer.render(picture), warp, picture).max() for picture in trial_pictures())
    except moderngl.Error:  # no drawing into sRGB textures, say: there are other ways
        return False
    finally:
        if renderer is not None:
            renderer.close()
    return bool(worst <= MOST_CODES)


def trial_prewarp() -> Prewarp:
    """A bent warp of few pixels that magnifies, keeps and averages."""
    width, height = _TRIAL_SIZE
    v, u = np.mgrid[:height, :width].astype(float)
    x = 1.0 + 0.5 * u + 0.009 * u * u + 0.3 * np.sin(v / 10.0)
    y = 1.0 + 0.5 * v + 0.01 * v * v + 0.3 * np.cos(u / 10.0)
    gain = np.tile(np.linspace(1.0, 0.3, width, dtype=np.float32), (height, 1))
    return per_pixel_prewarp(np.stack([x, y], axis=-1), _TRIAL_PICTURE, gain)


def per_pixel_prewarp(canvas_px: Array, content_pixels: tuple[int, int], gain: NDArray[np.float32]) -> Prewarp:
    """A prewarp without a mesh, all of one zone: canvas pixels (H, W, 2) of a projector's pixels, and gains (H, W)."""
    nothing, shape = np.empty((0, 2)), gain.shape
    return Prewarp(
        projector_resolution=(shape[1], shape[0]),
        content_pixels=content_pixels,
        vertices_px=nothing,
        content_px=nothing,
        triangles=np.empty((0, 3), np.int32),
        triangle_zone=np.empty(0, np.int16),
        zone=np.zeros(shape, np.int16),
        gain=gain,
        transfer=2.2,
        mesh_error_px=0.0,
        canvas_px=canvas_px.astype(np.float32),
    )


def trial_pictures() -> list[Picture]:
    """Hard content, which finds coarse weights, and a dark ramp, which finds a coarse curve."""
    width, height = _TRIAL_PICTURE
    rng = np.random.default_rng(5)
    hard = rng.integers(0, 256, (height, width, 3), dtype=np.uint8)
    hard[rng.random((height, width)) < 0.4] = 0
    v, u = np.mgrid[:height, :width]
    return [hard, np.stack([u, v, u + v], axis=-1).astype(np.uint8)]


def _moved(samples: SampleMap) -> list[SampleMap]:
    """The samples a little beside where they are."""
    place_px = samples.position_px
    half = (samples.step_px * (samples.taps[..., None, :].astype(np.float32) - 1) / 2).sum(axis=-1)
    steps = [np.full_like(place_px, shift) for shift in (0.0, -_SHIFT_PX, _SHIFT_PX)]
    for tap_px in (place_px, place_px - half, place_px + half):  # the middle, the first and the last tap
        steps.append(np.clip(np.round(tap_px) - tap_px, -_SHIFT_PX, _SHIFT_PX))
    return [
        replace(samples, position_px=place_px + np.stack([x[..., 0], y[..., 1]], axis=-1), prepared={})
        for x in steps
        for y in steps
    ]
