"""The traced design as a fast smooth function of projector position, one zone at a time."""

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.interpolate import BSpline, RectBivariateSpline

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.threads import in_two_threads
from rigwarp.tracing import OpticalModel

_STEP_PX = 8.0
_DEGREE = 5
_MARGIN_PX = 5.0  # the map answers a little past the outermost sample, and these splines stop at their grid
_CHUNK = 1 << 17
_AT_ONCE = 1 << 15
_NODE_PX = 2.0  # at most one pixel from a node the third order of Taylor's series is below 1e-5 mm
_FIRST = ((0, 0), (1, 0), (0, 1))
_SECOND = ((2, 0), (1, 1), (0, 2))  # times a pixel's half square: single precision will do


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
        slowly.
        """
        if self.x is None or self.y is None:
            half = 0.5
            columns = [
                (self.table_mm(pixels_px + step) - self.table_mm(pixels_px - step)) / (2 * half)
                for step in (np.array([half, 0.0]), np.array([0.0, half]))
            ]
            return self.table_mm(pixels_px), np.stack(columns, axis=-1)
        u, v = (np.arange(a, b + _NODE_PX, _NODE_PX) for a, b in zip(*self.bounds_px, strict=True))
        whole = _OnGrid(self.x, u, v)
        # of one node all numbers together, as they are needed; number by number in the end: (orders, 2, n)
        first, second = (
            np.stack([whole.of(one, order) for order in orders for one in (self.x, self.y)], axis=-1, dtype=kind)
            for orders, kind in ((_FIRST, float), (_SECOND, np.float32))
        )
        first, second = first.reshape(-1, 2 * len(_FIRST)), second.reshape(-1, 2 * len(_SECOND))
        table, slope = np.empty((len(pixels_px), 2)), np.empty((len(pixels_px), 2, 2))

        def fill(part: slice) -> None:
            column, row = (
                np.rint((p - n[0]) / _NODE_PX).astype(np.intp) for p, n in zip(pixels_px[part].T, (u, v), strict=True)
            )
            du, dv = pixels_px[part, 0] - u[column], pixels_px[part, 1] - v[row]
            node = row * len(u) + column
            known = np.ascontiguousarray(first.take(node, axis=0).T).reshape(len(_FIRST), 2, -1)
            bends = np.ascontiguousarray(second.take(node, axis=0).T).reshape(len(_SECOND), 2, -1)
            for i in (0, 1):
                (z, zu, zv), (zuu, zuv, zvv) = known[:, i], bends[:, i]
                table[part, i] = z + du * (zu + 0.5 * du * zuu + dv * zuv) + dv * (zv + 0.5 * dv * zvv)
                slope[part, i, 0], slope[part, i, 1] = zu, zv

        in_two_threads(fill, [slice(i, i + _AT_ONCE) for i in range(0, len(pixels_px), _AT_ONCE)])
        return table, slope

    def on_pixels(self, here: BoolArray) -> tuple[Array, Array]:
        """(H, W) x and y, mm, at all pixel centres, worth something where `here` (H, W) is."""
        if self.x is None or self.y is None:
            planes = np.full((2, *here.shape), np.nan)
            v, u = np.nonzero(here)
            planes[:, here] = self.table_mm(np.stack([u, v], axis=-1).astype(float)).T
            return planes[0], planes[1]
        down, across = (np.arange(float(n)) for n in here.shape)
        whole = _OnGrid(self.x, across, down)
        x, y = in_two_threads(whole.of, (self.x, self.y))
        return x, y


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
        along_u, along_v = self._along[0][order[0]], self._along[1][order[1]]
        by_u = along_u @ spline.get_coeffs().reshape(along_u.shape[1], along_v.shape[1])
        return np.asarray(along_v @ np.ascontiguousarray(by_u.T))


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
