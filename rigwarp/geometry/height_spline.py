"""A height field as a tensor-product B-spline: values, derivatives and the linear system that fits one."""

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import factorial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.interpolate import BSpline

from rigwarp.geometry.arrays import Array, IntArray
from rigwarp.geometry.threads import by_parts

_CHUNK = 16384  # points evaluated at a time: keeps the gathered coefficients in the processor's cache
_POINTS_AT_ONCE = 512  # of one cell, in the normal equations
_TAYLOR_ORDER = 2  # past the last knot the surface goes on with its position, slope and curvature there


@dataclass(frozen=True, kw_only=True)
class HeightSpline:
    """z(x, y) = sum_ij c_ij B_i(x) B_j(y) on uniform knots, mm.

    Attributes
    ----------
    start_mm, cell_mm : (2,) lower corner of the spline's domain and the size of its cells, along x and y.
    coefficients_mm : (nx, ny) nx - degree cells along x, ny - degree along y.

    Notes
    -----
    Beyond its domain each basis function is continued by its second-order Taylor polynomial, so that the surface goes
    on with the curvature of its border: harmless for Newton steps and for interpolation stencils that reach past a rim.
    """

    start_mm: Array
    cell_mm: Array
    coefficients_mm: Array
    degree: int

    @classmethod
    def over(
        cls, bounds_mm: tuple[tuple[float, float], tuple[float, float]], *, cells: tuple[int, int], degree: int = 5
    ) -> "HeightSpline":
        """A flat spline (all coefficients zero) over ((xmin, xmax), (ymin, ymax)) with so many cells along x and y."""
        low, high = np.array(bounds_mm, float).T
        shape = (cells[0] + degree, cells[1] + degree)
        return cls(
            start_mm=low, cell_mm=(high - low) / np.array(cells, float), coefficients_mm=np.zeros(shape), degree=degree
        )

    @property
    def cells(self) -> tuple[int, int]:
        """Number of cells along x and y."""
        nx, ny = self.coefficients_mm.shape
        return nx - self.degree, ny - self.degree

    @property
    def bounds_mm(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """((xmin, xmax), (ymin, ymax)) of the domain."""
        end = self.start_mm + self.cell_mm * np.array(self.cells)
        return (float(self.start_mm[0]), float(end[0])), (float(self.start_mm[1]), float(end[1]))

    @property
    def knots(self) -> tuple[Array, Array]:
        """Knots along x and y: uniform, `degree` of them before and after the domain."""
        steps = [np.arange(-self.degree, n + self.degree + 1) for n in self.cells]
        return (self.start_mm[0] + self.cell_mm[0] * steps[0], self.start_mm[1] + self.cell_mm[1] * steps[1])

    def with_coefficients(self, coefficients_mm: Array) -> "HeightSpline":
        """The same knots with other coefficients, (nx, ny) or flat (nx * ny,)."""
        return replace(self, coefficients_mm=np.reshape(coefficients_mm, self.coefficients_mm.shape))

    def value(self, x_mm: Array, y_mm: Array, *, nux: int = 0, nuy: int = 0) -> Array:
        """Height (or its derivative d^nux/dx^nux d^nuy/dy^nuy) at (...,) points; NaN where x or y is NaN."""
        return self._evaluate(x_mm, y_mm, ((nux, nuy),))[0]

    def on_grid(self, x_mm: Array, y_mm: Array) -> Array:
        """(M, N) heights where N places along x and M along y cross: two sparse products, far quicker than `value`."""
        return self.by_rows(x_mm, y_mm)(slice(None))

    def by_rows(self, x_mm: Array, y_mm: Array, kind: type = float) -> Callable[[slice], NDArray[Any]]:
        """`on_grid` for some of the M at a time, worked out in floats of this kind."""
        along_x, along_y = (self._along(places, axis) for axis, places in enumerate((x_mm, y_mm)))
        across: NDArray[Any] = np.ascontiguousarray((along_x @ self.coefficients_mm).T, kind)
        along_y = along_y.astype(kind)
        return lambda rows: np.asarray(along_y[rows] @ across)

    def _along(self, places_mm: Array, axis: int) -> sparse.csr_matrix:
        """(N, nx) or (N, ny) basis values at places (N,) along one axis."""
        first, (basis,) = self._basis(places_mm, axis, (0,))
        columns = first[:, None] + np.arange(self.degree + 1)
        rows = np.arange(len(first) + 1) * (self.degree + 1)
        shape = (len(first), self.coefficients_mm.shape[axis])
        return sparse.csr_matrix((basis.T.ravel(), columns.ravel(), rows), shape=shape)

    def gradient(self, x_mm: Array, y_mm: Array) -> Array:
        """(..., 2): dz/dx and dz/dy; NaN where x or y is NaN."""
        return np.stack(self._evaluate(x_mm, y_mm, ((1, 0), (0, 1))), axis=-1)

    def value_and_gradient(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """Both at once, which takes little more than either."""
        value, by_x, by_y = self._evaluate(x_mm, y_mm, ((0, 0), (1, 0), (0, 1)))
        return value, np.stack([by_x, by_y], axis=-1)

    def design_matrix(self, x_mm: Array, y_mm: Array, *, nux: int = 0, nuy: int = 0) -> sparse.csr_matrix:
        """(N, nx * ny) basis values: `design_matrix(x, y) @ coefficients.ravel() == value(x, y)`.

        Points (N,) must be finite; they may lie outside the domain (see the class notes).
        """
        first_x, bx = self._basis(x_mm, 0, (nux,))
        first_y, by = self._basis(y_mm, 1, (nuy,))
        nx, ny = self.coefficients_mm.shape
        return product_rows((first_x, bx[0].T, nx), (first_y, by[0].T, ny))

    def normal_equations(self, x_mm: Array, y_mm: Array, z_mm: Array) -> tuple[Array, Array]:
        """(M, M) matrix and (M,) right-hand side of the least-squares fit to points (N,), M = nx * ny.

        The same as A.T @ A and A.T @ z with `design_matrix`, summed cell by cell with dense blocks, which is faster.
        """
        size = self.degree + 1
        pair_i, pair_k = np.triu_indices(size)
        pair = np.empty((size, size), int)  # B_i B_k is the same as B_k B_i: 21 products instead of 36 for a quintic
        pair[pair_i, pair_k] = pair[pair_k, pair_i] = np.arange(len(pair_i))
        matrix = np.zeros((self.coefficients_mm.size, self.coefficients_mm.size))
        right = np.zeros(self.coefficients_mm.size)
        for rows, where, (bx,), (by,) in self._cells(x_mm, y_mm):
            products = (bx[pair_i] * bx[pair_k]) @ (by[pair_i] * by[pair_k]).T
            block = products[pair[:, None, :, None], pair[None, :, None, :]]
            matrix[np.ix_(where, where)] += block.reshape(size * size, size * size)
            right[where] += ((bx * z_mm[rows]) @ by.T).ravel()
        return matrix, right

    def right_hand_side(self, x_mm: Array, y_mm: Array, z_mm: Array) -> Array:
        """(M,) the right-hand side of `normal_equations` alone."""
        right = np.zeros(self.coefficients_mm.size)
        for rows, where, (bx,), (by,) in self._cells(x_mm, y_mm):
            right[where] += ((bx * z_mm[rows]) @ by.T).ravel()
        return right

    def by_cell(
        self, x_mm: Array, y_mm: Array, orders: Sequence[tuple[int, int]]
    ) -> Iterator[tuple[IntArray, IntArray, list[Array]]]:
        """Points (N,) cell by cell: their numbers (n,), those of the coefficients that matter there (K,), and for each
        order of derivatives (nux, nuy) the (K, n) basis values: columns of `design_matrix` without its zeros.
        """
        for rows, where, bx, by in self._cells(x_mm, y_mm, (0, 1, 2)):
            values = [(bx[i][:, None] * by[k][None]).reshape(len(where), -1) for i, k in orders]
            yield rows, where, values

    def _cells(
        self, x_mm: Array, y_mm: Array, orders: tuple[int, ...] = (0,)
    ) -> Iterator[tuple[IntArray, IntArray, list[Array], list[Array]]]:
        """Per cell with points: their row numbers (n,), the coefficients that matter, basis values (K, n) in x and y of
        each order of derivatives.

        In parts of few points, so that a library's threads never wait for each other over matrices this small.
        """
        first_x, bx = self._basis(x_mm, 0, orders)
        first_y, by = self._basis(y_mm, 1, orders)
        size, ny = self.degree + 1, self.coefficients_mm.shape[1]
        corner = first_x * ny + first_y
        order = np.argsort(corner, kind="stable")
        in_x, in_y, corner = [b[:, order] for b in bx], [b[:, order] for b in by], corner[order]
        begins = np.flatnonzero(np.diff(corner, prepend=-1))
        own = (np.arange(size)[:, None] * ny + np.arange(size)).ravel()
        for begin, end in itertools.pairwise([*begins, len(order)]):
            for start in range(begin, end, _POINTS_AT_ONCE):
                part = slice(start, min(start + _POINTS_AT_ONCE, end))
                yield order[part], corner[begin] + own, [b[:, part] for b in in_x], [b[:, part] for b in in_y]

    def _evaluate(self, x_mm: Array, y_mm: Array, orders: tuple[tuple[int, int], ...]) -> list[Array]:
        x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
        results = [np.empty(x.size) for _ in orders]
        flat_x, flat_y = x.ravel(), y.ravel()
        for begin in range(0, x.size, _CHUNK):
            part = slice(begin, begin + _CHUNK)
            for result, values in zip(results, self._evaluate_chunk(flat_x[part], flat_y[part], orders), strict=True):
                result[part] = values
        return [result.reshape(x.shape) for result in results]

    def _evaluate_chunk(self, x: Array, y: Array, orders: tuple[tuple[int, int], ...]) -> list[Array]:
        nux, nuy = sorted({o[0] for o in orders}), sorted({o[1] for o in orders})
        first_x, bx = self._basis(x, 0, tuple(nux))
        first_y, by = self._basis(y, 1, tuple(nuy))
        table, ny = self.coefficients_mm.ravel(), self.coefficients_mm.shape[1]
        base = first_x * ny + first_y
        sums = {order: np.zeros(len(x)) for order in orders}
        at, c, part = np.empty_like(base), np.empty(len(x)), np.empty(len(x))  # used over and over: half the time
        for i in range(self.degree + 1):
            rows = {order: np.zeros(len(x)) for order in nuy}
            for j in range(self.degree + 1):
                table.take(np.add(base, i * ny + j, out=at), out=c, mode="clip")
                for k, order in enumerate(nuy):
                    rows[order] += np.multiply(c, by[k][j], out=part)
            for ox, oy in orders:
                sums[ox, oy] += np.multiply(bx[nux.index(ox)][i], rows[oy], out=part)
        return [sums[order] for order in orders]

    def combined(self, tables: Sequence[Array], x: Array, y: Array) -> list[Array]:
        """Each table's (nx * ny,) coefficients times the basis at (N,) points, for few enough of them at a time."""
        first_x, (bx,) = self._basis(x, 0, (0,))
        first_y, (by,) = self._basis(y, 1, (0,))
        ny = self.coefficients_mm.shape[1]
        base = first_x * ny + first_y
        sums = [np.zeros(len(x)) for _ in tables]
        at, c, product = np.empty_like(base), np.empty(len(x)), np.empty(len(x))
        for i, j in itertools.product(range(self.degree + 1), repeat=2):
            np.add(base, i * ny + j, out=at)
            np.multiply(bx[i], by[j], out=product)
            for total, table in zip(sums, tables, strict=True):
                total += np.multiply(table.take(at, out=c, mode="clip"), product, out=c)
        return sums

    def _basis(self, position_mm: Array, axis: int, orders: tuple[int, ...]) -> tuple[NDArray[np.int64], list[Array]]:
        """First non-zero basis function (N,) and, per derivative order, the (degree + 1, N) values from there on."""
        s = (np.asarray(position_mm, float) - self.start_mm[axis]) / self.cell_mm[axis]
        cells = self.cells[axis]
        inside = np.clip(s, 0.0, float(cells))
        first = np.minimum(np.fmax(inside, 0.0).astype(np.int64), cells - 1)  # of 0 and NaN fmax takes 0
        past = s - inside
        step, powers = inside - first, np.ones((self.degree + 1, len(s)))
        for power in range(self.degree):
            np.multiply(powers[power], step, out=powers[power + 1])
        bases = []
        for order in orders:
            basis = _cell_polynomials(self.degree, order) @ powers
            if np.any(past != 0.0):
                basis = basis + self._continuation(powers, past, order, basis)
            bases.append(basis / self.cell_mm[axis] ** order if order else basis)
        return first, bases

    def _continuation(self, powers: Array, past: Array, order: int, basis: Array) -> Array:
        """What to add to `basis` past the domain: the rest of the second-order Taylor polynomial of order-th rank."""
        extra = np.where(past != 0.0, -basis, 0.0) if order > _TAYLOR_ORDER else np.zeros_like(basis)
        weight = np.ones_like(past)
        for k in range(1, _TAYLOR_ORDER - order + 1):
            weight = weight * past / k
            extra = extra + _cell_polynomials(self.degree, order + k) @ powers * weight
        return extra


def values_together(splines: Sequence[HeightSpline], x_mm: Array, y_mm: Array) -> Array:
    """(..., k) what `value` says of k splines over the same knots at (...,) points: the basis is worked out once."""
    one = splines[0]
    flat_x, flat_y = np.reshape(x_mm, -1), np.reshape(y_mm, -1)
    found = np.empty((flat_x.size, len(splines)))
    tables = [spline.coefficients_mm.ravel() for spline in splines]

    def fill(part: slice) -> None:
        for i, values in enumerate(one.combined(tables, flat_x[part], flat_y[part])):
            found[part, i] = values

    by_parts(fill, flat_x.size, at_once=_CHUNK)
    return found.reshape(*np.shape(x_mm), len(splines))


def product_rows(x: tuple[IntArray, Array, int], y: tuple[IntArray, Array, int]) -> sparse.csr_matrix:
    """(N, nx * ny) products of basis values at N points along x and y.

    Of each axis: the number (N,) of the first function that is not 0 at each point, the values (N, degree + 1) from it
    on, and how many functions there are.
    """
    (first_x, bx, nx), (first_y, by, ny) = x, y
    columns = (first_x[:, None] + np.arange(bx.shape[1]))[:, :, None] * ny
    columns = columns + (first_y[:, None] + np.arange(by.shape[1]))[:, None, :]
    values = bx[:, :, None] * by[:, None, :]
    starts = np.arange(len(values) + 1) * (bx.shape[1] * by.shape[1])
    return sparse.csr_matrix((values.ravel(), columns.ravel(), starts), shape=(len(values), nx * ny))


@lru_cache
def _cell_polynomials(degree: int, order: int) -> Array:
    """(degree + 1 functions, degree + 1 powers): the uniform B-spline's pieces on one cell, in powers of s in 0..1.

    Or their derivatives of that order. Piece f belongs to the basis function that starts f - degree cells before the
    cell. Taken from scipy.interpolate.BSpline so that the recursion is not repeated here.
    """
    pieces = np.zeros((degree + 1, degree + 1))
    one = BSpline.basis_element(np.arange(degree + 2.0), extrapolate=False)
    for f in range(degree + 1):
        for power in range(degree + 1 - order):
            rank = power + order
            pieces[f, power] = (one.derivative(rank) if rank else one)(float(degree - f)) / factorial(power)
    return pieces
