"""Text, lines and hatching on an RGB picture, for the preview."""

import functools
import itertools

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.devices.quick_pygame import pygame
from rigwarp.geometry import Array, BoolArray

Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]
_SHIFT = 4  # OpenCV draws at sixteenths of a pixel
_FAR_PX = 30000  # and its coordinates end somewhere
_HATCH_PX = 10  # period of the hatching along a row


def write(picture: Picture, at_px: tuple[int, int], words: str, *, size: int, colour: Colour) -> int:
    """A line of text with its upper left at a pixel, blended in; returns its width. What leaves the picture is cut."""
    ink = _letters(words, size)
    u, v = at_px
    height, width = picture.shape[:2]
    ink = ink[max(-v, 0) : max(height - v, 0), max(-u, 0) : max(width - u, 0)]
    if ink.size:
        place = picture[max(v, 0) : max(v, 0) + ink.shape[0], max(u, 0) : max(u, 0) + ink.shape[1]]
        place[:] = np.rint(place + ink[..., None] * (np.array(colour, np.float32) - place)).astype(np.uint8)
    return text_width(words, size)


def text_width(words: str, size: int) -> int:
    """Width of a line of text in pixels."""
    return int(_font(size).size(words)[0])


def wrapped(words: str, size: int, width_px: int) -> list[str]:
    """Text broken into lines no wider than given, at spaces."""
    lines: list[str] = []
    for word in words.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size) <= width_px:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def polyline(picture: Picture, points_px: Array, colour: Colour, *, width: int, closed: bool) -> None:
    """A line through (N, 2) points; NaN parts it."""
    points = np.vstack([points_px, points_px[:1]]) if closed else points_px
    for a, b in itertools.pairwise(points):
        if np.isfinite(a).all() and np.isfinite(b).all():
            cv2.line(picture, _fixed(a), _fixed(b), colour, width, cv2.LINE_AA, _SHIFT)


def dots(picture: Picture, points_px: Array, colour: Colour, *, radius: float) -> None:
    """Small rings."""
    for point in points_px[np.isfinite(points_px).all(axis=-1)]:
        cv2.circle(picture, _fixed(point), round(radius * (1 << _SHIFT)), colour, 1, cv2.LINE_AA, _SHIFT)


def hatch(picture: Picture, where: BoolArray, colour: Colour, *, under: Colour | None = None, rising: bool) -> None:
    """Slanted stripes where the mask is True, over the picture or over a colour of their own."""
    height, width = where.shape
    v, u = np.ogrid[:height, :width]
    stripes = ((u + v if rising else u - v) % _HATCH_PX) < _HATCH_PX * 0.4
    if under is not None:
        picture[where & ~stripes] = under
    picture[where & stripes] = colour


def box(picture: Picture, corner_px: tuple[int, int], size_px: tuple[int, int], colour: Colour) -> None:
    """A filled rectangle."""
    (u, v), (width, height) = corner_px, size_px
    picture[max(v, 0) : max(v + height, 0), max(u, 0) : max(u + width, 0)] = colour


def _fixed(point: Array) -> tuple[int, int]:
    u, v = np.rint(np.clip(point, -_FAR_PX, _FAR_PX) * (1 << _SHIFT)).astype(int)
    return int(u), int(v)


@functools.cache
def _font(size: int) -> pygame.font.Font:
    pygame.font.init()
    return pygame.font.Font(None, size)


@functools.lru_cache(maxsize=256)
def _letters(words: str, size: int) -> NDArray[np.float32]:
    """(h, w) how much ink the letters put on each pixel."""
    surface = _font(size).render(words, True, (255, 255, 255), (0, 0, 0))
    return np.asarray(pygame.surfarray.array3d(surface)[..., 0].T, np.float32) / np.float32(255.0)
