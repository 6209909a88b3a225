"""The slow, plain float64 renderer that the fast ones are judged by, those too whose places are good to 0.05 px only.

Beside an edge a twentieth of a pixel is many codes: from black to white it is a twentieth of white's light, which is
code 65 at gamma 2.2. So every pixel may show what the reference shows with each of its samples anywhere within that
distance of its place, and one code beside it.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.live.render.picture import Picture, checked, thresholds
from rigwarp.live.render.sampling import GRID, SampleMap, cubic_weights, of_kind, sample_kinds, tap_positions
from rigwarp.live.render.warp import Warp, as_warp
from rigwarp.prewarp import Prewarp
from rigwarp.rig.transfer import encode_transfer

PLACE_PX = 0.05
MOST_CODES = 1.0
_SQUARE_PX = np.floor(PLACE_PX / 2**0.5 * GRID) / GRID
"""Half the side of a square whose corners are no further away."""
_CUBIC_LOOKS = 5
_TRIAL_SIZE, _TRIAL_PICTURE = (64, 48), (72, 52)
_LONE_STEPS = (3, 4)


class ReferenceRenderer:
    """NumPy in float64, nothing clever: for tests and benchmarks."""

    def __init__(self, prewarp: Prewarp | Warp, *, dither: bool = False) -> None:
        self._warp = as_warp(prewarp)
        self._dither = dither

    def render(self, picture: Picture) -> Picture:
        """See `Renderer`."""
        picture = checked(picture)
        samples = self._warp.kept_samples((picture.shape[1], picture.shape[0]))
        codes = exact_codes(samples, self._warp.light()[picture])
        rounding = thresholds(codes.shape[:2])[..., None] if self._dither else 0.5
        return np.minimum(np.floor(codes + rounding), 255.0).astype(np.uint8)

    def use(self, warp: Warp) -> None:
        """Draw with another warp from now on."""
        self._warp = warp

    def close(self) -> None:
        """Nothing to free."""


def exact_codes(samples: SampleMap, light: Array) -> Array:
    """(H, W, 3) codes 0 .. 255 of a picture's light (h, w, 3), not rounded."""
    out = np.zeros((*samples.gain_root.shape, 3))
    for kind in sample_kinds(samples):
        where = np.nonzero(of_kind(samples, kind))
        sample = cubic if kind[2] else bilinear
        total = sum(sample(light, position) for position in tap_positions(samples, where, kind[:2]))
        out[where] = total / float(kind[0] * kind[1]) * samples.gain[where][:, None]
    return encode_transfer(out, samples.transfer) * 255.0


def bilinear(light: Array, position_px: NDArray[np.float32]) -> Array:
    """Bilinear samples of (h, w, 3) at (N, 2) pixels, black outside; (N, 3)."""
    share = position_px.astype(np.float64) % 1.0
    return _weighted(light, position_px, [1.0 - share, share], first=0)


def cubic(light: Array, position_px: NDArray[np.float32]) -> Array:
    """Catmull-Rom samples of (h, w, 3) at (N, 2) pixels, black outside, never negative; (N, 3)."""
    weights = cubic_weights(position_px.astype(np.float64) % 1.0)
    return np.maximum(_weighted(light, position_px, weights, first=-1), 0.0)


def _weighted(light: Array, position_px: NDArray[np.float32], weights: list[Array], *, first: int) -> Array:
    """Sum over the pixels around each place, from `first` before it on, weighted along u and v."""
    corner = np.floor(position_px).astype(int)
    out = np.zeros((len(position_px), light.shape[2]))
    for du, weight_u in enumerate(weights, start=first):
        for dv, weight_v in enumerate(weights, start=first):
            u, v = corner[:, 0] + du, corner[:, 1] + dv
            inside = (u >= 0) & (u < light.shape[1]) & (v >= 0) & (v < light.shape[0])
            weight = (weight_u[:, 0] * weight_v[:, 1])[inside, None]
            out[inside] += weight * light[v[inside], u[inside]]
    return out


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
    """Hard content; a dark ramp, which finds a coarse curve; lone white texels, which find coarse weights, for those of
    next to nothing are lost or too great."""
    width, height = _TRIAL_PICTURE
    rng = np.random.default_rng(5)
    hard = rng.integers(0, 256, (height, width, 3), dtype=np.uint8)
    hard[rng.random((height, width)) < 0.4] = 0
    v, u = np.mgrid[:height, :width]
    ramp = np.stack([u, v, u + v], axis=-1).astype(np.uint8)
    return [hard, ramp, *(_lone_white(step, first) for step in _LONE_STEPS for first in range(step))]


def _lone_white(step: int, first: int) -> Picture:
    """White texels on black, every so many along both axes, each channel's beside the others'."""
    width, height = _TRIAL_PICTURE
    picture = np.zeros((height, width, 3), np.uint8)
    for channel in range(3):
        picture[(first + channel) % step :: step, (first + 2 * channel) % step :: step, channel] = 255
    return picture


def _turns(place_px: NDArray[np.float32], half_side_px: np.float32) -> list[NDArray[np.float32]]:
    """Steps (N, 2) to the corners of the square, and to where rows and columns of pixels cross it or come nearest."""
    whole = np.clip(np.round(place_px) - place_px, -half_side_px, half_side_px)
    along = [np.full_like(whole, -half_side_px), whole, np.full_like(whole, half_side_px)]
    return [np.stack([x[:, 0], y[:, 1]], axis=-1) for x in along for y in along]


def _lattice(_: NDArray[np.float32], half_side_px: np.float32) -> list[NDArray[np.float32]]:
    along = np.linspace(-half_side_px, half_side_px, _CUBIC_LOOKS, dtype=np.float32)
    return [np.array([x, y]) for x in along for y in along]
