"""Planar outlines: which points lie inside a set of closed polygons, and how far away the others are."""

import itertools
from dataclasses import dataclass
from functools import cached_property
from operator import attrgetter
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from rigwarp.geometry import Array, BoolArray
from rigwarp.tracing.surfaces.surface import Tessellation

_GRID = 256  # cells per side of the lookup that spares most points the exact test
_PAIRS = 4_000_000  # point-edge pairs worked on at a time (some 100 MiB)


@dataclass(frozen=True, kw_only=True)
class Outline:
    """Closed polygons in a plane; inside by the even-odd rule, so holes and concave shapes need no care.

    Attributes
    ----------
    edges_mm : (N, 2, 2) edge, end, coordinate; the edges of each polygon form closed loops, in any order.
    """

    edges_mm: Array

    @classmethod
    def from_corners(cls, corners_mm: Array) -> "Outline":
        """One polygon from its (N, 2) corners."""
        return cls(edges_mm=np.stack([corners_mm, np.roll(corners_mm, -1, axis=0)], axis=1))

    @property
    def bounds_mm(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """((xmin, xmax), (ymin, ymax))."""
        low, high = self.edges_mm.min(axis=(0, 1)), self.edges_mm.max(axis=(0, 1))
        return (float(low[0]), float(high[0])), (float(low[1]), float(high[1]))

    def inside(self, x_mm: Array, y_mm: Array) -> BoolArray:
        """(...,) whether points lie inside; NaN does not."""
        x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
        flat_x, flat_y = x.ravel(), y.ravel()
        low, size, state = self._lookup
        answer = np.zeros(flat_x.shape, bool)
        with np.errstate(invalid="ignore"):
            cx, cy = (flat_x - low[0]) / size[0], (flat_y - low[1]) / size[1]
            on_grid = np.flatnonzero((cx >= 0.0) & (cx <= _GRID) & (cy >= 0.0) & (cy <= _GRID))
        ix, iy = (np.minimum(c[on_grid].astype(np.int64), _GRID - 1) for c in (cx, cy))
        cell = state[ix, iy]
        answer[on_grid] = cell == 1
        unsure = cell == 2
        answer[on_grid[unsure]] = self._crossings_odd(flat_x[on_grid[unsure]], flat_y[on_grid[unsure]], iy[unsure])
        return answer.reshape(x.shape)

    def outside_mm(self, x_mm: Array, y_mm: Array) -> Array:
        """(...,) distance from the outline, 0 inside, NaN for NaN."""
        x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
        distance = np.where(self.inside(x, y), 0.0, np.nan).ravel()
        out = np.flatnonzero(np.isnan(distance) & np.isfinite(x.ravel() + y.ravel()))
        distance[out] = self._edge_distance(np.stack([x.ravel()[out], y.ravel()[out]], axis=-1))
        return distance.reshape(x.shape)

    def rim_points(self, spacing_mm: float) -> Array:
        """(N, 2) points along the edges, corners included, at most `spacing_mm` apart."""
        pieces = []
        for a, b in self.edges_mm:
            count = int(np.ceil(np.linalg.norm(b - a) / spacing_mm))
            pieces.append(a + np.linspace(0.0, 1.0, max(count, 1), endpoint=False)[:, None] * (b - a))
        return np.concatenate(pieces)

    @cached_property
    def _lookup(self) -> tuple[Array, Array, NDArray[np.int8]]:
        """Grid corner, cell size and per cell: 0 outside, 1 inside, 2 an edge comes near."""
        (x0, x1), (y0, y1) = self.bounds_mm
        low = np.array([x0, y0])
        size = np.maximum(np.array([x1 - x0, y1 - y0]) / _GRID, 1e-9)
        centres = low + (np.arange(_GRID)[:, None] + 0.5) * size
        state = np.zeros((_GRID, _GRID), np.int8)
        for row, y in enumerate(centres[:, 1]):  # an edge owns its lower end, so shared corners count once
            a, b = np.moveaxis(self.edges_mm[(self.edges_mm[:, 0, 1] > y) != (self.edges_mm[:, 1, 1] > y)], 1, 0)
            crossed = np.sort(a[:, 0] + (y - a[:, 1]) * (b[:, 0] - a[:, 0]) / (b[:, 1] - a[:, 1]))
            state[:, row] = np.searchsorted(crossed, centres[:, 0]) % 2
        state[self._cells_near_edges(low, size)] = 2
        return low, size, state

    @cached_property
    def _rows(self) -> list[NDArray[np.int64]]:
        """Per row of the lookup grid, the edges that reach into it."""
        low, size, _ = self._lookup
        span = np.clip(np.floor((np.sort(self.edges_mm[:, :, 1], axis=1) - low[1]) / size[1]), 0, _GRID - 1)
        return [np.flatnonzero((span[:, 0] <= row) & (span[:, 1] >= row)) for row in range(_GRID)]

    def _cells_near_edges(self, low: Array, size: Array) -> BoolArray:
        """(GRID, GRID) cells that an edge passes through, and their neighbours."""
        near = np.zeros((_GRID, _GRID), bool)
        for a, b in self.edges_mm:
            steps = int(np.ceil(np.max(np.abs(b - a) / size) * 2)) + 2
            along = (a + np.linspace(0.0, 1.0, steps)[:, None] * (b - a) - low) / size
            i, j = np.clip(along.astype(int), 0, _GRID - 1).T
            near[i, j] = True
        return binary_dilation(near, np.ones((3, 3), bool))

    def _crossings_odd(self, x: Array, y: Array, row: NDArray[np.int64]) -> BoolArray:
        """Even-odd rule by counting the edges that a ray towards +x crosses, among those of the points' grid rows."""
        odd = np.zeros(x.shape, bool)
        order = np.argsort(row, kind="stable")
        begins = np.flatnonzero(np.diff(row[order], prepend=-1))
        for begin, end in itertools.pairwise([*begins, len(order)]):
            points = order[begin:end]
            a, b = np.moveaxis(self.edges_mm[self._rows[row[points[0]]]], 1, 0)
            px, py = x[points, None], y[points, None]
            straddles = (a[:, 1] > py) != (b[:, 1] > py)
            rise = np.where(b[:, 1] == a[:, 1], 1.0, b[:, 1] - a[:, 1])
            crosses = straddles & (px < a[:, 0] + (py - a[:, 1]) * (b[:, 0] - a[:, 0]) / rise)
            odd[points] = np.sum(crosses, axis=1) % 2 == 1
        return odd

    def _edge_distance(self, points: Array) -> Array:
        a, along = self.edges_mm[:, 0], self.edges_mm[:, 1] - self.edges_mm[:, 0]
        length2 = np.maximum(np.sum(along * along, axis=1), 1e-300)
        distance = np.empty(len(points))
        step = max(1, _PAIRS // (4 * max(len(a), 1)))
        for begin in range(0, len(points), step):
            part = slice(begin, begin + step)
            away = points[part, None, :] - a
            share = np.clip(np.sum(away * along, axis=-1) / length2, 0.0, 1.0)
            gap = away - share[..., None] * along
            distance[part] = np.sqrt(np.min(np.sum(gap * gap, axis=-1), axis=1))
        return distance


class _Sloped(Protocol):
    def sag(self, x_mm: Array, y_mm: Array) -> Array: ...
    def gradient(self, x_mm: Array, y_mm: Array) -> Array: ...


@dataclass(frozen=True, kw_only=True)
class _HeightField:
    """`sigma` is the 1-sigma of a slope component from fitting the surface (dimensionless); 0 for closed forms."""

    sigma: float = 0.0

    def sag_and_gradient(self: _Sloped, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """One after the other."""
        return self.sag(x_mm, y_mm), self.gradient(x_mm, y_mm)

    def slope_sigma(self, x_mm: Array, y_mm: Array) -> Array:
        """The same everywhere."""
        return np.full(np.broadcast(x_mm, y_mm).shape, self.sigma)


@dataclass(frozen=True, kw_only=True)
class Outlined(_HeightField):
    """What surfaces within an outline, in their own frame, have in common.

    `tessellation` are the triangles that it was found in; None where it was not found in any.
    """

    zone: int
    name: str
    T_mirror_from_surface: Array
    outline: Outline
    tessellation: Tessellation | None = None

    # sideways a surface reaches as far as its outline
    bounds_mm = property(attrgetter("outline.bounds_mm"))
    inside = property(attrgetter("outline.inside"))
    outside_mm = property(attrgetter("outline.outside_mm"))
    rim_points = property(attrgetter("outline.rim_points"))

    def first_guesses(self, origins_mm: Array, directions: Array) -> tuple[Array, ...]:
        """Where the rays meet the plane z = 0."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return (-origins_mm[..., 2] / directions[..., 2],)


@dataclass(frozen=True, kw_only=True)
class RoundAperture(_HeightField):
    """What surfaces of revolution have in common: they reflect between an inner and an outer radius."""

    aperture_mm: tuple[float, float]

    @property
    def bounds_mm(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """The square around the aperture."""
        outer = self.aperture_mm[1]
        return (-outer, outer), (-outer, outer)

    def inside(self, x_mm: Array, y_mm: Array) -> BoolArray:
        """Between the inner and the outer radius."""
        r = np.hypot(x_mm, y_mm)
        return (r >= self.aperture_mm[0]) & (r <= self.aperture_mm[1])

    def outside_mm(self, x_mm: Array, y_mm: Array) -> Array:
        """Radial distance from the aperture."""
        r = np.hypot(x_mm, y_mm)
        return np.maximum(np.maximum(self.aperture_mm[0] - r, r - self.aperture_mm[1]), 0.0)

    def rim_points(self, spacing_mm: float) -> Array:
        """(N, 2) points on the aperture's circles, at most `spacing_mm` apart; a circle of radius 0 is no rim."""
        circles = []
        for radius in (r for r in self.aperture_mm if r > 0.0):
            angle = np.linspace(0.0, 2.0 * np.pi, int(2.0 * np.pi * radius / spacing_mm) + 1, endpoint=False)
            circles.append(radius * np.stack([np.cos(angle), np.sin(angle)], axis=-1))
        return np.concatenate(circles)
