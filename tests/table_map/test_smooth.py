"""The smooth surface: its uncertainty and its choice of smoothness."""

import numpy as np

from rigwarp.geometry import Array
from rigwarp.table_map.smooth import smooth_surface


def scattered(seed: int, sigma: float) -> tuple[Array, Array]:
    rng = np.random.default_rng(seed)
    points = rng.uniform([0, 0], [160, 120], (4000, 2))
    return points, truth(points) + sigma * rng.normal(size=points.shape)


def truth(points: Array) -> Array:
    x, y = points.T / 100.0
    return np.stack([np.sin(3 * x) * y, 0.5 * x * y**2 + 0.2 * np.exp(-((x - 0.8) ** 2 + (y - 0.6) ** 2) / 0.02)], -1)


def test_detail_survives_and_noise_does_not() -> None:
    points, values = scattered(1, 0.02)
    surface = smooth_surface(points, values, np.full(len(points), 0.02), cell_px=8.0)
    inner = np.stack(np.meshgrid(np.arange(5, 156, 5.0), np.arange(5, 116, 5.0)), -1).reshape(-1, 2)
    error = surface.value(inner) - truth(inner)
    assert error.std() < 0.5 * 0.02  # 4000 samples on 20 x 15 cells: 13 a cell, so a third of the noise
    assert np.abs(error).max() < 0.05  # the bump of 0.2, one and a half cells wide, is not flattened


def test_sigma_is_true_over_repeated_noise() -> None:
    """Predicted uncertainty against 24 repeated noisy fits."""
    at = np.array([[30.0, 40.0], [80.0, 60.0], [120.0, 100.0], [60.0, 90.0], [140.0, 20.0]])
    fits = [smooth_surface(*scattered(seed, 0.02), np.full(4000, 0.02), cell_px=8.0) for seed in range(24)]
    # the truth is smooth on this scale, so scatter is noise; 24 fits x 5 places x 2 values know their spread to 6 %
    scatter = np.array([fit.value(at) for fit in fits])
    z = (scatter - truth(at)) / np.array([fit.sigma(at) for fit in fits])[..., None]
    assert 0.8 < z.std() < 1.25


def test_outliers_are_weighted_down() -> None:
    points, values = scattered(1, 0.02)
    values[::50] += 1.0
    surface = smooth_surface(points, values, np.full(len(points), 0.02), cell_px=8.0)
    inner = np.stack(np.meshgrid(np.arange(5, 156, 5.0), np.arange(5, 116, 5.0)), -1).reshape(-1, 2)
    assert (surface.value(inner) - truth(inner)).std() < 0.015  # plain least squares gives 0.04
