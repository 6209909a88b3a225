"""The spectrum of slopes against prysm 0.21.1 (its thin films are not used: wrong at an angle)."""

from importlib import resources

import numpy as np
import pytest
from prysm.interferogram import psd

from rigwarp.samples import closed_forms as spread
from rigwarp.samples.bench import parse_bench
from rigwarp.samples.optical_slopes import slope_bands
from rigwarp.samples.registered import Nodes


def test_spectrum_of_a_sinusoid_by_prysm() -> None:
    """A = 1, wavelength 16 mm, 512 x 0.25 mm under a boxcar: the spectrum's integral is the mean square, 0.5."""
    x = np.arange(512) * 0.25
    wave = np.broadcast_to(np.sin(2 * np.pi * x / 16.0), (512, 512))
    fx, _, density = psd(wave, 0.25, window=np.ones((512, 512)))
    step = float(np.diff(fx[0]).mean())
    assert float(density.sum()) * step**2 == pytest.approx(0.5, abs=1e-6)


def test_bands_of_slopes_against_prysm() -> None:
    """Noise of all wavelengths: the same rms between the same limits, the footprint's averaging divided out."""
    text = resources.files("rigwarp.scenarios").joinpath("offcut-box", "bench.toml").read_text(encoding="utf-8")
    bench, pitch = parse_bench(text), 0.25
    side = np.arange(160) * pitch
    slopes = 1e-3 * np.random.default_rng(6).standard_normal((160, 160, 2))
    nodes = Nodes(u=side, v=side, pitch_mm=np.array([pitch, pitch]))
    bands = slope_bands(bench, slopes, None, nodes)
    hann = np.outer(np.hanning(162)[1:-1], np.hanning(162)[1:-1])
    fx, fy = np.meshgrid(np.fft.fftfreq(160, pitch), np.fft.fftfreq(160, pitch))
    wide = bench.footprint_mm * np.hypot(fx / np.cos(bench.angle_rad), fy)
    kept = np.maximum(spread.disc_modulation(1.0, wide), 0.5)
    assert len(bands) == 1  # of 40 mm, no band ends beyond 20
    for k in (0, 1):
        mean = np.sum(slopes[..., k] * hann**2) / np.sum(hann**2)
        nu_x, nu_y, density = psd(slopes[..., k] - mean, pitch, window=hann)
        rate = np.hypot(nu_x, nu_y)
        step = float(np.diff(nu_x[0]).mean())
        inside = (rate <= 1.0 / bands[0].shortest_mm) & (rate > 1.0 / bands[0].longest_mm)
        square = np.sum((density / np.fft.fftshift(kept) ** 2)[inside]) * step**2
        assert bands[0].rms_rad[k] == pytest.approx(np.sqrt(square), rel=1e-9)
