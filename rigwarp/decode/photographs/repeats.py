"""A first look at whether the camera moved: the frames shown twice, compared where their stripes are steep."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.position import TURN
from rigwarp.geometry import Array

_PLACES = 20_000
_STEP_PX = 3  # over which slopes are taken
_STEEPEST = 4.0  # projector pixels per camera pixel: more is another zone
_FEWEST = 500
_OUTLIER_SIGMAS = 4.0
_PASSES = 2
_HALF = 0.5  # of the contrast is a wave's amplitude


def shift_between_repeats(
    photos: Sequence[NDArray[np.unsignedinteger]],
    layouts: tuple[AxisLayout, AxisLayout],
    repeats: Sequence[tuple[int, int]],
    light_of_code: Array,
    decoded: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]],
) -> tuple[float, float]:
    """By how much the scene shifted between frames and their repeats, camera pixels, and its 1-sigma per axis.

    Only the part across the stripes shows. NaN where too little decodes or nothing is repeated.

    Parameters
    ----------
    decoded : (H, W) u_px, v_px and light of the scan.

    Notes
    -----
    One shift for all frames, by least squares from second minus first, whose derivative is amplitude sin(phase) times
    the phase's slope; a gain and an offset of each repeat are fitted beside it.
    """
    step = max(_STEP_PX, int(np.sqrt(photos[0].size / _PLACES)))
    here, right, below = (
        (slice(down, None, step), slice(across, None, step)) for down, across in ((0, 0), (0, _STEP_PX), (_STEP_PX, 0))
    )
    height, width = (-(-(n - _STEP_PX) // step) for n in photos[0].shape)

    def at(image: NDArray[Any], part: tuple[slice, slice]) -> NDArray[Any]:
        return image[part][:height, :width]

    light = at(decoded[2], here)
    rows: list[Array] = []
    for number, (first, again) in enumerate(repeats):
        axis, period_px, turns = _wave(layouts, first)
        position = decoded[axis]
        slopes = [(at(position, other) - at(position, here)) / _STEP_PX for other in (right, below)]
        before, after = (light_of_code[at(photos[index], here)] for index in (first, again))
        steep = -_HALF * light * np.sin(TURN * (at(position, here) / period_px - turns)) * TURN / period_px
        kept = np.isfinite(slopes[0] + slopes[1]) & (np.abs(slopes[0]) + np.abs(slopes[1]) < _STEEPEST)
        columns = np.zeros((np.count_nonzero(kept), 3 + 2 * len(repeats)))
        columns[:, 0] = (after - before)[kept]
        columns[:, 1], columns[:, 2] = (-(steep * slope)[kept] for slope in slopes)
        columns[:, 3 + 2 * number], columns[:, 4 + 2 * number] = before[kept], light[kept]
        rows.append(columns)
    whole = np.concatenate(rows) if rows else np.zeros((0, 3))
    if len(whole) < _FEWEST:
        return np.nan, np.nan
    return _robust_length(whole[:, 1:], whole[:, 0])


def _robust_length(design: Array, values: Array) -> tuple[float, float]:
    """Length of the first two unknowns, and their sigma."""
    kept = np.ones(len(values), bool)
    found: Array = np.zeros(design.shape[1])
    normal: Array = np.eye(design.shape[1])
    sigma = 0.0
    for _ in range(_PASSES):
        normal = np.asarray(np.linalg.pinv(design[kept].T @ design[kept], hermitian=True), float)
        found = normal @ (design[kept].T @ values[kept])
        left = values - design @ found
        sigma = float(np.sqrt(np.mean(left[kept] ** 2)))
        kept = np.abs(left) <= _OUTLIER_SIGMAS * sigma + 1e-9  # without noise nothing is left over
    return float(np.hypot(*found[:2])), sigma * float(np.sqrt(np.max(np.diag(normal)[:2])))


def _wave(layouts: tuple[AxisLayout, AxisLayout], index: int) -> tuple[int, float, float]:
    """Axis, period and step in turns of a frame."""
    return next(
        (number, layout.periods_px[k], frames.index(index) / layout.steps)
        for number, layout in enumerate(layouts)
        for k, frames in enumerate(layout.frames)
        if index in frames
    )
