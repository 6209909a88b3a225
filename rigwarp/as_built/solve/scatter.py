"""The scatter of values among which some may be far off."""

import numpy as np

from rigwarp.geometry import Array

_NORMAL = 1.4826  # 1 / 0.6745: the median deviation of a normal distribution is 0.6745 sigma


def robust_sigma(values: Array) -> float:
    """1-sigma of (n,) values by their median absolute deviation; n >= 1."""
    return float(_NORMAL * np.median(np.abs(values - np.median(values))))
