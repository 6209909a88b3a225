"""A known wave in noisy slopes must be found, and noise alone must not be taken for one."""

import numpy as np
import pytest
from scipy import sparse
from scipy.special import j1

from rigwarp.as_built.describe.alignment import RigidMotions
from rigwarp.as_built.describe.heights import Heights
from rigwarp.as_built.describe.ripple import TakenRipple, find_ripple


def slopes(amplitude_um, period_mm, direction_deg, *, seed=0):
    """Slopes in mrad at 14,000 scattered points of a 60 x 50 mm footprint, with 0.06 mrad of noise and some form."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform([-30.0, -25.0], [30.0, 25.0], (14_000, 2))
    b = np.deg2rad(direction_deg)
    k = 2.0 * np.pi / period_mm * np.array([np.cos(b), np.sin(b)])
    wave = -amplitude_um * np.sin(xy @ k)[:, None] * k  # um / mm = mrad
    form = 0.05 * xy + 1e-3 * xy**2
    return xy, wave + form + 0.06 * rng.normal(size=xy.shape)


@pytest.mark.parametrize(("period_mm", "direction_deg"), [(2.0, 28.0), (4.0, 90.0), (7.0, 151.0)])
def test_a_wave_is_found(period_mm, direction_deg):
    ripple, search = find_ripple(*slopes(0.05, period_mm, direction_deg))
    assert ripple is not None
    assert search.shortest_mm < period_mm < search.longest_mm
    assert ripple.period_mm == pytest.approx(period_mm, rel=0.01)  # an eighth of the spectrum's own resolution
    assert abs((ripple.direction_deg - direction_deg + 90.0) % 180.0 - 90.0) < 1.0
    # 0.06 mrad over 14,000 points: slope amplitude known to 0.7 urad, 0.001 um here; the rest is the form's share
    assert ripple.amplitude_um == pytest.approx(0.05, rel=0.1)


@pytest.mark.parametrize("seed", range(3))
def test_noise_is_no_ripple(seed):
    ripple, search = find_ripple(*slopes(0.0, 4.0, 0.0, seed=seed))
    assert ripple is None
    assert 0.0 < search.least_amplitude_um < 0.05


def test_too_few_points_find_nothing():
    rng = np.random.default_rng(0)
    ripple, search = find_ripple(rng.uniform(0.0, 10.0, (12, 2)), rng.normal(size=(12, 2)))
    assert ripple is None
    assert search.shortest_mm == search.longest_mm


def test_a_mean_over_a_disk_has_of_waves_what_an_aperture_lets_through():
    """2 J1(k R) / (k R), the amplitude of the Airy pattern (Born and Wolf, Principles of Optics, 8.5.2)."""
    axis = np.linspace(-1.0, 1.0, 301)
    xy = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    xy = 10.0 * xy[np.hypot(*xy.T) <= 1.0]
    weights = np.full((1, len(xy)), 1.0 / len(xy))
    for period_mm in (40.0, 15.0, 7.0):
        x = 2.0 * np.pi / period_mm * 10.0
        expected = 0.5 * (2.0 * j1(x) / x) ** 2
        unit = TakenRipple(mean_square_mm2=np.array([0.5]), period_mm=np.array([period_mm]), xy_mm=xy)  # waves of 1 mm
        assert unit.covariance_mm2(weights)[0, 0] == pytest.approx(expected, rel=0.02, abs=1e-5)


def test_sums_of_heights_and_their_sigmas_own_up_to_ripple_that_was_taken_off():
    """Against many drawn waves: tilt, bend and twist of a panel without its outer parts, alignment taken out."""
    rng = np.random.default_rng(4)
    axis = np.linspace(-8.0, 8.0, 33)
    xy = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    x, y = xy.T
    n, amplitudes, periods_mm = len(xy), np.array([0.002, 0.003]), np.array([7.0, 4.0])
    shown = np.linalg.qr(np.stack([np.ones(n), x, y], axis=-1))[0]
    zeros = np.zeros((6, n))
    motions = RigidMotions(shown=shown, inverse=zeros, symmetries=zeros[:, :0], hidden=zeros[:, :0])
    heights = Heights(
        value=np.zeros(n),
        sigma=np.zeros(n),
        slope=np.zeros((n, 2)),
        by_mounting=np.zeros((n, 15)),
        by_figure=sparse.csr_matrix((n, 4)),
        motions=motions,
        covariance=np.zeros((19, 19)),
        taken=TakenRipple(mean_square_mm2=amplitudes**2 / 2.0, period_mm=periods_mm, xy_mm=xy),
    )
    inner = np.abs(x) < 5.0
    weights = np.zeros((5, n))
    weights[:, inner] = np.linalg.pinv(np.stack([0 * x + 1, x, y, x * x, y * y, x * y], axis=-1)[inner])[1:]
    _, covariance = heights.linear(weights)
    waves = np.zeros((n, 4000))
    for amplitude, period_mm in zip(amplitudes, periods_mm, strict=True):
        angle, phase = rng.uniform(0.0, 2.0 * np.pi, (2, 4000))
        along = xy @ np.stack([np.cos(angle), np.sin(angle)])
        waves += amplitude * np.cos(2.0 * np.pi / period_mm * along + phase)
    drawn = np.std(weights @ (waves - shown @ (shown.T @ waves)), axis=1)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(drawn, rel=0.05)
