"""From photographs of blinking dots to their places on the table."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, Photo, at_height
from rigwarp.verification.dots.centre import BlobCentre, SeenDots, arrays_of, blob_centres
from rigwarp.verification.dots.plan import DotPlan
from rigwarp.verification.dots.read_code import MIXED, NO_DOT, BrightPixels, read_pixels, require_photos

_FEWEST_PX = 6
"""A blob of fewer pixels has no trustworthy centre."""
_GHOST_SHARE = 0.1
"""A second image of a dot counts as doubling when it has at least this share of the first one's light."""

_UNREADABLE_SHARE = 0.25
"""Unreadable light is reported when it has this share of a typical dot's size and brightness; less is a rim or haze."""


@dataclass(frozen=True, kw_only=True)
class UnreadableBlob:
    """Light that could not be given to a dot, where on the table, and why."""

    table_mm: Array
    reason: str


@dataclass(frozen=True, kw_only=True)
class DotsFound(SeenDots):
    """What the camera saw of a dot plan; of a doubled dot the brighter image.

    Attributes
    ----------
    missing : id -> reason, for every dot of the plan that is not in `ids`.
    doubled : id -> (n, 2) table mm of all its images, brightest first.
    unreadable : blobs of light without a dot.
    """

    missing: dict[int, str]
    doubled: dict[int, Array]
    unreadable: tuple[UnreadableBlob, ...]


def locate_dots(photos: Sequence[Photo], plan: DotPlan, camera: CameraModel, height_mm: float) -> DotsFound:
    """Find every dot on the table, wherever it landed.

    Parameters
    ----------
    photos : one per picture of `dot_pictures(plan)`, in order: black, all dots, blinking frames; (H, W) grey,
        8 or 16 bit, gamma-coded.
    plan : what was shown.
    camera : lens and pose.
    height_mm : of the lit surface.

    Raises
    ------
    MeasurementError
        When the number or size of the photos is wrong or no dot at all can be read.
    """
    require_photos(photos, plan.n_pictures, camera, what="check")
    pixels = read_pixels(photos, plan.words)
    readable = np.bincount(pixels.blob[pixels.dot >= 0], minlength=pixels.blob.max(initial=-1) + 1) >= _FEWEST_PX
    centres = blob_centres(photos, plan.words, pixels, np.nonzero(readable)[0], camera, height_mm)
    if not centres:
        raise MeasurementError(
            f"none of the {len(plan.ids)} dots could be read in the photos; check that the camera sees the table, "
            "that the exposure is locked and neither black nor burnt out, and that the pictures were really shown"
        )
    images = _images(centres, plan.diameter_mm)
    ids = np.array(sorted(images), np.int32)
    best = [images[int(i)][0] for i in ids]
    return DotsFound(
        ids=ids,
        **arrays_of(best),
        missing=_missing(plan, images, camera, height_mm),
        doubled={i: np.array([c.table_mm for c in seen]) for i, seen in images.items() if len(seen) > 1},
        unreadable=_unreadable(pixels, camera, height_mm),
    )


def _images(centres: list[BlobCentre], diameter_mm: float) -> dict[int, list[BlobCentre]]:
    """All images of each dot seen, brightest first; ghosts and the pieces of a dot cut by an edge are no images."""
    images: dict[int, list[BlobCentre]] = {}
    for centre in sorted(centres, key=lambda c: -c.flux):
        seen = images.setdefault(centre.dot, [])
        apart = all(np.linalg.norm(centre.table_mm - other.table_mm) > diameter_mm for other in seen)
        if apart and (not seen or centre.flux >= _GHOST_SHARE * seen[0].flux):
            seen.append(centre)
    return images


def _missing(
    plan: DotPlan, images: dict[int, list[BlobCentre]], camera: CameraModel, height_mm: float
) -> dict[int, str]:
    """Why each dot that was not seen may be missing."""
    pixel = camera.project(at_height(plan.table_mm, height_mm))
    width, height = camera.resolution
    in_view = np.all((pixel >= 0) & (pixel <= [width - 1, height - 1]), axis=1)
    return {
        int(i): "not seen" if in_view[i] else "its place on the table is outside the photo"
        for i in plan.ids
        if int(i) not in images
    }


def _unreadable(pixels: BrightPixels, camera: CameraModel, height_mm: float) -> tuple[UnreadableBlob, ...]:
    """Blobs that belong to no dot: overlapping dots, or light that did not blink as any dot does.

    The rim of a readable dot, where single pixels are too noisy to read, is not reported.
    """
    found = []
    size = np.bincount(pixels.blob)
    swing = np.bincount(pixels.blob, weights=pixels.swing) / np.maximum(size, 1)
    dots = np.unique(pixels.blob[pixels.dot >= 0])
    suspect = size >= max(_FEWEST_PX, _UNREADABLE_SHARE * np.median(size[dots]))
    suspect &= swing >= _UNREADABLE_SHARE * np.median(swing[dots])
    for code, reason in ((MIXED, "two dots on one spot"), (NO_DOT, "blinks as no dot does")):
        for blob in np.unique(pixels.blob[(pixels.dot == code) & suspect[pixels.blob]]):
            member = pixels.blob == blob
            middle = np.array([pixels.columns[member].mean(), pixels.rows[member].mean()])
            found.append(UnreadableBlob(table_mm=camera.to_plane(middle, height_mm), reason=reason))
    return tuple(found)
