"""Where each place of the straight top view is seen, zone by zone: the view's map turned round on a grid."""

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import distance_transform_edt, map_coordinates

from rigwarp.geometry import Array, BoolArray, ViewMap
from rigwarp.rig import TopView
from rigwarp.table_map.inverse import bilinear, looked_up, nearest_pixels, newton_step

_STEP = 8  # every so many pixels of the top view the solution is looked for from scratch
_PASSES, _FINE_PASSES = 12, 5
_DONE_PX = 1e-3  # pictures are sampled to 1/32 px
_LONGEST_STEP_PX = 8.0


@dataclass(frozen=True, kw_only=True)
class SeenPlaces:
    """One zone over the top view's pixels; index [row, column].

    Attributes
    ----------
    zone : its number in the map.
    pixels_px : (H, W, 2) float32 camera pixel (u, v) that sees the place; NaN where the zone does not.
    lean : (H, W, 2) float32 mm sideways per mm of height there.
    """

    zone: int
    pixels_px: Array
    lean: Array

    @property
    def seen(self) -> BoolArray:
        """(H, W)."""
        return np.isfinite(self.pixels_px[..., 0])


def top_places_mm(top: TopView) -> Array:
    """(H, W, 2) table position of each pixel centre; row 0 lies towards +y, column 0 towards -x."""
    width, height = top.pixels
    x = top.centre_mm[0] + (np.arange(width) - (width - 1) / 2) * top.mm_per_pixel
    y = top.centre_mm[1] - (np.arange(height) - (height - 1) / 2) * top.mm_per_pixel
    return np.stack(np.meshgrid(x, y), axis=-1)


def places_seen(view: ViewMap, top: TopView) -> tuple[SeenPlaces, ...]:
    """For each zone that sees any of it."""
    places = top_places_mm(top)
    found = []
    for zone in np.unique(view.zone[view.zone >= 0]):
        here = view.zone == zone
        forward = np.where(here[..., None], view.table_mm, np.nan)
        pixels = _solved(forward, places)
        if pixels is not None and np.isfinite(pixels).any():
            lean = _looked_up(np.where(here[..., None], view.lean, 0.0), pixels)
            found.append(SeenPlaces(zone=int(zone), pixels_px=pixels.astype(np.float32), lean=lean))
    return tuple(found)


def _solved(forward: Array, places_mm: Array) -> Array | None:
    """(H, W, 2) pixels at which the map gives the places; NaN where nowhere, None if that is everywhere.

    From scratch on a coarse grid, continued by its slopes past what is seen so that edges are reached, then refined.
    """
    height, width = places_mm.shape[:2]
    rows, columns = (np.unique(np.append(np.arange(0, n, _STEP), n - 1)) for n in (height, width))
    coarse_mm = places_mm[np.ix_(rows, columns)]
    points = coarse_mm.reshape(-1, 2)
    pixels = nearest_pixels(looked_up(forward), forward.shape, points)
    pixels = _newton(forward, points, pixels, passes=_PASSES).reshape(coarse_mm.shape)
    seen = np.isfinite(pixels[..., 0])
    if not seen.any():
        return None
    pixels = _continued(forward, coarse_mm, pixels, seen)
    at = np.meshgrid(np.interp(np.arange(height), rows, np.arange(len(rows))),
                     np.interp(np.arange(width), columns, np.arange(len(columns))), indexing="ij")  # fmt: skip
    start = np.stack([map_coordinates(pixels[..., i], at, order=1, mode="nearest") for i in (0, 1)], axis=-1)
    return _newton(forward, places_mm.reshape(-1, 2), start.reshape(-1, 2), passes=_FINE_PASSES).reshape(start.shape)


def _continued(forward: Array, places_mm: Array, pixels: Array, seen: BoolArray) -> Array:
    """Places not seen get what the slope at the nearest one that is seen would give."""
    nearest = distance_transform_edt(~seen, return_distances=False, return_indices=True)
    base = pixels[tuple(nearest)]
    _, slope = bilinear(looked_up(forward), forward.shape, base.reshape(-1, 2))
    step = newton_step(slope, (places_mm - places_mm[tuple(nearest)]).reshape(-1, 2)).reshape(base.shape)
    return np.where(seen[..., None], pixels, base + step)


def _newton(forward: Array, places_mm: Array, start: Array, *, passes: int) -> Array:
    """(N, 2) pixels, solved until the steps are small; NaN where they are not, or lead out of the zone."""
    pixels = np.full(start.shape, np.nan)
    active = np.flatnonzero(np.isfinite(start).all(axis=-1))
    now = start[active]
    for _ in range(passes):
        landed, slope = bilinear(looked_up(forward), forward.shape, now)
        step = newton_step(slope, places_mm[active] - landed)
        length = np.linalg.norm(step, axis=-1)
        going = np.isfinite(length)
        with np.errstate(invalid="ignore"):
            now = now + step * np.minimum(1.0, _LONGEST_STEP_PX / np.maximum(length, 1e-12))[:, None]
        done = length < _DONE_PX
        pixels[active[done]] = now[done]
        active, now = active[going & ~done], now[going & ~done]
        if not len(active):
            break
    return pixels


def _looked_up(values: Array, pixels_px: Array) -> Array:
    """(H, W, 2) float32 values between pixels, linearly; NaN where the pixels are."""
    at = np.nan_to_num(pixels_px, nan=-1.0).astype(np.float32)
    found = cv2.remap(values.astype(np.float32), at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    return np.where(np.isfinite(pixels_px), found, np.nan).astype(np.float32)
