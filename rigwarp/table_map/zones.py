"""Which zone of the mirror lit a sample, and which zone a projector pixel belongs to.

The design says so to within the mounting: near a crease the built mirror's border runs a few pixels beside the designed
one. There the place on the table decides, since neighbouring zones throw neighbouring pixels to different places.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.pixel_map import NO_LIGHT, zones_lit
from rigwarp.geometry.threads import in_two_threads
from rigwarp.table_map.registration import trace_zones
from rigwarp.table_map.samples import Samples
from rigwarp.tracing import OpticalModel

_UNSURE_PX = 80.0  # beyond this distance from a designed border the design is taken at its word
_CLEARLY = 3.0  # times nearer to where another zone throws the pixel ...
_CLEARLY_MM = 3.0  # ... and by at least this much: then it is the other zone's


def assign_zones(
    model: OpticalModel, zone_map: NDArray[np.int16], samples: Samples, *, doubtful: BoolArray | None = None
) -> NDArray[np.int64]:
    """(N,) zone of each sample: by the design map (H, W), or by where it landed when that speaks clearly against it.

    `doubtful` (N,) are those whose place is looked at, by default all.
    """
    lit = zones_lit(zone_map)
    if len(lit) == 1:
        return np.full(len(samples), lit[0], np.int64)
    filled, away = _filled(zone_map, lit)
    u, v = _indices(samples.pixels_px, zone_map.shape)
    zone = filled[v, u].copy()
    unsure = np.flatnonzero((away[v, u] < _UNSURE_PX) & (True if doubtful is None else doubtful))
    if len(lit) < 2 or not len(unsure):
        return zone
    pixels, table = samples.pixels_px[unsure], samples.table_mm[unsure]
    distance = np.stack(in_two_threads(lambda number: _distance(model, pixels, table, number), lit))
    numbers = np.array(lit)
    nearest = np.argmin(distance, axis=0)
    shortest = distance[nearest, np.arange(len(unsure))]
    own = distance[np.searchsorted(numbers, zone[unsure]), np.arange(len(unsure))]
    changes = (own > _CLEARLY * shortest) & (own > shortest + _CLEARLY_MM)
    zone[unsure[changes]] = numbers[nearest[changes]]
    return zone


def zone_owners(pixels_px: Mapping[int, NDArray[np.floating]], shape: tuple[int, ...]) -> NDArray[np.int16]:
    """(H, W) zone whose samples, (N, 2) by zone, are nearest to each projector pixel."""
    seen = np.full(shape, NO_LIGHT, np.int16)
    for zone, positions in pixels_px.items():
        if len(pixels_px) == 1:
            return np.full(shape, zone, np.int16)
        u, v = _indices(positions, shape)
        seen[v, u] = zone
    row, column = distance_transform_edt(seen == NO_LIGHT, return_distances=False, return_indices=True)
    return np.asarray(seen[row, column])


def _filled(zone_map: NDArray[np.int16], lit: list[int]) -> tuple[NDArray[np.int64], Array]:
    """The zone of the nearest lit pixel, (H, W), and the distance to the nearest pixel of another zone of `lit`."""
    row, column = distance_transform_edt(zone_map == NO_LIGHT, return_distances=False, return_indices=True)
    filled = zone_map[row, column].astype(np.int64)
    away = np.full(zone_map.shape, np.inf)

    def measure(number: int) -> None:
        inside = filled == number
        if not inside.all():
            away[inside] = distance_transform_edt(inside)[inside]

    in_two_threads(measure, lit)
    return filled, away


def _indices(pixels_px: NDArray[np.floating], shape: tuple[int, ...]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Column and row of the nearest pixel."""
    u = np.clip(np.rint(pixels_px[:, 0]).astype(np.int64), 0, shape[1] - 1)
    v = np.clip(np.rint(pixels_px[:, 1]).astype(np.int64), 0, shape[0] - 1)
    return u, v


def _distance(model: OpticalModel, pixels_px: Array, table_mm: Array, zone: int) -> Array:
    """How far from where a zone would throw each pixel it was seen; infinite where the zone throws it nowhere."""
    landed = trace_zones(model, pixels_px, np.full(len(pixels_px), zone))
    distance = np.linalg.norm(landed - table_mm, axis=-1)
    return np.where(np.isfinite(distance), distance, np.inf)
