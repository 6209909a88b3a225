"""Exact areas that straight-edged quadrilaterals share with the pixels of an image.

For a polygon P and the quarter plane {x > c, y < r}, Green's theorem gives
    area(P within) = closed integral of max(x - c, 0) dy over the part of the boundary with y < r,
and a straight edge contributes a closed form. Pixels are differences of four quarter planes. Nothing is sampled, so the
areas of one polygon add up to the area of its part inside the image.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array

_UPRIGHT = 1e-30  # px; only keeps the inverse of an upright edge's width finite
_CORNERS_AT_ONCE = 60_000  # quads x corners of their windows handled in one go: stays within the cache
_NOTHING_PX2 = 1e-13  # areas below this are rounding
_Arrays = TypeVar("_Arrays")
_MANY = 1 << 20  # more cells than any window has along one axis


@dataclass(frozen=True, kw_only=True)
class Overlaps:
    """Areas of a group of quads: quad number, row-major pixel number, and signed area in px^2, all (M,)."""

    quad: NDArray[np.int64]
    pixel: NDArray[np.int64]
    area_px2: Array


def joined(parts: Sequence[_Arrays]) -> _Arrays:
    """Dataclasses of arrays as one, end to end."""
    return type(parts[0])(**{name: np.concatenate([vars(one)[name] for one in parts]) for name in vars(parts[0])})


def quad_area_px2(x: Array, y: Array) -> Array:
    """Signed area of (N, 4) quads; positive when x turns towards y (clockwise on a y-down image)."""
    return 0.5 * ((x[:, 2] - x[:, 0]) * (y[:, 3] - y[:, 1]) - (x[:, 3] - x[:, 1]) * (y[:, 2] - y[:, 0]))


def pixel_overlaps(x: Array, y: Array, resolution: tuple[int, int]) -> Iterator[Overlaps]:
    """Areas shared by quads and pixels, group by group.

    Parameters
    ----------
    x, y : (N, 4)
        Corners in order round each quad, in pixels; pixel (0, 0) covers [-0.5, 0.5]. A self-crossing quad counts its
        two halves with opposite signs. Corners must be finite.
    resolution : (width, height) only this part of the plane is answered.

    Yields
    ------
    Overlaps
        In no particular order; every (quad, pixel) pair at most once; pairs without a common area not at all.
    """
    width, height = resolution
    x = x + 0.5  # pixel i now covers [i, i + 1]
    y = y + 0.5
    left, right = _cells(x, width)
    top, bottom = _cells(y, height)
    columns, rows = _padded(right - left), _padded(bottom - top)
    seen = np.flatnonzero((right > left) & (bottom > top))
    if not seen.size:
        return
    size = columns * _MANY + rows
    seen = seen[np.argsort(size[seen], kind="stable")]
    starts = np.flatnonzero(np.diff(size[seen], prepend=-1))
    for first, last in zip(starts, np.append(starts[1:], seen.size), strict=True):
        k, r = int(columns[seen[first]]), int(rows[seen[first]])
        step = max(1, _CORNERS_AT_ONCE // ((k + 1) * (r + 1)))
        for start in range(first, last, step):
            part = seen[start : min(start + step, last)]
            column = left[part] + np.arange(k)[:, None]
            row = top[part] + np.arange(r)[:, None]
            area = _window_areas((x[part] - left[part, None]).T, (y[part] - top[part, None]).T, k, r)
            touched = (np.abs(area) > _NOTHING_PX2) & (row < height)[:, None] & (column < width)[None]
            pixel = row[:, None] * width + column[None]
            quad = np.broadcast_to(part, area.shape)
            yield Overlaps(quad=quad[touched], pixel=pixel[touched], area_px2=area[touched])


def _cells(corners: Array, count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First cell and end cell (exclusive) that each quad reaches along one axis, within [0, count]."""
    low = np.minimum(np.minimum(corners[:, 0], corners[:, 1]), np.minimum(corners[:, 2], corners[:, 3]))
    high = np.maximum(np.maximum(corners[:, 0], corners[:, 1]), np.maximum(corners[:, 2], corners[:, 3]))
    return (
        np.clip(np.floor(low), 0, count).astype(np.int64),
        np.clip(np.ceil(high), 0, count).astype(np.int64),
    )


def _padded(cells: NDArray[np.int64]) -> NDArray[np.int64]:
    """Window sizes rounded up where they are large, so that there are few different ones."""
    coarse = np.maximum(1, 1 << np.maximum(0, np.floor(np.log2(np.maximum(cells, 1))).astype(np.int64) - 2))
    return -(-cells // coarse) * coarse


def _window_areas(x: Array, y: Array, columns: int, rows: int) -> Array:
    """Signed areas (rows, columns, N) in windows that start at (0, 0); x, y (4, N)."""
    cumulative = np.zeros((rows + 1, columns + 1, x.shape[1]))
    xs, ys = np.ascontiguousarray(x), np.ascontiguousarray(y)
    for e in range(4):
        _add_edge(cumulative, xs[e], ys[e], xs[(e + 1) % 4], ys[(e + 1) % 4])
    by_row = cumulative[1:] - cumulative[:-1]
    return by_row[:, :-1] - by_row[:, 1:]


def _add_edge(cumulative: Array, x0: Array, y0: Array, x1: Array, y1: Array) -> None:
    """Add one edge's closed integral of max(x - c, 0) dy over y < r for every corner (r, c) of the windows."""
    r = np.arange(float(cumulative.shape[0]))[:, None]
    c = np.arange(float(cumulative.shape[1]))[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        dx_dy = (x1 - x0) / (y1 - y0)
        at_r = x0 + (r - y0) * dx_dy  # (rows, N): where the edge crosses the line y = r
    dy = np.minimum(y1, r) - np.minimum(y0, r)
    xa = np.where(y0 < r, x0, at_r)
    xb = np.where(y1 < r, x1, at_r)
    np.copyto(xa, x0, where=dy == 0.0)
    np.copyto(xb, x0, where=dy == 0.0)
    low, high = np.minimum(xa, xb), np.maximum(xa, xb)
    per_length = 1.0 / np.maximum(high - low, _UPRIGHT)
    # the mean of max(x - c, 0) is (share of the piece right of c) * (mean of its two ends there): no differences of
    # squares, which would lose all digits on edges that are nearly upright
    reach = high[:, None] - c
    mean = np.clip(reach * per_length[:, None], 0.0, 1.0)
    np.maximum(reach, 0.0, out=reach)
    reach += np.maximum(low[:, None] - c, 0.0)
    mean *= reach
    mean *= 0.5 * dy[:, None]
    cumulative += mean
