"""Gaussian blur of arrays: SciPy's `gaussian_filter` by OpenCV, which is five to ten times as fast for wide ones."""

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray


def gaussian_blur(
    values: NDArray[Any], sigma: float, *, truncate: float = 4.0, dark_outside: bool = False
) -> NDArray[Any]:
    """Blur each channel of (H, W) or (H, W, k) values, of their own float type.

    Parameters
    ----------
    sigma : standard deviation, in elements.
    truncate : the kernel ends after so many of them.
    dark_outside : whether what lies outside counts as zero; else the array is continued by its mirror image.
    """
    width = 2 * int(truncate * sigma + 0.5) + 1
    border = cv2.BORDER_CONSTANT if dark_outside else cv2.BORDER_REFLECT
    return np.asarray(cv2.GaussianBlur(values, (width, width), sigma, borderType=border)).reshape(values.shape)
