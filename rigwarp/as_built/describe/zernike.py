"""Zernike terms of a deviation: which of them a footprint can tell apart, and their fit."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array
from rigwarp.geometry.zernike import Disk, osa_terms

HIGHEST_ORDER = 6
_MOST_CONDITION = 300.0  # of the functions over the footprint: beyond that, coefficients are no longer a description


@dataclass(frozen=True, kw_only=True)
class ZernikeTerm:
    """Z(n, m) with its coefficient and 1-sigma in um: the rms it has over the full disk."""

    n: int
    m: int
    um: float
    sigma_um: float


def fit_matrix(disk: Disk, xy_mm: Array) -> tuple[tuple[tuple[int, int], ...], Array]:
    """The (n, m) that the points (N, 2) can tell apart, and the (terms, N) matrix from heights to coefficients.

    Least squares, as Zernike functions are orthogonal on the full disk only; orders are left out from the top until
    the rest is well conditioned on the footprint.
    """
    for order in range(HIGHEST_ORDER, 1, -1):
        terms = osa_terms(order)
        functions = disk.functions(xy_mm, terms)
        if len(xy_mm) > 2 * len(terms) and np.linalg.cond(functions) < _MOST_CONDITION:
            break
    return terms, np.asarray(np.linalg.pinv(functions), float)
