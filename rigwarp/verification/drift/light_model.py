"""The light path of a result as a traceable model: the design with the measured figure, mounted as the map says."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, PixelMap
from rigwarp.table_map import register
from rigwarp.tracing import OpticalModel, Surface
from rigwarp.tracing.surfaces.spline_solve import solve_spline

_SAMPLES = 2500  # of the map: the pose is well told by them
_NODES_PER_CELL = 2.2  # of the height map: as fine as it is, and no finer
_FEWEST_CELLS, _MOST_CELLS = 2, 40
_FEWEST_NODES = 50
_ROUNDS = 10  # each gains two digits on a slope of a hundredth


def figured_model(
    design: OpticalModel, heights: Mapping[str, NDArray[np.generic]] | None, *, reflecting_side: int = 1
) -> OpticalModel:
    """The design with the measured figure.

    Parameters
    ----------
    design : as rig.toml has it.
    heights : x_mm, y_mm, height_um, zone of as_built.npz; None where the figure is not known: the design's is used.
    reflecting_side : +1 where positive heights are along the mirror's +z, -1 else.
    """
    if heights is None:
        return design
    x, y = np.meshgrid(np.asarray(heights["x_mm"], float), np.asarray(heights["y_mm"], float))
    up_mm = reflecting_side * np.asarray(heights["height_um"], float) / 1000.0
    zone = np.asarray(heights["zone"])
    figures = {}  # per zone, the measured heights as a spline in the surface's own frame
    for surface in design.surfaces:
        here = (zone == surface.zone) & np.isfinite(up_mm)
        if np.count_nonzero(here) < _FEWEST_NODES:
            continue
        points = _deviation(surface, x[here], y[here], up_mm[here])
        points = points[np.isfinite(points).all(axis=1)]
        cells = int(np.clip(np.sqrt(len(points)) / _NODES_PER_CELL, _FEWEST_CELLS, _MOST_CELLS))
        figures[surface.zone] = solve_spline(points, (cells, cells))[0]
    return design.with_figure(figures)


def map_mounting(model: OpticalModel, table_map: PixelMap, tolerances: Array) -> Array:
    """(12,) shifts, in the order of `Registration.shifts`, by which a model agrees best with a measured map.

    Parameters
    ----------
    model : of `figured_model`.
    table_map : the measurement.
    tolerances : (12,) of the mounting, see `mounting_tolerances`.

    Notes
    -----
    With the figure in it the model then follows the map to hundredths of a millimetre, and so it predicts how light
    moves with a part to a few thousandths of the shift; with the design's figure alone, to some hundredths.
    """
    v, u = np.nonzero(table_map.measured)
    chosen = np.arange(0, len(v), max(1, len(v) // _SAMPLES))
    pixels = np.stack([u[chosen], v[chosen]], axis=-1).astype(float)
    spots = table_map.table_mm[v[chosen], u[chosen]]
    return register(model, pixels, spots, table_map.zone[v[chosen], u[chosen]].astype(np.int64), tolerances).shifts


def _deviation(surface: Surface, x_mm: Array, y_mm: Array, up_mm: Array) -> Array:
    """(n, 3) x, y and height deviation in the surface's frame, of heights along mirror z over mirror x, y."""
    T = surface.T_mirror_from_surface
    z = np.zeros_like(x_mm)
    for _ in range(_ROUNDS):  # the design's own z over mirror x, y
        own = (np.stack([x_mm, y_mm, z], axis=-1) - T[:3, 3]) @ T[:3, :3]
        z = z - (own[:, 2] - surface.sag(own[:, 0], own[:, 1])) / T[2, 2]
    own = (np.stack([x_mm, y_mm, z + up_mm], axis=-1) - T[:3, 3]) @ T[:3, :3]
    return np.column_stack([own[:, 0], own[:, 1], own[:, 2] - surface.sag(own[:, 0], own[:, 1])])
