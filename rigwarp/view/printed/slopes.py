"""How the places that a designed view sees move with the pixel and the mounting: numerically, by its own tracing."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from rigwarp.geometry import Array, IntArray
from rigwarp.table_map import apply_shifts
from rigwarp.view.design import lean_of
from rigwarp.view.parts import ViewPart

CAMERA: Final = 6
MIRROR: Final = 6
"""Numbers that mount the camera, and a mirror: shift and turn."""
_STEP = 1e-3  # share of a sigma for numerical derivatives


def design_places(parts: Sequence[ViewPart], pixels_px: Array, zone: IntArray, part: IntArray) -> Array:
    """(N, 2) where the design sees (N, 2) camera pixels of the view's zones (N,), smoothly continued; NaN: nowhere."""
    places = np.full(pixels_px.shape, np.nan)
    for i, one in enumerate(parts):
        for number in np.unique(zone[part == i]):
            here = (part == i) & (zone == number)
            own = one.own_pixels(pixels_px[here])
            places[here] = one.model.trace(own, zone=int(number) - one.first_zone, extended=True).table_mm
    return places


def pixel_slope(part: ViewPart, pixels_px: Array, zone: IntArray) -> Array:
    """(N, 2, 2) how the places move with the pixel."""
    which = np.zeros(len(pixels_px), np.int64)
    steps = [
        [design_places([part], pixels_px + sign * np.array(step), zone, which) for sign in (1.0, -1.0)]
        for step in ([1.0, 0.0], [0.0, 1.0])
    ]
    return np.stack([(ahead - behind) / 2.0 for ahead, behind in steps], axis=-1)


def mount_slope(part: ViewPart, shifts: Array, pixels_px: Array, zone: IntArray) -> Array:
    """(N, 2, 12) how the places move with the part's mounting."""
    which = np.zeros(len(pixels_px), np.int64)
    base = design_places([mounted_at(part, shifts)], pixels_px, zone, which)
    steps = _STEP * part.tolerances
    aside = [
        (design_places([mounted_at(part, shifts + step * unit)], pixels_px, zone, which) - base) / step
        for step, unit in zip(steps, np.eye(CAMERA + MIRROR), strict=True)
    ]
    return np.stack(aside, axis=-1)


def mounted_at(part: ViewPart, shifts: Array) -> ViewPart:
    """The part with camera and mirror moved, (12,) mm, rad, mm, rad."""
    return replace(part, model=apply_shifts(part.model, shifts))


def design_leans(parts: Sequence[ViewPart], pixels_px: Array, zone: IntArray, part: IntArray) -> Array:
    """(N, 2) lean of the design's lines of sight there, mm sideways per mm of height."""
    lean = np.full(pixels_px.shape, np.nan)
    for i, one in enumerate(parts):
        for number in np.unique(zone[part == i]):
            here = (part == i) & (zone == number)
            own = one.own_pixels(pixels_px[here])
            traced = one.model.trace(own, zone=int(number) - one.first_zone, extended=True)
            lean[here] = lean_of(one.model, traced.table_mm, traced.mirror_mm)
    return lean
