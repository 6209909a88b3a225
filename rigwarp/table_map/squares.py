"""Sums over squares of the projector picture, of millions of samples."""

import numpy as np

from rigwarp.geometry import Array
from rigwarp.geometry.threads import in_two_threads

_FEW = 1 << 16  # not worth a thread


def sums_over_squares(
    pixels_px: Array, square_px: float, picture: tuple[int, ...], *values: Array | None
) -> list[Array]:
    """(rows, columns) sums of each of the values (N,) at (N, 2) pixels; of None, how many there are.

    What lies outside the picture (H, W) counts in its outermost squares.
    """
    rows, columns = (int(np.ceil(n / square_px)) for n in picture[:2])

    def of(part: slice) -> list[Array]:
        # towards zero, which is where what lies before the first square goes anyway
        column, row = (
            np.clip(((along + 0.5) / square_px).astype(np.int64), 0, last - 1)
            for along, last in zip(pixels_px[part].T, (columns, rows), strict=True)
        )
        index = row * columns + column
        sums = [np.bincount(index, None if one is None else one[part], rows * columns) for one in values]
        return [np.asarray(one, float) for one in sums]

    half = max(_FEW, -(-len(pixels_px) // 2))  # no more parts: a picture of sums for each takes memory
    parts = in_two_threads(of, [slice(begin, begin + half) for begin in range(0, max(len(pixels_px), 1), half)])
    return [np.asarray(sum(found)).reshape(rows, columns) for found in zip(*parts, strict=True)]
