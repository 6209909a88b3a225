"""Which dot each bright camera pixel belongs to, from when it was bright; nothing is assumed about where it should be.

Light enters linearised; every frame is blurred by about a pixel, which costs nothing on dots several pixels wide.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from rigwarp.camera import CameraModel
from rigwarp.decode.signal.response import linearise
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, IntArray, Photo
from rigwarp.geometry.robust import SIGMA_PER_MEDIAN
from rigwarp.rig.transfer import decode_transfer
from rigwarp.verification.dots.plan import word_numbers

BLUR_PX = 0.8
_NOISE_MULTIPLE = 5.0
"""A pixel is looked at when all dots together raise it this many sigmas above black."""
_SMALLEST_GAP = 0.4
"""The dimmest bright frame must stand out from the brightest dark one by this share of the pixel's swing."""
_JOIN_PX = 2
"""Equal pixels up to this far apart are one blob: a scratch or an edge does not double a dot."""
NO_DOT, MIXED = -1, -2

_LIGHT_8_BIT, _LIGHT_16_BIT = (
    decode_transfer(np.linspace(0.0, 1.0, codes), "srgb").astype(np.float32) for codes in (1 << 8, 1 << 16)
)


@dataclass(frozen=True, kw_only=True)
class BrightPixels:
    """Camera pixels that the dots light.

    Attributes
    ----------
    rows, columns : (P,)
    dot : (P,) id of the dot, NO_DOT unreadable, MIXED the light of two dots.
    swing : (P,) bright minus dark, linear light.
    blob : (P,) number of the blob of equal `dot` that a pixel belongs to.
    """

    rows: IntArray
    columns: IntArray
    dot: IntArray
    swing: Array
    blob: IntArray


def linear_light(photo: Photo) -> NDArray[np.float32]:
    """Approximate linear light 0..1 of a gamma-coded photo; cameras code about as sRGB does."""
    return _LIGHT_8_BIT[photo] if photo.dtype == np.uint8 else _LIGHT_16_BIT[photo]


def require_photos(photos: Sequence[Photo], count: int, camera: CameraModel, *, what: str) -> None:
    """Refuse photographs that are not one per picture, grey and of the camera's size; MeasurementError names `what`."""
    if len(photos) != count:
        raise MeasurementError(f"{len(photos)} photos of {count} {what} pictures; photograph each one, in order")
    wanted = camera.resolution[::-1]
    for number, photo in enumerate(photos):
        if photo.shape != wanted or photo.dtype not in (np.uint8, np.uint16):
            raise MeasurementError(
                f"{what} photo {number} is {photo.dtype} {photo.shape}, expected 8- or 16-bit grey {wanted} as in the "
                "camera file"
            )


def light_table(photo: Photo, response_shape: float | None = None) -> NDArray[np.float32]:
    """Linear light 0..1 of every code value of a photo's type.

    By the camera's response as a scan measured it (`decode.signal.response`), or about as sRGB where none is known.
    """
    if response_shape is None:
        return _LIGHT_8_BIT if photo.dtype == np.uint8 else _LIGHT_16_BIT
    codes = 1 << (8 * photo.dtype.itemsize)
    return linearise(np.linspace(0.0, 1.0, codes), response_shape).astype(np.float32)


def read_pixels(photos: Sequence[Photo], words: NDArray[np.uint8]) -> BrightPixels:
    """Find the lit pixels and read their word.

    Parameters
    ----------
    photos : black, all dots, then one per column of `words`; (H, W) grey.
    words : (N, n) the blinking code, constant weight.
    """
    light = [cv2.GaussianBlur(linear_light(photo), (0, 0), BLUR_PX) for photo in photos[:2]]
    rise = np.asarray(light[1] - light[0])
    rows, columns = np.nonzero(rise > _NOISE_MULTIPLE * blurred_noise(rise) + np.median(rise))
    series = np.empty((len(rows), words.shape[1]), np.float32)
    for frame, photo in enumerate(photos[2:]):
        blurred = np.asarray(cv2.GaussianBlur(linear_light(photo), (0, 0), BLUR_PX))
        series[:, frame] = blurred[rows, columns]
    dot, swing = _read(series, words)
    blob = _blobs(rows, columns, dot, (rise.shape[0], rise.shape[1]))
    return BrightPixels(rows=rows, columns=columns, dot=dot, swing=swing, blob=blob)


def blurred_noise(rise: NDArray[np.float32]) -> float:
    """1-sigma of the difference of two blurred frames, from its fine structure; dots are too few to disturb it."""
    fine = rise - cv2.GaussianBlur(rise, (0, 0), 4 * BLUR_PX)
    return float(np.median(np.abs(fine)) * SIGMA_PER_MEDIAN) + 1e-6


def _read(series: NDArray[np.float32], words: NDArray[np.uint8]) -> tuple[IntArray, Array]:
    """Dot of each pixel's series (P, n), and its swing; the code's weight says how many frames are bright."""
    weight = int(words[0].sum())
    ordered = np.sort(series, axis=1)[:, ::-1]
    bright, dark = ordered[:, :weight].mean(axis=1), ordered[:, weight:].mean(axis=1)
    swing = bright - dark
    gap = ordered[:, weight - 1] - ordered[:, weight]
    clear = gap > _SMALLEST_GAP * swing
    bits = (series > 0.5 * (ordered[:, weight - 1] + ordered[:, weight])[:, None]).astype(np.uint8)
    lookup = np.full(1 << words.shape[1], NO_DOT, np.int32)
    lookup[word_numbers(words)] = np.arange(len(words))
    dot = np.where(clear, lookup[word_numbers(bits)], NO_DOT)
    return np.where(_is_union(series, ordered, weight) & ~clear, MIXED, dot), swing.astype(np.float64)


def _is_union(series: NDArray[np.float32], ordered: NDArray[np.float32], weight: int) -> BoolArray:
    """True where a clear step exists, but with more bright frames than one dot has."""
    middle = 0.5 * (ordered[:, 0] + ordered[:, -1])
    count = (series > middle[:, None]).sum(axis=1)
    swing = ordered[:, 0] - ordered[:, -1]
    rank = np.clip(count, 1, series.shape[1] - 1)[:, None]
    step = np.take_along_axis(ordered, rank - 1, axis=1) - np.take_along_axis(ordered, rank, axis=1)
    return (count > weight) & (count < series.shape[1]) & (step[:, 0] > 0.5 * _SMALLEST_GAP * swing)


def _blobs(rows: IntArray, columns: IntArray, dot: IntArray, shape: tuple[int, int]) -> IntArray:
    """Connected pixels of equal `dot`, numbered."""
    number = np.full((shape[0] + 2 * _JOIN_PX, shape[1] + 2 * _JOIN_PX), -1, np.int64)
    number[rows + _JOIN_PX, columns + _JOIN_PX] = np.arange(len(rows))
    first, second = [], []
    for dv in range(_JOIN_PX + 1):
        for du in range(-_JOIN_PX, _JOIN_PX + 1):
            if dv == 0 and du <= 0:
                continue
            other = number[rows + _JOIN_PX + dv, columns + _JOIN_PX + du]
            same = (other >= 0) & (dot == dot[np.maximum(other, 0)])
            first.append(np.nonzero(same)[0])
            second.append(other[same])
    a, b = np.concatenate(first), np.concatenate(second)
    links = coo_array((np.ones(len(a), np.int8), (a, b)), shape=(len(rows), len(rows)))
    return connected_components(links, directed=False)[1].astype(np.int64)
