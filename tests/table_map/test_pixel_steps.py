"""Steps of the projector's pixels in decoded positions, against the closed form of a camera's mean over them."""

import numpy as np
import pytest

from rigwarp.geometry import Array
from rigwarp.table_map.pixel_steps import without_pixel_steps

MM_PER_PX = np.array([[0.7, 0.1], [-0.05, 0.8]])


def seen(pixels_px: Array, wide_px: float) -> Array:
    """What a camera pixel decodes that takes in `wide_px` of a picture of steps: the mean of the pixels' centres there.

    The integral of round(x) is that of x minus x's distance to the nearest centre, f = x - round(x), whose integral is
    f^2 / 2.
    """

    def integral(x: Array) -> Array:
        return x**2 / 2.0 - (x - np.rint(x)) ** 2 / 2.0

    return (integral(pixels_px + wide_px / 2) - integral(pixels_px - wide_px / 2)) / wide_px


def samples(rng: np.random.Generator) -> Array:
    """True positions: those of a camera's lattice, turned and sheared against the projector's."""
    v, u = np.mgrid[:300, :300]
    lattice = np.stack([u.ravel(), v.ravel()], axis=-1) @ np.array([[0.43, 0.11], [-0.07, 0.51]])
    return np.asarray(lattice + np.array([40.0, 20.0]) + 3e-5 * lattice**2 + 0.005 * rng.normal(size=lattice.shape))


def rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))


@pytest.mark.parametrize("wide_px", [1.3, 1.6])
def test_what_repeats_with_the_pixels_goes(wide_px: float) -> None:
    true = samples(np.random.default_rng(1))
    decoded = seen(true, wide_px)
    left = without_pixel_steps(decoded, (true - decoded) @ MM_PER_PX.T, np.broadcast_to(MM_PER_PX, (len(true), 2, 2)))
    before, after = rms((true - decoded) @ MM_PER_PX.T), rms(left)
    assert before > 0.01  # mm
    assert after < 0.15 * before + 0.004


def test_form_ripple_and_noise_stay() -> None:
    true = samples(np.random.default_rng(2))
    wave = 0.05 * np.sin(2 * np.pi * true @ np.array([0.2, 0.1]))[:, None] * np.array([1.0, 0.5])
    residual = wave + 1e-3 * true + 0.02 * np.random.default_rng(3).normal(size=true.shape)
    left = without_pixel_steps(true, residual, np.broadcast_to(MM_PER_PX, (len(true), 2, 2)))
    assert rms(left - residual) < 0.002  # mm; noise of 0.02 in 90,000 samples


@pytest.mark.parametrize("beside_px", [0.0, 0.5, 0.3])
def test_samples_that_all_lie_alike_on_the_pixels_tell_nothing(beside_px: float) -> None:
    """As a view's do, whose pixels are exact: sines of whole turns are rounding, and form would be fitted with it."""
    v, u = np.mgrid[:240, :400]
    whole = np.stack([u.ravel(), v.ravel()], axis=-1) + beside_px
    form = np.stack([np.sin(whole[:, 0] / 40.0), np.cos(whole[:, 1] / 30.0)], axis=-1)  # mm
    left = without_pixel_steps(whole, form, np.broadcast_to(MM_PER_PX, (len(whole), 2, 2)))
    np.testing.assert_array_equal(left, form)


def test_few_samples_stay_as_they_are() -> None:
    few = samples(np.random.default_rng(4))[:500]
    residual = np.ones((500, 2))
    assert without_pixel_steps(few, residual, np.broadcast_to(MM_PER_PX, (500, 2, 2))) is residual
