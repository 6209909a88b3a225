"""Sums over squares of the projector picture, of millions of samples."""

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.geometry.threads import by_parts

_FEW = 1 << 16  # not worth a thread


class _Squares:
    """Which square of a picture (H, W) a pixel lies in, row by row numbered."""

    def __init__(self, square_px: float, picture: tuple[int, ...]) -> None:
        self._square_px = square_px
        self.rows, self.columns = (int(np.ceil(n / square_px)) for n in picture[:2])

    def number(self, pixels_px: Array) -> NDArray[np.intp]:
        """(n,) of (n, 2) pixels."""
        # towards zero, which is where what lies before the first square goes anyway
        column, row = (
            np.clip(((along + 0.5) / self._square_px).astype(np.intp), 0, last - 1)
            for along, last in zip(pixels_px.T, (self.columns, self.rows), strict=True)
        )
        return np.asarray(row * self.columns + column)


def spacing_px(pixels_px: Array, picture: tuple[int, ...]) -> float:
    """About how far apart samples at (N, 2) pixels lie, where there are any: in which squares of 8 pixels of (H, W)."""
    squares = _Squares(8.0, picture)
    covered = np.zeros(squares.rows * squares.columns, bool)

    def cover(part: slice) -> None:
        covered[squares.number(pixels_px[part])] = True

    by_parts(cover, len(pixels_px))
    return float(np.sqrt(64.0 * np.count_nonzero(covered) / max(len(pixels_px), 1)))


def sums_over_squares(
    pixels_px: Array, square_px: float, picture: tuple[int, ...], *values: Array | None
) -> list[Array]:
    """(rows, columns) sums of each of the values (N,) at (N, 2) pixels; of None, how many there are.

    What lies outside the picture (H, W) counts in its outermost squares.
    """
    squares = _Squares(square_px, picture)
    index = np.empty(len(pixels_px), np.intp)

    def number(part: slice) -> None:
        index[part] = squares.number(pixels_px[part])

    def of(part: slice) -> list[Array]:
        size = squares.rows * squares.columns
        sums = [np.bincount(index[part], None if one is None else one[part], size) for one in values]
        return [np.asarray(one, float) for one in sums]

    by_parts(number, len(index))
    # in halves: a picture of sums for each part takes memory
    parts = by_parts(of, len(index), at_once=max(_FEW, -(-len(index) // 2))) or [of(slice(0))]
    return [np.asarray(sum(found)).reshape(squares.rows, squares.columns) for found in zip(*parts, strict=True)]
