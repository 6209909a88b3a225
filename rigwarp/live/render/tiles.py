"""The frame in tiles for the CPU renderer, each with the part of the picture that it shows.

What a tile needs fits into a core's own cache: only the picture, the positions, the gain and the frame itself come from
memory or go to it, and cores never wait for one another.
"""

import functools
import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.live.render.picture import DITHER_SIDE, thresholds
from rigwarp.live.render.sampling import (
    NOWHERE_PX,
    SampleMap,
    Sampler,
    Window,
    lit_window,
    of_kind,
    sample_kinds,
    span,
    tap_positions,
    within,
)

FULL = 65535
"""Full light in 16 bits: near black one step is 1.6 code values at gamma 2.2, so rounding to it stays below one."""
CODE_PARTS = 255
"""Parts of a code value that dithering looks at; 256 would not leave room for code 255."""
MOST_PIXELS = 1 << 16
"""Of a tile and of its source. Of this and less OpenCV does an operation in one thread, and tiles have their own.

At 35 bytes for each they just fit into 2 MB. Smaller ones need not go to memory as often, but Python's lock, for
which threads wait between two operations, costs more than that saves.
"""
_LEAST_PIXELS = 1 << 12
_MOST_SAMPLES = 1 << 17
"""At 29 bytes for each they take 4 MB: those of a whole frame would be most of a player's memory."""
_SHAPES = (8, 2)
"""Width to height, at most. Wide tiles have few rows, and shorter ones smaller sources where the picture is turned."""
_ROW_PIXELS = 250
"""Beginning a row of a tile or of its source costs as much time as turning so many pixels into light."""
_WORTH = 4.0
"""How many times every pixel of the picture may be turned into light before it is better done once, in memory."""


@dataclass(frozen=True, kw_only=True)
class Group:
    """Pixels of a tile that are sampled in the same way; the others' positions lie outside the picture."""

    window: Window
    taps: list[NDArray[np.float32]]
    cubic: bool


@dataclass(frozen=True, kw_only=True)
class Tile:
    """A window of the frame.

    Attributes
    ----------
    window : rows and columns of the frame.
    source : rows and columns of the picture that the groups' positions are counted in.
    groups : how the pixels are sampled.
    gain : (h, w) float32 factor on the sum over the taps; of a `single` layout None for 1, and where
        `products_are_rounded` uint16 with FULL as 1.
    """

    window: Window
    source: Window
    groups: list[Group]
    gain: NDArray[Any] | None


@dataclass(frozen=True, kw_only=True)
class Layout:
    """The frame's lit tiles, with everything that does not depend on the picture.

    Attributes
    ----------
    tiles : what no tile covers is black.
    single : every pixel has one bilinear tap, and the tiles are `apart`.
    apart : every tile has a source of its own; otherwise it is the whole picture, theirs would overlap too much.
    covers : the tiles leave nothing out.
    pattern : (h, w, 3) for dithering, in parts of a code value, with room for any tile wherever it begins.
    """

    tiles: list[Tile]
    single: bool
    apart: bool
    covers: bool
    pattern: NDArray[np.uint16]

    def threshold(self, window: Window) -> NDArray[np.uint16]:
        """(h, w, 3) what dithering goes by in a window of the frame."""
        (top, height), (left, width) = ((part.start % DITHER_SIDE, _length(part)) for part in window)
        return self.pattern[top : top + height, left : left + width]


def layout_of(sampler: Sampler) -> Layout:
    """Lay out tiles for drawing with these samples, of which no more than a few tiles' are there at a time."""
    picture = slice(0, sampler.picture_size[1]), slice(0, sampler.picture_size[0])
    parts = _parts(lit_window(sampler.gain))
    tiles = [tile for part in parts for tile in _tiles(sampler.samples(part), part, None)]
    apart = sum(_area(tile.source) for tile in tiles) <= _WORTH * _area(picture)
    if not apart:
        tiles = [tile for part in parts for tile in _tiles(sampler.samples(part), part, picture)]
    single = apart and all(len(group.taps) == 1 and not group.cubic for tile in tiles for group in tile.groups)
    rows, columns = (max((_length(tile.window[axis]) for tile in tiles), default=0) + DITHER_SIDE for axis in (0, 1))
    pattern = np.floor(thresholds((rows, columns)) * CODE_PARTS).astype(np.uint16)
    return Layout(
        tiles=[_of_one_tap(tile) for tile in tiles] if single else tiles,
        single=single,
        apart=apart,
        covers=sum(_area(tile.window) for tile in tiles) == sampler.gain.size,
        pattern=np.repeat(pattern[..., None], 3, axis=2),
    )


def _parts(window: Window) -> list[Window]:
    """A window in parts whose samples may be there at a time."""
    if _area(window) <= _MOST_SAMPLES:
        return [window]
    return [part for half in _halves(window, _SHAPES[0]) for part in _parts(half)]


def _tiles(samples: SampleMap, part: Window, source: Window | None) -> list[Tile]:
    """The tiles of a part of the frame, with this source or each its own."""
    whole = slice(0, samples.gain_root.shape[0]), slice(0, samples.gain_root.shape[1])
    if source is None:
        found = min((_split(samples, whole, MOST_PIXELS, wide) for wide in _SHAPES), key=_cost)
    else:
        found = [(window, source) for window, _ in _split(samples, whole, _area(source), _SHAPES[0])]
    return [_tile(samples, window, own_source, part) for window, own_source in found]


def _cost(found: list[tuple[Window, Window]]) -> int:
    """What sources and rows cost, in pixels turned into light."""
    return sum(_area(source) + _ROW_PIXELS * (_length(window[0]) + _length(source[0])) for window, source in found)


def _split(samples: SampleMap, window: Window, most_source: int, wide: int) -> list[tuple[Window, Window]]:
    """The lit parts of a window and their sources, each small enough."""
    lit = samples.gain_root[window] > 0
    rows, columns = span(lit.any(axis=1)), span(lit.any(axis=0))
    if rows is None or columns is None:
        return []
    window = within((rows, columns), window)
    pixels = _area(window)
    if pixels <= MOST_PIXELS:
        source = _source(samples, window)
        if source is None:
            return []
        if pixels <= _LEAST_PIXELS or _area(source) <= most_source:
            return [(window, source)]
    return [found for half in _halves(window, wide) for found in _split(samples, half, most_source, wide)]


def _source(samples: SampleMap, window: Window) -> Window | None:
    """The part of the picture that goes into a window of the frame; None when that shows only what is beside it."""
    lit = samples.gain_root[window] > 0
    position_px, step_px = samples.position_px[window], samples.step_px[window]
    half = [(samples.taps[window][..., along][lit].max() - 1) / 2 for along in (0, 1)]
    beyond = 1 if samples.cubic[window].any() else 0
    spans = []
    for axis, size in enumerate(samples.picture_size):
        # no tap is further off than the longest step, most often taken, along either axis
        reach_px = sum(n * np.abs(step_px[..., axis, along][lit]).max() for along, n in enumerate(half) if n)
        along_axis = position_px[..., axis][lit]
        first = math.floor(along_axis.min() - reach_px) - beyond
        last = math.floor(along_axis.max() + reach_px) + 1 + beyond  # bilinear looks at the next pixel too
        spans.append(slice(max(first, 0), min(last + 1, size)))
    columns, rows = spans
    return (rows, columns) if _length(rows) > 0 and _length(columns) > 0 else None


def _of_one_tap(tile: Tile) -> Tile:
    """A tile as a `single` layout has it."""
    gain = tile.gain
    if gain is None or (gain[gain > 0] == 1).all():
        return replace(tile, gain=None)
    return replace(tile, gain=np.round(gain.astype(float) * FULL).astype(np.uint16)) if products_are_rounded() else tile


@functools.cache
def products_are_rounded() -> bool:
    """Whether OpenCV rounds scaled products of 16-bit numbers; on arm64 it cuts them off, near black worth two codes.

    Products with a float are rounded everywhere, and take twice as long.
    """
    threes = np.full((1, 64), 3, np.uint16)
    return bool((cv2.multiply(threes, threes, scale=0.3) == 3).all())


def _tile(samples: SampleMap, window: Window, source: Window, part: Window) -> Tile:
    return Tile(
        window=within(window, part),
        source=source,
        groups=_groups(samples, window, np.array([source[1].start, source[0].start], np.float32)),
        gain=samples.gain_of(window) / samples.taps[window].prod(axis=-1, dtype=np.float32),
    )


def _groups(samples: SampleMap, window: Window, origin_px: NDArray[np.float32]) -> list[Group]:
    """The pixels of a window by how they are sampled; a group that is alone covers the whole window."""
    kinds = sample_kinds(samples, window)
    found = []
    for kind in kinds:
        own = of_kind(samples, kind, window)
        rows, columns = slice(0, own.shape[0]), slice(0, own.shape[1])
        if len(kinds) > 1:
            rows, columns = span(own.any(axis=1)) or rows, span(own.any(axis=0)) or columns
        inner = own[rows, columns]
        own_rows, own_columns = np.nonzero(own)
        where = own_rows + window[0].start, own_columns + window[1].start
        laid_out = []
        for position in tap_positions(samples, where, kind[:2]):
            field = np.full((*inner.shape, 2), NOWHERE_PX, np.float32)
            field[inner] = position - origin_px  # exact: multiples of 1/256 less whole numbers
            laid_out.append(field)
        found.append(Group(window=(rows, columns), taps=laid_out, cubic=kind[2]))
    return found


def _halves(window: Window, wide: int) -> tuple[Window, Window]:
    rows, columns = window
    if _length(rows) * wide >= _length(columns) and _length(rows) > 1:
        middle = (rows.start + rows.stop) // 2
        return (slice(rows.start, middle), columns), (slice(middle, rows.stop), columns)
    middle = (columns.start + columns.stop) // 2
    return (rows, slice(columns.start, middle)), (rows, slice(middle, columns.stop))


def _length(part: slice) -> int:
    return int(part.stop - part.start)


def _area(window: Window) -> int:
    return _length(window[0]) * _length(window[1])
