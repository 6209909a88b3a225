"""A height field as a tensor-product B-spline on knots that lie where they like."""

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from rigwarp.geometry.arrays import Array
from rigwarp.geometry.height_spline import product_rows
from rigwarp.geometry.nurbs import SplineAxis

_CHUNK = 8192  # points evaluated at a time: keeps the gathered coefficients in the processor's cache


@dataclass(frozen=True, kw_only=True)
class KnotSpline:
    """z(x, y) = sum_ij c_ij B_i(x) B_j(y), mm; coefficients (nx, ny) of the basis functions along x and y.

    Notes
    -----
    Beyond its domain it goes on with its border's slope and curvature, as `HeightSpline` does.
    """

    axes: tuple[SplineAxis, SplineAxis]
    coefficients_mm: Array

    def value(self, x_mm: Array, y_mm: Array) -> Array:
        """Height at (...,) points; NaN where x or y is NaN."""
        return self.value_and_gradient(x_mm, y_mm)[0]

    def gradient(self, x_mm: Array, y_mm: Array) -> Array:
        """(..., 2): dz/dx and dz/dy; NaN where x or y is NaN."""
        return self.value_and_gradient(x_mm, y_mm)[1]

    def value_and_gradient(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """Both at once, which takes little more than either."""
        x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
        flat_x, flat_y = x.ravel(), y.ravel()
        found = np.empty((3, x.size))
        for begin in range(0, x.size, _CHUNK):
            part = slice(begin, begin + _CHUNK)
            (rows, bx, dx), (columns, by, dy) = self.axes[0].basis(flat_x[part]), self.axes[1].basis(flat_y[part])
            near = self.coefficients_mm[
                (rows[:, None] + np.arange(bx.shape[1]))[:, :, None],
                (columns[:, None] + np.arange(by.shape[1]))[:, None, :],
            ]
            in_y, slope_y = np.einsum("nij,nj->ni", near, by), np.einsum("nij,nj->ni", near, dy)
            for row, (along, of) in enumerate(((in_y, bx), (in_y, dx), (slope_y, bx))):
                found[row, part] = np.einsum("ni,ni->n", along, of)
        return found[0].reshape(x.shape), np.moveaxis(found[1:], 0, -1).reshape(*x.shape, 2)


def design_matrix(
    axes: tuple[SplineAxis, SplineAxis], x: Array, y: Array, *, nux: int = 0, nuy: int = 0
) -> sparse.csr_matrix:
    """(N, nx * ny) basis values at finite points (N,), or a first derivative by x or y."""
    (rows, *bx), (columns, *by) = axes[0].basis(x), axes[1].basis(y)
    return product_rows((rows, bx[nux], axes[0].count), (columns, by[nuy], axes[1].count))
