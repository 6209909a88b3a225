"""Shift between frames and their repeats, of photographs whose positions come from these very frames."""

import numpy as np

from rigwarp.decode.photographs.repeats import shift_between_repeats
from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.geometry import Array

PERIOD_PX, NOISE, FULL = 18.0, 0.01, 65535


def test_noise_of_a_frame_is_no_shift() -> None:
    """One period along one axis: noise moves a position as it moves the frame, and must not be in the slope there, too.

    With slopes from a place to its neighbour shifts came out at 4.2 sigmas (rms).
    """
    found = np.array([repeated(seed, shift_px=0.0) for seed in range(8)])
    assert np.sqrt(np.mean((found[:, 0] / found[:, 1]) ** 2)) < 2.0  # of two directions, one of them as sure as sigma
    shift_px, sigma_px = repeated(9, shift_px=0.4)
    assert abs(shift_px - 0.4) < 3.0 * sigma_px


def repeated(seed: int, *, shift_px: float) -> tuple[float, float]:
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:300, 0:400].astype(float)
    u = bent(x, y)
    photos = [photographed(u, step, rng) for step in range(3)]
    photos.append(photographed(bent(x - shift_px, y), 0, rng))
    waves = np.exp(2j * np.pi * np.arange(3) / 3.0) @ np.reshape(photos[:3], (3, -1)).astype(float)
    wrapped = np.angle(waves).reshape(u.shape) * PERIOD_PX / (2.0 * np.pi)
    decoded = wrapped + PERIOD_PX * np.rint((u - wrapped) / PERIOD_PX)
    axis = AxisLayout(periods_px=(PERIOD_PX,), frames=((0, 1, 2),), extent_px=640, bits=(), cell_px=0.0)
    pictures = tuple(np.asarray(one, np.float32) for one in (decoded, decoded, np.full(u.shape, 0.8)))
    return shift_between_repeats(photos, (axis, axis), [(0, 3)], np.arange(FULL + 1) / FULL, pictures)


def bent(x: Array, y: Array) -> Array:
    """Positions whose stripes run in all directions within 30 degrees: only so does one wave tell both shifts."""
    return np.asarray(40.0 + 0.8 * x + 0.0015 * (y - 150.0) ** 2)


def photographed(u_px: Array, step: int, rng: np.random.Generator) -> np.ndarray:
    light = 0.1 + 0.4 * (1.0 + np.cos(2.0 * np.pi * (u_px / PERIOD_PX - step / 3.0)))
    return np.asarray(np.rint(FULL * (light + NOISE * rng.normal(size=light.shape))), np.uint16)
