"""Projected light as it lies on the table, seen straight from above: what a view's lines of sight then fall on."""

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.rig import Table
from rigwarp.simulation.light_path import LightPath
from rigwarp.simulation.transport import build_transport

_FINER = 1.3  # cells along the table for each projector pixel along its picture


class PlanLight:
    """Light on the table in square cells, rows from the front (-y) to the back.

    Attributes
    ----------
    step_mm, corner_mm : side of a cell, and the middle (x, y) of the first one.
    """

    def __init__(self, path: LightPath, table: Table, margin_mm: float) -> None:
        half = np.array(table.size_mm) / 2 + margin_mm
        self.step_mm = float(2 * half.max() / (_FINER * max(path.projector.resolution)))
        self.corner_mm = -half + self.step_mm / 2
        columns, rows = (int(np.ceil(side / self.step_mm)) for side in 2 * half)
        self._shape = (rows, columns)
        self._transport = build_transport(path, self, (columns, rows))
        white = self._transport @ np.ones(self._transport.shape[1], np.float32)
        self._white = float(np.median(white[white > 0.0])) if (white > 0.0).any() else 1.0

    def to_pixels(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """Column and row, in cells, of spots on the table."""
        return (x_mm - self.corner_mm[0]) / self.step_mm, (y_mm - self.corner_mm[1]) / self.step_mm

    def lit(self, light: NDArray[np.float32]) -> NDArray[np.float32]:
        """(rows, columns) irradiance of (h, w) light of the projector's pixels; 1 is typical projected white."""
        return np.asarray((self._transport @ light.ravel()).reshape(self._shape) / np.float32(self._white), np.float32)
