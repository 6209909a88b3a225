"""Where on the projector grid there are data, and how bright it is there."""

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from rigwarp.geometry import Array, BoolArray, PixelMap
from rigwarp.geometry.blur import wide_blur
from rigwarp.table_map.samples import Samples

_REACH_PX = 2.5  # a pixel is measured when a sample lies this close
_GAP_PX = 6  # gaps narrower than this between measured pixels count as measured, where the design is lit
_LEAST_WEIGHT = 1e-6  # of samples, blurred: there is one within four blurs
_LIGHT_BLUR_PX = 6.0  # brightness varies slowly; the blur takes out the table's texture and the noise


def pixel_centres(shape: tuple[int, ...]) -> Array:
    v, u = np.mgrid[: shape[0], : shape[1]]
    return np.stack([u, v], axis=-1).astype(float)


def support(pixels_px: Array, design: PixelMap, zones: list[int]) -> tuple[BoolArray, BoolArray]:
    """Pixels with a sample close by, and pixels that may be answered: those, and the designed-lit holes inside them.

    `pixels_px` (N, 2) are the samples' positions.
    """
    height, width = design.zone.shape
    seen = np.zeros((height, width), bool)
    u = np.clip(np.rint(pixels_px[:, 0]).astype(int), 0, width - 1)
    v = np.clip(np.rint(pixels_px[:, 1]).astype(int), 0, height - 1)
    seen[v, u] = True
    near = cv2.dilate(seen.astype(np.uint8), _disk(_REACH_PX))
    padded = np.pad(near, _GAP_PX)
    closed = np.asarray(cv2.morphologyEx(padded, cv2.MORPH_CLOSE, _disk(_GAP_PX)), bool)
    # a hole that the design has stays one, however small
    lit = np.isin(design.zone, zones, kind="table")
    measured = near.astype(bool) | (closed[_GAP_PX:-_GAP_PX, _GAP_PX:-_GAP_PX] & lit)
    return measured, measured | (_holes(measured) & lit)


def _disk(radius_px: float) -> NDArray[np.uint8]:
    reach = int(radius_px)
    return np.asarray(np.hypot(*np.ogrid[-reach : reach + 1, -reach : reach + 1]) <= radius_px, np.uint8)


def _holes(mask: BoolArray) -> BoolArray:
    """(H, W) what a mask encloses."""
    _, number = cv2.connectedComponents(np.pad(~mask, 1, constant_values=True).astype(np.uint8), connectivity=4)
    return np.asarray((number > 0) & (number != number[0, 0]))[1:-1, 1:-1]


def light_picture(samples: Samples, shape: tuple[int, ...], answered: BoolArray) -> Array:
    """(H, W) light that each pixel makes on the table, relative, smoothed; NaN where unanswered.

    Normalised convolution of the samples' light, so that gaps are bridged by their surroundings.
    """
    height, width = shape
    u = np.clip(np.rint(samples.pixels_px[:, 0]).astype(int), 0, width - 1)
    v = np.clip(np.rint(samples.pixels_px[:, 1]).astype(int), 0, height - 1)
    known = np.isfinite(samples.light)
    index = v[known] * width + u[known]
    at, number = np.unique(index, return_inverse=True)  # few of millions
    sums = np.zeros((height * width, 2), np.float32)
    for i, weight in enumerate((samples.light[known], None)):
        sums[at, i] = np.bincount(number, weight)
    light, weight = np.moveaxis(wide_blur(sums.reshape(height, width, 2), _LIGHT_BLUR_PX), -1, 0)
    told = weight > _LEAST_WEIGHT
    if (answered & ~told).any():
        light = np.divide(light, weight, out=np.full(shape, np.nan, np.float32), where=told)
        light = light[tuple(distance_transform_edt(~told, return_distances=False, return_indices=True))]
        return np.where(answered, light, np.float32(np.nan))
    return np.divide(light, weight, out=np.full(shape, np.nan, np.float32), where=answered)
