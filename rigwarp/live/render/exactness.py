"""How exact a frame is whose places in the picture are good to 0.05 pixel only, as those of a mesh are.

Beside an edge a twentieth of a pixel is many codes: from black to white it is a twentieth of white's light, which is
code 65 at gamma 2.2. So every pixel may show what the reference shows with each of its samples anywhere within that
distance of its place, and one code beside it.
"""

from dataclasses import replace

import moderngl
import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.live.render.picture import Picture
from rigwarp.live.render.reference import bilinear, cubic, exact_codes
from rigwarp.live.render.sampling import GRID, SampleMap, of_kind, sample_kinds, tap_positions
from rigwarp.live.render.warp import Warp, warp_of
from rigwarp.prewarp import Prewarp
from rigwarp.rig.transfer import encode_transfer

PLACE_PX = 0.05
MOST_CODES = 1.0
_SQUARE_PX = np.floor(PLACE_PX / 2**0.5 * GRID) / GRID
"""Half the side of a square whose corners are no further away."""
_CUBIC_LOOKS = 5
_TRIAL_SIZE, _TRIAL_PICTURE = (64, 48), (72, 52)


def codes_beyond(frame: Picture, warp: Warp, picture: Picture) -> Array:
    """(H, W, 3): by how many codes each value lies outside of what the reference shows within 0.05 px of its places."""
    samples = warp.kept_samples((picture.shape[1], picture.shape[0]))
    light, codes = warp.light()[picture], frame.astype(float)
    low = high = np.round(exact_codes(samples, light))
    off: BoolArray = np.asarray((np.abs(codes - low) > MOST_CODES).any(axis=-1))
    if off.any():
        left = replace(samples, gain_root=np.where(off, samples.gain_root, np.uint16(0)), prepared={})
        least, most = reached_codes(left, light, _SQUARE_PX)
        low, high = np.where(off[..., None], np.round(least), low), np.where(off[..., None], np.round(most), high)
    beyond: Array = np.maximum(np.maximum(low - codes, codes - high), 0.0)
    return beyond


def reached_codes(samples: SampleMap, light: Array, half_side_px: float) -> tuple[Array, Array]:
    """The least and the greatest codes (H, W, 3) with each sample anywhere in a square around its place.

    A bilinear sample is extreme at the square's corners, or where it turns round, which is right on a row or column of
    pixels; a cubic one is looked at in 5 x 5 places, a part of all, so that nothing wrong passes.
    """
    least, most = np.zeros((2, *samples.gain_root.shape, 3))
    for kind in sample_kinds(samples):
        where = np.nonzero(of_kind(samples, kind))
        sample, around = (cubic, _lattice) if kind[2] else (bilinear, _turns)
        low, high = 0.0, 0.0
        for place_px in tap_positions(samples, where, kind[:2]):
            seen = [sample(light, place_px + step_px) for step_px in around(place_px, np.float32(half_side_px))]
            low, high = low + np.min(seen, axis=0), high + np.max(seen, axis=0)
        gain = samples.gain[where][:, None] / float(kind[0] * kind[1])
        least[where], most[where] = low * gain, high * gain
    least, most = (encode_transfer(found, samples.transfer) * 255.0 for found in (least, most))
    return least, most


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


def _turns(place_px: NDArray[np.float32], half_side_px: np.float32) -> list[NDArray[np.float32]]:
    """Steps (N, 2) to the corners of the square, and to where rows and columns of pixels cross it or come nearest."""
    whole = np.clip(np.round(place_px) - place_px, -half_side_px, half_side_px)
    along = [np.full_like(whole, -half_side_px), whole, np.full_like(whole, half_side_px)]
    return [np.stack([x[:, 0], y[:, 1]], axis=-1) for x in along for y in along]


def _lattice(_: NDArray[np.float32], half_side_px: np.float32) -> list[NDArray[np.float32]]:
    along = np.linspace(-half_side_px, half_side_px, _CUBIC_LOOKS, dtype=np.float32)
    return [np.array([x, y]) for x in along for y in along]
