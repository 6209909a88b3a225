"""What a map may be off beyond its last samples: at a fold, at a rim, around a hole.

There a surface goes on about straight, whereas the mirror goes on bending as it does thereabouts: after d pixels by
d^2 / 2 times its usual second derivative, and never by much more than it goes up and down at all.
"""

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, map_coordinates

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.blur import gaussian_blur

_AROUND = 6.0  # cells, sigma, over which the surface's bending is averaged
_LEAST = 1e-3  # density of known cells, of full: in the middle of a wide hole there are none, and its rim tells


def beyond_samples(
    value: Callable[[Array], Array], cells_px: Array, where: BoolArray, cell_px: int
) -> tuple[NDArray[np.intp], Array]:
    """Those pixels of a mask (H, W) that lie beyond, row by row numbered (n,), and their variance per axis (n,), mm^2.

    Parameters
    ----------
    value : table mm (N, 2) of what was fitted, beside the design, at (N, 2) pixels.
    cells_px : (M, 2) of the averaged samples it was fitted to.
    cell_px : how far apart they usually are.
    """
    empty = np.ones(where.shape, np.uint8)
    column, row = np.rint(cells_px).astype(int).T
    empty[np.clip(row, 0, where.shape[0] - 1), np.clip(column, 0, where.shape[1] - 1)] = 0
    distance = cv2.distanceTransform(empty, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    asked = np.flatnonzero(where & (distance > cell_px))
    if not asked.size:
        return asked, np.zeros(0)
    v, u = (np.arange(0, n, cell_px) for n in where.shape)
    grid = np.stack(np.meshgrid(u, v), axis=-1)
    known = distance[::cell_px, ::cell_px] <= cell_px
    fitted = np.zeros(grid.shape)
    fitted[known] = value(grid[known].astype(float))
    at = np.stack(np.divmod(asked, where.shape[1])) / cell_px
    bends, most = (map_coordinates(values, at, order=1, mode="nearest") for values in _bending_and_size(fitted, known))
    cells = distance.ravel()[asked] / cell_px - 1.0
    return asked, np.minimum(0.25 * bends * cells**4, most)


def _bending_and_size(fitted: Array, known: BoolArray) -> tuple[Array, Array]:
    """(rows, columns) mean square per axis of second differences of (rows, columns, 2), and of what is not smooth."""
    total, weight = np.zeros(known.shape), np.zeros(known.shape)
    for axis in (0, 1):
        ends = [np.roll(known, step, axis) for step in (1, -1)]
        whole = known & ends[0] & ends[1]
        whole[(0, -1), :] = whole[:, (0, -1)] = False
        second = np.roll(fitted, 1, axis) + np.roll(fitted, -1, axis) - 2.0 * fitted
        total += np.where(whole, np.mean(second**2, axis=-1), 0.0)
        weight += whole
    parts = np.concatenate([fitted * known[..., None], np.stack([known, total, weight], axis=-1)], axis=-1)
    x, y, density, bent, told = np.moveaxis(gaussian_blur(parts, _AROUND), -1, 0)
    mean = np.stack([x, y], axis=-1) / np.maximum(density, _LEAST)[..., None]
    rough = gaussian_blur(np.where(known, np.mean((fitted - mean) ** 2, axis=-1), 0.0), _AROUND)
    bends, most = bent / np.maximum(told, _LEAST), rough / np.maximum(density, _LEAST)
    nearest = tuple(distance_transform_edt(told < _LEAST, return_distances=False, return_indices=True))
    return bends[nearest], most[nearest]
