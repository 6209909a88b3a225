"""Has something moved? Told by the frames shown twice, compared where their stripes are steep."""

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.position import TURN
from rigwarp.geometry import Array, BoolArray

CELL_PX = 8
"""Camera pixels along each side of a cell in which frames shown twice are compared."""
_CELLS = 3  # that a displacement is fitted to, along each side
_SLOPE_PX = 1.5  # sigma over which slopes of the light are taken
_EXPLAINED = 0.4  # of the differences' square, if something has moved; noise, bands and other light give a hundredth
_PLACES = 20_000
_STEP_PX = 3  # to either side of a place: its own noise is in the difference, and must not be in the slope, too
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
    here, left, right, above, below = (
        (slice(_STEP_PX + _STEP_PX * down, None, step), slice(_STEP_PX + _STEP_PX * across, None, step))
        for down, across in ((0, 0), (0, -1), (0, 1), (-1, 0), (1, 0))
    )
    height, width = (max(0, -(-(n - 2 * _STEP_PX) // step)) for n in photos[0].shape)

    def at(image: NDArray[Any], part: tuple[slice, slice]) -> NDArray[Any]:
        return image[part][:height, :width]

    light = at(decoded[2], here)
    rows: list[Array] = []
    for number, (first, again) in enumerate(repeats):
        axis, period_px, turns = _wave(layouts, first)
        position = decoded[axis]
        slopes = [
            (at(position, ahead) - at(position, back)) / (2 * _STEP_PX)
            for back, ahead in ((left, right), (above, below))
        ]
        before, after = (light_of_code[at(photos[index], here)] for index in (first, again))
        steep = -_HALF * light * np.sin(TURN * (at(position, here) / period_px - turns)) * TURN / period_px
        kept = np.isfinite(slopes[0] + slopes[1] + steep) & (np.abs(slopes[0]) + np.abs(slopes[1]) < _STEEPEST)
        columns = np.zeros((np.count_nonzero(kept), 3 + 2 * len(repeats)))
        columns[:, 0] = (after - before)[kept]
        columns[:, 1], columns[:, 2] = (-(steep * slope)[kept] for slope in slopes)
        columns[:, 3 + 2 * number], columns[:, 4 + 2 * number] = before[kept], light[kept]
        rows.append(columns)
    whole = np.concatenate(rows) if rows else np.zeros((0, 3))
    if len(whole) < _FEWEST:
        return np.nan, np.nan
    return _robust_length(whole[:, 1:], whole[:, 0])


def displaced_cells(
    photos: Sequence[NDArray[np.unsignedinteger]],
    repeats: Sequence[tuple[int, int, float]],
    light_of_code: Array,
    cells: BoolArray,
) -> BoolArray:
    """Of the cells whose repeated frames differ, those where one displacement explains the differences of all frames.

    Parameters
    ----------
    photos : (H, W) each.
    repeats : (first, again, gain); the second times gain should equal the first.
    cells : (H / CELL_PX, W / CELL_PX) that differ.

    Notes
    -----
    again - first = -slope . shift, with the slope of the mean of both: of a sinusoid shifted by an angle d that is
    exact but for 2 tan(d / 2) instead of d. Fitted to squares of cells; a cell counts if one of the squares around
    does.
    """
    row, column = np.nonzero(cells)
    tops, lefts = (
        slice(CELL_PX * max(0, int(at.min()) - _CELLS), CELL_PX * (int(at.max()) + _CELLS + 1)) for at in (row, column)
    )
    table = np.asarray(light_of_code, np.float32)
    sums = np.zeros(6)
    for first, again, gain in repeats:
        before, after = (np.take(table, photos[index][tops, lefts]) for index in (first, again))
        apart = np.float32(gain) * after - before
        mean = cv2.GaussianBlur(0.5 * (before + np.float32(gain) * after), (0, 0), _SLOPE_PX)
        x, y = (cv2.Sobel(mean, cv2.CV_32F, across, 1 - across, scale=0.125) for across in (1, 0))
        products = np.stack([x * x, x * y, y * y, x * apart, y * apart, apart * apart], axis=-1)
        sums = sums + _over_cells(products)
    xx, xy, yy, xd, yd, dd = np.moveaxis(np.asarray(sums, float), -1, 0)
    floor = 1e-6 * (xx + yy) + np.finfo(np.float32).tiny
    xx, yy = xx + floor, yy + floor
    explained = (yy * xd**2 - 2.0 * xy * xd * yd + xx * yd**2) / (xx * yy - xy**2)
    shifted = (explained > _EXPLAINED * dd).astype(np.uint8)
    around = np.asarray(cv2.dilate(shifted, np.ones((_CELLS, _CELLS), np.uint8))) > 0
    found = np.zeros_like(cells)
    part = found[tops.start // CELL_PX :, lefts.start // CELL_PX :][: around.shape[0], : around.shape[1]]
    part |= around[: part.shape[0], : part.shape[1]]
    return found & cells


def _over_cells(values: NDArray[np.float32]) -> Array:
    """(h, w, k) sums of (H, W, k) over squares of _CELLS cells about each cell."""
    short = np.pad(values, [(0, -n % CELL_PX) for n in values.shape[:2]] + [(0, 0)])
    height, width = (n // CELL_PX for n in short.shape[:2])
    cells = short.reshape(height, CELL_PX, width, CELL_PX, -1).sum(axis=(1, 3))
    return np.asarray(
        cv2.sepFilter2D(cells, -1, np.ones(_CELLS), np.ones(_CELLS), borderType=cv2.BORDER_CONSTANT), float
    )


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
