"""The renderer for machines without a usable GPU: OpenCV's remap in linear light."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.live.picture import Picture, checked, light_of_codes
from rigwarp.live.sampling import SampleMap, sample_map, tap_positions
from rigwarp.prewarp import Prewarp
from rigwarp.rig import Transfer
from rigwarp.rig.transfer import encode_transfer

_NO_MAP: Any = None  # OpenCV's stubs ask for an array here; an empty one gives NaN in OpenCV 5.0
_ROW_PX = 1024
"""Scattered pixels are laid out in rows of this length: remap allows no side of 32768 or more."""
_KEPT_BITS = 13
"""Mantissa bits of the light that the encoding table looks at: steps of 2^-13, 0.014 codes at gamma 2.2."""
_DROPPED_BITS = 23 - _KEPT_BITS


@dataclass(frozen=True, kw_only=True)
class _Group:
    """Projector pixels with one number of taps."""

    where: tuple[NDArray[np.intp], ...]
    taps: list[NDArray[np.float32]]
    gain: NDArray[np.float32]


class CpuRenderer:
    """`Renderer` on the CPU; the sampling positions are kept while the picture's size stays the same."""

    def __init__(self, prewarp: Prewarp) -> None:
        self._prewarp = prewarp
        self._light = light_of_codes().astype(np.float32)
        self._codes = _encoding_table(prewarp.transfer)
        self._size: tuple[int, int] | None = None
        self._groups: list[_Group] = []

    def render(self, picture: Picture) -> Picture:
        """See `Renderer`."""
        picture = checked(picture)
        size = (picture.shape[1], picture.shape[0])
        if size != self._size:
            self._groups = _groups(sample_map(self._prewarp, size))
            self._size = size
        light: NDArray[np.float32] = np.asarray(cv2.LUT(np.ascontiguousarray(picture), self._light), np.float32)
        width, height = self._prewarp.projector_resolution
        frame = np.zeros((height, width, 3), np.uint8)
        for group in self._groups:
            frame[group.where] = self._codes[_table_index(_gathered(light, group))]
        return frame

    def close(self) -> None:
        """Nothing to free."""


def _groups(samples: SampleMap) -> list[_Group]:
    """Lit projector pixels by their number of taps, positions laid out as remap wants them."""
    found = []
    for taps in np.unique(samples.taps[samples.gain > 0]):
        where = np.nonzero((samples.taps == taps) & (samples.gain > 0))
        rows = -(-where[0].size // _ROW_PX)
        laid_out = []
        for position in tap_positions(samples, where, int(taps)):
            padded = np.zeros((rows * _ROW_PX, 2), np.float32)
            padded[: len(position)] = position
            laid_out.append(padded.reshape(rows, _ROW_PX, 2))
        gain = samples.gain[where] / np.float32(taps) ** 2
        found.append(_Group(where=where, taps=laid_out, gain=gain[:, None]))
    return found


def _gathered(light: NDArray[np.float32], group: _Group) -> NDArray[np.float32]:
    """Linear light of a group's pixels, gain applied; (N, 3) float32."""
    total = np.zeros((*group.taps[0].shape[:2], 3), np.float32)
    for positions in group.taps:
        sample = cv2.remap(light, positions, _NO_MAP, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        cv2.add(total, sample, dst=total)
    return total.reshape(-1, 3)[: len(group.gain)] * group.gain


def _table_index(light: NDArray[np.float32]) -> NDArray[np.uint32]:
    """The upper bits of the float itself: an index whose steps grow with the light, as the eye's and the code's do."""
    bits = np.ascontiguousarray(np.minimum(light, np.float32(1.0))).view(np.uint32)
    return np.right_shift(bits, np.uint32(_DROPPED_BITS))


def _encoding_table(transfer: Transfer) -> NDArray[np.uint8]:
    """8-bit projector codes by `_table_index`, for light 0 .. 1."""
    count = int(_table_index(np.ones(1, np.float32))[0]) + 1
    index = np.arange(count, dtype=np.uint32) << _DROPPED_BITS
    middle = (index + (np.uint32(1) << (_DROPPED_BITS - 1))).view(np.float32)
    middle[0] = 0.0
    return np.round(encode_transfer(middle.astype(np.float64), transfer) * 255.0).astype(np.uint8)
