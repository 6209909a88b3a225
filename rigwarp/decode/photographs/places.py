"""A few thousand places of the camera's picture, read from every photograph, and what is seen there."""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.photographs.light_model import UNKNOWNS, Frames, Seen, settled, start_states
from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.position import cell_position, phase_of_steps, refine, rough_position
from rigwarp.geometry import Array

_COUNT = 1600
_SMOOTHING_PX = 1.3  # sigma: noise falls to a fifth; stripes are ten camera pixels long or longer
_STEP_PX = 3  # over which slopes are taken
_MARGIN_PX = 8  # of a place from what is dark or saturated
_STEEPEST = 4.0  # projector pixels per camera pixel: more is a wrong period
_FEWEST = 200


def look(
    photos: Sequence[NDArray[np.unsignedinteger]],
    usable: NDArray[np.bool_],
    frames: Frames,
    layouts: tuple[AxisLayout, AxisLayout],
    light_of_code: Array,
) -> Seen | None:
    """Read the places; None where too few decode.

    Parameters
    ----------
    photos : (H, W) each.
    usable : (H, W) lit pixels that do not saturate.
    light_of_code : linear light of each code value.

    Notes
    -----
    Of the slopes only those of the positions are kept: stripes change from pixel to pixel much more than what is lit by
    them, whose slopes would be noise.
    """
    row, column = _choose(usable)
    if len(row) < _FEWEST:
        return None
    table = light_of_code.astype(np.float32)
    smooth = [cv2.GaussianBlur(table[photos[index]], (0, 0), _SMOOTHING_PX) for index in frames.index]
    codes = [[photo[row + down, column + across] for photo in photos] for down, across in _AROUND]
    light = [np.stack([image[row + down, column + across] for image in smooth], axis=1) for down, across in _AROUND]
    positions = [_positions(*parts, frames, layouts) for parts in zip(codes, light, strict=True)]
    found = np.isfinite(np.stack(positions)).all(axis=(0, 2))
    if np.count_nonzero(found) < _FEWEST:
        return None
    states, shares = [], np.zeros(0)
    for position, values in zip(positions, light, strict=True):
        state, these = start_states(frames, position[found], values[found].astype(float))
        shares = these if not shares.size else shares
        states.append(settled(frames, shares, state, values[found].astype(float)))
    slope = np.zeros((len(states[0]), 2, UNKNOWNS))
    for number in range(2):
        slope[:, number, [2, 5]] = (states[1 + number] - states[0])[:, [2, 5]] / _STEP_PX
    kept = np.abs(slope).max(axis=(1, 2)) < _STEEPEST
    if np.count_nonzero(kept) < _FEWEST:
        return None
    height, width = usable.shape
    place = np.stack([column - 0.5 * (width - 1), row - 0.5 * (height - 1)], axis=-1)[found][kept]
    return Seen(
        light=light[0][found][kept].astype(float),
        aside=place / (0.5 * float(np.hypot(height, width))),
        state=states[0][kept],
        slope=slope[kept],
        shares=shares,
        contrast=float(np.median(states[0][kept, 1])),
        banding=np.zeros((np.count_nonzero(kept), 2)),
    )


_AROUND = ((0, 0), (0, _STEP_PX), (_STEP_PX, 0))


def _choose(usable: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of usable pixels with nothing else around them, evenly spread."""
    side = 2 * _MARGIN_PX + 1
    inner = cv2.erode(usable.astype(np.uint8), np.ones((side, side)), borderType=cv2.BORDER_CONSTANT, borderValue=(0,))
    step = max(1, int(np.sqrt(np.count_nonzero(inner) / _COUNT)))
    row, column = np.nonzero(inner[step // 2 :: step, step // 2 :: step])
    return step // 2 + step * row, step // 2 + step * column


def _positions(
    codes: Sequence[NDArray[np.unsignedinteger]], light: Array, frames: Frames, layouts: tuple[AxisLayout, AxisLayout]
) -> Array:
    """(N, 2) projector position from (N, F) light; NaN where the phases fit no position."""
    place = {int(index): n for n, index in enumerate(frames.index)}
    found = []
    for axis in layouts:
        waves = [light[:, [place[i] for i in indices]].T for indices in axis.frames]
        turns = np.stack([phase_of_steps(wave, np.ones_like(wave)).turns for wave in waves])
        rough = (
            cell_position(np.stack(codes), axis)
            if axis.bits
            else rough_position(turns, axis.periods_px, axis.extent_px)
        )
        found.append(refine(rough, turns, axis.periods_px).mean(axis=0))
    return np.stack(found, axis=-1)
