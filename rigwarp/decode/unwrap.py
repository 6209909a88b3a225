"""From four phases to one position: which period of each sinusoid a pixel is in.

The differences between the phases form a point in a cube with opposite faces joined; the projector's positions are a
curve that winds through it. A table over the cube holds, for each small cell, the position whose point is nearest in
the least-squares sense (with the phases' common error taken out), so that unwrapping is one look-up per pixel.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array

_CELLS = 64  # per turn of phase difference
_REACH = 10  # cells around the curve that still belong to it: 0.16 turns, five sigma even in dim light
_STEP_PX = 0.5
_MARGIN_PX = 2.0  # positions just outside the projector, so that noise at its rim is not folded to the other side


@lru_cache(maxsize=4)
def position_table(periods_px: tuple[float, ...], extent_px: int) -> NDArray[np.float32]:
    """(64, 64, 64) nearest position, pixels, over the phase differences of four periods; NaN far from every position.

    The first period is the reference: the axes are the differences of the second, third and fourth phase to it.
    """
    reach = np.arange(-_REACH, _REACH + 1)
    offsets = np.stack(np.meshgrid(reach, reach, reach, indexing="ij"), axis=-1).reshape(-1, 3)
    rates = 1.0 / np.asarray(periods_px)
    nearest = np.full((_CELLS,) * 3, np.nan, np.float32)
    misfit = np.full((_CELLS,) * 3, np.inf, np.float32)
    for position in np.arange(-_MARGIN_PX, extent_px + _MARGIN_PX, _STEP_PX):
        point = (position * (rates[1:] - rates[0])) % 1.0 * _CELLS
        cell = np.floor(point).astype(int) + offsets
        error = cell + 0.5 - point
        distance = np.sum(error**2, axis=1) - np.sum(error, axis=1) ** 2 / len(periods_px)
        index = tuple((cell % _CELLS).T)
        closer = distance < misfit[index]
        index = tuple(i[closer] for i in index)
        misfit[index] = distance[closer]
        nearest[index] = position
    return nearest


def unwrap(turns: Array, periods_px: tuple[float, ...], extent_px: int) -> Array:
    """Position of each pixel according to each period.

    Parameters
    ----------
    turns : (4, N)
        Phases in turns, in the order of `periods_px`.
    periods_px : the four periods.
    extent_px : projector extent along this axis.

    Returns
    -------
    (4, N)
        Position in projector pixels from each phase, all in the same place up to noise; NaN where the phases fit no
        position.
    """
    table = position_table(periods_px, extent_px)
    difference = (turns[1:] - turns[0]) % 1.0
    cell = np.minimum((difference * _CELLS).astype(np.intp), _CELLS - 1)
    rough = table[cell[0], cell[1], cell[2]].astype(float)
    periods = np.asarray(periods_px)[:, None]
    return periods * (turns + np.round(rough / periods - turns))
