"""The straight top view: tables by which one remap turns the camera's picture into a map of the table."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from rigwarp.errors import InputError, MeasurementError
from rigwarp.geometry import Array, ViewMap
from rigwarp.rig import TopView
from rigwarp.view.places import SeenPlaces, places_seen
from rigwarp.view.seams import NONE, doubling, seamed

CLEAR_MM: Final = 50.0
"""Things up to this height are seen once: a hand on the table. Where a seam would show them twice, it is widened."""
_NARROW_PX = 2.0  # a wider seam is not worth it for less
_PARALLEL = 1e-3  # mm apart per mm of height: a metre high and a millimetre apart
_NOWHERE = -10.0  # camera pixel of what nobody sees: black
Picture = NDArray[np.uint8]


@dataclass(frozen=True, kw_only=True)
class Lookup:
    """A remap in OpenCV's fixed-point form (`cv2.convertMaps`): whole pixels (h, w, 2), and 32nds of one (h, w)."""

    whole_px: NDArray[np.int16]
    fraction: NDArray[np.uint16]

    def of(self, frame: Picture) -> Picture:
        """The frame (H, W[, C]) looked up, linearly between pixels; black where nobody sees anything."""
        looked = cv2.remap(frame, self.whole_px, self.fraction, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        return np.asarray(looked, np.uint8)


@dataclass(frozen=True, kw_only=True)
class TopMaps:
    """The tables of a top view.

    Attributes
    ----------
    top : its middle, size and pixels.
    camera_resolution : (width, height) of the pictures that it takes.
    zone : (H, W) the map's zone that shows each pixel; -1 where none does.
    seamed : one zone for each pixel.
    blended : the zone of which most is seen there, the first of two to be mixed.
    second : the other zone, in the part `box` (left, top, right, bottom) that holds all places that two zones see.
    weights : (2, h, w) float32 of first and second in the box.
    doubles_mm : what stands higher than this is seen twice along some seam; infinite where nothing ever is.
    seam_mm : length of all seams.
    """

    top: TopView
    camera_resolution: tuple[int, int]
    zone: NDArray[np.int16]
    seamed: Lookup
    blended: Lookup
    second: Lookup
    box: tuple[int, int, int, int]
    weights: NDArray[np.float32]
    doubles_mm: float
    seam_mm: float

    @property
    def seen(self) -> float:
        """Share of the top view that is seen."""
        return float(np.mean(self.zone != NONE))

    def apply(self, frame: Picture, *, blend: bool = False) -> Picture:
        """A picture of the camera, (H, W) or (H, W, C), as the straight top view.

        Parameters
        ----------
        blend : mix two zones where both see the table; whatever stands on it is then seen twice.

        Raises
        ------
        InputError
            The picture has another size than those that the view was measured with.
        """
        if frame.shape[1::-1] != self.camera_resolution:
            found, wanted = (" x ".join(map(str, size)) for size in (frame.shape[1::-1], self.camera_resolution))
            raise InputError(f"found a picture of {found} pixels, expected the view camera's {wanted}")
        if not blend:
            return self.seamed.of(frame)
        picture, (left, top, right, bottom) = self.blended.of(frame), self.box
        if self.weights.size:
            part = picture[top:bottom, left:right]
            mixed = cv2.blendLinear(np.ascontiguousarray(part), self.second.of(frame), *self.weights)
            part[...] = mixed.reshape(part.shape)
        return picture


def build_top(view: ViewMap, top: TopView) -> TopMaps:
    """The tables for a view's map.

    Raises
    ------
    MeasurementError
        The camera sees nothing of what the top view should show.
    """
    places = places_seen(view, top)
    if not places:
        width, depth = top.size_mm
        raise MeasurementError(
            f"the camera sees nothing of the {width:g} x {depth:g} mm around ({top.centre_mm[0]:g}, "
            f"{top.centre_mm[1]:g}) that [view.top] asks for: correct size_mm and centre_mm in rig.toml"
        )
    label, doubles_mm, seam_mm = _cleared(seamed(places), places, top.mm_per_pixel)
    numbers = np.array([zone.zone for zone in places] + [NONE], np.int16)
    first, second, share = _two_best(places)
    box = _box_of(second != NONE)
    part = (slice(box[1], box[3]), slice(box[0], box[2]))
    weight = np.where(second != NONE, 1.0 - share, 0.0)[part].astype(np.float32)
    return TopMaps(
        top=top,
        camera_resolution=view.resolution,
        zone=numbers[label],
        seamed=_lookup(label, places),
        blended=_lookup(first, places),
        second=_lookup(second, places, part),
        box=box,
        weights=np.stack([1.0 - weight, weight]),
        doubles_mm=doubles_mm,
        seam_mm=seam_mm,
    )


def _cleared(
    label: NDArray[np.int16], places: Sequence[SeenPlaces], mm_per_pixel: float
) -> tuple[NDArray[np.int16], float, float]:
    """The seams, wider (dark) where things up to CLEAR_MM would be seen twice; above which height they are; length.

    Notes
    -----
    Zones that keep h (a_j - a_i) . n apart show nothing of height h twice.
    """
    seam, apart = doubling(label, places)
    wide_px = CLEAR_MM * apart / mm_per_pixel
    if wide_px.max(initial=0.0) >= _NARROW_PX:
        # a pixel more on either side: the seam lies between two
        distance, nearest = distance_transform_edt(~(seam & (wide_px >= _NARROW_PX)), return_indices=True)
        label = np.where(distance <= wide_px[tuple(nearest)] / 2.0 + 1.0, np.int16(NONE), label)
    doubled = seam & (apart > _PARALLEL)
    gap_px = 2.0 * (distance_transform_edt(label == NONE) + 1.0)
    heights = gap_px[doubled] * mm_per_pixel / apart[doubled]
    return label, float(heights.min(initial=np.inf)), float(np.count_nonzero(seam)) * mm_per_pixel


def _two_best(places: Sequence[SeenPlaces]) -> tuple[NDArray[np.int16], NDArray[np.int16], Array]:
    """(H, W) the two zones whose edges are furthest away, NONE where there are not so many; the first one's share."""
    inside = np.stack([distance_transform_edt(np.pad(zone.seen, 1))[1:-1, 1:-1] for zone in places]).astype(np.float32)
    order = np.argsort(-inside, axis=0, kind="stable")[:2]
    depth = np.take_along_axis(inside, order, axis=0)
    ranked = np.where(depth > 0.0, order, NONE).astype(np.int16)
    if len(places) == 1:
        return ranked[0], np.full_like(ranked[0], NONE), np.ones(ranked[0].shape)
    return ranked[0], ranked[1], depth[0] / np.maximum(depth.sum(axis=0), 1e-6)


def _box_of(mask: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of what is True; nothing where nothing is."""
    if not mask.any():
        return 0, 0, 0, 0
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1


def _lookup(
    label: NDArray[np.int16], places: Sequence[SeenPlaces], part: tuple[slice, slice] = (slice(None), slice(None))
) -> Lookup:
    """The remap that shows at each pixel the zone of `label`."""
    at = np.full((*label[part].shape, 2), _NOWHERE, np.float32)
    for number, zone in enumerate(places):
        here = label[part] == number
        at[here] = zone.pixels_px[part][here]
    if not at.size:
        return Lookup(whole_px=np.zeros((*at.shape,), np.int16), fraction=np.zeros(at.shape[:2], np.uint16))
    whole, fraction = cv2.convertMaps(at[..., 0], at[..., 1], cv2.CV_16SC2)
    return Lookup(whole_px=np.asarray(whole, np.int16), fraction=np.asarray(fraction, np.uint16))
