"""The sensor: photon statistics, quantisation, response, exposure, haze."""

import numpy as np
import pytest

from rigwarp.geometry import Placement
from rigwarp.simulation.sensor import Sensor, hazed
from rigwarp.simulation.truth import CameraTruth


def _sensor(resolution=(200, 100), **changes):
    values = {
        "placement": Placement(position_mm=np.zeros(3), rotation=np.eye(3)),
        "focal_px": np.array([500.0, 500.0]),
        "principal_px": np.array([99.5, 49.5]),
        "distortion": np.zeros(5),
        "thin_prism": np.zeros(4),
        "blur_px": 0.0,
        "vignetting": 0.0,
        "response": 1.0,
        "exposure": None,
        "full_well_e": 1e12,
        "read_noise_e": 0.0,
    }
    return Sensor(CameraTruth(**(values | changes)), resolution)


def test_variance_grows_with_the_mean_as_photons_do():
    well, read = 4000.0, 12.0
    sensor = _sensor((400, 400), full_well_e=well, read_noise_e=read)
    random = np.random.default_rng(2)
    levels = np.array([0.1, 0.3, 0.5, 0.7, 0.85])
    photos = [sensor.expose(np.full((400, 400), level, np.float32), 1.0, random).astype(float) for level in levels]
    mean, variance = np.array([p.mean() for p in photos]), np.array([p.var() for p in photos])
    # code = 255 / well per electron; quantisation adds 1/12; 160,000 pixels give it to 0.35 per cent (1 sigma)
    expected = 255.0 / well * (255 * levels) + (255.0 * read / well) ** 2 + 1 / 12
    np.testing.assert_allclose(variance, expected, rtol=0.015)
    np.testing.assert_allclose(mean, 255 * levels, rtol=0, atol=0.05)  # 4 sigma of the mean


def test_quantisation_without_noise_is_rounding():
    light = np.linspace(0, 1, 20_000, dtype=np.float32).reshape(100, 200)
    codes = _sensor().expose(light, 1.0, np.random.default_rng(0))
    # the response table holds 65,536 entries, 0.002 of a code each
    assert np.abs(codes - 255.0 * light).max() <= 0.5 + 0.003
    assert len(np.unique(codes)) == 256


def test_srgb_response_is_the_standard_curve():
    light = np.array([[0.001, 0.0031308, 0.18, 0.5, 0.9]], np.float32)
    codes = _sensor((5, 1), response="srgb").expose(light, 1.0, np.random.default_rng(0))
    # IEC 61966-2-1 evaluated by hand: 12.92 L below the break, 1.055 L^(1/2.4) - 0.055 above
    expected = [255 * 12.92 * 0.001, 255 * 0.04045, 255 * 0.461356, 255 * 0.735357, 255 * 0.954687]
    np.testing.assert_allclose(codes[0], expected, rtol=0, atol=0.56)


def test_brighter_than_full_scale_is_white():
    assert (_sensor().expose(np.full((100, 200), 7.0, np.float32), 1.0, np.random.default_rng(0)) == 255).all()


def test_automatic_exposure_and_a_given_one():
    radiance = np.full((100, 200), 0.37, np.float32)
    sensor = _sensor(response="srgb")
    gain = sensor.gain_for(radiance, peak_code=0.85, share=0.999)
    codes = sensor.expose(radiance, gain, np.random.default_rng(0))
    assert np.abs(codes.astype(float) - 0.85 * 255).max() <= 0.6
    assert _sensor(exposure=0.4).gain_for(radiance, peak_code=0.85, share=0.999) == 0.4


def test_vignetting_takes_its_share_from_the_corners():
    sensor = _sensor(vignetting=0.4)
    picture = sensor.optics(np.ones((100, 200), np.float32))
    np.testing.assert_allclose([picture[0, 0], picture[-1, -1]], 0.6, atol=1e-6)
    assert picture[50, 100] > 0.999


def test_lens_blur_has_the_stated_sigma():
    spot = np.zeros((101, 101), np.float32)
    spot[50, 50] = 1.0
    picture = _sensor((101, 101), blur_px=2.0).optics(spot).astype(float)
    u = np.arange(101) - 50.0
    # a sampled Gaussian has the variance of the continuous one to 1e-6 at this width; the kernel ends at 4 sigma
    assert abs(np.sqrt((picture.sum(axis=0) * u**2).sum() / picture.sum()) - 2.0) < 0.01


@pytest.mark.parametrize("haze", [0.0, 0.05, 0.3])
def test_haze_moves_its_share_and_keeps_the_sum(haze):
    spot = np.zeros((240, 320), np.float32)
    spot[116:124, 156:164] = 1.0
    picture = hazed(spot, haze)
    assert abs(picture.sum() / spot.sum() - 1) < 0.01  # a little leaves at the rim: 3 sigma of the spread
    assert abs(picture[120, 160] - (1 - haze)) < 0.02 * haze + 1e-6
    if haze:
        assert picture[120, 220] > 0
