"""How far a fitted height field may be off in slope: what the vertices' noise does, and what its cells cannot follow.

Scatter about a fit says nothing about a bend that the spline rounds off between vertices. What does is how much the
slopes change when the same vertices are fitted with other cells: with coarser ones by more than the fit's own misfit
(a quintic's falls with the fifth power of the cell size), with finer ones by as much of the misfit as that power says,
plus noise where the vertices hardly carry the finer cells. The smaller of the two counts, place by place.

Where all points lie on a few lines, fits differ too little instead: one cell more changes nothing if the misfit is even
and the step odd. There one and two cells more are compared, and the largest change counts.
"""

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rigwarp.geometry import Array
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.tracing.surfaces.spline_solve import NormalFactor

_NODES_PER_CELL, _FEWEST_NODES = (
    4,
    20,
)  # the variance of a spline's slope waves from cell to cell and rises within one towards the rim


@dataclass(frozen=True, kw_only=True)
class SlopeUncertainty:
    """1-sigma of each slope component (dimensionless): `sigma` (nx, ny) at nodes `step_mm` apart from `start_mm` on."""

    start_mm: Array
    step_mm: Array
    sigma: Array

    @property
    def rms(self) -> float:
        """Over all nodes."""
        return float(np.sqrt(np.mean(self.sigma**2)))

    @property
    def usual(self) -> float:
        """Median of all nodes: corners that no point is near do not count."""
        return float(np.median(self.sigma))

    def at(self, x_mm: Array, y_mm: Array) -> Array:
        """(N,) at points (N,), linear between the nodes; beyond them that of the nearest."""
        place = [(a - s) / d for a, s, d in zip((x_mm, y_mm), self.start_mm, self.step_mm, strict=True)]
        return np.asarray(ndimage.map_coordinates(self.sigma, place, order=1, mode="nearest"))


def slope_uncertainty(
    spline: HeightSpline,
    others: Sequence[HeightSpline],
    points_mm: Array,
    *,
    factor: NormalFactor,
    scatter_mm: float,
    on_lines: bool = False,
) -> SlopeUncertainty:
    """Uncertainty of a spline through points (N, 3) that scatter about it.

    Parameters
    ----------
    spline, others : the fit, and fits of the same points with other cells; none for a spline that is known to be the
        surface's own.
    points_mm : (N, 3)
    factor : of the fit's normal equations.
    scatter_mm : 1-sigma of a point.
    on_lines : whether the points lie on few lines, so that other fits differ too little rather than too much: then the
        largest change is taken.
    """
    low, high = points_mm[:, :2].min(axis=0), points_mm[:, :2].max(axis=0)
    bins = np.maximum(np.rint((high - low) / spline.cell_mm), 1.0).astype(int)
    counts = np.maximum(_NODES_PER_CELL * bins, _FEWEST_NODES) + 1
    nodes = [np.linspace(a, b, n) for a, b, n in zip(low, high, counts, strict=True)]
    x, y = np.meshgrid(*nodes, indexing="ij")
    place = [(a - s) / d * n - 0.5 for a, s, d, n in zip((x, y), low, high - low, bins, strict=True)]
    into = _Bins.of(points_mm, low, (high - low) / bins, bins)
    variance = scatter_mm**2 * _noise_variance(spline, factor, x.ravel(), y.ravel()).reshape(x.shape)
    uneven = into.unevenness((points_mm[:, 2] - spline.value(points_mm[:, 0], points_mm[:, 1])) ** 2)
    variance *= ndimage.map_coordinates(uneven, place, order=1, mode="nearest")
    if others:
        choose = np.maximum if on_lines else np.minimum
        changes = [
            _change_variance(spline, other, points_mm, into) / _share_of_misfit(spline, other) ** 2 for other in others
        ]
        misfit = _filled(functools.reduce(choose, changes), (high - low) / bins)
        # not the sum: the finer fit's change holds about as much noise
        variance = np.maximum(variance, ndimage.map_coordinates(misfit, place, order=1, mode="nearest"))
    step = np.array([n[1] - n[0] for n in nodes])
    return SlopeUncertainty(start_mm=low, step_mm=step, sigma=np.sqrt(variance))


def _noise_variance(spline: HeightSpline, factor: NormalFactor, x_mm: Array, y_mm: Array) -> Array:
    """(K,) variance of a slope component at points, per unit variance of a vertex: b A^-1 b for basis derivatives b."""
    covariance = factor.inverse()
    variance = np.zeros(len(x_mm))
    for rows, where, basis in spline.by_cell(x_mm, y_mm, ((1, 0), (0, 1))):
        local = covariance[np.ix_(where, where)]
        variance[rows] = sum(np.sum(b * (local @ b), axis=0) for b in basis) / 2.0
    return variance


def _share_of_misfit(spline: HeightSpline, other: HeightSpline) -> float:
    """What part of a fit's misfit goes when it gets smaller cells; no more than all of it."""
    finer = float(np.min(other.cell_mm / spline.cell_mm))
    return 1.0 - finer**spline.degree if finer < 1.0 else 1.0


@dataclass(frozen=True, kw_only=True)
class _Bins:
    """Points sorted into (nx, ny) bins: the number (N,) of each one's, and how many lie in each."""

    number: NDArray[np.int64]
    count: Array

    @classmethod
    def of(cls, points_mm: Array, low: Array, size: Array, bins: NDArray[np.int64]) -> "_Bins":
        cell = np.minimum(((points_mm[:, :2] - low) / size).astype(int), bins - 1)
        number = cell[:, 0] * bins[1] + cell[:, 1]
        return cls(number=number, count=np.bincount(number, minlength=int(bins.prod())).reshape(bins).astype(float))

    def mean(self, values: Array) -> Array:
        """(nx, ny) of values (N,), NaN without points."""
        summed = np.bincount(self.number, weights=values, minlength=self.count.size).reshape(self.count.shape)
        return np.where(self.count > 0, summed / np.maximum(self.count, 1.0), np.nan)

    def unevenness(self, values: Array) -> Array:
        """(nx, ny) by how much the values (N,) are larger than usual there and around; 1 where they are not.

        Rounding of x and y moves heights by the slope there, and a height's own grows with it: most at the rim.
        """
        usual = float(values.mean())
        if not usual > 0.0:
            return np.ones(self.count.shape)
        summed, count = (
            ndimage.uniform_filter(part, 3, mode="constant")
            for part in (np.nan_to_num(self.mean(values)) * self.count, self.count)
        )
        return np.maximum(np.divide(summed, usual * count, out=np.ones_like(count), where=count > 1e-6), 1.0)


def _change_variance(spline: HeightSpline, other: HeightSpline, points_mm: Array, into: _Bins) -> Array:
    """(nx, ny) mean square change of a slope component in each bin, NaN without points."""
    x, y = points_mm[:, 0], points_mm[:, 1]
    return into.mean(np.sum((other.gradient(x, y) - spline.gradient(x, y)) ** 2, axis=1) / 2.0)


def _filled(variance: Array, size: Array) -> Array:
    """Bins without points have what the nearest one with points has."""
    empty = np.isnan(variance)
    if not empty.any():
        return variance
    nearest = ndimage.distance_transform_edt(empty, sampling=size, return_distances=False, return_indices=True)
    return np.asarray(variance[tuple(nearest)])
