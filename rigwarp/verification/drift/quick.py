"""A quick look at a running rig: five photographs that tell light, table and camera apart.

Black pictures show the table by the room's own light, wherever the projector shines; a sparse grid of dots shows where
the light lands. The grid has holes that do not repeat at one spacing, so a shift by a whole spacing is no match.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rigwarp.camera import CameraModel
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, IntArray, Photo
from rigwarp.rig import Content
from rigwarp.verification.dots.centre import SeenDots, arrays_of, blob_centres
from rigwarp.verification.dots.plan import DotPlan, dot_pictures, plan_dots
from rigwarp.verification.dots.read_code import BLUR_PX, BrightPixels, blurred_noise, linear_light, require_photos

SHOWN = (False, True, False, True, False)
"""Which of the photographs show the dots; the others show black."""
_SPACING_MM = 36.0
_SPACING_SHARE = 0.1  # of the content's smaller side, where that is less
_HOLES = 7  # one dot in seven is left out, on a lattice whose shortest period is not a spacing along a side
_PEAK_SHARE = 0.3  # a pixel belongs to a dot from this share of a typical dot's peak on
_NOISE_MULTIPLE = 6.0
_FEWEST_PX = 6
_REACH = 0.45  # of the spacing: a light further from every expected dot is not one of them
_PASSES = 3
_FEWEST_DOTS = 12


@dataclass(frozen=True, kw_only=True)
class QuickLook(SeenDots):
    """What five photographs show, by the camera that was assumed.

    Attributes
    ----------
    expected : how many dots were looked for.
    strangers : lights of a dot's size where none is expected.
    """

    expected: int
    strangers: int


@dataclass(frozen=True, kw_only=True)
class QuickState(SeenDots):
    """What a quick look at a good rig showed: what later looks are compared with.

    Attributes
    ----------
    camera : lens and pose of the camera then; its covariance is not kept.
    ambient : (H, W) float32 linear light of the table with the projector black.
    pixels_px, zone : (K, 2), (K,) int64 the projector pixel and zone that light each dot.
    mounting : (12,) how the result's light path is mounted, see `map_mounting`.
    exposure_s : of the camera; NaN when it did not tell.
    """

    camera: CameraModel
    ambient: NDArray[np.float32]
    pixels_px: Array
    zone: NDArray[np.int64]
    mounting: Array
    exposure_s: float


def quick_plan(content: Content) -> DotPlan:
    """The sparse grid with holes."""
    plan = plan_dots(content, spacing_mm=min(_SPACING_MM, _SPACING_SHARE * min(content.size_mm)))
    column, row = plan.grid.T
    shown: BoolArray = np.asarray((3 * column + 5 * row) % _HOLES != 0)
    return plan.aimed_at(plan.table_mm, shown)


def quick_pictures(plan: DotPlan) -> list[NDArray[np.uint8]]:
    """Content pictures (h, w, 3), in the order of `SHOWN`."""
    black, dots = dot_pictures(plan)[:2]
    return [dots if shown else black for shown in SHOWN]


def read_quick(
    photos: Sequence[Photo],
    ids: IntArray,
    expected_mm: Array,
    plan: DotPlan,
    camera: CameraModel,
    height_mm: float,
) -> QuickLook:
    """Find the dots near where they are expected.

    Parameters
    ----------
    photos : five, in the order of `SHOWN`, (H, W) grey, 8 or 16 bit.
    ids, expected_mm : (K,), (K, 2) dots of the plan, and about where each landed when they were seen last.
    plan : what was shown.
    camera, height_mm : the camera and the lit surface.

    Raises
    ------
    MeasurementError
        When the number or size of the photos is wrong, or hardly any dot is found.
    """
    require_photos(photos, len(SHOWN), camera, what="quick")
    rise = _mean_light(photos, shown=True) - _mean_light(photos, shown=False)
    rows, columns, blob = _blobs(np.asarray(cv2.GaussianBlur(rise, (0, 0), BLUR_PX), np.float32))
    count = int(blob.max(initial=-1)) + 1
    total = np.stack([np.bincount(blob, columns, count), np.bincount(blob, rows, count)], axis=-1)
    middle: Array = np.asarray(total / np.maximum(np.bincount(blob, minlength=count), 1.0)[:, None], float)
    spot_mm = camera.to_plane(middle, height_mm)
    owner = _matched(spot_mm, expected_mm, plan.spacing_mm)
    number = np.where(owner >= 0, ids[np.maximum(owner, 0)], -1)
    pixels = BrightPixels(rows=rows, columns=columns, dot=number[blob], swing=np.ones(len(rows)), blob=blob)
    words = np.tile(np.array(SHOWN[2:], np.uint8), (len(plan.ids), 1))
    centres = blob_centres(photos, words, pixels, np.flatnonzero(owner >= 0), camera, height_mm)
    if len(centres) < _FEWEST_DOTS:
        raise MeasurementError(
            f"only {len(centres)} of {len(ids)} dots were found near their places: the light has moved by more than "
            f"{_REACH * plan.spacing_mm:.0f} mm, the exposure has changed, or the camera does not see the table. "
            "Calibrate again: rigwarp calibrate"
        )
    centres.sort(key=lambda centre: centre.dot)
    return QuickLook(
        ids=np.array([c.dot for c in centres], np.int32),
        **arrays_of(centres),
        expected=len(ids),
        strangers=int(np.count_nonzero((owner < 0) & np.isfinite(spot_mm).all(axis=-1))),
    )


def ambient_light(photos: Sequence[Photo]) -> NDArray[np.float32]:
    """(H, W) linear light of the table with the projector black: the mean of the quick photos that show no dots."""
    return _mean_light(photos, shown=False)


def _mean_light(photos: Sequence[Photo], *, shown: bool) -> NDArray[np.float32]:
    chosen = [linear_light(photo) for photo, dots in zip(photos, SHOWN, strict=True) if dots == shown]
    return np.asarray(np.mean(chosen, axis=0, dtype=np.float32))


def _blobs(rise: NDArray[np.float32]) -> tuple[IntArray, IntArray, IntArray]:
    """Rows, columns and blob number of the pixels that dots light."""
    bright = rise > _NOISE_MULTIPLE * blurred_noise(rise) + float(np.median(rise))
    typical = float(np.percentile(rise[bright], 90.0)) if bright.any() else 1.0
    mask = (bright & (rise > _PEAK_SHARE * typical)).astype(np.uint8)
    count, label, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    keep = np.flatnonzero(stats[1:, cv2.CC_STAT_AREA] >= _FEWEST_PX) + 1
    dense = np.full(count, -1, np.int64)
    dense[keep] = np.arange(len(keep))
    rows, columns = np.nonzero(mask)
    blob = dense[label[rows, columns]]
    kept = blob >= 0
    return rows[kept], columns[kept], blob[kept]


def _matched(spot_mm: Array, expected_mm: Array, spacing_mm: float) -> IntArray:
    """(B,) index of the expected dot that each light is, -1 for none: nearest, each once, common shift taken out."""
    owner = np.full(len(spot_mm), -1, np.int64)
    seen = np.flatnonzero(np.isfinite(spot_mm).all(axis=-1))
    if not len(seen):
        return owner
    shift = np.zeros(2)
    tree = cKDTree(expected_mm)
    for _ in range(_PASSES):
        distance, nearest = (np.asarray(a) for a in tree.query(spot_mm[seen] - shift))
        order = np.argsort(distance)
        first = order[np.unique(nearest[order], return_index=True)[1]]  # the closest light of each dot
        good = first[distance[first] < _REACH * spacing_mm]
        if not len(good):
            return owner
        shift = np.median(spot_mm[seen[good]] - expected_mm[nearest[good]], axis=0)
    owner[seen[good]] = nearest[good]
    return owner
