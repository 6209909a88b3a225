"""Polynomials of a place in a plane."""

import numpy as np

from rigwarp.geometry.arrays import Array


def exponents(order: int) -> tuple[tuple[int, int], ...]:
    """(i, j) of the products x^i y^j up to a total order: 10 for a cubic."""
    return tuple((i, j) for i in range(order + 1) for j in range(order + 1 - i))


def plane_powers(xy: Array, order: int) -> Array:
    """(N, k) products x^i y^j at places (N, 2), in the sequence of `exponents`."""
    x, y = xy.T
    return np.stack([x**i * y**j for i, j in exponents(order)], axis=-1)
