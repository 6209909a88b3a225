"""The renderer for machines without a usable GPU: OpenCV's remap in linear light.

The picture is turned into four channels of linear light, because OpenCV's remap is twice as fast on four as on three.
The frame is worked on in tiles that stay in the processor's cache, each turning its own part of the picture into light:
in whole numbers where every pixel has one tap (`one_tap`), which is quicker, and in floats otherwise.
"""

import functools
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.live.render.one_tap import NO_MAP, OneTapTile, light_of_tile, one_tap_tiles, pairs
from rigwarp.live.render.picture import Picture, checked
from rigwarp.live.render.sampling import Window, cubic_weights
from rigwarp.live.render.tiles import CODE_PARTS, FULL, MOST_PIXELS, Group, Layout, Tile, layout_of
from rigwarp.live.render.warp import Warp, as_warp
from rigwarp.prewarp import Prewarp
from rigwarp.rig import Transfer
from rigwarp.rig.transfer import encode_transfer


class CpuRenderer:
    """`Renderer` on the CPU; the sampling positions are kept while the picture's size stays the same.

    `resolution` is (width, height) of the projector's frame.
    """

    def __init__(self, prewarp: Prewarp | Warp, *, dither: bool = False) -> None:
        self._dither = dither
        self._size: tuple[int, int] | None = None
        self._layout: Layout | None = None
        self._own_tiles: list[list[OneTapTile]] = []  # one list for every thread
        self._whole: NDArray[np.float32] = np.empty((0, 0, 4), np.float32)
        self._cores = cv2.getNumThreads()
        self._workers = ThreadPoolExecutor(self._cores, thread_name_prefix="rigwarp-cpu")
        self.use(as_warp(prewarp))

    def use(self, warp: Warp) -> None:
        """Draw with another warp from now on; the picture's size is looked up anew."""
        self._warp, self.resolution = warp, warp.prewarp.projector_resolution
        self._size = None
        self._codes = _encoding_table(warp.prewarp.transfer, parts=CODE_PARTS if self._dither else 1)
        light = warp.light() * FULL
        self._pairs_float = pairs(light.astype(np.float32))
        self._pairs_16_bit = pairs(np.round(light).astype(np.uint16))

    def render(self, picture: Picture) -> Picture:
        """See `Renderer`."""
        picture = checked(picture)
        layout = self._look_up((picture.shape[1], picture.shape[0]))
        width, height = self.resolution
        frame = (np.empty if layout.covers else np.zeros)((height, width, 3), np.uint8)
        whole = None if layout.apart else self._light_of_all(picture)

        def draw_single(number: int, thread: int) -> None:
            tile = self._own_tiles[thread][number]
            self._encode(light_of_tile(picture, tile, self._pairs_16_bit), tile.window, layout, frame)

        def draw(number: int, _: int) -> None:
            tile = layout.tiles[number]
            light = self._light_of(picture[tile.source]) if whole is None else whole
            self._encode(_averaged(light, tile), tile.window, layout, frame)

        self._all(draw_single if layout.single else draw, range(len(layout.tiles)))
        return frame

    def close(self) -> None:
        """End the threads."""
        self._workers.shutdown()

    def _light_of_all(self, picture: Picture) -> NDArray[np.float32]:
        """The whole picture's light, some rows at a time."""
        shape = (*picture.shape[:2], 4)
        if self._whole.shape != shape:
            self._whole = np.empty(shape, np.float32)  # kept: fresh memory costs as much as the work itself
        step = max(MOST_PIXELS // shape[1], 1)

        def turn(start: int, _: int) -> None:
            self._light_of(picture[start : start + step], into=self._whole[start : start + step])

        self._all(turn, range(0, shape[0], step))
        return self._whole

    def _light_of(self, codes: Picture, into: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
        """(h, w, 4) light of 0 .. 65535 and a channel without meaning; floats, so that a mean is rounded once only."""
        height, width, _ = codes.shape
        light = np.empty((height, width, 4), np.float32) if into is None else into
        code_pairs = cv2.cvtColor(codes, cv2.COLOR_RGB2RGBA).reshape(height, -1).view(np.uint16)
        cv2.LUT(code_pairs, self._pairs_float, dst=light.reshape(height, -1).view(np.float64))
        return light

    def _all(self, work: Callable[[int, int], None], pieces: range) -> None:
        """Call `work(piece, thread)` for all pieces, every thread taking the next one when it has done one."""
        left = deque(pieces)

        def share(thread: int) -> None:
            while True:
                try:
                    piece = left.popleft()
                except IndexError:
                    return
                work(piece, thread)

        others = [self._workers.submit(share, thread) for thread in range(1, self._cores)]
        share(0)
        for other in others:
            other.result()  # it is where the work has put it; an exception comes out here

    def _look_up(self, size: tuple[int, int]) -> Layout:
        if self._layout is None or size != self._size:
            self._layout = self.prepare(self._warp, size)
            single = self._layout.single
            self._own_tiles = [one_tap_tiles(self._layout) for _ in range(self._cores)] if single else []
            self._size = size
        return self._layout

    @staticmethod
    def prepare(warp: Warp, size: tuple[int, int]) -> Layout:
        """Lay out what drawing pictures of this size needs; from any thread, once, so that drawing need not wait."""
        return warp.kept(size, "cpu", layout_of)

    def _encode(self, light: NDArray[np.uint16], window: Window, layout: Layout, frame: Picture) -> None:
        """Write the codes of one tile's light (h, w, 3) into its window of the frame."""
        if self._dither:
            frame[window] = cv2.add(cv2.LUT(light, self._codes), layout.threshold(window)) // CODE_PARTS
        else:
            cv2.LUT(light, self._codes, dst=frame[window])


def _averaged(light: NDArray[np.float32], tile: Tile) -> Any:
    """(h, w, 3) uint16 light of a tile's pixels."""
    assert tile.gain is not None  # only a single layout leaves it out
    three = cv2.cvtColor(_gathered(light, tile.groups, tile.gain.shape), cv2.COLOR_RGBA2RGB)
    return cv2.multiply(three, cv2.cvtColor(tile.gain, cv2.COLOR_GRAY2RGB), dtype=cv2.CV_16U)


def _gathered(light: NDArray[np.float32], groups: list[Group], shape: tuple[int, ...]) -> Any:
    """Sum over the taps; every pixel belongs to one group and gets zero from the others."""
    if len(groups) == 1:
        return _sampled(light, groups[0])
    total = np.zeros((*shape, 4), np.float32)
    for group in groups:
        part = total[group.window]
        part += _sampled(light, group)
    return total


def _sampled(light: NDArray[Any], group: Group) -> NDArray[Any]:
    return _cubic(light, group.taps[0]) if group.cubic else _sum_of_taps(light, group)


def _cubic(light: NDArray[Any], positions: NDArray[np.float32]) -> NDArray[Any]:
    """Catmull-Rom samples: OpenCV's own cubic is another one, and in steps of 1/32 pixel."""
    corner = np.floor(positions)
    weights = cubic_weights(positions - corner)
    total = np.zeros((*positions.shape[:2], light.shape[2]), np.float32)
    for dv, weight_v in enumerate(weights, start=-1):
        row = np.zeros_like(total)
        for du, weight_u in enumerate(weights, start=-1):
            at = corner + np.array([du, dv], np.float32)
            sample = cv2.remap(light, at, NO_MAP, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
            row += sample * weight_u[..., :1]
        total += row * weight_v[..., 1:]
    return np.maximum(total, 0.0, out=total)


def _sum_of_taps(light: NDArray[Any], group: Group) -> NDArray[Any]:
    total: NDArray[Any] | None = None
    for positions in group.taps:
        sample = cv2.remap(light, positions, NO_MAP, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        total = sample if total is None else cv2.add(total, sample, dst=total)
    assert total is not None  # a group has at least one tap
    return total


@functools.cache
def _encoding_table(transfer: Transfer, *, parts: int) -> NDArray[Any]:
    """Projector codes of 16-bit light: 8 bits rounded, or `parts` of a code in 16 bits."""
    codes = encode_transfer(np.arange(FULL + 1) / FULL, transfer) * 255.0 * parts
    return np.round(codes).astype(np.uint8 if parts == 1 else np.uint16)
