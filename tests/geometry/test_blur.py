"""OpenCV's Gaussian blur against SciPy's."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from rigwarp.geometry.blur import gaussian_blur, wide_blur


@pytest.mark.parametrize(("dark_outside", "mode"), [(True, "constant"), (False, "reflect")])
def test_blur_is_that_of_scipy(dark_outside: bool, mode: str) -> None:
    values = np.random.default_rng(1).normal(size=(40, 70, 3))
    for sigma, truncate in ((5.0, 4.0), (2.3, 3.0)):
        blurred = gaussian_blur(values, sigma, truncate=truncate, dark_outside=dark_outside)
        for channel in range(3):
            outside = gaussian_filter(values[..., channel], sigma, mode=mode, truncate=truncate)
            assert np.abs(blurred[..., channel] - outside).max() < 1e-14
    assert gaussian_blur(values[..., :1], 2.0).shape == (40, 70, 1)


def test_a_wide_blur_on_a_reduced_picture_is_that_of_scipy() -> None:
    spot = np.zeros((101, 150))
    spot[37, 61] = 1.0
    rough = np.random.default_rng(2).normal(size=(101, 150))
    for values in (spot, rough, np.ones((101, 150))):
        for sigma in (2.0, 5.0, 6.0, 12.0, 20.0):
            outside = gaussian_filter(values, sigma, mode="constant")
            assert np.abs(wide_blur(values, sigma) - outside).max() < 0.01 * np.abs(outside).max()
    assert wide_blur(np.ones((40, 30, 1), np.float32), 5.0).shape == (40, 30, 1)
