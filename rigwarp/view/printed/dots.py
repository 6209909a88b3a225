"""Printed dots seen through a view's map: where each lies on the table, and how far that is from its lattice.

Dots share nothing with a scan, and unlike a board's corners nothing with how corners are found: the middle of a dot is
the centroid of its ink, weighed on the table, so that no lens, mirror or slant shifts it (pixel by pixel, by the map).
The sheet may lie anywhere: the lattice that fits best is laid on the dots, and nothing is stretched.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rigwarp.errors import InputError, MeasurementError
from rigwarp.geometry import Array, BoolArray, IntArray, Photo, ViewMap
from rigwarp.view.printed.check import SheetCheck, compared

DOT_SHARE = 0.5
"""Diameter of our dots over the distance from one to the next."""
_FEWEST = 20
_INK = 0.7  # times the paper's light: darker is ink
_LEAST_PX = 3.0  # across a dot: below, its pixels are too few to weigh
_WIDER = 0.3  # of the diameter: the window reaches so far past a dot, to hold all its blur
_AREA = (0.6, 1.5)  # of the printed dot's
_ROUND = 1.4  # longer over shorter axis: a dot cut by an edge or a crease is less round
_NEIGHBOUR = (0.75, 1.25)  # times the pitch
_IN_LINE = 0.7  # how well the neighbours' directions agree
_OFF = 0.2  # of the pitch: what lies so far from its place is no dot of the sheet


@dataclass(frozen=True, kw_only=True)
class DotsSeen:
    """(N,) dots: `pixels_px` and `table_mm` (N, 2), and the `zone` over which each was seen."""

    pixels_px: Array
    table_mm: Array
    zone: IntArray


def check_dots_through(view: ViewMap, photo: Photo, *, number: int, pitch_mm: float, height_mm: float) -> SheetCheck:
    """Compare the dots in one photograph, of all zones together, with a square lattice.

    Parameters
    ----------
    view : the measured map.
    photo : (H, W) grey, as the camera delivers it.
    number : of the photograph.
    pitch_mm : from dot to dot, as measured on the print; dots are half as wide.
    height_mm : of the print over the table.

    Raises
    ------
    InputError
        The photograph has another size than the map.
    MeasurementError
        Too few dots are seen, or they lie on no such lattice.
    """
    found = find_dots(view, photo, diameter_mm=DOT_SHARE * pitch_mm, height_mm=height_mm)
    if len(found.zone) < _FEWEST:
        raise MeasurementError(
            f"{len(found.zone)} printed dots are seen where the map knows the table, {_FEWEST} are needed: lay the "
            f"sheet inside what the mirrors show, light it evenly, and check that its dots are {pitch_mm:g} mm apart"
        )
    node = _lattice(found.table_mm, pitch_mm)
    u, v = np.rint(found.pixels_px).astype(int).T
    check = compared(node * pitch_mm, found.table_mm, sigma_mm=view.sigma_mm[v, u], zone=found.zone, photo=number)
    good = np.linalg.norm(check.error_mm, axis=-1) < _OFF * pitch_mm
    return compared(
        node[good] * pitch_mm,
        found.table_mm[good],
        sigma_mm=view.sigma_mm[v, u][good],
        zone=found.zone[good],
        photo=number,
        outside=int(np.count_nonzero(~good)),
    )


def find_dots(view: ViewMap, photo: Photo, *, diameter_mm: float, height_mm: float) -> DotsSeen:
    """Round dark discs of one size, whole ones only, zone by zone.

    Raises
    ------
    InputError
        The photograph has another size than the map.
    """
    if photo.shape != view.zone.shape:
        (height, width), seen = view.zone.shape, photo.shape
        raise InputError(f"found {seen[1]} x {seen[0]} pixels, expected the {width} x {height} of the view's map")
    pixels, places, zones = [], [], []
    for zone in np.unique(view.zone[view.measured]):
        here = view.measured & (view.zone == zone)
        for pixel, place in _in_zone(view, photo, here, diameter_mm, height_mm):
            pixels.append(pixel)
            places.append(place)
            zones.append(int(zone))
    return DotsSeen(
        pixels_px=np.array(pixels, float).reshape(-1, 2),
        table_mm=np.array(places, float).reshape(-1, 2),
        zone=np.array(zones, np.int64),
    )


def _in_zone(
    view: ViewMap, photo: Photo, here: BoolArray, diameter_mm: float, height_mm: float
) -> list[tuple[Array, Array]]:
    """Middle of each whole dot: pixel, and place on the table."""
    spots = np.where(here[..., None], view.table_mm - height_mm * view.lean, np.nan)
    down, across = np.gradient(spots, axis=(0, 1))
    area = np.abs(across[..., 0] * down[..., 1] - across[..., 1] * down[..., 0])
    across_px = diameter_mm / float(np.sqrt(np.nanmedian(area)))
    if not across_px >= _LEAST_PX:
        return []
    ink = _ink(photo, here, across_px)
    dark = (ink > 1.0 - _INK) & here
    count, names, boxes, _ = cv2.connectedComponentsWithStats(dark.astype(np.uint8), connectivity=8)
    wider = max(1, round(_WIDER * across_px))
    found = []
    for left, top, width, height, _ in boxes[1:count]:
        if max(width, height) > 3 * across_px or min(width, height) < across_px / 3:
            continue
        box = (slice(max(top - wider, 0), top + height + wider), slice(max(left - wider, 0), left + width + wider))
        if here[box].all() and np.isfinite(area[box]).all() and len(np.unique(names[box])) == 2:
            dot = _middle(ink[box], spots[box], area[box], diameter_mm)
            if dot is not None:
                found.append((dot[0] + [box[1].start, box[0].start], dot[1]))
    return found


def _ink(photo: Photo, here: BoolArray, across_px: float) -> Array:
    """(H, W) share of the paper's light that is missing."""
    light = np.where(here, photo, np.median(photo[here])).astype(np.float32)
    size = 2 * int(np.ceil(0.8 * across_px)) + 1
    paper = cv2.morphologyEx(light, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    paper = cv2.GaussianBlur(paper, (0, 0), across_px)
    return 1.0 - np.asarray(light, float) / np.maximum(paper, 1.0)


def _middle(ink: Array, spots: Array, area: Array, diameter_mm: float) -> tuple[Array, Array] | None:
    """Centroid of a dot's ink in its window (x, y), and on the table; None if that is no whole round dot."""
    edge = np.concatenate([ink[0], ink[-1], ink[:, 0], ink[:, -1]])
    ink = ink - np.median(edge)
    most = float(np.percentile(ink, 95))
    weight: NDArray[np.float64] = np.where(ink > 0.1 * most, ink, 0.0) * area
    total = weight.sum()
    if not _AREA[0] < total / most / (np.pi / 4.0 * diameter_mm**2) < _AREA[1]:
        return None
    place = np.einsum("ij,ijk->k", weight, spots) / total
    off = spots - place
    spread = np.linalg.eigvalsh(np.einsum("ij,ijk,ijl->kl", weight, off, off) / total)
    if spread[1] > _ROUND**2 * spread[0]:
        return None
    rows, columns = np.indices(ink.shape)
    return np.array([(weight * columns).sum(), (weight * rows).sum()]) / total, place


def _lattice(table_mm: Array, pitch_mm: float) -> Array:
    """(N, 2) whole numbers: the node of the square lattice that each dot lies next to."""
    pairs = cKDTree(table_mm).query_pairs(_NEIGHBOUR[1] * pitch_mm, output_type="ndarray")
    way = (table_mm[pairs[:, 1]] - table_mm[pairs[:, 0]]) @ [1.0, 1.0j]
    way = way[np.abs(way) > _NEIGHBOUR[0] * pitch_mm]
    turns = np.mean((way / np.abs(way)) ** 4) if len(way) >= _FEWEST else 0.0
    if np.abs(turns) < _IN_LINE:
        raise MeasurementError(
            f"{len(table_mm)} printed dots are seen, but not {pitch_mm:g} mm apart in rows and columns: say how far "
            "they are apart on the print (--dots MM), and lay no second sheet beside it"
        )
    straight = table_mm @ [1.0, 1.0j] * np.exp(-0.25j * np.angle(turns)) / pitch_mm
    parts = [straight.real, straight.imag]
    phase = [np.angle(np.mean(np.exp(2j * np.pi * part))) / (2.0 * np.pi) for part in parts]
    return np.stack([np.round(part - at) for part, at in zip(parts, phase, strict=True)], axis=-1)
