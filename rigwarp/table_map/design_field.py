"""The traced design as a fast smooth function of projector position, one zone at a time."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.interpolate import BSpline, RectBivariateSpline

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.threads import by_parts
from rigwarp.tracing import OpticalModel
from rigwarp.tracing.scan_grid import fineness

_STEP_PX = 8.0
_DEGREE = 5
_MARGIN_PX = 5.0  # the map answers a little past the outermost sample, and these splines stop at their grid
_CHUNK = 1 << 17
_NODE_PX = 2.0  # at most one pixel of 1080p from a node the third order of Taylor's series is below 1e-5 mm
_PLACE = ((0, 0),)
_BENDS = ((1, 0), (0, 1), (2, 0), (1, 1), (0, 2))  # times a pixel, and half its square: single precision will do


@dataclass(frozen=True, kw_only=True)
class DesignField:
    """Where a zone's light lands, as quintic splines through traces of every eighth pixel.

    `direct` is kept for zones whose smooth continuation does not cover the whole grid: they are traced point by point.
    """

    zone: int
    direct: OpticalModel
    bounds_px: tuple[Array, Array]
    x: RectBivariateSpline | None
    y: RectBivariateSpline | None

    def table_mm(self, pixels_px: Array) -> Array:
        """(N, 2) pixels -> (N, 2) mm."""
        if self.x is None or self.y is None:
            parts = [
                self.direct.trace(pixels_px[i : i + _CHUNK], zone=self.zone, extended=True).table_mm
                for i in range(0, len(pixels_px), _CHUNK)
            ]
            return np.concatenate(parts) if parts else np.zeros((0, 2))
        u, v = pixels_px.T
        return np.stack([self.x.ev(u, v), self.y.ev(u, v)], axis=-1)

    def table_and_slope_mm(self, pixels_px: Array) -> tuple[Array, Array]:
        """(N, 2) mm and (N, 2, 2) d(table mm) / d(projector px), for millions of pixels.

        Taylor's series of second order about the nearest of a grid of nodes; the slope is the node's, since it varies
        slowly, and in single precision.
        """
        if self.x is None or self.y is None:
            half = 0.5
            columns = [
                (self.table_mm(pixels_px + step) - self.table_mm(pixels_px - step)) / (2 * half)
                for step in (np.array([half, 0.0]), np.array([0.0, half]))
            ]
            return self.table_mm(pixels_px), np.stack(columns, axis=-1)
        apart_px = _NODE_PX * fineness(self.direct.projector.resolution)
        u, v = (np.arange(a, b + apart_px, apart_px) for a, b in zip(*self.bounds_px, strict=True))
        whole = _OnGrid(self.x, u, v)
        # of one node all numbers together, as they are needed; number by number in the end: (orders, 2, n)
        place, bends = (
            np.stack([whole.of(one, order) for order in orders for one in (self.x, self.y)], axis=-1, dtype=kind)
            for orders, kind in ((_PLACE, float), (_BENDS, np.float32))
        )
        place, bends = place.reshape(-1, 2), bends.reshape(-1, 2 * len(_BENDS))
        table = np.empty((len(pixels_px), 2))
        slope: NDArray[Any] = np.empty((len(pixels_px), 2, 2), np.float32)

        def fill(part: slice) -> None:
            column, row = (
                np.rint((p - n[0]) / apart_px).astype(np.intp) for p, n in zip(pixels_px[part].T, (u, v), strict=True)
            )
            du, dv = pixels_px[part, 0] - u[column], pixels_px[part, 1] - v[row]
            node = row * len(u) + column
            known, by_order = place.take(node, axis=0), bends.take(node, axis=0).T.reshape(len(_BENDS), 2, -1)
            for i in (0, 1):
                zu, zv, zuu, zuv, zvv = np.ascontiguousarray(by_order[:, i])
                beside = du * (zu + 0.5 * du * zuu + dv * zuv) + dv * (zv + 0.5 * dv * zvv)
                table[part, i] = known[:, i] + beside
                slope[part, i, 0], slope[part, i, 1] = zu, zv

        by_parts(fill, len(pixels_px))
        return table, slope

    def on_pixels(self, here: BoolArray) -> Callable[[slice], list[Array]]:
        """For some rows (h, W) x and y, mm, at the pixel centres, worth something where `here` (H, W) is."""
        if self.x is None or self.y is None:

            def direct(rows: slice) -> list[Array]:
                planes = np.full((2, *here[rows].shape), np.nan)
                v, u = np.nonzero(here[rows])
                planes[:, v, u] = self.table_mm(np.stack([u, v + rows.start], axis=-1).astype(float)).T
                return list(planes)

            return direct
        down, across = (np.arange(float(n)) for n in here.shape)
        whole = _OnGrid(self.x, across, down)
        return whole.by_rows(self.x, self.y)


class _OnGrid:
    """Splines of the same knots where rows v cross columns u, past their ends as at them.

    As they themselves have it, by two sparse products, which is several times as fast.
    """

    def __init__(self, spline: RectBivariateSpline, u: Array, v: Array) -> None:
        self._along = [
            [_basis(knots, np.clip(places, knots[0], knots[-1]), order) for order in range(3)]
            for knots, places in zip(spline.get_knots(), (u, v), strict=True)
        ]

    def of(self, spline: RectBivariateSpline, order: tuple[int, int] = (0, 0)) -> Array:
        """(rows, columns) values, or derivatives of that order along u and v."""
        return np.asarray(self._along[1][order[1]] @ self._across(spline, order[0]))

    def by_rows(self, *splines: RectBivariateSpline) -> Callable[[slice], list[Array]]:
        """For some of the rows the values of each of the splines."""
        across, along_v = [self._across(spline, 0) for spline in splines], self._along[1][0]
        return lambda rows: [np.asarray(along_v[rows] @ one) for one in across]

    def _across(self, spline: RectBivariateSpline, order: int) -> Array:
        """(coefficients along v, columns)"""
        along_u, along_v = self._along[0][order], self._along[1][0]
        by_u = along_u @ spline.get_coeffs().reshape(along_u.shape[1], along_v.shape[1])
        return np.ascontiguousarray(by_u.T)


def _basis(knots: Array, places: Array, order: int) -> sparse.csr_matrix:
    """(places, coefficients) of a spline along one axis, or of its derivative of that order."""
    every = BSpline(knots, np.eye(len(knots) - _DEGREE - 1), _DEGREE)
    return sparse.csr_matrix((every.derivative(order) if order else every)(places))


def design_field(model: OpticalModel, zone: int, pixels_px: Array) -> DesignField:
    """The field of one zone over the bounding box of (N, 2) pixels."""
    low = np.array([along.min() for along in pixels_px.T]) - _MARGIN_PX
    high = np.array([along.max() for along in pixels_px.T]) + _MARGIN_PX
    across, down = (
        np.linspace(a, b, max(int(np.ceil((b - a) / _STEP_PX)), _DEGREE) + 1) for a, b in zip(low, high, strict=True)
    )
    grid = np.stack(np.meshgrid(across, down, indexing="ij"), axis=-1)
    table = model.trace(grid, zone=zone, extended=True).table_mm
    if not np.isfinite(table).all():
        return DesignField(zone=zone, direct=model, bounds_px=(low, high), x=None, y=None)
    x, y = (RectBivariateSpline(across, down, table[..., i], kx=_DEGREE, ky=_DEGREE, s=0) for i in (0, 1))
    return DesignField(zone=zone, direct=model, bounds_px=(low, high), x=x, y=y)
