"""The strip of projector pixels along the designed border of two zones, in which the built border is looked for."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter, map_coordinates
from scipy.spatial import cKDTree

from rigwarp.geometry import Array, BoolArray, IntArray
from rigwarp.geometry.pixel_map import NO_LIGHT

_STEPS_BLUR_PX = 2.0  # takes the steps of the pixels out of the distance
_FEWEST = 20  # pixels of common border
_HALF = (0.04, 12.0, 80.0)  # of the picture's width, at least and at most px: a fold bent a millimetre beside its line
_ROOM = 2.5  # times the half width on either side belong to the strip
_STRETCHES = 12  # along the longer side of the border's box


@dataclass(frozen=True, kw_only=True)
class Band:
    """The surroundings of the border between two zones.

    Attributes
    ----------
    zones : the two.
    half_px : the built border is looked for this far from the designed one, on either side.
    corner_px : (2,) the pixel (u, v) of the first entry of `distance_px`.
    distance_px : (h, w) of each pixel from the designed border; negative on the first zone's side.
    edge_px : (K, 2) points on the designed border.
    stretch : (K,) the piece of border to which each belongs, 0, 1, 2, ...
    """

    zones: tuple[int, int]
    half_px: float
    corner_px: IntArray
    distance_px: Array
    edge_px: Array
    stretch: IntArray

    @property
    def reach_px(self) -> float:
        """How far from the designed border the strip goes."""
        return _ROOM * self.half_px

    def distance(self, pixels_px: Array) -> Array:
        """(N,) distance of (N, 2) pixels from the designed border, negative in the first zone; infinite far off."""
        where = (pixels_px - self.corner_px).T[::-1]
        inside = np.all((where.T >= 0) & (np.array(self.distance_px.shape) - 1 >= where.T), axis=-1)
        distance = np.full(len(pixels_px), np.inf)
        distance[inside] = map_coordinates(self.distance_px, where[:, inside], order=1)
        distance[np.abs(distance) > self.reach_px] = np.inf
        return distance

    def stretch_of(self, pixels_px: Array) -> IntArray:
        """(N,) the piece of border nearest to each of (N, 2) pixels."""
        return self.stretch[cKDTree(self.edge_px).query(pixels_px)[1]]

    def centres_px(self) -> Array:
        """(n, 2) middle of each piece."""
        count = np.bincount(self.stretch)
        return np.stack([np.bincount(self.stretch, c) / count for c in self.edge_px.T], axis=-1)

    def window(self) -> tuple[slice, slice]:
        """Rows and columns of the picture that `distance_px` covers."""
        (u, v), (h, w) = self.corner_px, self.distance_px.shape
        return slice(int(v), int(v) + h), slice(int(u), int(u) + w)


def bands_of(zone_map: NDArray[np.int16]) -> list[Band]:
    """One for each two neighbouring zones of a designed map (H, W); unlit pixels belong to the nearest zone."""
    dark = zone_map == NO_LIGHT
    if dark.all() or len(np.unique(zone_map[~dark])) < 2:
        return []
    away, (row, column) = distance_transform_edt(dark, return_indices=True)
    filled = zone_map[row, column].astype(np.int64)
    share, least, most = _HALF
    half_px = float(np.clip(share * zone_map.shape[1], least, most))
    points, pairs = _edges(filled, away <= half_px)
    return [
        _band((int(a), int(b)), filled, points[(pairs == [a, b]).all(axis=-1)], half_px)
        for a, b in np.unique(pairs, axis=0)
        if np.count_nonzero((pairs == [a, b]).all(axis=-1)) >= _FEWEST
    ]


def _edges(filled: IntArray, near: BoolArray) -> tuple[Array, IntArray]:
    """(K, 2) points between pixels of unlike zones where there is light near, and (K, 2) the zones, lower first."""
    points, pairs = [], []
    for axis in (0, 1):
        one, other = (np.take(filled, np.arange(s, filled.shape[axis] - 1 + s), axis=axis) for s in (0, 1))
        v, u = np.nonzero((one != other) & np.take(near, np.arange(one.shape[axis]), axis=axis))
        middle = np.stack([u, v], axis=-1) + (np.array([0.0, 0.5]) if axis == 0 else np.array([0.5, 0.0]))
        points.append(middle)
        pairs.append(np.sort(np.stack([one[v, u], other[v, u]], axis=-1), axis=-1))
    return np.concatenate(points), np.concatenate(pairs)


def _band(zones: tuple[int, int], filled: IntArray, edge_px: Array, half_px: float) -> Band:
    room = int(np.ceil(_ROOM * half_px))
    low = np.maximum(np.floor(edge_px.min(axis=0)).astype(int) - room, 0)
    high = np.minimum(np.ceil(edge_px.max(axis=0)).astype(int) + room + 1, filled.shape[::-1])
    here = filled[low[1] : high[1], low[0] : high[0]]
    to_first, to_second = (distance_transform_edt(here != zone) for zone in zones)
    # to the middle between two pixels rather than to the neighbour's centre
    distance = np.maximum(to_first - 0.5, 0.0) - np.maximum(to_second - 0.5, 0.0)
    size = max(float(np.ptp(edge_px, axis=0).max()) / _STRETCHES, 1.0)
    cell = np.floor((edge_px - edge_px.min(axis=0)) / size).astype(int)
    return Band(
        zones=zones,
        half_px=half_px,
        corner_px=low,
        distance_px=gaussian_filter(distance, _STEPS_BLUR_PX, mode="nearest"),
        edge_px=edge_px,
        stretch=np.unique(cell, axis=0, return_inverse=True)[1].ravel(),
    )
