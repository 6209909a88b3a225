"""The strip of projector pixels along the designed border of two zones, in which the built border is looked for."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, map_coordinates
from scipy.spatial import cKDTree

from rigwarp.geometry import Array, BoolArray, IntArray
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.tracing import OpticalModel

_HALVINGS = 7  # from a pixel to a hundredth
_NEIGHBOURS = 15  # points of a border that tell its direction
_SMOOTHED = 4  # over as many the distance is averaged
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
    distance_px : (h, w) of each pixel from the designed border, which is taken to go on straight past its ends;
        negative on the first zone's side, NaN out of reach.
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
        distance[~(np.abs(distance) <= self.reach_px)] = np.inf
        return distance

    def stretch_of(self, pixels_px: Array) -> IntArray:
        """(N,) the piece of border nearest to each of (N, 2) pixels."""
        return self.stretch[cKDTree(self.edge_px).query(pixels_px, workers=2)[1]]

    def meets(self, pixels_px: Array) -> BoolArray:
        """(N,) whether the designed border comes as near to (N, 2) pixels as it may be off."""
        away, _ = cKDTree(self.edge_px).query(pixels_px, distance_upper_bound=self.half_px)
        return np.isfinite(away)

    def centres_px(self) -> Array:
        """(n, 2) middle of each piece."""
        count = np.bincount(self.stretch)
        return np.stack([np.bincount(self.stretch, c) / count for c in self.edge_px.T], axis=-1)

    def across(self, pixels_px: Array) -> Array:
        """(N, 2) unit vectors from the first zone towards the second."""
        where = np.clip((pixels_px - self.corner_px).T[::-1], 0, np.array(self.distance_px.shape)[:, None] - 1)
        down, right = (np.gradient(self.distance_px, axis=axis) for axis in (0, 1))
        steepest = np.stack([map_coordinates(g, where, order=1) for g in (right, down)], axis=-1)
        return np.asarray(steepest / np.maximum(np.linalg.norm(steepest, axis=-1, keepdims=True), 1e-9))

    def window(self) -> tuple[slice, slice]:
        """Rows and columns of the picture that `distance_px` covers."""
        (u, v), (h, w) = self.corner_px, self.distance_px.shape
        return slice(int(v), int(v) + h), slice(int(u), int(u) + w)


def bands_of(model: OpticalModel, zone_map: NDArray[np.int16]) -> list[Band]:
    """One for each two neighbouring zones of a design and its map (H, W); unlit pixels belong to the nearest zone."""
    dark = zone_map == NO_LIGHT
    if dark.all() or len(np.unique(zone_map[~dark])) < 2:
        return []
    away, (row, column) = distance_transform_edt(dark, return_indices=True)
    filled = zone_map[row, column].astype(np.int64)
    share, least, most = _HALF
    half_px = float(np.clip(share * zone_map.shape[1], least, most))
    found = []
    ends, pairs = _steps(filled, away <= half_px)
    for zones in np.unique(pairs, axis=0):
        here = (pairs == zones).all(axis=-1)
        if np.count_nonzero(here) >= _FEWEST:
            edge_px, across = _refined(model, ends[:, here], (int(zones[0]), int(zones[1])))
            found.append(_band((int(zones[0]), int(zones[1])), zone_map.shape, edge_px, across, half_px))
    return found


def _steps(filled: IntArray, near: BoolArray) -> tuple[Array, IntArray]:
    """(2, K, 2) neighbouring pixels of unlike zones near light, the lower zone's first, and (K, 2) their zones."""
    ends, pairs = [], []
    for axis in (0, 1):
        one, other = (np.take(filled, np.arange(s, filled.shape[axis] - 1 + s), axis=axis) for s in (0, 1))
        v, u = np.nonzero((one != other) & np.take(near, np.arange(one.shape[axis]), axis=axis))
        first = np.stack([u, v], axis=-1).astype(float)
        both = np.stack([first, first + np.array([0.0, 1.0] if axis == 0 else [1.0, 0.0])])
        pair = np.stack([one[v, u], other[v, u]], axis=-1)
        ends.append(np.where((pair[:, 0] < pair[:, 1])[:, None], both, both[::-1]))
        pairs.append(np.sort(pair, axis=-1))
    return np.concatenate(ends, axis=1), np.concatenate(pairs)


def _refined(model: OpticalModel, ends: Array, zones: tuple[int, int]) -> tuple[Array, Array]:
    """(K, 2) points on a border and (K, 2) unit vectors across it towards the second zone, from pixels either side.

    Halving what lies between them; points whose pixels miss the mirror stay in the middle.
    """

    def zone_at(pixels_px: Array) -> IntArray:
        return np.asarray(model.reflection(model.pixel_rays(pixels_px)).zone, np.int64)

    sure = (zone_at(ends[0]) == zones[0]) & (zone_at(ends[1]) == zones[1])
    if np.count_nonzero(sure) >= _FEWEST:
        ends = ends[:, sure]
        low, high = ends
        for _ in range(_HALVINGS):
            middle = (low + high) / 2.0
            before = (zone_at(middle) == zones[0])[:, None]
            low, high = np.where(before, middle, low), np.where(before, high, middle)
    else:
        low, high = ends
    points = (low + high) / 2.0
    _, near = cKDTree(points).query(points, k=min(_NEIGHBOURS, len(points)))
    around = points[near] - points[near].mean(axis=1, keepdims=True)
    across = np.linalg.eigh(np.swapaxes(around, 1, 2) @ around)[1][:, :, 0]
    toward = (ends[1] - ends[0])[near].mean(axis=1)
    return points, across * np.where(np.sum(across * toward, axis=-1) < 0, -1.0, 1.0)[:, None]


def _band(zones: tuple[int, int], shape: tuple[int, ...], edge_px: Array, across: Array, half_px: float) -> Band:
    room = int(np.ceil(_ROOM * half_px))
    low = np.maximum(np.floor(edge_px.min(axis=0)).astype(int) - room, 0)
    high = np.minimum(np.ceil(edge_px.max(axis=0)).astype(int) + room + 1, shape[::-1])
    v, u = np.mgrid[low[1] : high[1], low[0] : high[0]]
    pixels = np.stack([u, v], axis=-1).astype(float)
    away, near = cKDTree(edge_px).query(pixels, k=_SMOOTHED, workers=2)
    distance = np.mean(np.sum((pixels[:, :, None] - edge_px[near]) * across[near], axis=-1), axis=-1)
    size = max(float(np.ptp(edge_px, axis=0).max()) / _STRETCHES, 1.0)
    cell = np.floor((edge_px - edge_px.min(axis=0)) / size).astype(int)
    return Band(
        zones=zones,
        half_px=half_px,
        corner_px=low,
        distance_px=np.where(np.asarray(away)[..., 0] <= room, distance, np.nan),
        edge_px=edge_px,
        stretch=np.unique(cell, axis=0, return_inverse=True)[1].ravel(),
    )
