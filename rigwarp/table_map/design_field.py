"""The traced design as a fast smooth function of projector position, one zone at a time."""

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import RectBivariateSpline

from rigwarp.geometry import Array, BoolArray
from rigwarp.tracing import OpticalModel

_STEP_PX = 8.0
_DEGREE = 5
_MARGIN_PX = 5.0  # the map answers a little past the outermost sample, and these splines stop at their grid
_CHUNK = 1 << 17
_NODE_PX = 2.0  # at most one pixel from a node the third order of Taylor's series is below 1e-5 mm
_ORDERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))


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
        """(N, 2) mm and (N, 2, 2) d(table mm) / d(projector px), for a million pixels.

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
        nodes = [np.arange(a, b + _NODE_PX, _NODE_PX) for a, b in zip(*self.bounds_px, strict=True)]
        at = [np.rint((p - n[0]) / _NODE_PX).astype(np.intp) for p, n in zip(pixels_px.T, nodes, strict=True)]
        du, dv = (p - n[i] for p, n, i in zip(pixels_px.T, nodes, at, strict=True))
        index = at[0] * len(nodes[1]) + at[1]
        table, slope = np.empty((len(index), 2)), np.empty((len(index), 2, 2))
        for row, spline in enumerate((self.x, self.y)):
            z, zu, zv, zuu, zuv, zvv = (spline(nodes[0], nodes[1], dx=i, dy=j).ravel().take(index) for i, j in _ORDERS)
            table[:, row] = z + du * (zu + 0.5 * du * zuu + dv * zuv) + dv * (zv + 0.5 * dv * zvv)
            slope[:, row, 0], slope[:, row, 1] = zu, zv
        return table, slope

    def on_pixels(self, shape: tuple[int, ...], here: BoolArray) -> Array:
        """(N, 2) mm of the N pixel centres of an (H, W) grid that are `here`."""
        if self.x is None or self.y is None:
            v, u = np.nonzero(here)
            return self.table_mm(np.stack([u, v], axis=-1).astype(float))
        across, down = np.arange(shape[1], dtype=float), np.arange(shape[0], dtype=float)
        return np.stack([spline(across, down).T[here] for spline in (self.x, self.y)], axis=-1)


def design_field(model: OpticalModel, zone: int, pixels_px: Array) -> DesignField:
    """The field of one zone over the bounding box of (N, 2) pixels."""
    low, high = pixels_px.min(axis=0) - _MARGIN_PX, pixels_px.max(axis=0) + _MARGIN_PX
    across, down = (
        np.linspace(a, b, max(int(np.ceil((b - a) / _STEP_PX)), _DEGREE) + 1) for a, b in zip(low, high, strict=True)
    )
    grid = np.stack(np.meshgrid(across, down, indexing="ij"), axis=-1)
    table = model.trace(grid, zone=zone, extended=True).table_mm
    if not np.isfinite(table).all():
        return DesignField(zone=zone, direct=model, bounds_px=(low, high), x=None, y=None)
    x, y = (RectBivariateSpline(across, down, table[..., i], kx=_DEGREE, ky=_DEGREE, s=0) for i in (0, 1))
    return DesignField(zone=zone, direct=model, bounds_px=(low, high), x=x, y=y)
