"""The camera-pixel -> table map of a view through mirrors, with the lean of each line of sight."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry.arrays import Array
from rigwarp.geometry.pixel_map import PixelMap


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
