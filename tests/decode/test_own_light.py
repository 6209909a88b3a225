"""Light that changes during the scan is taken out and named where all of the picture shows it."""

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
from synthetic_scan import Scene, photograph, smooth_scene

from rigwarp.decode import Decoded, decode
from rigwarp.decode.photographs.level_change import find_change_of_levels
from rigwarp.decode.signal.response import coded, linearise
from rigwarp.errors import MeasurementError
from rigwarp.patterns import PatternSet, fast_set

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


def held(photos: list[np.ndarray], patterns: PatternSet = PATTERNS) -> Decoded:
    """Decoded as well as if nothing had happened: all of it, errors as large as they are said to be."""
    decoded = decode(photos, patterns)
    ok = decoded.valid
    assert ok.mean() > 0.995
    for error, sigma in ((decoded.u_px - U, decoded.sigma_u_px), (decoded.v_px - V, decoded.sigma_v_px)):
        assert np.sqrt(np.mean((error / np.hypot(sigma, decoded.light_sigma_px))[ok] ** 2)) < 1.06
    assert np.sqrt(np.mean((decoded.u_px - U)[ok] ** 2)) < 1.1 * STILL_RMS_PX
    return decoded


# what noise does to this scene where nothing happens: 3 steps of 4 periods, Cramer-Rao at its mean contrast
STILL_RMS_PX = 0.0240


def test_sunshine_in_a_few_photographs_is_taken_out() -> None:
    """Much stronger on one side."""
    across = np.linspace(-1.0, 1.0, SHAPE[1])
    sun = replace(STILL, ambient=AMBIENT + 0.05 * (1.0 + 0.7 * across))
    decoded = held(taken([sun if 16 <= n < 21 else STILL for n in range(34)], [1.0] * 34))
    (told,) = decoded.corrected
    assert "room's light (sunshine, a lamp) changed" in told
    found = re.findall(r"by (\d+) % of projected white between photographs (\d+) \S+ and (\d+)", told)
    assert [one[1:] for one in found] == [("16", "17"), ("21", "22")]
    for share, *_ in found:
        assert int(share) / 100.0 == pytest.approx(0.05 / np.median(0.7 * BRIGHTNESS), abs=0.02)


def test_gains_of_single_photographs_are_taken_out() -> None:
    """The light of the grey frames stays, that of each photograph of stripes has a gain of its own."""
    gain = 1.0 + 0.04 * np.random.default_rng(3).standard_normal(34)
    gain[:8] = 1.0
    (told,) = held(taken([STILL] * 34, list(gain))).corrected
    assert "brightness of the photographs changed" in told
    largest = 8 + int(np.argmax(np.abs(np.diff(gain[8:]))))
    assert f"by {100 * abs(gain[largest + 1] - gain[largest]):.0f} % between photographs {largest + 1} (" in told


def test_daylight_that_comes_up_slowly_is_taken_out_of_the_grey_frames_too() -> None:
    """A tenth of projected white during the scan; the camera's response, sRGB, is found in spite of it."""
    decoded = held(taken([replace(STILL, ambient=AMBIENT + 0.05 * n / 33.0) for n in range(34)], [1.0] * 34))
    assert "little by little" in decoded.corrected[0]
    assert decoded.response.shape == pytest.approx(2.4, abs=0.1)


def test_sunshine_that_burns_the_picture_out_is_named() -> None:
    bright = replace(STILL, brightness=BRIGHTNESS)
    sun = replace(bright, ambient=AMBIENT + 0.42)
    with pytest.raises(MeasurementError, match=r"light .*burnt out"):
        decode(taken([sun if 16 <= n < 21 else bright for n in range(34)], [1.0] * 34), PATTERNS)


def test_sunshine_in_some_of_the_grey_levels_is_named() -> None:
    sun = replace(STILL, ambient=AMBIENT + 0.05)
    photos = taken([sun if n < 4 else STILL for n in range(34)], [1.0] * 34)
    with pytest.raises(MeasurementError, match=r"room's light changed between photographs 4 .* and 5 .* by \d+.?%"):
        decode(photos, PATTERNS)


@pytest.mark.parametrize("quality", [60, 30])
def test_what_jpeg_rounds_alike_on_an_even_table_is_no_light(quality: int) -> None:
    """Its steps of two codes and more lie together over hundreds of places: they look like 7 and 9 % of white."""
    even = replace(STILL, brightness=0.7 * BRIGHTNESS.mean() + 0.21 * (BRIGHTNESS - BRIGHTNESS.mean()))
    how = [cv2.IMWRITE_JPEG_QUALITY, quality]
    files = [cv2.imencode(".jpg", photo, how)[1] for photo in taken([even] * 34, [1.0] * 34)]
    photos = [cv2.imdecode(file, cv2.IMREAD_GRAYSCALE) for file in files]
    assert abs(find_change_of_levels(photos[:8]).added) > 0.05
    assert any("compresses" in said for said in decode(photos, PATTERNS).processing)


def test_daylight_on_a_dark_half_is_not_taken_for_light_of_the_projector() -> None:
    half = np.where(np.arange(SHAPE[1]) < SHAPE[1] // 4, 1.0, 0.0) * np.ones(SHAPE)

    def dawn(grown: float) -> list[np.ndarray]:
        lit = 0.7 * BRIGHTNESS * half
        return taken([replace(STILL, brightness=lit, ambient=AMBIENT + grown * n / 33) for n in range(34)], [1.0] * 34)

    decoded = decode(dawn(0.02), PATTERNS)
    assert decoded.corrected == ()
    assert decoded.processing == ()
    assert decoded.valid[half > 0].mean() > 0.9
    decoded = decode(dawn(0.07), PATTERNS)
    assert "room's light" in decoded.corrected[0]
    assert "moved" not in " ".join(decoded.corrected)
    ok = decoded.valid & (half > 0)
    assert ok[half > 0].mean() > 0.9
    sigma = np.hypot(decoded.sigma_u_px, decoded.light_sigma_px)
    assert np.sqrt(np.mean(((decoded.u_px - U) / sigma)[ok] ** 2)) < 1.1


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


@pytest.mark.parametrize("followed", [0.6, 0.7, 1.0])
def test_automatic_exposure_is_named(followed: float) -> None:
    """Every photograph is exposed to the same mean, or half the way there: no lamp is blamed, and no picture style."""
    still = taken([STILL] * 34, [1.0] * 34)
    white = np.mean((still[7] / 255.0) ** 2.2)
    exposures = [float(min(8.0, (white / np.mean((photo / 255.0) ** 2.2)) ** followed)) for photo in still]
    with pytest.raises(MeasurementError, match="automatic exposure") as raised:
        decode(taken([STILL] * 34, exposures), PATTERNS)
    assert "room's light" not in str(raised.value)
    assert "picture style" not in str(raised.value)


@pytest.mark.parametrize("shape", [1.0, 1.8, 2.2, 2.4])
def test_codes_of_light_are_the_inverse_of_light_of_codes(shape: float) -> None:
    value = np.linspace(0.0, 1.0, 1001)
    np.testing.assert_allclose(coded(linearise(value, shape), shape), value, atol=1e-12)
