"""Sums over squares of the projector picture, of millions of samples."""

import numpy as np

from rigwarp.geometry import Array
from rigwarp.geometry.threads import by_parts

_FEW = 1 << 16  # not worth a thread


def spacing_px(pixels_px: Array, picture: tuple[int, ...]) -> float:
    """About how far apart samples at (N, 2) pixels lie, where there are any: in which squares of 8 pixels of (H, W)."""
    covered = np.count_nonzero(sums_over_squares(pixels_px, 8.0, picture, None)[0])
    return float(np.sqrt(64.0 * covered / max(len(pixels_px), 1)))


def sums_over_squares(
    pixels_px: Array, square_px: float, picture: tuple[int, ...], *values: Array | None
) -> list[Array]:
    """(rows, columns) sums of each of the values (N,) at (N, 2) pixels; of None, how many there are.

    What lies outside the picture (H, W) counts in its outermost squares.
    """
    rows, columns = (int(np.ceil(n / square_px)) for n in picture[:2])

    index = np.empty(len(pixels_px), np.intp)

    def number(part: slice) -> None:
        # towards zero, which is where what lies before the first square goes anyway
        column, row = (
            np.clip(((along + 0.5) / square_px).astype(np.intp), 0, last - 1)
            for along, last in zip(pixels_px[part].T, (columns, rows), strict=True)
        )
        np.add(row * columns, column, out=index[part])

    def of(part: slice) -> list[Array]:
        sums = [np.bincount(index[part], None if one is None else one[part], rows * columns) for one in values]
        return [np.asarray(one, float) for one in sums]

    by_parts(number, len(index))
    # in halves: a picture of sums for each part takes memory
    parts = by_parts(of, len(index), at_once=max(_FEW, -(-len(index) // 2))) or [of(slice(0))]
    return [np.asarray(sum(found)).reshape(rows, columns) for found in zip(*parts, strict=True)]
