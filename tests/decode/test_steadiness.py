"""Flicker and wandering bands of known size, put onto photographs of a flat field."""

import numpy as np
import pytest

from rigwarp.decode.checks.light_levels import lit_pixels, measure_light
from rigwarp.decode.checks.steadiness import measure_steadiness, steady_exposures_s
from rigwarp.errors import MeasurementError

SIZE = (360, 320)
EVERYWHERE = np.ones(SIZE, bool)


def photos(count, *, flicker=0.0, banding=0.0, rows=90.0, noise=2.0, seed=3):
    """16-bit photographs of a field of 20000 with relative errors: sinusoidal in time, and along the rows."""
    rng = np.random.default_rng(seed)
    made = []
    for t in range(count):
        share = flicker * np.sqrt(2.0) * np.cos(2 * np.pi * t / count)  # rms over whole periods = flicker
        phase = 2 * np.pi * (np.arange(SIZE[0]) / rows - t / count)
        field = 20000.0 * (1 + share + banding * np.sqrt(2.0) * np.cos(phase))[:, None] + np.zeros(SIZE)
        made.append(np.rint(field + rng.normal(0.0, noise * 78.0, SIZE)).astype(np.uint16))
    return made


def test_noise_alone_is_neither_flicker_nor_bands():
    found = measure_steadiness(photos(8), EVERYWHERE)
    assert found.flicker < 1e-4  # 156 / 20000 over 115,200 pixels: 2e-5
    assert found.banding < 3e-4  # 156 / 20000 over 320 pixels a row is 4e-4 and is taken off
    assert np.isnan(found.band_rows)
    assert found.noise == pytest.approx(156 / 65535, rel=0.02)


def test_flicker_has_its_size():
    found = measure_steadiness(photos(8, flicker=0.01), EVERYWHERE)
    assert found.flicker == pytest.approx(0.01 * np.sqrt(8 / 7), rel=0.01)  # n - 1 in the standard deviation
    assert found.banding < 3e-4


def test_bands_have_their_size_and_period():
    found = measure_steadiness(photos(8, banding=0.02), EVERYWHERE)
    assert found.banding == pytest.approx(0.02 * np.sqrt(8 / 7), rel=0.03)
    assert found.flicker < 1e-4  # whole periods over the frame
    assert found.band_rows == pytest.approx(90.0, rel=0.15)  # a spectrum of 360 rows has lines at 72, 90, 120


def test_light_instead_of_codes():
    """A camera that codes light ** (1 / 2): a flicker of 1 % of the light is 0.5 % of the codes."""
    coded = [np.rint(np.sqrt(p / 65535.0) * 65535).astype(np.uint16) for p in photos(6, flicker=0.01)]
    response = (np.arange(65536) / 65535.0) ** 2
    assert measure_steadiness(coded, EVERYWHERE).flicker == pytest.approx(0.005 * np.sqrt(6 / 5), rel=0.02)
    light = measure_steadiness(coded, EVERYWHERE, response=response)
    assert light.flicker == pytest.approx(0.01 * np.sqrt(6 / 5), rel=0.02)


def test_one_photograph_tells_nothing():
    with pytest.raises(MeasurementError, match="two or more"):
        measure_steadiness(photos(1), EVERYWHERE)


def test_proposed_exposures_are_whole_frames():
    """Two frames of 60 Hz are four half-waves of 60 Hz mains, three are five of 50 Hz mains."""
    two, three, _ = steady_exposures_s(1 / 60, shortest_s=0.001)
    assert two * 120 == pytest.approx(4)
    assert three * 100 == pytest.approx(5)
    assert steady_exposures_s(1 / 60, shortest_s=0.05)[0] == pytest.approx(0.05)


def test_light_levels_are_what_they_are():
    black = np.full((100, 100), 26, np.uint8)
    white = np.full((100, 100), 204, np.uint8)
    white[:, 90:] = 28  # a tenth of the picture gets no light
    white[0, :2] = 255
    found = measure_light(black, white, np.ones((100, 100), bool))
    assert found.saturated == pytest.approx(2 / 10000)
    assert found.lit == pytest.approx(0.9)
    assert (found.white, found.black) == (204 / 255, 26 / 255)
    # sRGB: 26 / 255 is 0.0103 of full light, 204 / 255 is 0.604 (IEC 61966-2-1); the family of responses comes near
    assert found.room == pytest.approx(0.0103 / 0.604, rel=0.1)
    assert lit_pixels(black, white).sum() == 9000


def test_no_light_at_all():
    dark = np.full((40, 40), 12, np.uint8)
    found = measure_light(dark, dark + np.uint8(1))
    assert (found.lit, found.contrast) == (0.0, 0.0)
