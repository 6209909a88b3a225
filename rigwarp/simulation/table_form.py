"""The real table's surface: a plane at some height, level or tilted, or bowed like a shallow dish."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array
from rigwarp.rig import Table
from rigwarp.simulation.truth import RoomTruth

_ROUNDS = 6  # a bow of a millimetre changes the height by 1 % of a step aside: each round gains two digits


@dataclass(frozen=True, kw_only=True)
class TableForm:
    """z = height + tilt . (x, y) + bow (1 - (x / a)^2 - (y / b)^2) with half the table's sides a, b."""

    height_mm: float
    bow_mm: float
    half_mm: tuple[float, float]
    tilt: tuple[float, float] = (0.0, 0.0)

    @classmethod
    def of(cls, table: Table, room: RoomTruth) -> "TableForm":
        """The table as built."""
        return cls(
            height_mm=table.height_mm + room.table_height_error_mm,
            bow_mm=room.table_bow_mm,
            half_mm=(table.size_mm[0] / 2.0, table.size_mm[1] / 2.0),
            tilt=room.table_tilt,
        )

    @classmethod
    def flat(cls, height_mm: float) -> "TableForm":
        """A plane."""
        return cls(height_mm=height_mm, bow_mm=0.0, half_mm=(1.0, 1.0))

    def z_mm(self, x_mm: Array, y_mm: Array) -> Array:
        """Height of the surface, any shape; the same formula beyond the rim."""
        if self._flat:
            return np.full_like(x_mm, self.height_mm)
        share = (x_mm / self.half_mm[0]) ** 2 + (y_mm / self.half_mm[1]) ** 2
        plane = self.height_mm + self.tilt[0] * x_mm + self.tilt[1] * y_mm
        return plane + self.bow_mm * (1.0 - np.minimum(share, 4.0))

    def reach(self, start: tuple[Array, Array, Array], direction: tuple[Array, Array, Array]) -> Array:
        """Multiples of the directions at which rays meet the surface; of either sign, inf or NaN for level ones."""
        reach = (self.height_mm - start[2]) / direction[2]
        if self._flat:
            return reach
        for _ in range(_ROUNDS):
            z = self.z_mm(start[0] + reach * direction[0], start[1] + reach * direction[1])
            reach = (z - start[2]) / direction[2]
        return reach

    @property
    def _flat(self) -> bool:
        return self.bow_mm == 0.0 and self.tilt == (0.0, 0.0)
