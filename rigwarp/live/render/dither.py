"""Ordered dithering: the fraction of a code value that eight bits cannot show becomes a fine, fixed pattern.

Thresholds of an 8 x 8 recursive matrix (Bayer, An optimum method for two-level rendition of continuous-tone pictures,
1973). Fixed rather than random: nothing flickers, and all renderers agree.
"""

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array

SIDE = 8


def matrix() -> NDArray[np.int64]:
    """(8, 8) ranks 0 .. 63."""
    ranks = np.zeros((1, 1), np.int64)
    while len(ranks) < SIDE:
        ranks = np.block([[4 * ranks, 4 * ranks + 2], [4 * ranks + 3, 4 * ranks + 1]])
    return ranks


def thresholds(shape: tuple[int, int]) -> Array:
    """(H, W) what is added to a code value before it is cut off: above 0, below 1, mean 1/2."""
    own = (matrix() + 0.5) / SIDE**2
    repeats = (-(-shape[0] // SIDE), -(-shape[1] // SIDE))
    tiled: Array = np.tile(own, repeats)[: shape[0], : shape[1]]
    return tiled
