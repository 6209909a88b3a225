"""What the design of a view sees: each mirror traced by itself, and the nearest one of them counts."""

from collections.abc import Sequence

import numpy as np

from rigwarp.geometry import Array, BoolArray, ViewMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.rig import Table, inside_table
from rigwarp.tracing import LightFate, OpticalModel, Trace, trace_pixels
from rigwarp.view.parts import ViewPart


def trace_view(parts: Sequence[ViewPart], table: Table) -> ViewMap:
    """The table as the design sees it, by all parts; sigma_mm 0, `measured` False everywhere."""
    width, height = parts[0].model.projector.resolution
    shape = (height, width)
    found = {name: np.full(shape, np.nan) for name in ("x_mm", "y_mm", "lean_x", "lean_y")}
    zone, nearest = np.full(shape, NO_LIGHT, np.int16), np.full(shape, np.inf)
    for part in parts:
        traced = trace_pixels(part.model)
        way, sees = (part.own_picture(picture) for picture in _way_and_sight(part, traced, table))
        nearer = way < nearest
        nearest[nearer] = way[nearer]
        here = nearer & sees
        lean = part.own_picture(lean_of(part.model, traced.table_mm, traced.mirror_mm))
        spot = part.own_picture(traced.table_mm)
        for name, values in zip(found, (*np.moveaxis(spot, -1, 0), *np.moveaxis(lean, -1, 0)), strict=True):
            found[name][nearer] = np.where(here, values, np.nan)[nearer]
        number = np.where(here, part.own_picture(traced.zone) + part.first_zone, NO_LIGHT)
        zone[nearer] = number[nearer].astype(np.int16)
    return ViewMap(sigma_mm=np.where(zone != NO_LIGHT, 0.0, np.nan), zone=zone, measured=np.zeros(shape, bool), **found)


def _way_and_sight(part: ViewPart, traced: Trace, table: Table) -> tuple[Array, BoolArray]:
    """(H, W) distance from the camera to the mirror, infinite past it, and whether the table is seen over it.

    The table seen directly is behind every mirror, however near it is.
    """
    met = np.isfinite(traced.mirror_mm[..., 0]) & ~np.isin(traced.reason, (LightFate.MISSES_MIRROR, LightFate.SPILL))
    way = np.linalg.norm(traced.mirror_mm - part.model.source_in_mirror_mm, axis=-1)
    sees = np.isfinite(traced.table_mm[..., 0])
    sees[sees] = inside_table(table, traced.table_mm[sees])
    if part.mirror is None:
        way = np.full(way.shape, np.finfo(float).max)
    return np.where(met, way, np.inf), sees


def lean_of(model: OpticalModel, places_mm: Array, mirror_mm: Array, height_mm: Array | float = 0.0) -> Array:
    """(..., 2) mm sideways per mm of height of sight from (..., 3) points of a mirror to places (..., 2).

    The places are on the table, or (...) so high over it.
    """
    at_mirror = model.mirror.to_table(mirror_mm)
    down = at_mirror[..., 2] - model.table_height_mm - height_mm
    return np.asarray((places_mm - at_mirror[..., :2]) / down[..., None])
