"""Drawing a tile whose pixels have one tap each: seven operations of OpenCV on arrays that were laid out beforehand.

After each of them the caches hold pixels and nothing of Python: every object that has to be looked up or made in
between is slow, and meanwhile the other threads wait for Python's lock.
"""

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.live.render.picture import Picture
from rigwarp.live.render.tiles import FULL, Layout, Tile

NO_MAP: Any = None  # OpenCV's stubs ask for an array here; an empty one gives NaN in OpenCV 5.0


@dataclass(frozen=True, kw_only=True)
class OneTapTile(Tile):
    """A tile and the arrays of one thread: two blocks of memory, each read to write the other.

    Attributes
    ----------
    positions : (h, w, 2) float32, counted in the source.
    codes, code_pairs : (sh, sw, 4) uint8 codes of the source, and the same bytes as (sh, 2 sw) pairs.
    light, light_pairs : (sh, sw, 4) uint16 light of the source, 0 .. 65535, and the same as (sh, 2 sw) pairs.
    sampled : (h, w, 4) uint16.
    colours, factors : (h, w, 3) uint16, and of the gain's kind.
    """

    positions: NDArray[np.float32]
    codes: NDArray[np.uint8]
    code_pairs: NDArray[np.uint16]
    light: NDArray[np.uint16]
    light_pairs: NDArray[np.int32]
    sampled: NDArray[np.uint16]
    colours: NDArray[np.uint16]
    factors: NDArray[Any]


def one_tap_tiles(layout: Layout) -> list[OneTapTile]:
    """The tiles of a layout that is `single`, with arrays for one thread to draw them in."""
    most = max((math.prod(shape) for tile in layout.tiles for shape in _shapes(tile)), default=0)
    floats = any(tile.gain is not None and tile.gain.dtype == np.float32 for tile in layout.tiles)
    first, second = np.empty((12 if floats else 8) * most, np.uint8), np.empty(8 * most, np.uint8)
    return [_laid_out(tile, first, second) for tile in layout.tiles]


def light_of_tile(picture: Picture, tile: OneTapTile, table: NDArray[np.int32]) -> NDArray[np.uint16]:
    """(h, w, 3) light of the tile's pixels, 0 .. 65535; `table` turns pairs of codes into pairs of light."""
    cv2.cvtColor(picture[tile.source], cv2.COLOR_RGB2RGBA, dst=tile.codes)
    cv2.LUT(tile.code_pairs, table, dst=tile.light_pairs)
    mode, border = cv2.INTER_LINEAR, cv2.BORDER_CONSTANT
    cv2.remap(tile.light, tile.positions, NO_MAP, mode, dst=tile.sampled, borderMode=border, borderValue=0)
    cv2.cvtColor(tile.sampled, cv2.COLOR_RGBA2RGB, dst=tile.colours)
    if tile.gain is not None:
        cv2.cvtColor(tile.gain, cv2.COLOR_GRAY2RGB, dst=tile.factors)
        whole = FULL if tile.gain.dtype == np.uint16 else 1
        cv2.multiply(tile.colours, tile.factors, dst=tile.colours, scale=1.0 / whole, dtype=cv2.CV_16U)
    return tile.colours


def pairs(table: NDArray[Any]) -> NDArray[Any]:
    """(65536,) what two bytes side by side turn into, two values side by side: half as many look-ups.

    `table` is (256,) uint16 or float32; the two values look like one int32 or float64.
    """
    two_bytes = np.arange(65536, dtype=np.uint16).view(np.uint8).reshape(-1, 2)
    kind = np.int32 if table.dtype == np.uint16 else np.float64
    return table[two_bytes].view(kind)[:, 0]


def _shapes(tile: Tile) -> tuple[tuple[int, int], tuple[int, int]]:
    (rows, columns), (source_rows, source_columns) = tile.window, tile.source
    source = source_rows.stop - source_rows.start, source_columns.stop - source_columns.start
    return (rows.stop - rows.start, columns.stop - columns.start), source


def _laid_out(tile: Tile, first: NDArray[np.uint8], second: NDArray[np.uint8]) -> OneTapTile:
    (height, width), (source_height, source_width) = _shapes(tile)
    codes = _view(first, (source_height, source_width, 4), np.uint8)
    light = _view(second, (source_height, source_width, 4), np.uint16)
    return OneTapTile(
        **vars(tile),
        positions=tile.groups[0].taps[0],
        codes=codes,
        code_pairs=codes.reshape(source_height, -1).view(np.uint16),
        light=light,
        light_pairs=light.reshape(source_height, -1).view(np.int32),
        sampled=_view(first, (height, width, 4), np.uint16),
        colours=_view(second, (height, width, 3), np.uint16),
        factors=_view(first, (height, width, 3), np.uint16 if tile.gain is None else tile.gain.dtype.type),
    )


def _view(block: NDArray[np.uint8], shape: tuple[int, ...], kind: type) -> NDArray[Any]:
    return block[: math.prod(shape) * np.dtype(kind).itemsize].view(kind).reshape(shape)
