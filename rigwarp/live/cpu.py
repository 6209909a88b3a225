"""The renderer for machines without a usable GPU: OpenCV's remap in linear light.

The picture is turned into four channels of linear light, because OpenCV's remap is twice as fast on four as on three.
The frame is worked on in strips of rows that stay in the processor's cache, each cut to the columns that are lit.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.live.dither import thresholds
from rigwarp.live.picture import Picture, checked
from rigwarp.live.sampling import SampleMap, cubic_weights, of_kind, sample_kinds, tap_positions
from rigwarp.live.warp import Warp, as_warp
from rigwarp.prewarp import Prewarp
from rigwarp.rig import Transfer
from rigwarp.rig.transfer import encode_transfer

_Piece = TypeVar("_Piece")
_NO_MAP: Any = None  # OpenCV's stubs ask for an array here; an empty one gives NaN in OpenCV 5.0
_STRIP_PIXELS = 1 << 16
"""Of this and less OpenCV does an operation in one thread: strips have threads of their own, and stay in the cache."""
_FULL = 65535
"""Full light in 16 bits: near black one step is 1.6 code values at gamma 2.2, so rounding to it stays below one."""
_NOWHERE_PX = -16.0
_NAME = "cpu"
_CODE_PARTS = 255
"""Parts of a code value that dithering looks at; 256 would not leave room for code 255."""


@dataclass(frozen=True, kw_only=True)
class _Group:
    """Pixels of a strip that are sampled in the same way; the others' positions lie outside the picture."""

    window: tuple[slice, slice]
    taps: list[NDArray[np.float32]]
    cubic: bool


@dataclass(frozen=True, kw_only=True)
class _Strip:
    """Some rows of the frame, cut to the lit columns; gain and thresholds have three equal channels."""

    window: tuple[slice, slice]
    groups: list[_Group]
    gain: NDArray[Any]
    threshold: NDArray[np.uint16]


class CpuRenderer:
    """`Renderer` on the CPU; the sampling positions are kept while the picture's size stays the same."""

    def __init__(self, prewarp: Prewarp | Warp, *, dither: bool = False) -> None:
        self._dither = dither
        self._size: tuple[int, int] | None = None
        self._strips: list[_Strip] = []
        self._averaged = False
        self._room: NDArray[Any] = np.empty((0, 0, 4), np.uint16)
        self._cores = cv2.getNumThreads()
        self._workers = ThreadPoolExecutor(self._cores, thread_name_prefix="rigwarp-cpu") if self._cores > 1 else None
        self.use(as_warp(prewarp))

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) of the projector's frame."""
        return self._warp.prewarp.projector_resolution

    def use(self, warp: Warp) -> None:
        """Draw with another warp from now on; the picture's size is looked up anew."""
        self._warp = warp
        self._size = None
        self._codes = _encoding_table(warp.prewarp.transfer, parts=_CODE_PARTS if self._dither else 1)
        light = warp.light() * _FULL
        self._light = light.astype(np.float32)
        self._light_pairs = _pairs(_rounded(light))

    def render(self, picture: Picture) -> Picture:
        """See `Renderer`."""
        picture = checked(picture)
        self._look_up((picture.shape[1], picture.shape[0]))
        light = self._light_of(picture)
        width, height = self._warp.prewarp.projector_resolution
        frame = np.zeros((height, width, 3), np.uint8)

        def draw(strip: _Strip) -> None:
            self._draw(light, strip, frame[strip.window])

        self._all(draw, self._strips)
        return frame

    def close(self) -> None:
        """End the threads."""
        if self._workers is not None:
            self._workers.shutdown()

    def _light_of(self, picture: Picture) -> NDArray[Any]:
        """(h, w, 4) light of 0 .. 65535 and a channel without meaning, a few rows at a time.

        Whole numbers for one tap; for the mean of several floats, so that it is rounded once only.
        """
        shape, kind = (*picture.shape[:2], 4), np.dtype(np.float32 if self._averaged else np.uint16)
        if self._room.shape != shape or self._room.dtype != kind:
            self._room = np.empty(shape, kind)  # kept: fresh memory costs as much as the work itself

        step = _strip_rows(shape[1])

        def turn(start: int) -> None:
            codes, room = picture[start : start + step], self._room[start : start + step]
            if self._averaged:
                cv2.cvtColor(cv2.LUT(codes, self._light), cv2.COLOR_RGB2RGBA, dst=room)
                return
            pairs = cv2.cvtColor(codes, cv2.COLOR_RGB2RGBA).reshape(len(codes), -1).view(np.uint16)
            cv2.LUT(pairs, self._light_pairs, dst=room.reshape(len(codes), -1).view(np.int32))

        self._all(turn, range(0, shape[0], step))
        return self._room

    def _all(self, work: Callable[[_Piece], None], pieces: Sequence[_Piece]) -> None:
        """Do some work on all pieces, every core on its share of them."""

        def share(first: int) -> None:
            for piece in pieces[first :: self._cores]:
                work(piece)

        if self._workers is None:
            share(0)
            return
        for _ in self._workers.map(share, range(self._cores)):
            pass  # the results are where the work has put them; an exception comes out here

    def _look_up(self, size: tuple[int, int]) -> None:
        if size == self._size:
            return
        samples = self._warp.samples(size)
        self.prepare(samples)
        self._strips, self._averaged = samples.prepared[_NAME]
        self._size = size

    @staticmethod
    def prepare(samples: SampleMap) -> None:
        """Lay out what drawing with these samples needs; from any thread, once, so that drawing need not wait."""
        if _NAME not in samples.prepared:
            averaged = any(kind != (1, 1, False) for kind in sample_kinds(samples))
            samples.prepared[_NAME] = (_strips(samples, averaged=averaged), averaged)

    def _draw(self, light: NDArray[Any], strip: _Strip, into: NDArray[np.uint8]) -> None:
        """Write the codes of one strip (rows, columns, 3)."""
        gathered = _gathered(light, strip, into.shape[:2])
        three = cv2.cvtColor(gathered, cv2.COLOR_RGBA2RGB)
        if self._averaged:
            three = cv2.multiply(three, strip.gain, dtype=cv2.CV_16U)
        else:
            cv2.multiply(three, strip.gain, dst=three, scale=1.0 / _FULL)
        dimmed = np.asarray(three, np.uint16)
        if self._dither:
            into[...] = cv2.add(cv2.LUT(dimmed, self._codes), strip.threshold) // _CODE_PARTS
        else:
            cv2.LUT(dimmed, self._codes, dst=into)


def _gathered(light: NDArray[Any], strip: _Strip, shape: tuple[int, int]) -> NDArray[Any]:
    """Sum over the taps; every pixel belongs to one group and gets zero from the others."""
    if len(strip.groups) == 1:
        return _sampled(light, strip.groups[0])
    total = np.zeros((*shape, 4), light.dtype)
    for group in strip.groups:
        part = total[group.window]
        part += _sampled(light, group)
    return total


def _sampled(light: NDArray[Any], group: _Group) -> NDArray[Any]:
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
            sample = cv2.remap(light, at, _NO_MAP, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
            row += sample * weight_u[..., :1]
        total += row * weight_v[..., 1:]
    return np.maximum(total, 0.0, out=total)


def _sum_of_taps(light: NDArray[Any], group: _Group) -> NDArray[Any]:
    total: NDArray[Any] | None = None
    for positions in group.taps:
        sample = cv2.remap(light, positions, _NO_MAP, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        total = sample if total is None else cv2.add(total, sample, dst=total)
    assert total is not None  # a group has at least one tap
    return total


def _strips(samples: SampleMap, *, averaged: bool) -> list[_Strip]:
    """The frame's lit strips, with everything that does not depend on the picture."""
    height, width = samples.gain_root.shape
    lit = samples.gain_root > 0
    threshold = np.floor(thresholds((height, width)) * _CODE_PARTS).astype(np.uint16)
    strips = []
    step = _strip_rows(width)
    for start in range(0, height, step):
        rows = slice(start, min(start + step, height))
        columns = _span(lit[rows].any(axis=0))
        if columns is None:
            continue
        window = (rows, columns)
        share = samples.gain[window] / samples.taps[window].astype(np.float32).prod(axis=-1)
        gain = share if averaged else _rounded(share.astype(np.float64) * _FULL)
        strips.append(
            _Strip(
                window=window,
                groups=_groups(samples, window),
                gain=np.ascontiguousarray(np.repeat(gain[..., None], 3, axis=2)),
                threshold=np.ascontiguousarray(np.repeat(threshold[window][..., None], 3, axis=2)),
            )
        )
    return strips


def _strip_rows(width: int) -> int:
    return max(_STRIP_PIXELS // width, 1)


def _groups(samples: SampleMap, window: tuple[slice, slice]) -> list[_Group]:
    """The pixels of a window by how they are sampled; a group that is alone covers the whole window."""
    kinds = sample_kinds(samples, window)
    found = []
    for kind in kinds:
        own = of_kind(samples, kind, window)
        rows, columns = slice(0, own.shape[0]), slice(0, own.shape[1])
        if len(kinds) > 1:
            rows, columns = _span(own.any(axis=1)) or rows, _span(own.any(axis=0)) or columns
        inner = own[rows, columns]
        where = (np.nonzero(own)[0] + window[0].start, np.nonzero(own)[1] + window[1].start)
        laid_out = []
        for position in tap_positions(samples, where, kind[:2]):
            field = np.full((*inner.shape, 2), _NOWHERE_PX, np.float32)
            field[inner] = position
            laid_out.append(field)
        found.append(_Group(window=(rows, columns), taps=laid_out, cubic=kind[2]))
    return found


def _span(used: Any) -> slice | None:
    """From the first True to the last; None when there is none."""
    numbers = np.nonzero(used)[0]
    return slice(int(numbers[0]), int(numbers[-1]) + 1) if numbers.size else None


def _rounded(values: NDArray[np.float64]) -> NDArray[np.uint16]:
    return np.round(values).astype(np.uint16)


def _pairs(table: NDArray[np.uint16]) -> NDArray[np.int32]:
    """(65536,) what two bytes side by side turn into, two values side by side: half as many look-ups."""
    two_bytes = np.arange(65536, dtype=np.uint16).view(np.uint8).reshape(-1, 2)
    return table[two_bytes].view(np.int32)[:, 0]


def _encoding_table(transfer: Transfer, *, parts: int) -> NDArray[Any]:
    """Projector codes of 16-bit light: 8 bits rounded, or `parts` of a code in 16 bits."""
    codes = encode_transfer(np.arange(_FULL + 1) / _FULL, transfer) * 255.0 * parts
    return np.round(codes).astype(np.uint8 if parts == 1 else np.uint16)
