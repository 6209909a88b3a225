"""Photographs of patterns with a known answer, made without the virtual rig: continuous sinusoids, blur by their
Fourier factor, a response curve on both sides, shot and read noise, 8-bit rounding."""

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.patterns import LevelFrame, PatternSet
from rigwarp.rig import encode_transfer


def photographs(
    patterns: PatternSet,
    u_px: Array,
    v_px: Array,
    *,
    brightness: Array,
    ambient: Array,
    rng: np.random.Generator,
    blur_px: float = 0.0,
    noise: tuple[float, float] = (1e-6, 4e-5),
    response: float | str = "srgb",
    second_path: tuple[Array, Array, Array] | None = None,
) -> list[NDArray[np.uint8]]:
    """One photograph per frame, (H, W) uint8.

    `noise` is the variance of linear light: floor and per unit of light. `second_path` is (u, v, share) of another
    projector position whose light also arrives.
    """

    def light(frame: object, u: Array, v: Array) -> Array:
        if isinstance(frame, LevelFrame):
            return np.full(u.shape, (frame.level / 255.0) ** float(patterns.transfer))
        position = u if frame.axis == "x" else v
        fade = np.exp(-2 * (np.pi * blur_px / frame.period_px) ** 2)
        low, high = patterns.light_range
        wave = np.cos(2 * np.pi * (position / frame.period_px - frame.step / frame.steps))
        return low + (high - low) * (0.5 + 0.5 * fade * wave)

    photos = []
    for frame in patterns.frames:
        shown = light(frame, u_px, v_px)
        if second_path is not None:
            shown = shown + second_path[2] * light(frame, second_path[0], second_path[1])
        exposed = ambient + brightness * shown
        exposed = exposed + rng.normal(size=exposed.shape) * np.sqrt(noise[0] + noise[1] * exposed)
        photos.append(np.rint(255 * encode_transfer(exposed, response)).astype(np.uint8))
    return photos


def smooth_scene(shape: tuple[int, int], resolution: tuple[int, int]) -> tuple[Array, Array, Array, Array]:
    """(u, v, brightness, ambient): a gently bent view of most of the projector picture, darker towards the rim."""
    height, width = shape
    row, column = np.mgrid[:height, :width] / np.array([height, width])[:, None, None]
    u = resolution[0] * (0.05 + 0.88 * column + 0.03 * np.sin(3 * row))
    v = resolution[1] * (0.06 + 0.85 * row + 0.04 * column**2)
    radius2 = (column - 0.5) ** 2 + (row - 0.5) ** 2
    return u, v, 0.75 * (1 - 0.9 * radius2), 0.02 + 0.02 * column
