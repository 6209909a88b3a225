"""The two scenes that the decoder is judged on, and how: all light computed in closed form, every error known.

Camera 1920 x 1080, projector 1280 x 720, 8 bit, linear, noise of 1.5 levels, 67 % of the picture lit. The hard scene
adds defocus up to 5 px, light that is scattered everywhere, a second light path, a dark, a saturated and a stray-lit
part. Both can be made smaller for tests.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from synthetic_scan import Scene, photograph

from rigwarp.decode import Decoded
from rigwarp.geometry import Array
from rigwarp.patterns import PatternSet, PhaseFrame

CAMERA = (1920, 1080)
PROJECTOR = (1280, 720)
NOISE_LEVELS = 1.5
NOISE = ((NOISE_LEVELS / 255.0) ** 2, 0.0)
_HALF_AXES = (0.49, 0.435)  # of the lit ellipse, shares of the picture: pi a b = 0.67
_ROUNDING = 1.0 / 12.0  # levels^2
_DECODABLE_PX = 0.5  # a bound worse than this is not expected to be decoded
_RIGHT_PX, _RIGHT_BOUNDS = 0.25, 4.0  # an accepted position is right within 0.25 px + 4 bounds
_CLEAN_SHARE = 0.02  # of a second path: below, a pixel counts as single
_MIXED_SHARE = 0.10  # from here on it should be rejected


@dataclass(frozen=True, kw_only=True)
class JudgedScene:
    """A scene with what of it is lit and what should saturate."""

    scene: Scene
    lit: NDArray[np.bool_]


def clean_scene(camera: tuple[int, int] = CAMERA) -> JudgedScene:
    """Sharp, evenly lit to a factor of two, nothing else."""
    x, y = _unit_coordinates(camera)
    lit = x**2 + y**2 < 1
    u, v = _positions(x, y)
    brightness = np.where(lit, 0.62 - 0.27 * (x**2 + y**2), 0.0)
    return JudgedScene(scene=Scene(u_px=u, v_px=v, brightness=brightness, ambient=0.03 + 0.01 * x), lit=lit)


def hard_scene(camera: tuple[int, int] = CAMERA) -> JudgedScene:
    """Everything that goes wrong on a real table, in separate places that overlap at their rims."""
    x, y = _unit_coordinates(camera)
    lit = x**2 + y**2 < 1
    u, v = _positions(x, y)
    brightness = 0.62 - 0.27 * (x**2 + y**2)
    brightness = brightness * (1 - 0.97 * np.exp(-((((x - 0.52) ** 2 + (y - 0.5) ** 2) / 0.16**2) ** 2)))  # dark
    brightness = brightness + 0.9 * np.exp(-((((x - 0.45) ** 2 + (y + 0.55) ** 2) / 0.16**2) ** 2))  # saturated
    brightness = brightness * (1 - 0.65 * np.exp(-((((x + 0.02) ** 2 + (y - 0.22) ** 2) / 0.2**2) ** 2)))  # dim, mixed
    ambient = 0.03 + 0.3 * np.exp(-((x + 0.1) ** 2 + (y - 0.75) ** 2) / 0.2**2)  # stray light
    blur = 0.7 + 4.3 * np.clip((-0.3 - x) / 0.5, 0, 1)
    share = np.zeros_like(x)
    for left, top, strength in ((-0.15, -0.5, 0.15), (0.15, -0.1, 0.3), (-0.15, 0.1, 0.6), (-0.62, -0.1, 0.3)):
        patch = (x > left) & (x < left + 0.22) & (y > top) & (y < top + 0.22)
        share[patch] = strength * np.clip((x[patch] - left) / 0.1, 0, 1)
    return JudgedScene(
        scene=Scene(
            u_px=u,
            v_px=v,
            brightness=np.where(lit, brightness, 0.0),
            ambient=ambient,
            blur_px=blur,
            scattered=0.25 * (y < 0),
            second_u_px=1150.0 - 0.7 * u + 0.2 * v,  # the mirror image of another zone
            second_v_px=0.8 * v + 110.0,
            second_share=share,
        ),
        lit=lit,
    )


def bounds_px(judged: JudgedScene, patterns: PatternSet) -> tuple[Array, Array]:
    """Cramer-Rao bounds of u and v at each camera pixel, from the phase frames alone, with single-path light.

    sigma_phi^2 = 2 / N * (sigma / B)^2 per sinusoid (Applied Optics 37, 7253, 1998), all sinusoids of an axis together.
    """
    scene = judged.scene
    low, high = patterns.light_range
    amplitude = 255.0 * np.asarray(scene.brightness) * (high - low) / 2
    variance = NOISE_LEVELS**2 + _ROUNDING
    found = []
    for axis in ("x", "y"):
        information = np.zeros_like(amplitude)
        for frame in _waves(patterns):
            if frame.axis == axis:
                fade = np.exp(-2 * (np.pi * np.asarray(scene.blur_px) / frame.period_px) ** 2)
                information += (2 * np.pi / frame.period_px * amplitude * fade) ** 2 / 2 / variance
        with np.errstate(divide="ignore"):
            found.append(1 / np.sqrt(information))
    return found[0], found[1]


def judge(judged: JudgedScene, patterns: PatternSet, decoded: Decoded, photos: list[NDArray[Any]]) -> dict[str, float]:
    """The figures that a decoder is judged by."""
    scene = judged.scene
    bound_u, bound_v = bounds_px(judged, patterns)
    share = np.broadcast_to(scene.second_share, judged.lit.shape)
    burnt = np.max(photos, axis=0) >= np.iinfo(photos[0].dtype).max
    decodable = judged.lit & ~burnt & (share < _CLEAN_SHARE) & (np.maximum(bound_u, bound_v) < _DECODABLE_PX)
    valid = decoded.valid
    error_u, error_v = np.abs(decoded.u_px - scene.u_px), np.abs(decoded.v_px - scene.v_px)
    right = (error_u < _RIGHT_PX + _RIGHT_BOUNDS * bound_u) & (error_v < _RIGHT_PX + _RIGHT_BOUNDS * bound_v)
    good = valid & decodable
    mixed = judged.lit & (share >= _MIXED_SHARE) & ~burnt
    z_u = (decoded.u_px - scene.u_px)[good] / decoded.sigma_u_px[good]
    z_v = (decoded.v_px - scene.v_px)[good] / decoded.sigma_v_px[good]
    over = np.concatenate(
        [(decoded.u_px - scene.u_px)[good] / bound_u[good], (decoded.v_px - scene.v_px)[good] / bound_v[good]]
    )
    figures = {
        "std_over_bound": robust_std(over),
        "z_spread": float(np.sqrt(robust_std(z_u) * robust_std(z_v))),
        "z_spread_plain": float(np.std(np.concatenate([z_u, z_v]))),
        "precision": float(right[valid].mean()),
        "recall": float(valid[decodable].mean()),
        "wrong_by_4px": float((np.maximum(error_u, error_v)[valid] > 4).mean()),
        "median_error_px": float(np.median(np.hypot(error_u, error_v)[good])),
        "decoded_pixels": int(valid.sum()),
    }
    if mixed.any():
        figures["two_path_rejected"] = float(1 - valid[mixed].mean())
    return figures


def robust_std(values: Array) -> float:
    """Spread from the middle 90 %, so that a handful of wrong pixels does not hide how the rest scatters.

    3.2897 is the width of the middle 90 % of a normal distribution.
    """
    low, high = np.quantile(values, (0.05, 0.95))
    return float((high - low) / 3.2897)


def _waves(patterns: PatternSet) -> list[PhaseFrame]:
    """The phase frames, repeats left out."""
    return list(dict.fromkeys(f for f in patterns.frames if isinstance(f, PhaseFrame)))


def _unit_coordinates(camera: tuple[int, int]) -> tuple[Array, Array]:
    """The lit ellipse as unit circle."""
    width, height = camera
    row, column = np.mgrid[:height, :width].astype(float)
    x = ((column + 0.5) / width - 0.5) / _HALF_AXES[0]
    y = ((row + 0.5) / height - 0.5) / _HALF_AXES[1]
    return x, y


def _positions(x: Array, y: Array) -> tuple[Array, Array]:
    """A bent view of the projector picture."""
    u = PROJECTOR[0] * (0.5 + 0.46 * x + 0.015 * np.sin(3 * y)) - 0.5
    v = PROJECTOR[1] * (0.5 + 0.45 * y + 0.03 * x**2) - 0.5
    return u, v


def small(patterns: PatternSet, *, seed: int = 5) -> tuple[JudgedScene, list[NDArray[np.uint8]]]:
    """The hard scene for a 480 x 270 camera, and its photographs."""
    judged = hard_scene((480, 270))
    photos = photograph(judged.scene, patterns, rng=np.random.default_rng(seed), noise=NOISE, response=1.0)
    return judged, photos
