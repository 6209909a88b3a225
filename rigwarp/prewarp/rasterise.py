"""The mesh seen from every projector pixel: the linear interpolation a GPU does, in NumPy."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray, IntArray

_MAX_SAMPLES = 1 << 19
"""Pixels judged at a time: bounds the temporary arrays to about 30 MB."""
_ROWS_AT_ONCE = 128
_EXACT_SPAN = 9
_ON_EDGE = 1e-9
"""A pixel centre this far outside a triangle (share of its height) still counts as on its edge."""


@dataclass(frozen=True, kw_only=True)
class Cover:
    """Which triangle lies on each pixel centre: number (H, W), -1 for none, and corner weights (H, W, 3)."""

    triangle: NDArray[np.int32]
    weights: Array


def cover_pixels(
    vertices_px: Array,
    triangles: NDArray[np.int32],
    resolution: tuple[int, int],
    *,
    triangle_zone: NDArray[np.int16] | None = None,
    zone: NDArray[np.int16] | None = None,
) -> Cover:
    """Find the triangle on every pixel centre.

    Parameters
    ----------
    vertices_px : (N, 2) pixels (u, v); NaN vertices make their triangles vanish.
    triangles : (M, 3) degenerate triangles cover nothing; where two overlap either may win.
    resolution : (width, height)
    triangle_zone, zone : (M,), (H, W) when given, a triangle covers only pixels of its own zone.
    """
    width, height = resolution
    covering = np.full(height * width, -1, np.int32)
    weights = np.full((height * width, 3), np.nan)
    flat_zone = None if zone is None else zone.reshape(-1)
    for chosen, columns, rows in _boxes(vertices_px[triangles], resolution):
        inside, barycentric = _barycentric(vertices_px[triangles[chosen]], columns, rows)
        inside &= (columns >= 0) & (columns < width) & (rows >= 0) & (rows < height)
        pixel = rows * width + columns
        if flat_zone is not None and triangle_zone is not None:
            inside &= flat_zone[np.where(inside, pixel, 0)] == triangle_zone[chosen][:, None]
        which, sample = np.nonzero(inside)
        at = pixel[which, sample]
        covering[at] = chosen[which]
        weights[at] = barycentric[which, sample]
    return Cover(triangle=covering.reshape(height, width), weights=weights.reshape(height, width, 3))


def interpolate(cover: Cover, values: Array, triangles: NDArray[np.int32]) -> Array:
    """Vertex values (N, C) at all pixel centres, linear in each triangle; (H, W, C), NaN where no triangle lies."""
    out = np.full((*cover.triangle.shape, values.shape[1]), np.nan)
    for start in range(0, len(out), _ROWS_AT_ONCE):
        rows = slice(start, start + _ROWS_AT_ONCE)
        hit = cover.triangle[rows] >= 0
        corners = triangles[cover.triangle[rows][hit]]
        weights = cover.weights[rows][hit]
        out[rows][hit] = sum(weights[:, k, None] * values[corners[:, k]] for k in range(3))
    return out


def largest_strays(
    vertices_px: Array, values: Array, triangles: NDArray[np.int32], wanted: Array, where: BoolArray
) -> Array:
    """(M,) how far vertex values (N, 2), linear in each triangle, at most stray from those wanted at pixel centres.

    `wanted` is (H, W, 2), `where` (H, W) it matters; a triangle without pixels that matter strays by 0.
    """
    height, width = wanted.shape[:2]
    flat, matters = wanted.reshape(-1, 2).T, where.ravel()
    worst = np.zeros(len(triangles))
    for chosen, columns, rows in _boxes(vertices_px[triangles], (width, height)):
        corners = triangles[chosen]
        a, ab, ac = _sides(vertices_px[corners])
        area = ab[0] * ac[1] - ab[1] * ac[0]
        du, dv = columns - a[0], rows - a[1]
        with np.errstate(divide="ignore", invalid="ignore"):
            b, c = du * (ac[1] / area) - dv * (ac[0] / area), dv * (ab[0] / area) - du * (ab[1] / area)
            inside = (b >= -_ON_EDGE) & (c >= -_ON_EDGE) & (b + c <= 1.0 + _ON_EDGE)
        inside &= (columns < width) & (rows < height)
        pixel = np.where(inside, rows * width + columns, 0)
        inside &= matters[pixel]
        square = np.zeros(inside.shape)
        for (start, to_b, to_c), here in zip(zip(*_sides(values[corners]), strict=True), flat, strict=True):
            square += (start + b * to_b + c * to_c - here[pixel]) ** 2
        worst[chosen] = np.sqrt(np.where(inside & np.isfinite(square), square, 0.0).max(axis=1))
    return worst


def _sides(corners: Array) -> tuple[Array, Array, Array]:
    """First corner and both sides from there of (m, 3, 2) corners, (2, m, 1) each."""
    first, second, third = (corners[:, i].T[..., None] for i in range(3))
    return first, second - first, third - first


def _boxes(corners_px: Array, resolution: tuple[int, int]) -> Iterator[tuple[IntArray, IntArray, IntArray]]:
    """Triangles in batches of one bounding-box size: (numbers (m,), columns (m, k), rows (m, k)) of their pixels."""
    limit = np.array(resolution) - 1
    with np.errstate(invalid="ignore"):
        first = np.maximum(np.ceil(corners_px.min(axis=1) - _ON_EDGE), 0.0)
        last = np.minimum(np.floor(corners_px.max(axis=1) + _ON_EDGE), limit)
        span = last - first + 1
        usable = np.all(span > 0, axis=1)
    numbers = np.nonzero(usable)[0]
    first, span = first[numbers].astype(np.intp), _rounded_up(span[numbers].astype(np.intp))
    for size in np.unique(span, axis=0):
        group = np.nonzero((span == size).all(axis=1))[0]
        offset_v, offset_u = (a.reshape(1, -1) for a in np.mgrid[: size[1], : size[0]])
        batch = max(1, _MAX_SAMPLES // offset_u.size)
        for start in range(0, group.size, batch):
            part = group[start : start + batch]
            yield numbers[part], first[part, :1] + offset_u, first[part, 1:] + offset_v


def _rounded_up(span: IntArray) -> IntArray:
    """Box sizes rounded up to 1 + a power of two, so that few different sizes are left; small ones stay exact."""
    steps = np.maximum(span - 1, 1)
    return np.where(span <= _EXACT_SPAN, span, 1 + 2 ** np.ceil(np.log2(steps)).astype(np.intp))


def _barycentric(corners_px: Array, columns: IntArray, rows: IntArray) -> tuple[BoolArray, Array]:
    """Which samples lie inside, and their weights: (m, 3, 2), (m, k), (m, k) -> (m, k), (m, k, 3)."""
    a, b, c = (corners_px[:, i, None, :] for i in range(3))
    ab, ac = b - a, c - a
    area = ab[..., 0] * ac[..., 1] - ab[..., 1] * ac[..., 0]
    du, dv = columns - a[..., 0], rows - a[..., 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        weight_b = (du * ac[..., 1] - dv * ac[..., 0]) / area
        weight_c = (dv * ab[..., 0] - du * ab[..., 1]) / area
    weight_a = 1.0 - weight_b - weight_c
    inside = (weight_a >= -_ON_EDGE) & (weight_b >= -_ON_EDGE) & (weight_c >= -_ON_EDGE)
    return inside, np.stack([weight_a, weight_b, weight_c], axis=-1)
