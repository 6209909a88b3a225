"""Light that changes during the scan is named where all of the picture shows it, and so is automatic exposure."""

import re
from dataclasses import replace

import numpy as np
import pytest
from synthetic_scan import Scene, photograph, smooth_scene

from rigwarp.decode import decode
from rigwarp.errors import MeasurementError
from rigwarp.patterns import fast_set

SHAPE, RESOLUTION = (240, 320), (854, 480)
PATTERNS = fast_set(RESOLUTION, 2.2)
U, V, BRIGHTNESS, AMBIENT = smooth_scene(SHAPE, RESOLUTION)
STILL = Scene(u_px=U, v_px=V, brightness=0.7 * BRIGHTNESS, ambient=AMBIENT)


def taken(scenes: list[Scene], exposures: list[float], seed: int = 1) -> list[np.ndarray]:
    random = np.random.default_rng(seed)
    return [
        photograph(scene, replace(PATTERNS, frames=(frame,)), rng=random, exposure=exposure)[0]
        for scene, frame, exposure in zip(scenes, PATTERNS.frames, exposures, strict=True)
    ]


def test_sunshine_in_a_few_photographs_is_named() -> None:
    sun = replace(STILL, ambient=AMBIENT + 0.05)
    photos = taken([sun if 16 <= n < 21 else STILL for n in range(34)], [1.0] * 34)
    with pytest.raises(MeasurementError, match="room's light changed between photographs") as found:
        decode(photos, PATTERNS)
    told = re.search(r"photographs (\d+) .* and (\d+) .* by (\d+) % of projected white", str(found.value))
    assert told is not None
    assert told.group(1, 2) in (("16", "17"), ("21", "22"))
    assert int(told.group(3)) / 100.0 == pytest.approx(0.05 / np.median(0.7 * BRIGHTNESS), abs=0.02)


def test_sunshine_in_some_of_the_grey_levels_is_named() -> None:
    sun = replace(STILL, ambient=AMBIENT + 0.05)
    photos = taken([sun if n < 4 else STILL for n in range(34)], [1.0] * 34)
    with pytest.raises(MeasurementError, match=r"room's light changed between photographs 4 .* and 5 .* by \d+.?%"):
        decode(photos, PATTERNS)


def test_daylight_on_a_dark_half_is_not_taken_for_light_of_the_projector() -> None:
    half = np.where(np.arange(SHAPE[1]) < SHAPE[1] // 4, 1.0, 0.0) * np.ones(SHAPE)

    def dawn(grown: float) -> list[np.ndarray]:
        lit = 0.7 * BRIGHTNESS * half
        return taken([replace(STILL, brightness=lit, ambient=AMBIENT + grown * n / 33) for n in range(34)], [1.0] * 34)

    decoded = decode(dawn(0.02), PATTERNS)
    assert decoded.corrected == ()
    assert decoded.processing == ()
    assert decoded.valid[half > 0].mean() > 0.9
    with pytest.raises(MeasurementError, match=r"differ in brightness on .* daylight, a lamp or the exposure changed"):
        decode(dawn(0.07), PATTERNS)


def test_a_slow_lamp_and_steady_light_are_left_alone() -> None:
    for drift in (0.0, -0.08):
        photos = taken([STILL] * 34, list(1.0 + drift * np.linspace(0.0, 1.0, 34)))
        decoded = decode(photos, PATTERNS)
        assert decoded.corrected == ()
        assert decoded.valid.mean() > 0.95


def test_a_shadow_on_a_part_is_not_taken_for_other_light() -> None:
    part = np.zeros(SHAPE)
    part[:, :110] = 1.0
    shaded = replace(STILL, brightness=0.7 * BRIGHTNESS * (1.0 - 0.8 * part))
    decoded = decode(taken([shaded if 16 <= n < 19 else STILL for n in range(34)], [1.0] * 34), PATTERNS)
    assert decoded.corrected == ()
    assert decoded.valid[:, 130:].mean() > 0.95


def test_automatic_exposure_is_named() -> None:
    """Every photograph is exposed to the same mean."""
    still = taken([STILL] * 34, [1.0] * 34)
    white = np.mean((still[7] / 255.0) ** 2.2)
    exposures = [float(min(8.0, white / np.mean((photo / 255.0) ** 2.2))) for photo in still]
    with pytest.raises(MeasurementError, match="automatic exposure"):
        decode(taken([STILL] * 34, exposures), PATTERNS)
