"""The check pictures: discs whose light is exactly where the plan says."""

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.rig.transfer import encode_transfer
from rigwarp.verification.dots.plan import DotPlan

_COLUMNS_PER_PX = 16
"""Strips a pixel is cut into; each strip's covered height is exact, the centroid is good to 1e-3 px."""


def dot_pictures(plan: DotPlan) -> list[NDArray[np.uint8]]:
    """Content pictures, (h, w, 3) each: black, all dots, then one per blinking frame.

    A pixel's linear light is the share of it that a disc covers; coded as sRGB like any other picture.
    """
    width, height = plan.content.pixels
    rows, columns, coverage = _disc_pixels(plan)
    codes = np.round(255.0 * encode_transfer(coverage, "srgb")).astype(np.uint8)
    lit = np.concatenate([np.zeros((1, len(plan.ids))), np.ones((1, len(plan.ids))), plan.words.T]).astype(bool)
    pictures = []
    for shown in lit:
        grey = np.zeros((height, width), np.uint8)
        np.maximum.at(grey, (rows[shown], columns[shown]), codes[shown])
        pictures.append(np.repeat(grey[..., None], 3, axis=2))
    return pictures


def _disc_pixels(plan: DotPlan) -> tuple[NDArray[np.intp], NDArray[np.intp], Array]:
    """Rows, columns and covered share of the pixels around each dot; (N, k) each."""
    radius_px = plan.diameter_mm / 2.0 * np.array(plan.content.pixels) / plan.content.size_mm
    reach = np.ceil(radius_px).astype(int) + 1
    middle = np.round(plan.content_px).astype(int)
    columns = middle[:, :1] + np.arange(-reach[0], reach[0] + 1)
    rows = middle[:, 1:] + np.arange(-reach[1], reach[1] + 1)
    strips = (np.arange(_COLUMNS_PER_PX) + 0.5) / _COLUMNS_PER_PX - 0.5
    across = (columns[..., None] + strips - plan.content_px[:, :1, None]) / radius_px[0]
    chord = radius_px[1] * np.sqrt(np.maximum(1.0 - across**2, 0.0))[:, None]  # half height of the disc per strip
    centred = (rows - plan.content_px[:, 1:])[:, :, None, None]
    covered = np.minimum(centred + 0.5, chord) - np.maximum(centred - 0.5, -chord)
    share = np.clip(covered, 0.0, 1.0).mean(axis=-1)
    rows, columns = np.broadcast_arrays(rows[:, :, None], columns[:, None])
    n_dots = len(plan.ids)
    # the margin of the plan keeps discs inside; pixels past the rim (a wide reach) carry no light
    width, height = plan.content.pixels
    outside = (rows < 0) | (rows >= height) | (columns < 0) | (columns >= width)
    share = np.where(outside, 0.0, share)
    rows, columns = np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)
    return rows.reshape(n_dots, -1), columns.reshape(n_dots, -1), share.reshape(n_dots, -1)
