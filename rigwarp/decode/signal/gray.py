"""Gray code: the cell of the projector picture that a pixel sees, from the signs of bit minus inverse."""

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.geometry import Array


def cell_position(codes: NDArray[np.unsignedinteger], axis: AxisLayout) -> Array:
    """Middle of the cell that each pixel sees.

    Parameters
    ----------
    codes : (F, N) photographs of all frames.
    axis : with a Gray code.

    Returns
    -------
    (N,) projector position, pixels; right to half a cell, a little more where a bar's edge is blurred.
    """
    binary = np.zeros(codes.shape[1], bool)
    cell = np.zeros(codes.shape[1])
    for plain, inverted in axis.bits:
        binary = binary ^ (codes[plain] > codes[inverted])
        cell = 2 * cell + binary
    return np.asarray((cell + 0.5) * axis.cell_px - 0.5)
