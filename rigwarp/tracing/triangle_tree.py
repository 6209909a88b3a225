"""Which triangle a ray meets first, where no ray tracer is installed: a tree of boxes, walked by all rays at once.

Triangles are halved along the longest side of what their middles span, level by level; rays and boxes that meet are
pairs, which go down the tree together (Kay and Kajiya 1986, Ray tracing complex scenes), and are at last tested against
the triangles of a leaf (Moeller and Trumbore 1997, Fast, minimum storage ray/triangle intersection).
"""

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray, TriangleMesh

_LEAF = 4  # triangles
_AT_ONCE = 1 << 15  # rays
_EDGE = 1e-12  # barycentric: what passes between two triangles that share an edge meets both


class TriangleTree:
    """Triangles ready for first-hit queries."""

    def __init__(self, mesh: TriangleMesh) -> None:
        corners = np.asarray(mesh.vertices_mm, float)[mesh.faces]
        self._depth = max(0, int(np.ceil(np.log2(max(1, len(corners)) / _LEAF))))
        self._order = _halved(corners.mean(axis=1), self._depth)
        self._first = corners[:, 0]
        self._sides = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        low, high = (bound(corners, axis=1)[self._order] for bound in (np.min, np.max))
        self._low = [low.min(axis=1)]
        self._high = [high.max(axis=1)]
        for _ in range(self._depth):
            self._low.insert(0, self._low[0].reshape(-1, 2, 3).min(axis=1))
            self._high.insert(0, self._high[0].reshape(-1, 2, 3).max(axis=1))

    def first(self, origins_mm: Array, directions: Array) -> NDArray[np.int64]:
        """(N,) triangle that each ray (N, 3) meets first, ahead of its origin; -1: none."""
        found = np.full(len(directions), -1)
        for start in range(0, len(directions), _AT_ONCE):
            part = slice(start, start + _AT_ONCE)
            found[part] = self._first_of(origins_mm[part], directions[part])
        return found

    def _first_of(self, origins_mm: Array, directions: Array) -> NDArray[np.int64]:
        with np.errstate(divide="ignore"):
            inverse = 1.0 / directions
        ray, box = np.arange(len(directions)), np.zeros(len(directions), int)
        for level, (low, high) in enumerate(zip(self._low, self._high, strict=True)):
            meets = meets_box(origins_mm[ray], inverse[ray], low[box], high[box])
            ray, box = ray[meets], box[meets]
            if level < self._depth:
                ray, box = np.repeat(ray, 2), (2 * box[:, None] + [0, 1]).ravel()
        triangle = self._order[box]
        distance = self._distance(origins_mm[ray, None], directions[ray, None], triangle)
        nearest = distance.argmin(axis=1)[:, None]
        distance = np.take_along_axis(distance, nearest, 1)[:, 0]
        triangle = np.take_along_axis(triangle, nearest, 1)[:, 0]
        farthest_first = np.argsort(-distance, kind="stable")
        farthest_first = farthest_first[np.isfinite(distance[farthest_first])]
        found = np.full(len(directions), -1)
        found[ray[farthest_first]] = triangle[farthest_first]  # of one ray's leaves the last one stays
        return found

    def _distance(self, origins_mm: Array, directions: Array, triangles: NDArray[np.int64]) -> Array:
        """Of each ray to each of its triangles, in lengths of the direction; inf where it misses."""
        one, other = (side[triangles] for side in self._sides)
        across = np.cross(directions, other)
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = 1.0 / np.sum(one * across, axis=-1)
            reach = origins_mm - self._first[triangles]
            u = np.sum(reach * across, axis=-1) * scale
            up = np.cross(reach, one)
            v = np.sum(directions * up, axis=-1) * scale
            distance = np.sum(other * up, axis=-1) * scale
            inside = (u >= -_EDGE) & (v >= -_EDGE) & (u + v <= 1.0 + _EDGE) & (distance >= 0.0)
        return np.where(inside, distance, np.inf)


def _halved(middles: Array, depth: int) -> NDArray[np.int64]:
    """(2^depth, leaf) numbers of triangles by leaf; some stand there twice, which fills the tree."""
    size = max(_LEAF, -(-len(middles) // 2**depth))
    order = np.resize(np.arange(len(middles)), 2**depth * size)
    for level in range(depth):
        groups = order.reshape(2**level, -1)
        at = middles[groups]
        longest = np.ptp(at, axis=1).argmax(axis=1)
        along = np.take_along_axis(at, longest[:, None, None], 2)[..., 0]
        order = np.take_along_axis(groups, along.argsort(axis=1), 1).ravel()
    return order.reshape(2**depth, size)


def meets_box(origins_mm: Array, inverse: Array, low_mm: Array, high_mm: Array) -> BoolArray:
    """(N,) whether rays, by their origins and inverse directions (N, 3), meet boxes; corners (N, 3), or (3,) of one.

    A slab test, a little generous; a ray that runs along a side's plane counts as inside there.
    """
    enter, leave = np.zeros(len(inverse)), np.full(len(inverse), np.inf)
    for axis in range(3):
        with np.errstate(invalid="ignore"):
            one, other = ((side[..., axis] - origins_mm[:, axis]) * inverse[:, axis] for side in (low_mm, high_mm))
        enter = np.fmax(enter, np.minimum(one, other))  # where a ray runs along a plane both are NaN
        leave = np.fmin(leave, np.maximum(one, other))
    return np.asarray((enter <= leave * (1.0 + 1e-6)) & (leave < np.inf))
