"""Pictures mixed and resized in linear light, which is how eyes do it: code values would make fine detail too dark."""

import functools

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.live.render.picture import CONTENT_TRANSFER, Picture, light_of_codes
from rigwarp.rig.transfer import encode_transfer

_FULL = 65535
MOST_SIDE_PX = 4096
"""Larger pictures are reduced when they are read: no table shows more, and a GPU may not take more."""
MOST_TIMES = 2.0
"""As wide or high as the canvas: renderers average more than that only slowly, and little of it is seen."""
_BAND_ROWS = 64


def cross_fade(first: Picture, second: Picture, share: float) -> Picture:
    """Two pictures of one size mixed in linear light; share 0 is the first, 1 the second."""
    return _codes(cv2.addWeighted(_light(first), 1.0 - share, _light(second), share, 0.0))


def fitted(picture: Picture, size: tuple[int, int]) -> Picture:
    """The picture on a black canvas (width, height), as large as its aspect allows."""
    picture = _filling(picture, size)
    inner = (picture.shape[1], picture.shape[0])
    if inner == size:
        return picture
    canvas = np.zeros((size[1], size[0], 3), np.uint8)
    left, top = (size[0] - inner[0]) // 2, (size[1] - inner[1]) // 2
    canvas[top : top + inner[1], left : left + inner[0]] = picture
    return canvas


def within(picture: Picture, size: tuple[int, int]) -> Picture:
    """The picture as large as its aspect allows on a canvas (width, height), if it is over `MOST_TIMES` as large."""
    height, width = picture.shape[:2]
    return picture if max(width / size[0], height / size[1]) <= MOST_TIMES else _filling(picture, size)


def _filling(picture: Picture, size: tuple[int, int]) -> Picture:
    """The picture as large as its aspect allows on a canvas (width, height)."""
    picture = reduced(picture, max(*size, MOST_SIDE_PX))
    height, width = picture.shape[:2]
    scale = min(size[0] / width, size[1] / height)
    inner = (max(round(width * scale), 1), max(round(height * scale), 1))
    if inner == (width, height):
        return picture
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return _codes(cv2.resize(_light(picture), inner, interpolation=way))


def reduced(picture: Picture, most_side_px: int = MOST_SIDE_PX) -> Picture:
    """The picture at 1/2, 1/3, ... of its size, so that no side is longer than asked for; a small one as it is."""
    height, width = picture.shape[:2]
    by = -(-max(height, width) // most_side_px)
    if by == 1:
        return picture
    inner = max(width // by, 1)
    bands: list[Picture] = []  # the light of the whole picture at once would take twice its memory
    for top in range(0, height, by * _BAND_ROWS):
        band = picture[top : top + by * _BAND_ROWS]
        rows = len(band) // by or (not bands)  # what is left over at the bottom is less than a row
        if rows:
            bands.append(_codes(cv2.resize(_light(band), (inner, int(rows)), interpolation=cv2.INTER_AREA)))
    return np.concatenate(bands)


def _light(picture: Picture) -> NDArray[np.uint16]:
    """16-bit light of sRGB codes."""
    return np.asarray(cv2.LUT(picture, np.round(light_of_codes() * _FULL).astype(np.uint16)), np.uint16)


def _codes(light: cv2.typing.MatLike) -> Picture:
    """sRGB codes of 16-bit light."""
    return np.asarray(cv2.LUT(light, _codes_of_light()), np.uint8)


@functools.cache
def _codes_of_light() -> Picture:
    """sRGB codes of 16-bit light."""
    return np.round(encode_transfer(np.arange(_FULL + 1) / _FULL, CONTENT_TRANSFER) * 255).astype(np.uint8)
