"""From a table map to the prewarp: mesh, gain, zones."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, PixelMap
from rigwarp.prewarp.bisection import compact, lattice_size, point_errors, triangles_of
from rigwarp.prewarp.extend import extend_linearly
from rigwarp.prewarp.gain import LOWEST_GAIN, content_depth_px, edge_coverage, flattening
from rigwarp.prewarp.model import Prewarp
from rigwarp.prewarp.rasterise import interpolate_mesh
from rigwarp.rig import Content, Transfer
from rigwarp.rig.canvas import table_to_content

TOLERANCE_PX = 0.05
"""Default: the mesh may stray from the map by this many content pixels."""
_TIGHTEN = 0.7
_MAX_TIGHTENINGS = 12
_ZoneMesh = tuple[Array, Array, NDArray[np.int32]]


def build_prewarp(
    table_map: PixelMap,
    content: Content,
    transfer: Transfer,
    *,
    light: Array | None = None,
    tolerance_px: float = TOLERANCE_PX,
    flatten_limit: float = LOWEST_GAIN,
) -> Prewarp:
    """Build the mesh and the gain that put content undistorted on the table.

    Parameters
    ----------
    table_map : where each projector pixel lands.
    content : the canvas on the table.
    transfer : the projector's transfer curve.
    light : (H, W), optional
        Irradiance on the table made by each projector pixel at white, any unit, NaN unknown; brightness is evened
        out with it, never below `flatten_limit`. Without it nothing is dimmed.
    tolerance_px : content pixels by which the mesh may stray from the map at any lit content pixel.

    Raises
    ------
    MeasurementError
        When no projector pixel lands on the content area.
    """
    content_px = table_to_content(content, table_map.table_mm)
    content_px[table_map.zone < 0] = np.nan
    depth_px = content_depth_px(content_px, content)
    coverage = edge_coverage(depth_px)
    drawn = coverage > 0
    if not drawn.any():
        raise MeasurementError(_nothing_lit(table_map))
    zones = np.unique(table_map.zone[drawn])
    parts = [
        _zone_mesh(content_px, drawn & (table_map.zone == zone), tolerance_px, table_map.zone == zone) for zone in zones
    ]
    gain = coverage if light is None else coverage * flattening(light, drawn, lowest_gain=flatten_limit)
    return _assembled(parts, zones, table_map, content, gain, transfer, content_px)


def _nothing_lit(table_map: PixelMap) -> str:
    answered = int(table_map.answered.sum())
    return (
        f"none of the {answered} projector pixels with a table position lands on the content area; "
        "check centre_mm and the size of [content] in rig.toml against the map"
    )


def content_coordinates(prewarp: Prewarp) -> Array:
    """Content pixel under each projector pixel centre, interpolated from the mesh as a GPU does; (H, W, 2).

    NaN where no triangle of the pixel's own zone lies.
    """
    return interpolate_mesh(
        prewarp.vertices_px,
        prewarp.content_px,
        prewarp.triangles,
        prewarp.projector_resolution,
        triangle_zone=prewarp.triangle_zone,
        zone=prewarp.zone,
    )


def _zone_mesh(content_px: Array, drawn: BoolArray, tolerance_px: float, own: BoolArray) -> _ZoneMesh:
    """The mesh of one zone: vertices (N, 2), content pixels (N, 2), triangles (M, 3)."""
    height, width = drawn.shape
    lattice = np.full((lattice_size(height), lattice_size(width), 2), np.nan)
    lattice[:height, :width] = np.where(own[..., None], content_px, np.nan)
    counts = np.zeros(lattice.shape[:2], bool)
    counts[:height, :width] = drawn
    lattice = extend_linearly(lattice)
    errors = point_errors(lattice, counts)
    threshold = tolerance_px
    for _ in range(_MAX_TIGHTENINGS):
        vertices_px, triangles = compact(triangles_of(errors > threshold), counts.shape)
        columns, rows = vertices_px.astype(int).T
        values = lattice[rows, columns]
        drawn_by_mesh = interpolate_mesh(vertices_px, values, triangles, (width, height))
        worst = np.linalg.norm(drawn_by_mesh - content_px, axis=-1)[drawn].max()
        if worst <= tolerance_px:
            break
        threshold *= _TIGHTEN
    return _pruned(vertices_px, values, triangles, drawn)


def _pruned(vertices_px: Array, values: Array, triangles: NDArray[np.int32], drawn: BoolArray) -> _ZoneMesh:
    """Only the triangles that touch a drawn pixel, and the vertices they use."""
    height, width = drawn.shape
    corners = vertices_px[triangles]
    # summed-area table: how many drawn pixels lie in each triangle's bounding box
    total = np.zeros((height + 1, width + 1), np.int64)
    total[1:, 1:] = drawn.cumsum(axis=0).cumsum(axis=1)
    low = np.clip(corners.min(axis=1).astype(int), 0, [width, height])
    high = np.clip(corners.max(axis=1).astype(int) + 1, 0, [width, height])
    inside = (
        total[high[:, 1], high[:, 0]]
        - total[low[:, 1], high[:, 0]]
        - total[high[:, 1], low[:, 0]]
        + total[low[:, 1], low[:, 0]]
    )
    kept = triangles[inside > 0]
    used, numbers = np.unique(kept, return_inverse=True)
    return vertices_px[used], values[used], numbers.reshape(-1, 3).astype(np.int32)


def _assembled(
    parts: list[_ZoneMesh],
    zones: NDArray[np.int16],
    table_map: PixelMap,
    content: Content,
    gain: Array,
    transfer: Transfer,
    content_px: Array,
) -> Prewarp:
    """The zones' meshes put side by side, and how far they stray from the map."""
    first = np.cumsum([0] + [len(part[0]) for part in parts])[:-1]
    prewarp = Prewarp(
        projector_resolution=table_map.resolution,
        content_pixels=content.pixels,
        vertices_px=np.concatenate([part[0] for part in parts]),
        content_px=np.concatenate([part[1] for part in parts]),
        triangles=np.concatenate([part[2] + np.int32(start) for part, start in zip(parts, first, strict=True)]),
        triangle_zone=np.repeat(zones, [len(part[2]) for part in parts]).astype(np.int16),
        zone=table_map.zone,
        gain=gain.astype(np.float32),
        transfer=transfer,
        mesh_error_px=float("nan"),
    )
    stray = np.linalg.norm(content_coordinates(prewarp) - content_px, axis=-1)
    return replace(prewarp, mesh_error_px=float(stray[gain > 0].max()))
