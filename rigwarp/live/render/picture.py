"""What a renderer takes and gives: the contract that every renderer keeps; and pictures mixed and resized.

In linear light, which is how eyes do it: code values would make fine detail too dark.
"""

import functools
from dataclasses import dataclass
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.rig import Transfer
from rigwarp.rig.transfer import decode_transfer, encode_transfer

Picture = NDArray[np.uint8]
MAX_SIDE_PX = 8192
DITHER_SIDE = 8
CONTENT_TRANSFER: Transfer = "srgb"
"""Pictures are taken to be sRGB, as nearly all are."""
_FULL = 65535
MOST_SIDE_PX = 4096
"""Larger pictures are reduced when they are read: no table shows more, and a GPU may not take more."""
MOST_TIMES = 2.0
"""As wide or high as the canvas: renderers average more than that only slowly, and little of it is seen."""
_BAND_ROWS = 64

LUMA_709, LUMA_601 = (0.2126, 0.0722), (0.299, 0.114)


@dataclass(frozen=True, kw_only=True)
class YuvPicture:
    """A video frame as decoders give it: half the bytes of RGB, turned into colours by the GPU.

    Attributes
    ----------
    planes : (3 h / 2, w) uint8 Y, then U and V at half the resolution, one after the other (I420); h and w are even.
    luma : shares of red and blue in Y: BT.709's or BT.601's.
    full_range : True when 0 is black and 255 white, False when they are 16 and 235.
    """

    planes: Picture
    luma: tuple[float, float] = LUMA_709
    full_range: bool = False

    @property
    def shape(self) -> tuple[int, int, int]:
        """(h, w, 3), as if it were RGB."""
        return self.planes.shape[0] * 2 // 3, self.planes.shape[1], 3

    def to_rgb_matrix(self) -> NDArray[np.float64]:
        """(3, 4): RGB in 0 .. 1 from (Y, U, V, 1) in 0 .. 1.

        From Y = kr R + kg G + kb B, U = (B - Y) / (2 (1 - kb)), V = (R - Y) / (2 (1 - kr)) (ITU-R BT.601 and BT.709).
        """
        red, blue = self.luma
        green = 1.0 - red - blue
        of_v, of_u = 2.0 * (1.0 - red), 2.0 * (1.0 - blue)
        colours = np.array([[1.0, 0.0, of_v], [1.0, -blue * of_u / green, -red * of_v / green], [1.0, of_u, 0.0]])
        low, luma_span, chroma_span = (0.0, 255.0, 255.0) if self.full_range else (16.0, 219.0, 224.0)
        scale = 255.0 / np.array([luma_span, chroma_span, chroma_span])
        offset = -np.array([low, 128.0, 128.0]) / 255.0
        return np.column_stack([colours * scale, colours @ (scale * offset)])


AnyPicture = Picture | YuvPicture


def rgb_of(picture: AnyPicture) -> Picture:
    """The picture as RGB; chroma samples lie on every second column and between two rows (MPEG-2's siting)."""
    if not isinstance(picture, YuvPicture):
        return picture
    height, width, _ = picture.shape
    quarter = height * width // 4
    chroma = picture.planes[height:].reshape(2, quarter).reshape(2, height // 2, width // 2).astype(np.float32)
    u, v = np.meshgrid(
        np.arange(width, dtype=np.float32) / 2, (np.arange(height, dtype=np.float32) + 0.5) / 2 - 0.5, copy=False
    )
    full = [cv2.remap(plane, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for plane in chroma]
    yuv = np.dstack([picture.planes[:height].astype(np.float32), *full, np.full((height, width), 255, np.float32)])
    codes = yuv @ picture.to_rgb_matrix().T.astype(np.float32)
    return np.clip(np.round(codes), 0, 255).astype(np.uint8)


def small_rgb(picture: AnyPicture, most_px: int) -> Picture:
    """The picture as RGB with at most so many pixels a side, averaged: made small first, so that it costs little."""
    height, width = picture.shape[:2]
    share = min(1.0, most_px / max(height, width))
    size = (max(1, round(width * share)), max(1, round(height * share)))
    if not isinstance(picture, YuvPicture):
        step = max(1, min(height, width) // (2 * most_px))
        return np.asarray(cv2.resize(picture[::step, ::step], size, interpolation=cv2.INTER_AREA), np.uint8)
    chroma = picture.planes[height:].reshape(2, height // 2, width // 2)
    planes = [cv2.resize(plane, size, interpolation=cv2.INTER_AREA) for plane in (picture.planes[:height], *chroma)]
    to_rgb = picture.to_rgb_matrix()
    offset = 255.0 * to_rgb[:, 3:]
    return np.asarray(cv2.transform(cv2.merge(planes), np.hstack([to_rgb[:, :3], offset])), np.uint8)


class Renderer(Protocol):
    """Turns a picture into the frame that the projector has to show."""

    def render(self, picture: Picture) -> Picture:
        """(h, w, 3) RGB picture -> (H, W, 3) RGB projector frame, both 8-bit.

        In linear light: sRGB decode, n x n bilinear taps (black outside the picture), gain, projector curve.
        """

    def close(self) -> None:
        """Free what the renderer holds; calling it twice is fine."""


def light_of_codes() -> NDArray[np.float64]:
    """(256,) linear light of the picture's code values."""
    return decode_transfer(np.arange(256) / 255.0, CONTENT_TRANSFER)


def checked(picture: NDArray[Any]) -> Picture:
    """The picture itself, if it is one.

    Raises
    ------
    InputError
        It is no (h, w, 3) uint8.
    """
    if picture.dtype != np.uint8 or picture.ndim != 3 or picture.shape[2] != 3 or 0 in picture.shape:
        raise InputError(f"a picture must be 8-bit RGB (h, w, 3); this one is {picture.dtype} {picture.shape}")
    return picture


def thresholds(shape: tuple[int, int]) -> Array:
    """(H, W) what dithering adds to a code value before it is cut off: above 0, below 1, mean 1/2.

    The fraction of a code value that eight bits cannot show becomes a fine pattern: an 8 x 8 recursive matrix (Bayer,
    An optimum method for two-level rendition of continuous-tone pictures, 1973). Fixed rather than random: nothing
    flickers, and all renderers agree.
    """
    ranks = np.zeros((1, 1))
    while len(ranks) < DITHER_SIDE:
        ranks = np.block([[4 * ranks, 4 * ranks + 2], [4 * ranks + 3, 4 * ranks + 1]])
    repeats = (-(-shape[0] // DITHER_SIDE), -(-shape[1] // DITHER_SIDE))
    return np.tile((ranks + 0.5) / DITHER_SIDE**2, repeats)[: shape[0], : shape[1]]


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
