"""What a renderer takes and gives: the contract that every renderer keeps."""

from dataclasses import dataclass
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.rig import Transfer
from rigwarp.rig.transfer import decode_transfer

Picture = NDArray[np.uint8]
MAX_SIDE_PX = 8192
DITHER_SIDE = 8
CONTENT_TRANSFER: Transfer = "srgb"
"""Pictures are taken to be sRGB, as nearly all are."""


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
