"""Measured maps, corrected: for parts that have moved, and by a smooth field."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.ndimage import distance_transform_edt, map_coordinates

from rigwarp.geometry import Array, BoolArray, PixelMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.table_map.registration import apply_shifts
from rigwarp.tracing import OpticalModel

_STEP_PX = 4  # differences between two traces vary slowly, but for dents
_MARGIN = 4  # nodes around the picture, so that the interpolation's border lies outside it


def moved_map(table_map: PixelMap, model: OpticalModel, shifts: Array) -> PixelMap:
    """The map after rigid motions of projector and mirror.

    Parameters
    ----------
    table_map : as measured before.
    model : the light path that goes with it, see `light_model`.
    shifts : (12,) projector shift, turn, mirror shift, turn.

    Notes
    -----
    The difference of the two traced light paths is added to the measurement, which keeps what the model does not know.
    """
    height, width = table_map.x_mm.shape
    rows, columns = (_STEP_PX * np.arange(-_MARGIN, n // _STEP_PX + _MARGIN + 1.0) for n in (height, width))
    nodes = np.stack(np.meshgrid(columns, rows), axis=-1)
    moved = apply_shifts(model, shifts)
    spots = table_map.table_mm.copy()
    for zone in np.unique(table_map.zone[table_map.zone != NO_LIGHT]):
        there, here = (m.trace(nodes, zone=int(zone), extended=True).table_mm for m in (moved, model))
        difference = _filled(there - here)
        v, u = np.nonzero(table_map.zone == zone)
        at = np.stack([v, u]) / _STEP_PX + _MARGIN
        for axis in (0, 1):
            spots[v, u, axis] += map_coordinates(difference[..., axis], at, order=3, mode="nearest")
    return replace(table_map, x_mm=spots[..., 0], y_mm=spots[..., 1])


def shifted_map(
    table_map: PixelMap, correction: Callable[[Array], Array], sigma_mm: Callable[[Array], Array] | None = None
) -> PixelMap:
    """The map with a correction (..., 2) -> (..., 2) mm added at its own places.

    `sigma_mm` (..., 2) -> (...,) is the correction's own uncertainty; it is added to the map's.
    """
    spots = table_map.table_mm
    moved = spots + correction(spots)
    sigma = table_map.sigma_mm if sigma_mm is None else np.hypot(table_map.sigma_mm, sigma_mm(spots))
    return replace(table_map, x_mm=moved[..., 0], y_mm=moved[..., 1], sigma_mm=sigma)


def _filled(values: Array) -> Array:
    """(h, w, 2) with NaN replaced by the nearest known value; zero where nothing is known."""
    known: BoolArray = np.asarray(np.isfinite(values).all(axis=-1))
    if not known.any():
        return np.zeros_like(values)
    row, column = distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(values[row, column])
