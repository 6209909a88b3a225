"""A smooth continuation of a map past the pixels that have an answer: for drawing only, never for measuring."""

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray


def extend_linearly(values: Array) -> Array:
    """(n, m, C) values with those that are NaN filled in; see `fill_linearly`."""
    out = values.copy()
    fill_linearly(out)
    return out


def fill_linearly(values: Array, where: BoolArray | None = None) -> None:
    """Fill NaN in place, by the value and slope of a known pixel nearby.

    Parameters
    ----------
    values : (n, m, C) NaN = unknown; all NaN is left as it is.
    where : (n, m), optional: fill here only.
    """
    known: BoolArray = np.logical_and.reduce([np.isfinite(one) for one in np.moveaxis(values, -1, 0)])
    if known.all() or not known.any():
        return
    # lone pixels at a ragged rim have no slope of their own: they hand on nothing unless there is nothing else
    beside = [_shifted(known, step, axis) for axis in (0, 1) for step in (1, -1)]
    sloped: BoolArray = known & (beside[0] | beside[1]) & (beside[2] | beside[3])
    missing = ~known if where is None else ~known & where
    at, number = near_known(sloped if sloped.any() else known, missing)
    used = np.zeros(len(at), bool)
    used[number] = True
    row, column = np.divmod(at, values.shape[1])
    along_v, along_u = np.zeros((2, len(at), values.shape[2]))
    along_v[used], along_u[used] = (_slope(values, row[used], column[used], axis) for axis in (0, 1))
    down, across = (places - near[number] for places, near in zip(np.nonzero(missing), (row, column), strict=True))
    rise = along_v[number] * down[:, None] + along_u[number] * across[:, None]
    values[missing] = values[row[number], column[number]] + rise


def near_known(known: BoolArray, where: BoolArray) -> tuple[NDArray[np.intp], NDArray[np.int32]]:
    """Flat numbers (K,) of the known pixels of (H, W), and (n,) which of them lies next to each of the n of `where`.

    Next to within a few per cent of the distance, as a chamfer transform tells it, which takes a tenth of the time of
    an exact one (Borgefors 1986, Distance transformations in digital images).
    """
    _, label = cv2.distanceTransformWithLabels(
        np.logical_not(known).view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    at = np.flatnonzero(known)
    number = np.zeros(len(at) + 1, np.int32)
    number[label.ravel()[at]] = np.arange(len(at), dtype=np.int32)
    return at, number[label[where]]


def _shifted(known: BoolArray, step: int, axis: int) -> BoolArray:
    """Whether the pixel one before or after is known."""
    moved = np.roll(known, step, axis)
    moved[(slice(None),) * axis + (0 if step > 0 else -1,)] = False
    return moved


def _slope(values: Array, row: NDArray[np.intp], column: NDArray[np.intp], axis: int) -> Array:
    """(K, C) change per pixel along an axis at K pixels from whichever neighbours are known; 0 where none is."""
    here, steps = (row, column), []
    for step in (-1, 1):
        beside = [places + step * (axis == i) for i, places in enumerate(here)]
        inside = (beside[axis] >= 0) & (beside[axis] < values.shape[axis])
        there = values[tuple(np.where(inside, b, h) for b, h in zip(beside, here, strict=True))]
        steps.append(np.where(inside[:, None], step * (there - values[here]), np.nan))
    known = np.isfinite(steps)
    return np.asarray(np.where(known, steps, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1))
