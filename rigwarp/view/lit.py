"""Where on the table a scan showed anything at all: of the rest no pixel of the view can tell its place."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_closing, binary_erosion, map_coordinates

from rigwarp.geometry import Array, BoolArray, PixelMap, plane_rotation
from rigwarp.rig import Table, inside_table
from rigwarp.view.screen import Screen, ScreenLaid

_CELLS = 400  # along the table's longer side
_COARSEST = 0.95  # quantile of the projector's pixels by size that a cell has to hold


@dataclass(frozen=True, kw_only=True)
class Lit:
    """The table in square cells, (rows, columns) of them; `corner_mm` is the middle (x, y) of the first."""

    corner_mm: Array
    step_mm: float
    cells: BoolArray

    def at(self, table_mm: Array) -> BoolArray:
        """(...) whether (..., 2) places were lit; what is no place was not."""
        place = np.moveaxis((np.nan_to_num(table_mm, nan=1e9) - self.corner_mm) / self.step_mm, -1, 0)[::-1]
        found = map_coordinates(self.cells.astype(np.uint8), place, order=0, mode="constant", cval=0)
        return np.asarray(found > 0)


def lit_by_projector(projector_map: PixelMap, table: Table) -> Lit:
    """What a projector's measured pixels cover, but for the last cell before a shadow."""
    known = projector_map.measured
    spots = np.where(known[..., None], projector_map.table_mm, np.nan)
    across = np.linalg.norm(np.diff(spots, axis=1), axis=-1)
    down = np.linalg.norm(np.diff(spots, axis=0), axis=-1)
    pixel_mm = float(np.nanquantile(np.concatenate([across.ravel(), down.ravel()]), _COARSEST))
    x_mm, y_mm, step = _cells(table, pixel_mm)
    edges = [np.append(side - step / 2, side[-1] + step / 2) for side in (y_mm, x_mm)]
    count = np.histogram2d(spots[known][:, 1], spots[known][:, 0], bins=edges)[0]
    cells = binary_closing(np.pad(count > 0, 2), np.ones((3, 3), bool))[2:-2, 2:-2]
    cells = binary_erosion(cells, np.ones((3, 3), bool), border_value=True)
    return _on(table, x_mm, y_mm, step, cells)


def lit_by_screen(screen: Screen, laid: Sequence[ScreenLaid], table: Table) -> Lit:
    """What a display covered, wherever it lay."""
    x_mm, y_mm, step = _cells(table, 0.0)
    spots = np.stack(np.meshgrid(x_mm, y_mm), axis=-1)
    half = screen.pitch_mm * np.array(screen.pixels) / 2.0
    cells = np.zeros(spots.shape[:2], bool)
    for place in laid:
        own = (spots - place.centre_mm) @ plane_rotation(place.rotation_rad)
        cells |= (np.abs(own) < half).all(axis=-1)
    return _on(table, x_mm, y_mm, step, cells)


def _cells(table: Table, least_mm: float) -> tuple[Array, Array, float]:
    width, depth = table.size_mm
    step = max(max(width, depth) / _CELLS, least_mm)
    x_mm, y_mm = (np.arange(-side / 2 + step / 2, side / 2 + step / 2, step) for side in (width, depth))
    return x_mm, y_mm, step


def _on(table: Table, x_mm: Array, y_mm: Array, step_mm: float, cells: BoolArray) -> Lit:
    there = inside_table(table, np.stack(np.meshgrid(x_mm, y_mm), axis=-1))
    return Lit(corner_mm=np.array([x_mm[0], y_mm[0]]), step_mm=step_mm, cells=cells & there)
