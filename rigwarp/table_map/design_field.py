"""The traced design as a fast smooth function of projector position, one zone at a time."""

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import RectBivariateSpline

from rigwarp.geometry import Array
from rigwarp.tracing import OpticalModel

_STEP_PX = 8.0
_DEGREE = 5
_MARGIN_PX = 5.0  # the map answers a little past the outermost sample, and these splines stop at their grid
_CHUNK = 1 << 17


@dataclass(frozen=True, kw_only=True)
class DesignField:
    """Where a zone's light lands, as quintic splines through traces of every eighth pixel.

    `direct` is kept for zones whose smooth continuation does not cover the whole grid: they are traced point by point.
    """

    zone: int
    direct: OpticalModel
    nodes_px: tuple[Array, Array]
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

    def slope_mm(self, pixels_px: Array) -> Array:
        """(N, 2, 2) d(table mm) / d(projector px), at the nearest traced pixel: it varies slowly."""
        if self.x is None or self.y is None:
            half = 0.5
            columns = [
                (self.table_mm(pixels_px + step) - self.table_mm(pixels_px - step)) / (2 * half)
                for step in (np.array([half, 0.0]), np.array([0.0, half]))
            ]
            return np.stack(columns, axis=-1)
        across, down = self.nodes_px
        i, j = (
            np.clip(np.rint((p - n[0]) / (n[1] - n[0])), 0, len(n) - 1).astype(np.intp)
            for p, n in zip(pixels_px.T, (across, down), strict=True)
        )
        rows = [np.stack([s(across, down, dx=1), s(across, down, dy=1)], axis=-1) for s in (self.x, self.y)]
        return np.stack(rows, axis=-2)[i, j]


def design_field(model: OpticalModel, zone: int, pixels_px: Array) -> DesignField:
    """The field of one zone over the bounding box of (N, 2) pixels."""
    low, high = pixels_px.min(axis=0), pixels_px.max(axis=0)
    across, down = (
        np.linspace(a, b, max(int(np.ceil((b - a) / _STEP_PX)), _DEGREE) + 1)
        for a, b in zip(low - _MARGIN_PX, high + _MARGIN_PX, strict=True)
    )
    grid = np.stack(np.meshgrid(across, down, indexing="ij"), axis=-1)
    table = model.trace(grid, zone=zone, extended=True).table_mm
    if not np.isfinite(table).all():
        return DesignField(zone=zone, direct=model, nodes_px=(across, down), x=None, y=None)
    x, y = (RectBivariateSpline(across, down, table[..., i], kx=_DEGREE, ky=_DEGREE, s=0) for i in (0, 1))
    return DesignField(zone=zone, direct=model, nodes_px=(across, down), x=x, y=y)
