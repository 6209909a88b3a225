"""Raw photographs of stills and board cameras: DNG whose samples OpenCV can unpack, as linear light.

A DNG is a TIFF whose samples stand in a directory that OpenCV passes over, behind a small preview. Pointed there, and
told that the samples are grey, it unpacks them. Adobe, Digital Negative Specification 1.6; TIFF 6.0.
"""

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.files.pictures import MOST_PIXELS
from rigwarp.files.reading import read_bytes
from rigwarp.geometry import Photo

_PHOTOMETRIC, _SUB_IFDS, _BITS, _PATTERN, _BLACK, _WHITE = 262, 330, 258, 33422, 50714, 50717
_WIDTH, _HEIGHT = 256, 257
_CFA, _LINEAR_RAW, _GREY = 32803, 34892, 1
_GREEN = 1  # of CFAPattern: 0 red, 1 green, 2 blue
_TYPES: Final = {1: "B", 3: "H", 4: "I", 5: "II", 10: "ii"}  # TIFF's field types that these tags have
_MOST_DIRECTORIES = 20
_WHAT_TO_SET = (
    "set the camera's raw pictures to uncompressed DNG, or let its command write TIFF of 16 bits, PNG or JPEG"
)


def read_raw_photo(path: Path) -> Photo:
    """The green light of a raw photograph, (H, W) uint16, linear: black is 0, burnt out is 65535.

    Under red and blue filters it is the mean of the four green neighbours, which moves nothing; noise there is half.

    Raises
    ------
    InputError
        If it is damaged, or packed in a way that OpenCV does not unpack.
    """
    data = read_bytes(path)
    raw = _raw_directory(path, data)
    samples = _samples(path, data, raw)
    bits = int(raw.of(_BITS, (16,))[0])
    black, white = float(np.mean(raw.of(_BLACK, (0,)))), float(raw.of(_WHITE, ((1 << bits) - 1,))[0])
    if samples.dtype == np.uint16 and bits < 16 and bits != 8:
        samples = samples >> np.uint16(16 - bits)  # OpenCV puts 10, 12 and 14 bits at the top of 16
    burnt = samples >= white
    light = np.clip((samples.astype(np.float32) - np.float32(black)) / np.float32(max(white - black, 1.0)), 0.0, 1.0)
    pattern = raw.of(_PATTERN, ())
    if len(pattern) == 4:
        green = np.resize(np.reshape(pattern, (2, 2)) == _GREEN, (2, 2))
        light, burnt = green_alone(light, burnt, green)
    photo: NDArray[np.uint16] = np.rint(light * 65535.0).astype(np.uint16)
    photo[burnt] = 65535
    return photo


def green_alone(light: NDArray[np.float32], burnt: NDArray[np.bool_], green: NDArray[np.bool_]) -> tuple[Any, Any]:
    """Light and burnt pixels (H, W) as those behind green filters tell; `green` (2, 2) says which ones these are."""
    height, width = light.shape
    here = np.tile(green, (height // 2 + 1, width // 2 + 1))[:height, :width]
    cross = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], np.float32) / 4.0
    # mirrored at the rim, where the neighbour outside has the colour of the one inside
    around = cv2.filter2D(light, -1, cross, borderType=cv2.BORDER_REFLECT_101)
    near = cv2.filter2D(burnt.astype(np.float32), -1, cross, borderType=cv2.BORDER_REFLECT_101) > 0
    return np.where(here, light, around), np.where(here, burnt, near)


@dataclass(frozen=True, kw_only=True)
class _Directory:
    """Where a directory of a TIFF stands, and the places and values of its tags."""

    offset: int
    order: str
    tags: dict[int, tuple[int, tuple[float, ...]]]

    def of(self, tag: int, otherwise: tuple[float, ...]) -> tuple[float, ...]:
        return self.tags[tag][1] if tag in self.tags else otherwise


def _raw_directory(path: Path, data: bytes) -> _Directory:
    """The directory of the full-size samples behind colour filters, or of linear grey."""
    try:
        order = {b"II": "<", b"MM": ">"}[data[:2]]
        waiting: list[int] = [struct.unpack_from(f"{order}I", data, 4)[0]]
        seen: set[int] = set()
        while waiting and len(seen) < _MOST_DIRECTORIES:
            offset = waiting.pop(0)
            if offset == 0 or offset in seen:
                continue
            seen.add(offset)
            found, following = _directory(data, offset, order)
            if found.of(_PHOTOMETRIC, ())[:1] in ((_CFA,), (_LINEAR_RAW,)):
                return found
            waiting += [int(sub) for sub in found.of(_SUB_IFDS, ())] + [following]
    except (KeyError, struct.error, OverflowError):
        pass
    raise InputError(f"{path}: found no raw samples in it, expected a DNG. It may be cut off; else {_WHAT_TO_SET}.")


def _directory(data: bytes, offset: int, order: str) -> tuple[_Directory, int]:
    (count,) = struct.unpack_from(f"{order}H", data, offset)
    tags = {}
    for place in range(offset + 2, offset + 2 + 12 * count, 12):
        tag, kind, number = struct.unpack_from(f"{order}HHI", data, place)
        if kind in _TYPES and number <= 64:
            form = f"{order}{number * len(_TYPES[kind])}{_TYPES[kind][0]}"
            inside = struct.calcsize(form) <= 4
            at = place + 8 if inside else struct.unpack_from(f"{order}I", data, place + 8)[0]
            values = struct.unpack_from(form, data, at)
            if len(_TYPES[kind]) == 2:  # rationals
                values = tuple(a / max(b, 1) for a, b in zip(values[::2], values[1::2], strict=True))
            tags[tag] = (place, values)
    (following,) = struct.unpack_from(f"{order}I", data, offset + 2 + 12 * count)
    return _Directory(offset=offset, order=order, tags=tags), following


def _samples(path: Path, data: bytes, raw: _Directory) -> Photo:
    size = [int(raw.of(tag, (0,))[0]) for tag in (_WIDTH, _HEIGHT)]
    if not 0 < size[0] * size[1] <= MOST_PIXELS:
        raise InputError(f"{path}: found {size[0]} x {size[1]} pixels, expected at most {MOST_PIXELS // 10**6} million")
    grey = bytearray(data)
    struct.pack_into(f"{raw.order}I", grey, 4, raw.offset)
    struct.pack_into(f"{raw.order}H", grey, raw.tags[_PHOTOMETRIC][0] + 8, _GREY)
    try:
        samples = cv2.imdecode(np.frombuffer(grey, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error:
        samples = None
    if samples is None or samples.ndim != 2 or samples.dtype not in (np.uint8, np.uint16):
        raise InputError(f"{path}: its raw samples are packed in a way that cannot be read: {_WHAT_TO_SET}.")
    return cast(Photo, samples)
