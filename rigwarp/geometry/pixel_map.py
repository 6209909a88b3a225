"""The projector-pixel -> table-millimetre map, which all three users share, and a view's camera-pixel -> table map."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry.arrays import Array, BoolArray

NO_LIGHT = -1
"""Zone number of a projector pixel whose light does not reach the table."""


def zones_lit(zone: NDArray[np.integer]) -> list[int]:
    """The zones in an (H, W) picture of their numbers, which are small: told in a look for each, without sorting."""
    return [number for number in range(int(zone.max(initial=NO_LIGHT)) + 1) if (zone == number).any()]


@dataclass(frozen=True, kw_only=True)
class PixelMap:
    """Where the centre of each projector pixel lands on the table; index [v, u].

    Attributes
    ----------
    x_mm, y_mm : (H, W) table position; NaN where there is no answer.
    sigma_mm : (H, W)
        1-sigma of the position (root of the summed variances of x and y, divided by 2: per axis); NaN like x_mm.
    zone : (H, W) int16
        One number per smooth piece of mirror, NO_LIGHT where no light reaches the table.
    measured : (H, W) bool True where camera data support the value, False where it is inferred from a model.
    """

    x_mm: Array
    y_mm: Array
    sigma_mm: Array
    zone: NDArray[np.int16]
    measured: BoolArray

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) in pixels."""
        height, width = self.x_mm.shape
        return width, height

    @property
    def table_mm(self) -> Array:
        """(H, W, 2) positions."""
        return np.stack([self.x_mm, self.y_mm], axis=-1)

    @property
    def answered(self) -> BoolArray:
        """(H, W): True where the map has a value."""
        return np.isfinite(self.x_mm)


@dataclass(frozen=True, kw_only=True)
class ViewMap(PixelMap):
    """What the centre of each raw pixel of the view's camera sees of the table; index [v, u].

    `zone` numbers the smooth pieces of all the view's mirrors in the order of rig.toml, and directly seen table after
    them; -1 (NO_LIGHT) is what does not see the table.

    Attributes
    ----------
    lean_x, lean_y : (H, W)
        How far the line of sight runs sideways for each mm of height above the table: a thing at height h on it stands
        at (x, y) - h * lean. NaN like x_mm.
    """

    lean_x: Array
    lean_y: Array

    @property
    def lean(self) -> Array:
        """(H, W, 2) mm sideways per mm of height."""
        return np.stack([self.lean_x, self.lean_y], axis=-1)
