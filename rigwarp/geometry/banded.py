"""Symmetric positive definite matrices with a narrow band: Cholesky factor, solution, and the inverse within the band.

Bands are stored (n, width + 1): row j holds column j of the lower triangle, the diagonal first. That is LAPACK's own
order, so that it works in place, where SciPy's `cholesky_banded` copies twice.
"""

import numpy as np
from numpy.lib.stride_tricks import as_strided
from scipy.linalg import LinAlgError, solve_triangular
from scipy.linalg.lapack import dpbtrf, dpbtrs

from rigwarp.geometry.arrays import Array, IntArray

_BLOCK = 32  # columns of the inverse found together: enough for matrix products


def cholesky_in_place(band: Array) -> Array:
    """The band of the lower Cholesky factor, in place of the matrix's own (n, width + 1).

    Raises
    ------
    LinAlgError
        The matrix is not positive definite to the digits of a float, or holds NaN.
    """
    factor, info = dpbtrf(band.T, lower=1, overwrite_ab=1)
    if info or not np.isfinite(factor[0]).all():
        raise LinAlgError("the banded matrix is not positive definite")
    return np.asarray(factor.T)


def solve(factor: Array, right: Array) -> Array:
    """(n, k) solutions of A x = right (n, k), given the band of A's Cholesky factor."""
    return np.asarray(dpbtrs(factor.T, right, lower=1)[0])


def inverse_entries(factor: Array, offsets: IntArray) -> Array:
    """(n, k) entries of A^-1 at [j + offset, j] for offsets (k,) within the band, given that of A's Cholesky factor.

    Takahashi, Fagan and Chen's recursion (1973), block by block from the last column to the first: with the blocks
    L = [D; B] of some columns on and below the diagonal and Z the inverse's entries for the rows of B, the inverse has
    there -Z G and D^-T D^-1 + G^T Z G, where G = B D^-1. Zero where j + offset is past the last row.
    """
    size, width = factor.shape[0], factor.shape[1] - 1
    found = np.zeros((size, len(offsets)))
    side = 3 * width + 2 * _BLOCK
    room = np.zeros((side, side))  # the inverse's entries for the rows from the last block on stand at [at:, at:]
    at = side
    for end in range(size, 0, -_BLOCK):
        start = max(0, end - _BLOCK)
        count, reach = end - start, min(width, size - end)
        if at < count:
            room[-width:, -width:] = room[at : at + width, at : at + width]
            at = side - width
        block = np.zeros((count + width, count))
        columns = as_strided(block, (count, width + 1), ((count + 1) * block.itemsize, count * block.itemsize))
        columns[:] = factor[start:end]
        across = solve_triangular(block[:count], np.eye(count), lower=True, check_finite=False)
        leads = block[count : count + reach] @ across
        aside = -(room[at : at + reach, at : at + reach] @ leads)
        first = at - count
        room[first:at, first:at] = across.T @ across - leads.T @ aside
        room[at : at + reach, first:at], room[first:at, at : at + reach] = aside, aside.T
        column = np.arange(count)[:, None]
        rows = np.minimum(first + column + offsets, at + reach - 1)
        found[start:end] = np.where(start + column + offsets < size, room[rows, first + column], 0.0)
        at = first
    return found
