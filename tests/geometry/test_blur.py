"""OpenCV's Gaussian blur against SciPy's."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from rigwarp.geometry.blur import gaussian_blur


@pytest.mark.parametrize(("dark_outside", "mode"), [(True, "constant"), (False, "reflect")])
def test_blur_is_that_of_scipy(dark_outside: bool, mode: str) -> None:
    values = np.random.default_rng(1).normal(size=(40, 70, 3))
    for sigma, truncate in ((5.0, 4.0), (2.3, 3.0)):
        blurred = gaussian_blur(values, sigma, truncate=truncate, dark_outside=dark_outside)
        for channel in range(3):
            outside = gaussian_filter(values[..., channel], sigma, mode=mode, truncate=truncate)
            assert np.abs(blurred[..., channel] - outside).max() < 1e-14
    assert gaussian_blur(values[..., :1], 2.0).shape == (40, 70, 1)
