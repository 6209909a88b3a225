"""Photographs of patterns with a known answer, made without the virtual rig: continuous light profiles, blur by their
Fourier factor, a second light path, scattered light, a response curve on both sides, shot and read noise, rounding."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from rigwarp.geometry import Array
from rigwarp.patterns import LevelFrame, PatternFrame, PatternSet, PhaseFrame, PlaidFrame
from rigwarp.rig import decode_transfer, encode_transfer

_BLURS_PX = (0.0, 0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0)  # at which bars are blurred; in between linearly
_FINE = 8  # samples per projector pixel in a bar's profile


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What each camera pixel sees; every field (H, W) or a number.

    Attributes
    ----------
    u_px, v_px : projector position seen.
    brightness : light of projector white there, of the camera's full scale.
    ambient : light that is there anyway.
    blur_px : sigma of the defocus, projector pixels.
    scattered : share of the projector's mean light that arrives from everywhere (between mirror and table).
    second_u_px, second_v_px, second_share : another projector position whose light also arrives.
    """

    u_px: Array
    v_px: Array
    brightness: Array | float
    ambient: Array | float
    blur_px: Array | float = 0.0
    scattered: Array | float = 0.0
    second_u_px: Array | float = 0.0
    second_v_px: Array | float = 0.0
    second_share: Array | float = 0.0

    def light(self, frame: PatternFrame, patterns: PatternSet) -> Array:
        """Linear light on the camera, full scale = 1."""
        own = _shown(frame, patterns, self.u_px, self.v_px, self.blur_px)
        if np.any(np.asarray(self.second_share) > 0):
            other = _shown(frame, patterns, self.second_u_px, self.second_v_px, self.blur_px)
            own = own + self.second_share * other
        if np.any(np.asarray(self.scattered) > 0):
            own = own + self.scattered * _mean_light(frame, patterns)
        return np.asarray(self.ambient + self.brightness * own)


def _shown(
    frame: PatternFrame, patterns: PatternSet, u_px: Array | float, v_px: Array | float, blur_px: Array | float
) -> Array | float:
    if isinstance(frame, LevelFrame):
        return _mean_light(frame, patterns)
    if isinstance(frame, PlaidFrame):
        return patterns.plaid_light(frame, np.asarray(u_px), np.asarray(v_px))
    position = u_px if frame.axis == "x" else v_px
    if isinstance(frame, PhaseFrame):
        fade = np.exp(-2 * (np.pi * np.asarray(blur_px) / frame.period_px) ** 2)
        low, high = patterns.light_range
        wave = np.cos(2 * np.pi * (position / frame.period_px - frame.step / frame.steps))
        return np.asarray(low + (high - low) * (0.5 + 0.5 * fade * wave))
    profiles = _bar_profiles(frame, patterns)
    at = np.broadcast_to(np.interp(blur_px, _BLURS_PX, np.arange(len(_BLURS_PX))), np.shape(position))
    sample = np.clip((position + 0.5) * _FINE - 0.5, 0, profiles.shape[1] - 1).astype(int)
    below = np.minimum(at.astype(int), len(_BLURS_PX) - 2)
    share = at - below
    return np.asarray((1 - share) * profiles[below, sample] + share * profiles[below + 1, sample])


def _mean_light(frame: PatternFrame, patterns: PatternSet) -> float:
    """Light of the whole frame, averaged; the same for every wave and every bar."""
    if isinstance(frame, LevelFrame):
        return float(decode_transfer(np.array(frame.level / 255.0), patterns.transfer))
    return 0.5 * sum(patterns.light_range)


@lru_cache(maxsize=64)
def _bar_profiles(frame: PatternFrame, patterns: PatternSet) -> Array:
    """(blurs, fine samples) light along the axis of a frame of bars, over square pixels."""
    index = patterns.frames.index(frame)
    picture = patterns.picture(index)
    line = picture[0] if frame.axis == "x" else picture[:, 0]  # type: ignore[union-attr]
    fine = np.repeat(decode_transfer(line / 255.0, patterns.transfer), _FINE)
    return np.stack([gaussian_filter1d(fine, b * _FINE, mode="nearest") if b else fine for b in _BLURS_PX])


def photograph(
    scene: Scene,
    patterns: PatternSet,
    *,
    rng: np.random.Generator,
    noise: tuple[float, float] = (1e-6, 4e-5),
    response: float | str = "srgb",
    exposure: float = 1.0,
) -> list[NDArray[np.uint8]]:
    """One photograph per frame, (H, W) uint8.

    `noise` is the variance of linear light: floor and per unit of light.
    """
    photos = []
    for frame in patterns.frames:
        exposed = (exposure * scene.light(frame, patterns)).astype(np.float32)
        exposed = np.broadcast_to(exposed, np.shape(scene.u_px))
        deviation = np.sqrt(np.float32(noise[0]) + np.float32(noise[1]) * exposed)
        exposed = exposed + rng.standard_normal(exposed.shape, np.float32) * deviation
        coded = exposed if response == 1.0 else encode_transfer(exposed, response)
        photos.append(np.rint(np.clip(255 * coded, 0, 255)).astype(np.uint8))
    return photos


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
    """`photograph` of a scene given by its parts; `second_path` is (u, v, share)."""
    second = second_path or (np.array(0.0), np.array(0.0), np.array(0.0))
    scene = Scene(
        u_px=u_px,
        v_px=v_px,
        brightness=brightness,
        ambient=ambient,
        blur_px=blur_px,
        second_u_px=second[0],
        second_v_px=second[1],
        second_share=second[2],
    )
    return photograph(scene, patterns, rng=rng, noise=noise, response=response)


def smooth_scene(shape: tuple[int, int], resolution: tuple[int, int]) -> tuple[Array, Array, Array, Array]:
    """(u, v, brightness, ambient): a gently bent view of most of the projector picture, darker towards the rim."""
    height, width = shape
    row, column = np.mgrid[:height, :width] / np.array([height, width])[:, None, None]
    u = resolution[0] * (0.05 + 0.88 * column + 0.03 * np.sin(3 * row))
    v = resolution[1] * (0.06 + 0.85 * row + 0.04 * column**2)
    radius2 = (column - 0.5) ** 2 + (row - 0.5) ** 2
    return u, v, 0.75 * (1 - 0.9 * radius2), 0.02 + 0.02 * column
