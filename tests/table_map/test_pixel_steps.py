"""Steps of the projector's pixels in decoded positions, against the closed form of a camera's mean over them."""

import numpy as np
import pytest

from rigwarp.geometry import Array
from rigwarp.table_map.pixel_steps import without_waves_of_pixels

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


def slopes(pixels_px: Array) -> Array:
    return np.broadcast_to(MM_PER_PX, (len(pixels_px), 2, 2))


def rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))


@pytest.mark.parametrize("wide_px", [1.3, 1.6])
def test_what_repeats_with_the_pixels_goes(wide_px: float) -> None:
    true = samples(np.random.default_rng(1))
    decoded = seen(true, wide_px)
    left, _ = without_waves_of_pixels(decoded, (true - decoded) @ MM_PER_PX.T, slopes(true))
    before, after = rms((true - decoded) @ MM_PER_PX.T), rms(left)
    assert before > 0.01  # mm
    assert after < 0.15 * before + 0.004


def test_form_ripple_and_noise_stay() -> None:
    true = samples(np.random.default_rng(2))
    wave = 0.05 * np.sin(2 * np.pi * true @ np.array([0.2, 0.1]))[:, None] * np.array([1.0, 0.5])
    residual = wave + 1e-3 * true + 0.02 * np.random.default_rng(3).normal(size=true.shape)
    left, _ = without_waves_of_pixels(true, residual, slopes(true))
    assert rms(left - residual) < 0.002  # mm; noise of 0.02 in 90,000 samples


@pytest.mark.parametrize("beside_px", [0.0, 0.5, 0.3])
def test_samples_that_all_lie_alike_on_the_pixels_tell_nothing(beside_px: float) -> None:
    """As a view's do, whose pixels are exact: sines of whole turns are rounding, and form would be fitted with it."""
    v, u = np.mgrid[:240, :400]
    whole = np.stack([u.ravel(), v.ravel()], axis=-1) + beside_px
    form = np.stack([np.sin(whole[:, 0] / 40.0), np.cos(whole[:, 1] / 30.0)], axis=-1)  # mm
    left, _ = without_waves_of_pixels(whole, form, slopes(whole))
    np.testing.assert_array_equal(left, form)


def test_few_samples_stay_as_they_are() -> None:
    few = samples(np.random.default_rng(4))[:500]
    residual = np.ones((500, 2))
    left, told = without_waves_of_pixels(few, residual, slopes(few), ((0.2,), (0.2,)))
    assert left is residual
    assert not told


def decoded_with(harmonic: float, true: Array, periods_px: tuple[float, ...], steps: int) -> Array:
    """What N steps decode of stripes cos(phi) + h cos((N - 1) phi): arg(e^i phi + h e^-i(N - 1) phi), mean of periods.

    The harmonic of order N - 1 masquerades as the fundamental, turned the other way round (Bruning et al., 1974).
    """
    found = []
    for period in periods_px:
        phi = 2.0 * np.pi * true / period
        seen = np.exp(1j * phi) + harmonic * np.exp(-1j * (steps - 1) * phi)
        found.append(true + np.angle(seen * np.exp(-1j * phi)) * period / (2.0 * np.pi))
    return np.mean(found, axis=0)


@pytest.mark.parametrize(
    ("periods_px", "steps", "harmonic"),
    [((18.0,), 3, 0.02), ((64.0,), 3, 0.02), ((18.0,), 4, 0.01), ((18.0,), 5, 0.01), ((18.0, 22.75, 25.25), 3, 0.03)],
)
def test_what_the_cameras_curve_does_to_stripes_goes(
    periods_px: tuple[float, ...], steps: int, harmonic: float
) -> None:
    rng = np.random.default_rng(5)
    true = samples(rng)
    weaker = 1.0 - 0.5 * true[:, :1] / true[:, 0].max()  # as places of other brightness show it
    decoded = decoded_with(harmonic * weaker, true, periods_px, steps)
    noise = 0.02 * rng.normal(size=true.shape)
    residual = (true - decoded) @ MM_PER_PX.T
    waves = tuple(steps / period for period in periods_px)
    left, told = without_waves_of_pixels(decoded, residual + noise, slopes(true), (waves, waves))
    assert told
    assert rms(residual) > 0.004  # mm
    assert rms(left - noise) < 0.05 * rms(residual) + 0.0015  # mm; noise of 0.02 in 40,000 samples
    without, told = without_waves_of_pixels(decoded, residual + noise, slopes(true))
    assert not told
    assert rms(without - noise) > 0.9 * rms(residual)


def test_a_ripple_that_is_not_tied_to_the_stripes_stays() -> None:
    """As long as a third of the period and along u, but a sixth of a turn from where the camera's curve would put it,
    at one end of the picture, and as much the other way at the other: a mirror knows of no crests."""
    true = samples(np.random.default_rng(6))
    turn = np.linspace(np.pi / 3.0, 2.0 * np.pi / 3.0, len(true))
    wave = 0.05 * np.sin(2 * np.pi * true[:, 0] / 6.0 + turn)[:, None] * np.array([1.0, 0.0])
    left, _ = without_waves_of_pixels(true, wave, slopes(true), ((1.0 / 6.0,), (1.0 / 6.0,)))
    assert rms(left) > 0.9 * rms(wave)
