"""The centre of a dot's light on the table, far finer than a camera pixel.

Light is weighted by the table area that each camera pixel sees, so perspective and lens distortion do not pull the
centre towards the camera. Frames in which the dot is bright minus those in which it is dark give its picture: with the
noise of all frames averaged, and ambient light and (nearly all of) its neighbours' haze removed.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import find_objects

from rigwarp.camera import CameraModel
from rigwarp.geometry import Array, BoolArray, IntArray, Photo
from rigwarp.verification.dots.read_code import BrightPixels, linear_light

_WIDEN_SHARE = 0.6
_WIDEN_PX = 4
"""A dot's window is its blob, widened on each side by this share of its size and these pixels."""
_REACH_SIGMAS = 3.0
"""Light is gathered from an ellipse of this many sigmas of the dot's own spread: 1.5 radii of a disc."""
_ROUNDS = 5


@dataclass(frozen=True, kw_only=True)
class BlobCentre:
    """One image of one dot: centre on the table, 1-sigma per axis from photo noise, light times area."""

    dot: int
    table_mm: Array
    sigma_mm: float
    flux: float


@dataclass(frozen=True, kw_only=True)
class _Window:
    """The dot's own picture in a window: camera pixels (k, 2), light (k,), its variance, member of the blob."""

    dot: int
    pixels_px: Array
    light: Array
    variance: Array
    member: BoolArray


@dataclass(frozen=True, kw_only=True)
class SeenDots:
    """Dots that were seen: `ids` (K,), ascending; centres of their light on the table (K, 2), 1-sigma per axis (K,).

    Sigma is from photo noise alone; `flux` (K,) is light times area on the table (linear light, mm^2).
    """

    ids: NDArray[np.int32]
    table_mm: Array
    sigma_mm: Array
    flux: Array


def arrays_of(centres: Sequence[BlobCentre]) -> dict[str, Array]:
    """`table_mm` (K, 2), `sigma_mm` (K,) and `flux` (K,) of centres."""
    return {name: np.array([getattr(c, name) for c in centres]) for name in ("table_mm", "sigma_mm", "flux")}


def blob_centres(
    photos: Sequence[Photo],
    words: NDArray[np.uint8],
    pixels: BrightPixels,
    blobs: IntArray,
    camera: CameraModel,
    height_mm: float,
) -> list[BlobCentre]:
    """Centres of the given blobs; those whose light cannot be told from noise are left out.

    Parameters
    ----------
    photos : black, all, blinking frames.
    words : (N, n) the code.
    pixels : what `read_pixels` gave; `blobs` are numbers of its blobs that belong to a dot.
    camera, height_mm : the camera and the lit surface.
    """
    centres = []
    for window in _windows(photos, words, pixels, blobs):  # one at a time: all together are most of the photographs
        table_mm, by_px = camera.plane_and_jacobian(window.pixels_px, height_mm)
        area_mm2 = np.abs(by_px[:, 0, 0] * by_px[:, 1, 1] - by_px[:, 0, 1] * by_px[:, 1, 0])
        if (centre := _centre(window, table_mm, area_mm2)) is not None:
            centres.append(centre)
    return centres


def _windows(
    photos: Sequence[Photo], words: NDArray[np.uint8], pixels: BrightPixels, blobs: IntArray
) -> Iterator[_Window]:
    """Each dot's window out of all photos; pixels of other dots, and one around them, are left out."""
    height, width = photos[0].shape
    label = np.zeros((height, width), np.int32)
    chosen = np.isin(pixels.blob, blobs)
    numbers, dense = np.unique(pixels.blob[chosen], return_inverse=True)
    label[pixels.rows[chosen], pixels.columns[chosen]] = dense + 1
    dot_of = np.zeros(len(numbers), np.int64)
    dot_of[dense] = pixels.dot[chosen]
    for number, (dot, box) in enumerate(zip(dot_of, find_objects(label), strict=True), 1):
        if box is None:
            continue
        wide = _widened(box[0], height), _widened(box[1], width)
        stack = np.stack([linear_light(photo[wide]) for photo in photos]).astype(np.float64)
        bright = np.concatenate([[False, True], words[dot].astype(bool)])
        on, off = stack[bright], stack[~bright]
        light = on.mean(axis=0) - off.mean(axis=0)
        variance = on.var(axis=0, ddof=1) / len(on) + off.var(axis=0, ddof=1) / len(off)
        own = label[wide] == number
        others = cv2.dilate(((label[wide] > 0) & ~own).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        kept = ~others | own
        rows, columns = np.nonzero(kept)
        yield _Window(
            dot=int(dot),
            pixels_px=np.stack([columns + wide[1].start, rows + wide[0].start], axis=-1).astype(np.float64),
            light=light[kept],
            variance=variance[kept],
            member=own[kept],
        )


def _widened(side: slice, limit: int) -> slice:
    margin = int(np.ceil(_WIDEN_SHARE * (side.stop - side.start))) + _WIDEN_PX
    return slice(max(side.start - margin, 0), min(side.stop + margin, limit))


def _centre(window: _Window, at_mm: Array, area_mm2: Array) -> BlobCentre | None:
    """Light-weighted centre within an ellipse that follows the dot; None where the light is no more than noise."""
    usable = np.isfinite(at_mm).all(axis=1) & np.isfinite(area_mm2)
    weight = np.where(window.member & usable, np.maximum(window.light, 0.0) * area_mm2, 0.0)
    at_mm = np.where(usable[:, None], at_mm, 0.0)
    if weight.sum() <= 0:
        return None
    for _ in range(_ROUNDS):
        middle = weight @ at_mm / weight.sum()
        offset = at_mm - middle
        positive = np.maximum(weight, 0.0)
        spread = (positive[:, None] * offset).T @ offset / positive.sum() + np.mean(area_mm2[usable]) / 12 * np.eye(2)
        reach = np.sqrt(np.sum(offset @ np.linalg.inv(spread) * offset, axis=1))
        inside = usable & (reach <= _REACH_SIGMAS)
        around = usable & (reach > _REACH_SIGMAS)
        level = np.median(window.light[around]) if around.any() else 0.0
        weight = np.where(inside, (window.light - level) * area_mm2, 0.0)
        if weight.sum() <= 0:
            return None
    middle = weight @ at_mm / weight.sum()
    lever = np.where(inside, area_mm2**2 * window.variance, 0.0) @ (at_mm - middle) ** 2
    sigma_mm = float(np.sqrt(lever.mean()) / weight.sum())
    return BlobCentre(dot=window.dot, table_mm=middle, sigma_mm=sigma_mm, flux=float(weight.sum()))
