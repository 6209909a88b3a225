"""Cameras whose curve is far from usual: put right, or named and not taken for light of the room that changed."""

import numpy as np
import pytest
from synthetic_scan import Scene, photograph, smooth_scene

from rigwarp.decode import decode
from rigwarp.errors import MeasurementError
from rigwarp.patterns import fast_set
from rigwarp.rig import encode_transfer

SHAPE, RESOLUTION = (120, 160), (640, 360)
PATTERNS = fast_set(RESOLUTION, 2.2)


def _light(*, room=None):
    """Light on the camera, (F, H, W); `room` (F,): light added to each photograph."""
    u, v, brightness, ambient = smooth_scene(SHAPE, RESOLUTION)
    scene = Scene(u_px=u, v_px=v, brightness=brightness, ambient=ambient)
    linear = photograph(scene, PATTERNS, rng=np.random.default_rng(1), response=1.0, exposure=0.8)
    added = np.zeros(len(linear)) if room is None else room
    noise = np.random.default_rng(2)
    return [
        photo / 255.0 + more + noise.normal(0.0, 0.001, SHAPE) for photo, more in zip(linear, added, strict=True)
    ], u


def _coded(light, curve):
    return [np.rint(255.0 * curve(np.clip(one, 0.0, 1.0))).clip(0, 255).astype(np.uint8) for one in light]


def _srgb(light):
    return np.asarray(encode_transfer(light, "srgb"))


def _contrasty(light):
    code = _srgb(light)
    return code + 0.5 * code * (1.0 - code) * (2.0 * code - 1.0)


@pytest.mark.parametrize("curve", [_contrasty, lambda light: 1.0 - np.exp(-3.0 * light)], ids=["contrast", "shoulder"])
def test_a_picture_style_is_named(curve):
    light, _ = _light()
    with pytest.raises(MeasurementError, match="picture style") as raised:
        decode(_coded(light, curve), PATTERNS)
    assert "room's light" not in str(raised.value)


@pytest.mark.parametrize("first", [2, 5, 7])
def test_a_lamp_is_still_a_lamp(first):
    """Switched on before the third, the sixth grey level, and before white."""
    light, _ = _light(room=np.where(np.arange(len(PATTERNS.frames)) < first, 0.0, 0.06))
    with pytest.raises(MeasurementError, match="room's light"):
        decode(_coded(light, _srgb), PATTERNS)


@pytest.mark.parametrize("lit", [(1, 2), (2, 5), (4, 7), (0, 3)])
def test_a_lamp_that_was_on_for_a_few_grey_levels_is_no_picture_style(lit):
    every = np.arange(len(PATTERNS.frames))
    light, _ = _light(room=np.where((every >= lit[0]) & (every < lit[1]), 0.06, 0.0))
    with pytest.raises(MeasurementError, match="room's light"):
        decode(_coded(light, _srgb), PATTERNS)


@pytest.mark.parametrize("number", [0, 1, 2])
def test_a_dark_grey_that_shows_another_picture_is_named(number):
    """Another zone's light is not this one's: it falls on half of the place."""
    light, _ = _light()
    light[number] = light[0] + np.where(np.arange(SHAPE[1]) < SHAPE[1] // 2, 0.1, 0.0)
    with pytest.raises(MeasurementError, match=rf"photograph {number + 1} .* does not show the grey of its number"):
        decode(_coded(light, _srgb), PATTERNS)


def test_8_bits_darker_than_linear_are_put_right():
    """A power of 1.4: dark greys look nearly black, and are not taken for photographs taken twice."""
    light, u = _light()
    decoded = decode(_coded(light, lambda one: one**1.4), PATTERNS)
    z = ((decoded.u_px - u) / decoded.sigma_u_px)[decoded.valid]
    assert decoded.valid.mean() > 0.95
    assert np.sqrt(np.mean(z**2)) < 1.15
