"""Symmetric positive definite matrices with a narrow band: Cholesky factor, solution, and the inverse within the band.

SciPy's `cholesky_banded` and `cho_solve_banded` copy the band and keep the interpreter to themselves; here LAPACK works
in place, and other threads go on meanwhile. Bands are stored (n, width + 1): row j holds column j of the lower
triangle, the diagonal first, which is LAPACK's own order.
"""

import ctypes
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import as_strided
from scipy.linalg import LinAlgError, solve_triangular

from rigwarp.geometry.arrays import Array, IntArray

_BLOCK = 32  # columns of the inverse found together: enough for matrix products


def cholesky_in_place(band: Array) -> None:
    """Replace a band (n, width + 1) by that of its lower Cholesky factor.

    Raises
    ------
    LinAlgError
        The matrix is not positive definite to the digits of a float.
    """
    size, rows = band.shape
    if _call("dpbtrf", size, rows - 1, band, rows):
        raise LinAlgError("the banded matrix is not positive definite")


def solve(factor: Array, right: Array) -> Array:
    """(n, k) solutions of A x = right (n, k), given the band of A's Cholesky factor."""
    size, rows = factor.shape
    columns = np.array(right.T, float, order="C")
    _call("dpbtrs", size, rows - 1, len(columns), factor, rows, columns, size)
    return columns.T


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


def _call(name: str, *arguments: Any) -> int:
    """A LAPACK routine for lower bands: its `info`."""
    lower, info, kept = ctypes.c_char(b"L"), ctypes.c_int(0), []
    for argument in arguments:
        if isinstance(argument, np.ndarray):
            if argument.dtype != np.float64 or not argument.flags.c_contiguous:
                raise ValueError("bands and right-hand sides are contiguous arrays of float64")
            kept.append(ctypes.c_void_p(argument.ctypes.data))
        else:
            kept.append(ctypes.byref(ctypes.c_int(argument)))
    _routine(name)(ctypes.byref(lower), *kept, ctypes.byref(info))
    return info.value


@lru_cache
def _routine(name: str) -> Any:
    """A function of SciPy's own LAPACK, by the address that it hands out to compiled code; ctypes lets go of the
    interpreter while it runs."""
    from scipy.linalg import cython_lapack

    capsule = cython_lapack.__pyx_capi__[name]
    told, address = ctypes.pythonapi.PyCapsule_GetName, ctypes.pythonapi.PyCapsule_GetPointer
    told.restype, told.argtypes = ctypes.c_char_p, [ctypes.py_object]
    address.restype, address.argtypes = ctypes.c_void_p, [ctypes.py_object, ctypes.c_char_p]
    return ctypes.CFUNCTYPE(None, *[ctypes.c_void_p] * told(capsule).count(b"*"))(address(capsule, told(capsule)))
