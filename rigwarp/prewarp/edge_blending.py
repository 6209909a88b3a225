"""Where two zones light one table spot: which of them draws it, with a soft seam between.

Every spot in the overlap is given mostly to one zone; across the seam the weights of the zones cross over in linear
light and always add up to one, so that nothing is drawn twice and no bright or dark line shows.
"""

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.pixel_map import zones_lit

_SEAM_CELLS = 6.0  # half width of the seam where the overlap is wide enough, in projector pixels on the content
_DENSITY_BLUR = 4.0  # cells; how sharply a zone draws varies slowly
_MARGIN_CELLS = 4  # beyond the content, so that its own edge does not count as an edge of a zone's light


def blending_weights(content_px: Array, zone: NDArray[np.integer], content_pixels: tuple[int, int]) -> Array:
    """Share of the light that each projector pixel may contribute to its table spot.

    Parameters
    ----------
    content_px : (H, W, 2) content pixel under each projector pixel; NaN where there is none.
    zone : (H, W) zone of each projector pixel; negative where it gives no light.
    content_pixels : (width, height) of the content.

    Returns
    -------
    (H, W)
        0..1; 1 where no other zone reaches the spot.
    """
    from scipy.ndimage import (  # not for the player, see decode/signal/noise.py
        distance_transform_edt,
        gaussian_filter,
        map_coordinates,
    )

    numbers = zones_lit(zone)
    if len(numbers) < 2:
        return np.broadcast_to(np.float32(1.0), zone.shape)
    weights = np.ones(zone.shape)
    cell_px = _cell_px(content_px, zone)
    shape = tuple(int(np.ceil(n / cell_px)) + 2 * _MARGIN_CELLS for n in content_pixels[::-1])
    row, column = (content_px[..., i] / cell_px + _MARGIN_CELLS for i in (1, 0))
    known = np.isfinite(row) & (row > -0.5) & (row < shape[0] - 0.5) & (column > -0.5) & (column < shape[1] - 0.5)
    places = {n: known & (zone == n) for n in numbers}
    density = {n: _density(row[here], column[here], shape) for n, here in places.items()}
    depth = {n: distance_transform_edt(np.pad(_lit(d), 1, mode="edge"))[1:-1, 1:-1] for n, d in density.items()}
    sharp = {n: gaussian_filter(d, _DENSITY_BLUR) for n, d in density.items()}
    share = _shares(numbers, depth, sharp)
    for n, here in places.items():
        at = np.stack([row[here], column[here]])
        weights[here] = np.clip(map_coordinates(share[n], at, order=1, mode="nearest"), 0.0, 1.0)
    return weights


def _cell_px(content_px: Array, zone: NDArray[np.integer]) -> float:
    """Content pixels per projector pixel: the cell that a zone's light fills without gaps."""
    step = np.linalg.norm(np.diff(content_px, axis=1), axis=-1)
    same = (zone[:, 1:] == zone[:, :-1]) & (zone[:, 1:] >= 0) & np.isfinite(step)
    return max(float(np.median(step[same])), 1e-3) if same.any() else 1.0


def _density(row: Array, column: Array, shape: tuple[int, ...]) -> Array:
    """Projector pixels per cell."""
    index = np.rint(row).astype(np.intp) * shape[1] + np.rint(column).astype(np.intp)
    return np.bincount(index, minlength=shape[0] * shape[1]).reshape(shape).astype(float)


def _lit(density: Array) -> BoolArray:
    """Cells that a zone lights: those with a pixel, and the gaps that stretching leaves between them."""
    from scipy.ndimage import binary_closing  # not for the player, see decode/signal/noise.py

    return np.asarray(binary_closing(np.pad(density > 0, 3), np.ones((5, 5), bool))[3:-3, 3:-3])


def _shares(numbers: list[int], depth: dict[int, Array], sharp: dict[int, Array]) -> dict[int, Array]:
    """Each zone's share of every cell: products of its shares against each other zone, made to add up to one."""
    share = {n: np.where(depth[n] > 0, 1.0, 0.0) for n in numbers}
    for n in numbers:
        for other in numbers:
            if other != n:
                share[n] = share[n] * _against(depth[n], depth[other], sharp[n], sharp[other])
    total = sum(share.values())
    even = {n: np.where(total > 0, share[n] / np.where(total > 0, total, 1.0), 0.0) for n in numbers}
    return {n: _continued(even[n], depth[n] > 0) for n in numbers}


def _continued(share: Array, lit: BoolArray) -> Array:
    """The share beyond a zone's own light, as at its edge: pixels between two cells must not feel the dark one."""
    from scipy.ndimage import distance_transform_edt  # not for the player, see decode/signal/noise.py

    row, column = distance_transform_edt(~lit, return_distances=False, return_indices=True)
    return share[row, column] if lit.any() else share


def _against(depth: Array, other: Array, sharp: Array, sharp_other: Array) -> Array:
    """A zone's share where `other` reaches too: a smooth step from 0 at its own edge to 1 at the other's edge.

    The step lies where the zones' depths are in proportion to how sharply they draw: the sharper one gets more.
    """
    both = (depth > 0) & (other > 0)
    across = np.where(both, depth + other, 1.0)
    place = np.where(both, depth / across, np.where(depth > 0, 1.0, 0.0))
    middle = np.clip(sharp_other / np.maximum(sharp + sharp_other, 1e-12), 0.15, 0.85)
    half = np.minimum(_SEAM_CELLS / across, np.minimum(middle, 1.0 - middle))
    step = np.clip((place - middle + half) / (2.0 * half), 0.0, 1.0)
    return np.asarray(step * step * (3.0 - 2.0 * step))
