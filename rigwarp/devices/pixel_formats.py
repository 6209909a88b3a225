"""Pictures of machine-vision cameras from the bytes that they send, by the names of their pixel formats.

EMVA, Pixel Format Naming Convention 2.1 (Mono12, BayerRG12, Mono12p); GigE Vision's own Mono12Packed.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.files.raw_photo import green_alone
from rigwarp.geometry import BoolArray, Photo

_NAME = re.compile(r"(?:Mono|Bayer(RG|GR|GB|BG))(8|10|12|14|16)((?<=12)(?:p|Packed)|)")


@dataclass(frozen=True, kw_only=True)
class PixelFormat:
    """How a camera sends its picture.

    Attributes
    ----------
    bits : of each sample.
    packing : "" for samples of whole bytes, "p" or "Packed" for two of 12 bits in three bytes.
    colours : of the first two rows' first two pixels ("RGGB"); "" for a camera without colours.
    """

    name: str
    bits: int
    packing: str
    colours: str

    def photo(self, data: NDArray[np.uint8], size: tuple[int, int]) -> Photo:
        """(height, width) of 8 bits, or of 16 of which the lower `bits` are used; a mosaic's green light alone."""
        width, height = size
        samples = _unpacked(data, self.packing) if self.packing else data.view(np.uint8 if self.bits == 8 else "<u2")
        picture = samples[: width * height].reshape(height, width)
        if not self.colours:
            return picture
        green: BoolArray = np.array([colour == "G" for colour in self.colours]).reshape(2, 2)
        most = (1 << self.bits) - 1
        light, burnt = green_alone(picture.astype(np.float32), picture >= most, green)
        return np.where(burnt, most, np.rint(light)).astype(picture.dtype)


def best_format(names: Iterable[str]) -> PixelFormat | None:
    """The one that tells most of grey light: without colours, of most bits, in whole bytes; None if there is none."""
    known = [found for found in map(_format_of, names) if found is not None]
    return max(known, key=lambda one: (not one.colours, one.bits, not one.packing), default=None)


def _format_of(name: str) -> PixelFormat | None:
    found = _NAME.fullmatch(name)
    if found is None:
        return None
    first, bits, packing = found.groups(default="")
    second = {"RG": "GB", "GR": "BG", "GB": "RG", "BG": "GR"}.get(first, "")
    return PixelFormat(name=name, bits=int(bits), packing=packing, colours=first + second)


def _unpacked(data: NDArray[np.uint8], packing: str) -> NDArray[np.uint16]:
    """Two samples of 12 bits from each three bytes: lowest bits first ("p"), or the highest eight of each outside."""
    first, both, second = data[: data.size // 3 * 3].reshape(-1, 3).astype(np.uint16).T
    if packing == "p":
        pair = (first | (both & 15) << 8, both >> 4 | second << 4)
    else:
        pair = (first << 4 | both & 15, second << 4 | both >> 4)
    return np.stack(pair, axis=-1).ravel()
