"""Polynomials of a place in a plane."""

import numpy as np

from rigwarp.geometry.arrays import Array


def plane_powers(xy: Array, order: int) -> Array:
    """(N, k) products x^i y^j at places (N, 2) up to a total order: 10 for a cubic."""
    return _products(xy, order, 0, 0)


def plane_slopes(xy: Array, order: int) -> tuple[Array, Array]:
    """(N, k) derivatives of `plane_powers` by x, and by y."""
    return _products(xy, order, 1, 0), _products(xy, order, 0, 1)


def _products(xy: Array, order: int, by_x: int, by_y: int) -> Array:
    x, y = xy.T
    powers = [(i, j) for i in range(order + 1) for j in range(order + 1 - i)]
    return np.stack([i**by_x * j**by_y * x ** max(i - by_x, 0) * y ** max(j - by_y, 0) for i, j in powers], axis=-1)
