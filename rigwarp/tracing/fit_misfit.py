"""How far a fitted height field may be off in slope because of what its cells cannot follow.

Scatter about a fit says nothing about a bend that the spline rounds off between vertices. What does is how much the
slopes change when the same vertices are fitted with other cells: with coarser ones by more than the fit's own misfit
(a quintic's falls with the fifth power of the cell size), with finer ones by about the misfit itself, plus noise where
the vertices hardly carry the finer cells. The smaller of the two changes, place by place, is taken for the misfit.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from rigwarp.geometry import Array
from rigwarp.geometry.height_spline import HeightSpline


@dataclass(frozen=True, kw_only=True)
class SlopeMisfit:
    """1-sigma of each slope component (dimensionless), on bins of size `bin_mm` (2,) from `start_mm` (2,) on."""

    start_mm: Array
    bin_mm: Array
    sigma: Array

    def at(self, x_mm: Array, y_mm: Array) -> Array:
        """(N,) at points (N,), linear between the bins' middles; beyond them that of the nearest."""
        place = [(a - s) / b - 0.5 for a, s, b in zip((x_mm, y_mm), self.start_mm, self.bin_mm, strict=True)]
        return np.asarray(ndimage.map_coordinates(self.sigma, place, order=1, mode="nearest"))


def slope_misfit(spline: HeightSpline, others: Sequence[HeightSpline], points_mm: Array) -> SlopeMisfit:
    """Misfit of `spline` from fits of the same points (N, 2+) with other cells, in bins of the spline's own cells."""
    x, y = points_mm[:, 0], points_mm[:, 1]
    own = spline.gradient(x, y)
    low, high = points_mm[:, :2].min(axis=0), points_mm[:, :2].max(axis=0)
    shape = np.maximum(np.rint((high - low) / spline.cell_mm), 1.0).astype(int)
    size = (high - low) / shape
    cell = np.minimum(((points_mm[:, :2] - low) / size).astype(int), shape - 1)
    number = cell[:, 0] * shape[1] + cell[:, 1]
    count = np.bincount(number, minlength=shape.prod())
    least = np.full(shape.prod(), np.inf)
    for other in others:
        change = np.sum((other.gradient(x, y) - own) ** 2, axis=1) / 2.0
        least = np.minimum(least, np.bincount(number, weights=change, minlength=len(least)) / np.maximum(count, 1))
    sigma = np.sqrt(least).reshape(shape)
    empty = (count == 0).reshape(shape)
    if empty.any():
        nearest = ndimage.distance_transform_edt(empty, sampling=size, return_distances=False, return_indices=True)
        sigma = sigma[tuple(nearest)]
    return SlopeMisfit(start_mm=low, bin_mm=size, sigma=sigma)
