"""The table divided into square cells, and what each of them gets from the projector's pixels."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray, PixelMap
from rigwarp.reports.measures.pixel_scale import determinant, singular_values, table_jacobian
from rigwarp.rig import Rig
from rigwarp.rig.canvas import content_outline

_CELLS_ACROSS = 250  # of the larger side of the area shown
_POINTS_ACROSS_CELL = 4  # a lattice that fine fills a covered cell to (3/4)^2 at least: still more than half
_MOST_SPLITS = 16  # a pixel is drawn with at most 16 x 16 points; where that is too few it is too large to matter
_PRESENT = 0.5  # a sheet of light is in a cell when it covers at least half of it: unbiased along an edge


@dataclass(frozen=True, kw_only=True)
class TableRaster:
    """Pixels spread over table cells. Light that reaches a cell by two ways, or in two zones, is two sheets.

    Attributes
    ----------
    cell_mm : side of a cell.
    x_mm, y_mm : (nx,), (ny,) cell centres, table frame.
    pixel, place : (N,)
        Points of pixels: number of the pixel in the flattened picture, and place in the flattened (sheets, ny, nx).
    point_mm2 : (N,) area on the table that each point stands for.
    sheet_mm2 : (sheets, ny, nx) area that each sheet has in each cell, as counted by the points.
    splits : (H, W) points per pixel side; 0: the pixel is not drawn.
    jacobian : (H, W, 2, 2) d(table mm)/d(projector px), see `table_jacobian`.
    """

    cell_mm: float
    x_mm: Array
    y_mm: Array
    pixel: NDArray[np.int64]
    place: NDArray[np.int64]
    point_mm2: Array
    sheet_mm2: Array
    splits: NDArray[np.int64]
    jacobian: Array

    @property
    def shape(self) -> tuple[int, int]:
        """(ny, nx)."""
        return len(self.y_mm), len(self.x_mm)

    @property
    def centres_mm(self) -> Array:
        """(ny, nx, 2) cell centres."""
        return np.stack(np.meshgrid(self.x_mm, self.y_mm), axis=-1)

    @property
    def extent_mm(self) -> tuple[float, float, float, float]:
        """Left, right, front, back edge of the grid."""
        half = self.cell_mm / 2
        return (self.x_mm[0] - half, self.x_mm[-1] + half, self.y_mm[0] - half, self.y_mm[-1] + half)

    def sheets(self) -> NDArray[np.int64]:
        """(ny, nx) how many sheets of light lie on each cell; 0: dark."""
        return np.asarray(self._covered().astype(np.int64).sum(axis=0))

    def mean(self, values: Array) -> Array:
        """(ny, nx) mean over each lit cell of a (H, W) value per pixel, weighted by area; NaN where dark.

        Pixels without a value (NaN) are left out.
        """
        value = values.ravel()[self.pixel]
        known = np.isfinite(value)
        total = self._sum(np.where(known, value, 0.0) * self.point_mm2).sum(axis=0)
        area = self._sum(known * self.point_mm2).sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self._covered().any(axis=0), total / area, np.nan)

    def irradiance(self, light: Array) -> Array:
        """(ny, nx) light per mm^2 from a (H, W) light per pixel; sheets add up; NaN where dark.

        Within a sheet it is the light of the points in a cell over the area of the same points, so that how many
        points happen to fall into a cell cancels.
        """
        per_point = (light / np.maximum(self.splits, 1) ** 2).ravel()[self.pixel]
        covered, area = self._covered(), self.sheet_mm2
        density = np.divide(self._sum(per_point), area, out=np.zeros(area.shape), where=covered)
        return np.where(covered.any(axis=0), density.sum(axis=0), np.nan)

    def _covered(self) -> BoolArray:
        """(sheets, ny, nx): on which cells each sheet lies."""
        return self.sheet_mm2 >= _PRESENT * self.cell_mm**2

    def _sum(self, weights: Array) -> Array:
        """(sheets, ny, nx) sum of a weight per point."""
        return sum_points(self.place, weights, self.sheet_mm2.shape)


def sum_points(place: NDArray[np.int64], weights: Array, shape: tuple[int, ...]) -> Array:
    """Sum of the weights (N,) that fall on each place of an array of this shape."""
    return np.bincount(place, weights, minlength=int(np.prod(shape))).reshape(shape).astype(np.float64)


def raster_table(pixel_map: PixelMap, rig: Rig, *, cell_mm: float | None = None) -> TableRaster:
    """Spread every projector pixel over the cells of the table that it lights.

    Parameters
    ----------
    rig : the grid covers its table and its content area.
    cell_mm : side of a cell; by default a 250th of the area's larger side.

    Notes
    -----
    A pixel is the parallelogram that the map's derivative makes of it; it is represented by a lattice of points.
    """
    x, y, side = _grid(rig, cell_mm)
    jacobian = table_jacobian(pixel_map)
    large, _ = singular_values(jacobian)
    splits = _splits(pixel_map.table_mm, large, x, y, side)
    points = [
        _points(pixel_map.table_mm, jacobian, np.flatnonzero(splits == n), int(n), x, y, side)
        for n in np.unique(splits[splits > 0])
    ]
    pixel, cell = (np.concatenate([p[i] for p in points] or [np.zeros(0, np.int64)]) for i in (0, 1))
    with np.errstate(invalid="ignore"):  # pixels that are not drawn may have any sheet
        upright = determinant(jacobian) > 0.0
    names, sheet = np.unique(2 * pixel_map.zone.astype(np.int64) + upright, return_inverse=True)
    shape = (len(names), len(y), len(x))
    place = sheet.ravel()[pixel] * (len(y) * len(x)) + cell
    point_mm2 = (np.abs(determinant(jacobian)) / np.maximum(splits, 1) ** 2).ravel()[pixel]
    return TableRaster(
        cell_mm=side,
        x_mm=x,
        y_mm=y,
        pixel=pixel,
        place=place,
        point_mm2=point_mm2,
        sheet_mm2=sum_points(place, point_mm2, shape),
        splits=splits,
        jacobian=jacobian,
    )


def _grid(rig: Rig, cell_mm: float | None) -> tuple[Array, Array, float]:
    """Cell centres along x and y, and the side of a cell; symmetric about the middle of the area."""
    table = np.array(rig.table.size_mm) / 2.0
    edge = content_outline(rig.content)
    low, high = np.minimum(-table, edge.min(axis=0)), np.maximum(table, edge.max(axis=0))
    cell = float((high - low).max()) / _CELLS_ACROSS if cell_mm is None else cell_mm
    counts = np.maximum(np.ceil((high - low) / cell - 1e-9).astype(int), 1)
    axes = [(low[i] + high[i]) / 2.0 + (np.arange(n) - (n - 1) / 2.0) * cell for i, n in enumerate(counts)]
    return axes[0], axes[1], cell


def _splits(table_mm: Array, large_mm: Array, x: Array, y: Array, cell: float) -> NDArray[np.int64]:
    """(H, W) points per pixel side; 0 for pixels without a derivative or wholly beside the grid."""
    with np.errstate(invalid="ignore"):
        near = np.isfinite(large_mm)
        for i, axis in enumerate((x, y)):
            near &= (table_mm[..., i] > axis[0] - cell - large_mm) & (table_mm[..., i] < axis[-1] + cell + large_mm)
        needed = np.where(near, large_mm * _POINTS_ACROSS_CELL / cell, 1.0)
    return np.where(near, np.clip(np.ceil(needed), 1.0, _MOST_SPLITS), 0.0).astype(np.int64)


def _points(
    table_mm: Array, jacobian: Array, pixels: NDArray[np.int64], n: int, x: Array, y: Array, cell: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pixel and cell numbers of all points that fall into the grid, for pixels split into n x n."""
    offset = (np.arange(n) + 0.5) / n - 0.5
    centre, by_pixel = table_mm.reshape(-1, 2)[pixels], jacobian.reshape(-1, 2, 2)[pixels]
    found_pixel, found_cell = [], []
    for du in offset:
        for dv in offset:
            i = np.floor((centre[:, 0] + by_pixel[:, 0, 0] * du + by_pixel[:, 0, 1] * dv - x[0]) / cell + 0.5)
            j = np.floor((centre[:, 1] + by_pixel[:, 1, 0] * du + by_pixel[:, 1, 1] * dv - y[0]) / cell + 0.5)
            inside = (i >= 0) & (i < len(x)) & (j >= 0) & (j < len(y))
            found_pixel.append(pixels[inside])
            found_cell.append((j[inside] * len(x) + i[inside]).astype(np.int64))
    return np.concatenate(found_pixel), np.concatenate(found_cell)
