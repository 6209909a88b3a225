"""How much of the table a view sees, how finely and how aslant, and where no piece of it looks."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_closing, distance_transform_edt

from rigwarp.geometry import Array, ViewMap
from rigwarp.geometry.pixel_map import zones_lit
from rigwarp.rig import Table, inside_table

_CELLS = 240  # along the table's longer side


@dataclass(frozen=True, kw_only=True)
class ViewCover:
    """The table in square cells.

    Attributes
    ----------
    x_mm, y_mm : (nx,), (ny,) middles of the cells.
    layers : (ny, nx) how many zones see each; -1 beside the table.
    lean : (ny, nx) mm sideways per mm of height, of the least leaning zone; NaN where none sees.
    mm_per_px : (ny, nx) longer side of the finest zone's pixel on the table.
    """

    x_mm: Array
    y_mm: Array
    layers: NDArray[np.int64]
    lean: Array
    mm_per_px: Array

    @property
    def seen_share(self) -> float:
        """Of the table, what at least one zone sees."""
        return self._share(1)

    @property
    def overlap_share(self) -> float:
        """Of the table, what two zones or more see."""
        return self._share(2)

    @property
    def widest_unseen_mm(self) -> float:
        """Diameter of the largest round thing on the table that nothing would see."""
        step = float(self.x_mm[1] - self.x_mm[0])
        away = distance_transform_edt(np.pad(self.layers == 0, 1)) * step
        return float(2.0 * away.max())

    def range_of(self, values: Array) -> tuple[float, float]:
        """Median and largest value over the seen table."""
        known = values[np.isfinite(values)]
        return (float(np.median(known)), float(known.max())) if known.size else (np.nan, np.nan)

    def _share(self, least: int) -> float:
        table = self.layers >= 0
        return float(np.mean(self.layers[table] >= least)) if table.any() else 0.0


def cover_of(view: ViewMap, table: Table) -> ViewCover:
    """What a view's map, designed or measured, sees of the table."""
    width, depth = table.size_mm
    step = max(width, depth) / _CELLS
    edges = [np.arange(-side / 2, side / 2 + step, step) for side in (width, depth)]
    x_mm, y_mm = ((edge[:-1] + edge[1:]) / 2 for edge in edges)
    on_table = inside_table(table, np.stack(np.meshgrid(x_mm, y_mm), axis=-1))
    layers = np.where(on_table, 0, -1)
    least, finest = np.full(on_table.shape, np.nan), np.full(on_table.shape, np.nan)
    long_side = _long_side(view)
    lean = np.hypot(view.lean_x, view.lean_y)
    for zone in zones_lit(view.zone):
        here = view.zone == zone
        spots = (view.y_mm[here], view.x_mm[here])
        count = np.histogram2d(*spots, bins=edges[::-1])[0]
        reach = int(np.clip(np.ceil(np.nanmax(long_side[here], initial=0.0) / step), 1, 6))
        seen = binary_closing(np.pad(count > 0, reach), np.ones((3, 3), bool), iterations=reach)[
            reach:-reach, reach:-reach
        ]
        layers[seen & on_table] += 1
        for best, values in ((least, lean[here]), (finest, np.nan_to_num(long_side[here]))):
            total = np.histogram2d(*spots, bins=edges[::-1], weights=values)[0]
            with np.errstate(invalid="ignore", divide="ignore"):
                np.fmin(best, np.where(on_table, total / count, np.nan), out=best)
    return ViewCover(x_mm=x_mm, y_mm=y_mm, layers=layers, lean=least, mm_per_px=finest)


def _long_side(view: ViewMap) -> Array:
    """(H, W) longer side of each pixel on the table, mm; NaN at the edges of zones."""
    sides = []
    for axis in (1, 0):
        step = np.full(view.zone.shape, np.nan)
        inner = [slice(None), slice(None)]
        inner[axis] = slice(0, -1)
        same = np.diff(view.zone, axis=axis) == 0
        length = np.hypot(np.diff(view.x_mm, axis=axis), np.diff(view.y_mm, axis=axis))
        step[tuple(inner)] = np.where(same, length, np.nan)
        sides.append(step)
    return np.asarray(np.fmax(*sides))
