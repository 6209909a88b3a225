"""Where on the projector grid there are data, and how bright it is there."""

import cv2
import numpy as np
from scipy.ndimage import binary_fill_holes, distance_transform_edt, gaussian_filter

from rigwarp.geometry import Array, BoolArray, PixelMap
from rigwarp.table_map.samples import Samples

_REACH_PX = 2.5  # a pixel is measured when a sample lies this close
_GAP_PX = 6  # gaps narrower than this between measured pixels count as measured, where the design is lit
_LIGHT_BLUR_PX = 6.0  # brightness varies slowly; the blur takes out the table's texture and the noise


def pixel_centres(shape: tuple[int, ...]) -> Array:
    v, u = np.mgrid[: shape[0], : shape[1]]
    return np.stack([u, v], axis=-1).astype(float)


def covered_px2(pixels_px: Array) -> float:
    """Area of the picture, pixels, that has samples: in squares of 8 pixels."""
    return 64.0 * len(np.unique(np.floor(pixels_px / 8.0) @ np.array([1.0, 1e5])))


def support(samples: Samples, design: PixelMap, zones: list[int]) -> tuple[BoolArray, BoolArray]:
    """Pixels with a sample close by, and pixels that may be answered: those, and the designed-lit holes inside them."""
    height, width = design.zone.shape
    seen = np.zeros((height, width), bool)
    u = np.clip(np.rint(samples.pixels_px[:, 0]).astype(int), 0, width - 1)
    v = np.clip(np.rint(samples.pixels_px[:, 1]).astype(int), 0, height - 1)
    seen[v, u] = True
    near = distance_transform_edt(~seen) <= _REACH_PX
    disk = np.hypot(*np.ogrid[-_GAP_PX : _GAP_PX + 1, -_GAP_PX : _GAP_PX + 1]) <= _GAP_PX
    padded = np.pad(near, _GAP_PX).astype(np.uint8)
    closed = np.asarray(cv2.morphologyEx(padded, cv2.MORPH_CLOSE, disk.astype(np.uint8)), bool)
    # a hole that the design has stays one, however small
    measured = near | (closed[_GAP_PX:-_GAP_PX, _GAP_PX:-_GAP_PX] & np.isin(design.zone, zones))
    holes = binary_fill_holes(measured) & ~measured
    return measured, measured | (holes & np.isin(design.zone, zones))


def light_picture(samples: Samples, shape: tuple[int, ...], answered: BoolArray) -> Array:
    """(H, W) light that each pixel makes on the table, relative, smoothed; NaN where unanswered.

    Normalised convolution of the samples' light, so that gaps are bridged by their surroundings.
    """
    height, width = shape
    u = np.clip(np.rint(samples.pixels_px[:, 0]).astype(int), 0, width - 1)
    v = np.clip(np.rint(samples.pixels_px[:, 1]).astype(int), 0, height - 1)
    known = np.isfinite(samples.light)
    index = v[known] * width + u[known]
    count = np.bincount(index, minlength=height * width).reshape(shape).astype(float)
    total = np.bincount(index, samples.light[known], minlength=height * width).reshape(shape)
    weight = gaussian_filter(count, _LIGHT_BLUR_PX)
    with np.errstate(invalid="ignore", divide="ignore"):
        light = gaussian_filter(total, _LIGHT_BLUR_PX) / weight
    known_here = weight > 1e-9
    row, column = distance_transform_edt(~known_here, return_distances=False, return_indices=True)
    return np.where(answered, light[row, column], np.nan)
