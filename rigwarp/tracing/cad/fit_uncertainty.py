"""How far a fitted height field may be off in slope: what the vertices' noise does, and what its cells cannot follow.

Scatter about a fit says nothing about a bend that the spline rounds off between vertices. What does is how much the
slopes change when the same vertices are fitted with other cells: with coarser ones by more than the fit's own misfit
(a quintic's falls with the fifth power of the cell size), with finer ones by as much of the misfit as that power says,
plus noise where the vertices hardly carry the finer cells. The smaller of the two counts, place by place.

Where all points lie on a few lines, fits differ too little instead: one cell more changes nothing if the misfit is even
and the step odd. There one and two cells more are compared, and the largest change counts.
"""

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.tracing.surfaces.spline_solve import NormalFactor

_NODES_PER_CELL, _FEWEST_NODES = 4, 20  # a spline's slope waves from cell to cell and rises within one towards the rim


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
    spline, others : the fit, and fits of the same points with other cells.
    points_mm : (N, 3)
    factor : of the fit's normal equations.
    scatter_mm : 1-sigma of a point.
    on_lines : whether the points lie on few lines, so that other fits differ too little rather than too much: then the
        largest change is taken.
    """
    low, high = points_mm[:, :2].min(axis=0), points_mm[:, :2].max(axis=0)
    bins = np.maximum(np.rint((high - low) / spline.cell_mm), 1.0).astype(int)
    left = points_mm[:, 2] - spline.value(points_mm[:, 0], points_mm[:, 1])

    def noise(x_mm: Array, y_mm: Array) -> Array:
        """Per point b A^-1 b for basis derivatives b, times the variance of a vertex."""
        covariance, variance = factor.solve(np.eye(factor.band.shape[1])), np.zeros(len(x_mm))
        for rows, where, basis in spline.by_cell(x_mm, y_mm, ((1, 0), (0, 1))):
            local = covariance[np.ix_(where, where)]
            variance[rows] = sum(np.sum(b * (local @ b), axis=0) for b in basis) / 2.0
        return scatter_mm**2 * variance

    found = noise_uncertainty(noise, points_mm, left, cells=(bins[0], bins[1]))
    into = _Bins.of(points_mm, (bins[0], bins[1]))
    choose = np.maximum if on_lines else np.minimum
    x, y = points_mm[:, 0], points_mm[:, 1]
    changes = []
    for other in others:
        change = into.mean(np.sum((other.gradient(x, y) - spline.gradient(x, y)) ** 2, axis=1) / 2.0)
        finer = float(np.min(other.cell_mm / spline.cell_mm))
        # no more than all of a fit's misfit goes when it gets smaller cells
        changes.append(change / (1.0 - finer**spline.degree if finer < 1.0 else 1.0) ** 2)
    misfit = _filled(functools.reduce(choose, changes), (high - low) / bins)
    # not the sum: the finer fit's change holds about as much noise
    return replace(found, sigma=np.maximum(found.sigma, np.sqrt(into.between(misfit, found.sigma.shape))))


def noise_uncertainty(
    variance: Callable[[Array, Array], Array],
    points_mm: Array,
    left_mm: Array,
    *,
    cells: tuple[int, int],
    bow_mm: float = 0.0,
    strays: BoolArray | None = None,
) -> SlopeUncertainty:
    """Uncertainty by the scatter of points (N, 3) alone.

    Parameters
    ----------
    variance : of a slope component at points (K,).
    points_mm : (N, 3)
    left_mm : (N,) of their heights, which may be more in some places than in others.
    cells : of the fit, along x and y.
    bow_mm : at least a bow as high over the whole face.
    strays : (N,) points that the fit left out, and which may stand on a bow one cell wide.
    """
    low, high = points_mm[:, :2].min(axis=0), points_mm[:, :2].max(axis=0)
    counts = np.maximum(_NODES_PER_CELL * np.array(cells), _FEWEST_NODES) + 1
    nodes = [np.linspace(a, b, n) for a, b, n in zip(low, high, counts, strict=True)]
    x, y = np.meshgrid(*nodes, indexing="ij")
    found = variance(x.ravel(), y.ravel()).reshape(x.shape)
    found = np.maximum(found, (bow_mm / float(np.ptp(points_mm, axis=0).max())) ** 2)
    into = _Bins.of(points_mm, cells)
    kept = np.ones(len(left_mm), bool) if strays is None else ~strays
    found *= into.between(into.unevenness(np.where(kept, left_mm, 0.0) ** 2), found.shape)
    if strays is not None:
        bow = into.around(np.where(kept, 0.0, left_mm) ** 2) / np.sum(np.square(high - low) / np.square(cells)) * 4.0
        found += into.between(bow, found.shape)
    step = np.array([n[1] - n[0] for n in nodes])
    return SlopeUncertainty(start_mm=low, step_mm=step, sigma=np.sqrt(found))


@dataclass(frozen=True, kw_only=True)
class _Bins:
    """Points sorted into (nx, ny) bins: the number (N,) of each one's, and how many lie in each."""

    number: NDArray[np.int64]
    count: Array

    @classmethod
    def of(cls, points_mm: Array, bins: tuple[int, int]) -> "_Bins":
        low = points_mm[:, :2].min(axis=0)
        size = np.ptp(points_mm[:, :2], axis=0) / bins
        cell = np.minimum(((points_mm[:, :2] - low) / size).astype(int), np.array(bins) - 1)
        number = cell[:, 0] * bins[1] + cell[:, 1]
        return cls(number=number, count=np.bincount(number, minlength=bins[0] * bins[1]).reshape(bins).astype(float))

    def between(self, values: Array, counts: tuple[int, ...]) -> Array:
        """Values (nx, ny) of the bins at so many nodes from rim to rim, linear between the bins' middles."""
        place = [np.linspace(0.0, b, n) - 0.5 for b, n in zip(self.count.shape, counts, strict=True)]
        at = np.meshgrid(*place, indexing="ij")
        return np.asarray(ndimage.map_coordinates(values, at, order=1, mode="nearest"))

    def mean(self, values: Array) -> Array:
        """(nx, ny) of values (N,), NaN without points."""
        summed = np.bincount(self.number, weights=values, minlength=self.count.size).reshape(self.count.shape)
        return np.where(self.count > 0, summed / np.maximum(self.count, 1.0), np.nan)

    def unevenness(self, values: Array) -> Array:
        """(nx, ny) by how much the values (N,) are larger than usual there and around; 1 where they are not.

        Rounding of x and y moves heights by the slope there, and a height's own grows with it: most at the rim.
        """
        usual = float(values.mean())
        return np.maximum(self.around(values) / usual, 1.0) if usual > 0.0 else np.ones(self.count.shape)

    def around(self, values: Array) -> Array:
        """(nx, ny) mean of the values (N,) there and in the bins around; 0 where there are none."""
        summed, count = (
            ndimage.uniform_filter(part, 3, mode="constant")
            for part in (np.nan_to_num(self.mean(values)) * self.count, self.count)
        )
        return np.divide(summed, count, out=np.zeros_like(count), where=count > 1e-6)


def _filled(variance: Array, size: Array) -> Array:
    """Bins without points have what the nearest one with points has."""
    empty = np.isnan(variance)
    if not empty.any():
        return variance
    nearest = ndimage.distance_transform_edt(empty, sampling=size, return_distances=False, return_indices=True)
    return np.asarray(variance[tuple(nearest)])
