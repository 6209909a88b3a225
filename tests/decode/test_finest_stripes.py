"""Stripes one pixel wide, photographed from so far away that no camera resolves them: half of white's light or not.

Closed form: mixing two neighbouring pixels half and half in code values gives a code of 1/2, whose light is 2^-gamma.
"""

import cv2
import numpy as np
import pytest

from rigwarp.decode.checks.finest_stripes import _local, measure_finest_stripes, stripe_frames
from rigwarp.errors import MeasurementError

GAMMA = 2.2
PROJECTOR = (640, 360)
LEVELS = (0, 48, 88, 128, 168, 208, 232, 255)


def photo(frame, *, blur_px=1.5, size=(400, 300), saturated=False, gamma=GAMMA, linear=False):
    """What an sRGB camera sees of the frame's light, on a table that is brighter in the middle, with a little noise."""
    light = (frame / 255.0) ** gamma
    light = cv2.GaussianBlur(light, (0, 0), blur_px, borderType=cv2.BORDER_REFLECT)
    light = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    u, v = np.meshgrid(np.linspace(-1, 1, size[0]), np.linspace(-1, 1, size[1]))
    light = (0.8 - 0.5 * (u**2 + v**2) / 2) * light + 0.02
    light = light * (4.0 if saturated else 1.0)
    light = np.clip(light, 0.0, 1.2)
    coded = (
        light
        if linear
        else np.where(light < 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    )
    noise = np.random.default_rng(int(frame.sum()) % 1000).normal(0.0, 0.8, coded.shape)
    return np.clip(np.rint(255 * coded + noise), 0, 255).astype(np.uint8)


def measured(path, axis="x", wider=False, **how):
    """Judge stripes that went through `path` (frame -> frame) on their way."""

    def pair(pixels):
        return [photo(path(frame), **how) for frame in stripe_frames(PROJECTOR, axis, pixels=pixels)]

    levels = {c: photo(np.full(PROJECTOR[::-1], c, np.uint8), **how) for c in LEVELS}
    return measure_finest_stripes(levels, pair(1), GAMMA, wider=pair(2) if wider else None)


def resized(scale, how):
    """Overscan: the frame enlarged about its middle, its rim cut off."""

    def path(frame):
        height, width = frame.shape
        large = cv2.resize(frame, (round(width * scale), round(height * scale)), interpolation=how)
        left, top = (large.shape[1] - width) // 2, (large.shape[0] - height) // 2
        return np.ascontiguousarray(large[top : top + height, left : left + width])

    return path


@pytest.mark.parametrize("how", [{"linear": True}, {"gamma": 1.8}, {"gamma": 2.6}, {"gamma": 1.9, "linear": True}])
def test_no_false_alarm_for_other_cameras_and_projectors(how):
    """Half the light, whatever the curves; the level that looks as bright is 255 * 0.5 ** (1 / gamma)."""
    found = measured(lambda frame: frame, **how)
    assert found.equal_code == pytest.approx(255 * 0.5 ** (1 / how.get("gamma", GAMMA)), abs=4)
    assert 0.44 < found.light < 0.6
    mixed = measured(lambda frame: cv2.blur(frame, (2, 1)), **how)
    assert mixed.equal_code == pytest.approx(127.5, abs=2)
    assert mixed.light < 0.35


@pytest.mark.parametrize("axis", ["x", "y"])
@pytest.mark.parametrize("blur_px", [0.3, 3.0])
def test_half_of_the_light_however_blurred(axis, blur_px):
    found = measured(lambda frame: frame, axis, blur_px=blur_px)
    assert found.light == pytest.approx(0.5, abs=0.01)  # the response is estimated: 0.003 here
    assert found.banding < 0.003
    assert found.imbalance < 0.004
    assert found.places > 100


def test_neighbours_mixed_half_and_half_give_the_light_of_half_a_code():
    """A 2 px box over codes: every pixel becomes 127 or 128, light 0.5 ** 2.2 = 0.218."""
    found = measured(lambda frame: cv2.blur(frame, (2, 1)))
    assert found.light == pytest.approx(0.5**GAMMA, abs=0.01)
    assert found.contrast < 0.01


def test_a_scale_near_one_makes_bands():
    """At a scale of 1.01 linear interpolation goes from no mixing to full mixing and back within 101 pixels."""
    found = measured(resized(1.01, cv2.INTER_LINEAR))
    assert 0.25 < found.light < 0.36  # mean over a beat of (w^2.2 + (1 - w)^2.2) / 2 is 1 / 3.2; the median less
    assert found.banding > 0.05


def test_repeated_pixels_keep_the_light_but_not_the_balance():
    """1.5 times by repetition: on, on, off, ... and its opposite: two thirds and one third of white."""
    found = measured(resized(1.5, cv2.INTER_NEAREST))
    assert found.light == pytest.approx(0.5, abs=0.01)
    assert found.imbalance == pytest.approx(1 / 6, abs=0.01)


def test_contrast_is_what_the_camera_resolves():
    near = measured(lambda frame: frame, blur_px=0.3, size=(1280, 720))
    far = measured(lambda frame: frame, blur_px=0.9, size=(1280, 720))
    assert near.contrast > 3 * far.contrast


def test_the_blur_allows_what_is_seen_pixel_for_pixel():
    """A sampled Gaussian of 0.6 px has weights 1, 0.249, 0.0039: alternating, 0.338; on, on, off, off: 0.659 rms.

    From the latter 0.90 (0.659 / 0.90)^4 = 0.259 is expected of the former, whose pixels here are points, not squares.
    """
    found = measured(lambda frame: frame, wider=True, blur_px=0.6, size=(1280, 720))
    assert found.contrast == pytest.approx(0.338, abs=0.01)
    assert found.allowed == pytest.approx(0.259, abs=0.01)


def test_dropped_pixels_keep_more_contrast_than_the_blur_allows():
    """A panel of 0.6 times the pixels that leaves the others out: on and off last for one or two of its pixels."""

    def panel(frame):
        height, width = frame.shape
        small = cv2.resize(frame, (round(0.6 * width), round(0.6 * height)), interpolation=cv2.INTER_NEAREST)
        return cv2.resize(small, (width, height), interpolation=cv2.INTER_NEAREST)

    found = measured(panel, wider=True)
    assert found.light == pytest.approx(0.5, abs=0.03)  # the light is right, and so is the balance
    assert found.contrast > 3.0 * found.allowed + 0.1


def test_hardly_any_light_is_an_error():
    with pytest.raises(MeasurementError, match=r"patches|places"):
        measured(lambda frame: frame, saturated=True)


def test_local_means_are_those_of_a_blurred_picture() -> None:
    """OpenCV's Gaussian blur of the whole picture, in double precision; odd sides, smaller than the blur reaches."""
    values = np.random.default_rng(5).uniform(0.0, 255.0, (37, 331))
    blurred = cv2.GaussianBlur(values, (0, 0), 10.0, borderType=cv2.BORDER_REPLICATE)
    np.testing.assert_allclose(_local(values), blurred[8::16, 8::16], atol=2e-4)  # float32: 2^-24 of 255, some times
