"""Exact areas that straight-edged quadrilaterals share with the pixels of an image.

For a polygon P and the quarter plane {x > c, y < r}, Green's theorem gives
    area(P within) = closed integral of max(x - c, 0) dy over the part of the boundary with y < r,
and a straight edge contributes a closed form. Pixels are differences of four quarter planes. Nothing is sampled, so the
areas of one polygon add up to the area of its part inside the image.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array

_UPRIGHT = 1e-9  # |dx| in px below which an edge piece counts as vertical; the error stays below dx * dy / 2
_CELLS_AT_ONCE = 200_000  # quads x corners of their windows handled in one go: stays within the cache


@dataclass(frozen=True, kw_only=True)
class Overlaps:
    """Areas of a group of quads: quad number, pixel column and row, and signed area in px^2, all (M,)."""

    quad: NDArray[np.int64]
    column: NDArray[np.int64]
    row: NDArray[np.int64]
    area_px2: Array


def quad_area_px2(x: Array, y: Array) -> Array:
    """Signed area of (N, 4) quads; positive when x turns towards y (clockwise on a y-down image)."""
    return 0.5 * ((x[:, 2] - x[:, 0]) * (y[:, 3] - y[:, 1]) - (x[:, 3] - x[:, 1]) * (y[:, 2] - y[:, 0]))


def pixel_overlaps(x: Array, y: Array, resolution: tuple[int, int]) -> Iterator[Overlaps]:
    """Areas shared by quads and pixels, group by group.

    Parameters
    ----------
    x, y : (N, 4)
        Corners in order round each quad, in pixels; pixel (0, 0) covers [-0.5, 0.5]. A self-crossing quad counts its two
        halves with opposite signs. Corners must be finite.
    resolution : (width, height)
        Only this part of the plane is answered.

    Yields
    ------
    Overlaps
        In no particular order; every (quad, pixel) pair at most once; pixels that a quad's window holds but the quad does
        not touch appear with area 0.
    """
    width, height = resolution
    x = x + 0.5  # pixel i now covers [i, i + 1]
    y = y + 0.5
    left = np.clip(np.floor(x.min(axis=1)), 0, width).astype(np.int64)
    right = np.clip(np.ceil(x.max(axis=1)), 0, width).astype(np.int64)
    top = np.clip(np.floor(y.min(axis=1)), 0, height).astype(np.int64)
    bottom = np.clip(np.ceil(y.max(axis=1)), 0, height).astype(np.int64)
    columns, rows = _padded(right - left), _padded(bottom - top)
    seen = np.flatnonzero((right > left) & (bottom > top))
    if not len(seen):
        return
    size = columns[seen] * (1 << 20) + rows[seen]
    seen = seen[np.argsort(size, kind="stable")]
    size = columns[seen] * (1 << 20) + rows[seen]
    for group in np.split(seen, np.flatnonzero(np.diff(size)) + 1):
        k, r = int(columns[group[0]]), int(rows[group[0]])
        step = max(1, _CELLS_AT_ONCE // (4 * (k + 1)))
        for start in range(0, len(group), step):
            part = group[start : start + step]
            area = _window_areas(x[part] - left[part, None], y[part] - top[part, None], k, r)
            column = left[part, None] + np.arange(k)
            row = top[part, None] + np.arange(r)
            inside = ((row < height)[:, :, None] & (column < width)[:, None, :]) & (area != 0.0)
            q, j, i = np.nonzero(inside)
            yield Overlaps(quad=part[q], column=column[q, i], row=row[q, j], area_px2=area[q, j, i])


def _padded(cells: NDArray[np.int64]) -> NDArray[np.int64]:
    """Window sizes rounded up where they are large, so that there are few different ones."""
    coarse = np.maximum(1, 1 << np.maximum(0, np.floor(np.log2(np.maximum(cells, 1))).astype(np.int64) - 2))
    return -(-cells // coarse) * coarse


def _window_areas(x: Array, y: Array, columns: int, rows: int) -> Array:
    """Signed areas (N, rows, columns) in windows that start at (0, 0); x, y (N, 4)."""
    cumulative = np.zeros((rows + 1, columns + 1, len(x)))
    xs, ys = np.ascontiguousarray(x.T), np.ascontiguousarray(y.T)
    for e in range(4):
        _add_edge(cumulative, xs[e], ys[e], xs[(e + 1) % 4], ys[(e + 1) % 4])
    by_row = np.diff(cumulative, axis=0)
    return np.moveaxis(by_row[:, :-1] - by_row[:, 1:], -1, 0)


def _add_edge(cumulative: Array, x0: Array, y0: Array, x1: Array, y1: Array) -> None:
    """Add one edge's closed integral of max(x - c, 0) dy over y < r for every corner (r, c) of the windows."""
    with np.errstate(divide="ignore", invalid="ignore"):
        dx_dy = (x1 - x0) / (y1 - y0)
    for r in range(cumulative.shape[0]):
        ya, yb = np.minimum(y0, r), np.minimum(y1, r)
        dy = yb - ya
        xa = np.where(y0 < r, x0, x1 + (r - y1) * dx_dy)
        xb = np.where(y1 < r, x1, x0 + (r - y0) * dx_dy)
        np.copyto(xa, x0, where=dy == 0.0)
        np.copyto(xb, x0, where=dy == 0.0)
        dx = xb - xa
        upright = np.abs(dx) < _UPRIGHT
        weight = dy / np.where(upright, 1.0, 2.0 * dx)
        np.copyto(weight, 0.0, where=upright)
        straight = np.where(upright, dy, 0.0)
        any_upright = bool(upright.any())
        for c in range(cumulative.shape[1]):
            ramp_b, ramp_a = np.maximum(xb - c, 0.0), np.maximum(xa - c, 0.0)
            cumulative[r, c] += (ramp_b * ramp_b - ramp_a * ramp_a) * weight
            if any_upright:
                cumulative[r, c] += straight * ramp_a
