"""The least-squares spline through a patch's points on given cells, and the factor of its normal equations."""

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from rigwarp.geometry import Array
from rigwarp.geometry.height_spline import HeightSpline

DEGREE = 5
KERNEL_MM = 1e-7
"""A CAD kernel's own idea of one place: no form is surer than that."""
BOW = 12.0  # slope at the rim of what the unknowns may bend, over half a face; roundings are no noise, so three times
_SMOOTHING = 1e-9  # share of the data's weight: decides coefficients that no point supports, moves others by < 1e-6 mm
_STIFFNESS = 1e-12  # the same for second differences, which the few vertices of a coarse strip leave open
_RIM_CELLS = 1  # added all around, so that interpolation next to the rim sees a surface that goes on smoothly
_BLOCK = 24  # columns that are eliminated at a time


@dataclass(frozen=True, kw_only=True)
class NormalFactor:
    """Lower Cholesky factor of normal equations in LAPACK's band form, (bandwidth + 1, M).

    Each basis function meets its neighbours only, so a band is much quicker than the full matrix.
    """

    band: Array

    @classmethod
    def of(cls, normal: Array, *, bandwidth: int) -> "NormalFactor":
        """Factor of a symmetric positive definite (M, M) matrix."""
        factor = _band_cholesky(normal, bandwidth)
        size = len(normal)
        band = np.zeros((bandwidth + 1, size))
        for below in range(min(bandwidth + 1, size)):
            band[below, : size - below] = np.diagonal(factor, -below)
        return cls(band=band)

    def solve(self, right: Array) -> Array:
        """Solution of the equations, (M,) or (M, K)."""
        return np.asarray(linalg.cho_solve_banded((self.band, True), right, check_finite=False))


def solve_spline(points_mm: Array, cells: tuple[int, int]) -> tuple[HeightSpline, NormalFactor]:
    """Least-squares spline through (N, 3) points with so many cells between the outermost points.

    Third differences of the coefficients are weighed in very slightly, so that cells without points (beyond the rim,
    corners of the bounding box, holes) continue their neighbours' curvature.
    """
    low, high = points_mm[:, :2].min(axis=0), points_mm[:, :2].max(axis=0)
    cell = np.maximum((high - low) / cells, 1e-3 * float((high - low).max()))
    low, high = low - _RIM_CELLS * cell, high + _RIM_CELLS * cell
    wider = (cells[0] + 2 * _RIM_CELLS, cells[1] + 2 * _RIM_CELLS)
    flat = HeightSpline.over(((low[0], high[0]), (low[1], high[1])), cells=wider, degree=DEGREE)
    x, y, z = points_mm.T
    normal, right = flat.normal_equations(x, y, z)
    weight = np.trace(normal) / len(normal)
    nx, ny = flat.coefficients_mm.shape
    for order, share in ((3, _SMOOTHING), (2, _STIFFNESS)):  # of the coefficients' differences along both axes
        dx, dy = (np.diff(np.eye(n), n=order, axis=0) for n in (nx, ny))
        normal += share * weight * (np.kron(dx.T @ dx, np.eye(ny)) + np.kron(np.eye(nx), dy.T @ dy))
    factor = NormalFactor.of(normal, bandwidth=flat.degree * (flat.coefficients_mm.shape[1] + 1))
    spline = flat.with_coefficients(factor.solve(right))
    # iterative refinement: the normal equations square the condition number
    more = factor.solve(flat.right_hand_side(x, y, z - spline.value(x, y)))
    return spline.with_coefficients(spline.coefficients_mm.ravel() + more), factor


def _band_cholesky(matrix: Array, bandwidth: int) -> Array:
    """(M, M) with the lower Cholesky factor within the band; what stands above the diagonal means nothing.

    In blocks small enough that a linear-algebra library works on them with one thread: its threads wait for each other
    actively, which on a busy machine takes twenty times as long as the work.
    """
    left = matrix.copy()
    size = len(left)
    for start in range(0, size, _BLOCK):
        stop = min(start + _BLOCK, size)
        reach = min(stop + bandwidth, size)
        corner = np.linalg.cholesky(left[start:stop, start:stop])
        left[start:stop, start:stop] = corner
        below = left[stop:reach, start:stop] @ np.linalg.inv(corner).T
        left[stop:reach, start:stop] = below
        for column in range(stop, reach, _BLOCK):
            rows = below[column - stop :]
            left[column:reach, column : column + len(rows[:_BLOCK])] -= rows @ rows[:_BLOCK].T
    return left
