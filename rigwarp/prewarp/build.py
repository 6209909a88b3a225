"""From a table map to the prewarp: mesh, gain, zones."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, IntArray, PixelMap
from rigwarp.geometry.pixel_map import NO_LIGHT, zones_lit
from rigwarp.geometry.threads import all_in_two_threads, by_rows
from rigwarp.prewarp.bisection import TILE_PX, compact, lattice_size, straying_points, triangles_of, with_dependants
from rigwarp.prewarp.edge_blending import blending_weights
from rigwarp.prewarp.extend import fill_linearly
from rigwarp.prewarp.gain import LOWEST_GAIN, edge_coverage, evened, rim_share, smooth_light
from rigwarp.prewarp.model import Prewarp
from rigwarp.prewarp.rasterise import cover_pixels, interpolate, largest_strays
from rigwarp.rig import Content, Transfer
from rigwarp.rig.canvas import table_to_content

TOLERANCE_PX = 0.05
"""Default: the mesh may stray from the map by this many content pixels."""
ZoneMesh = tuple[Array, Array, NDArray[np.int32], float]
"""Vertices (N, 2), content pixels (N, 2), triangles (M, 3) of one zone; how far they stray from the map at most."""


def build_prewarp(
    table_map: PixelMap,
    content: Content,
    transfer: Transfer,
    *,
    light: Array | None = None,
    tolerance_px: float = TOLERANCE_PX,
    flatten_limit: float = LOWEST_GAIN,
    flatten_falloff: float = 0.0,
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
    flatten_falloff : share of the light by which the content's rim may stay darker than its middle, 0 .. below 1.
    tolerance_px : content pixels by which the mesh may stray from the map at any lit content pixel.

    Raises
    ------
    MeasurementError
        When no projector pixel lands on the content area.
    """
    content_px = np.empty((*table_map.zone.shape, 2))
    canvas_px = np.empty(content_px.shape, np.float32)

    begin, *steps = table_to_content(content, np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    by_x, by_y = np.array(steps) - begin

    def canvas(rows: slice) -> None:
        dark = table_map.zone[rows] < 0
        for i in (0, 1):
            plane = by_x[i] * table_map.x_mm[rows] + by_y[i] * table_map.y_mm[rows] + begin[i]
            plane[dark] = np.nan
            content_px[rows, :, i] = canvas_px[rows, :, i] = plane

    by_rows(canvas, table_map.zone.shape)
    coverage = edge_coverage(content_px, content)
    drawn = coverage > 0
    if not drawn.any():
        raise MeasurementError(_nothing_lit(table_map))
    zones = np.array(zones_lit(np.where(drawn, table_map.zone, np.int16(NO_LIGHT))), np.int16)

    def meshes() -> list[ZoneMesh]:
        return [zone_mesh(content_px, drawn, table_map.zone == zone, tolerance_px) for zone in zones]

    def gains() -> tuple[Array, Array | None, Array]:
        bare = coverage * blending_weights(content_px, table_map.zone, content.pixels)
        smooth = None if light is None else smooth_light(light, drawn)
        if smooth is None:
            return bare, None, bare
        rim = rim_share(content_px, content)
        return bare, smooth, evened(bare, smooth, rim, lowest_gain=flatten_limit, falloff=flatten_falloff)

    parts, (bare_gain, smooth, gain) = all_in_two_threads(meshes, gains)
    made = _assembled(parts, zones, table_map, content, gain, transfer, canvas_px)
    if smooth is None:
        return made
    return replace(made, light=smooth, bare_gain=bare_gain.astype(np.float32, copy=False))


def _nothing_lit(table_map: PixelMap) -> str:
    answered = int(table_map.answered.sum())
    return (
        f"none of the {answered} projector pixels with a table position lands on the content area; "
        "check centre_mm and the size of [content] in rig.toml against the map"
    )


def content_coordinates(prewarp: Prewarp) -> Array:
    """Content pixel under each projector pixel centre, (H, W, 2), NaN where none.

    Exact where the prewarp keeps what was computed; that of older files is interpolated from their mesh.
    """
    return mesh_coordinates(prewarp) if prewarp.canvas_px is None else prewarp.canvas_px.astype(float)


def mesh_coordinates(prewarp: Prewarp) -> Array:
    """Content pixel under each projector pixel centre, interpolated from the mesh as a GPU does; (H, W, 2).

    NaN where no triangle of the pixel's own zone lies.
    """
    cover = cover_pixels(
        prewarp.vertices_px,
        prewarp.triangles,
        prewarp.projector_resolution,
        triangle_zone=prewarp.triangle_zone,
        zone=prewarp.zone,
    )
    return interpolate(cover, prewarp.content_px, prewarp.triangles)


def zone_mesh(content_px: Array, drawn: BoolArray, own: BoolArray, tolerance_px: float) -> ZoneMesh:
    """The mesh of the zone whose pixels are `own`; see `ZoneMesh`."""
    drawn = drawn & own
    (top, bottom), (left, right) = (np.flatnonzero(drawn.any(axis=axis))[[0, -1]] for axis in (1, 0))
    # one pixel of room all round: a GPU leaves out pixels whose centre lies on the mesh's outer edge
    height, width = (int(last - first) + 3 for first, last in ((top, bottom), (left, right)))
    lattice = np.full((lattice_size(height), lattice_size(width), 2), np.nan)
    counts = np.zeros(lattice.shape[:2], bool)
    room = np.array([top == 0, left == 0], int)  # there the picture ends
    here = np.s_[max(top - 1, 0) : bottom + 2, max(left - 1, 0) : right + 2]
    rows, columns = drawn[here].shape
    inside = np.s_[room[0] : room[0] + rows, room[1] : room[1] + columns]
    lattice[inside], counts[inside] = content_px[here], drawn[here]
    lattice[inside][~own[here]] = np.nan
    vertices_px, values, triangles, stray_px = _refined_mesh(lattice, counts, (height, width), tolerance_px)
    corner_px = np.array([left, top]) - 1.0
    return vertices_px + corner_px, values, triangles, stray_px


def _refined_mesh(lattice: Array, counts: BoolArray, size: tuple[int, int], tolerance_px: float) -> ZoneMesh:
    """The mesh of one smooth map (NaN where it has no answer), within tolerance where it counts.

    The sides' middles decide first; then every triangle that still strays somewhere from the map is halved.

    Parameters
    ----------
    lattice : (n, m, 2), n and m as `lattice_size` wants them; filled in past its known pixels.
    counts : (n, m), within the first rows and columns that `size` tells.
    """
    drawn = counts[: size[0], : size[1]]
    # a triangle that holds a drawn pixel reaches a tile's side from it at most
    reach = np.ones((2 * TILE_PX + 1,) * 2, np.uint8)
    fill_linearly(lattice, cv2.dilate(counts.view(np.uint8), reach).view(bool))
    used = straying_points(lattice, counts, tolerance_px)
    keys, strays = np.zeros(0, np.int64), np.zeros(0)  # of all triangles judged so far
    while True:
        corners = triangles_of(with_dependants(used))
        vertices_px, triangles = compact(_touching(corners, drawn), counts.shape)
        columns, rows = vertices_px.astype(int).T
        values = lattice[rows, columns]
        point = rows * lattice.shape[1] + columns
        key = point[triangles[:, 0]] * lattice.size + point[triangles[:, 1]]  # a right angle and a side make a triangle
        fresh = triangles[~np.isin(key, keys)]
        stray_px = largest_strays(vertices_px, values, fresh, lattice, counts)
        keys, strays = np.concatenate([keys, key[~np.isin(key, keys)]]), np.concatenate([strays, stray_px])
        bad = fresh[stray_px > tolerance_px]
        if not bad.size:
            return vertices_px, values, triangles, float(strays[np.isin(keys, key)].max())
        middle = (vertices_px[bad[:, 1]] + vertices_px[bad[:, 2]]).astype(int) // 2  # of the longest side
        used[middle[:, 1], middle[:, 0]] = True


def _touching(corners: IntArray, drawn: BoolArray) -> IntArray:
    """Those triangles (M, 3, 2) (row, column) whose bounding box holds a drawn pixel."""
    height, width = drawn.shape
    # summed-area table: how many drawn pixels lie above and left of each pixel's corner
    total = np.zeros((height + 1, width + 1), np.int64)
    total[1:, 1:] = drawn.cumsum(axis=0).cumsum(axis=1)
    top, left = np.minimum(corners.min(axis=1), [height, width]).T
    bottom, right = np.minimum(corners.max(axis=1) + 1, [height, width]).T
    inside = total[bottom, right] - total[top, right] - total[bottom, left] + total[top, left]
    return corners[inside > 0]


def _assembled(
    parts: list[ZoneMesh],
    zones: NDArray[np.int16],
    table_map: PixelMap,
    content: Content,
    gain: Array,
    transfer: Transfer,
    canvas_px: NDArray[np.float32],
) -> Prewarp:
    """The zones' meshes put side by side, and the map itself."""
    return Prewarp(
        projector_resolution=table_map.resolution,
        content_pixels=content.pixels,
        **joined_meshes(parts, zones),
        zone=table_map.zone,
        gain=gain.astype(np.float32, copy=False),
        transfer=transfer,
        mesh_error_px=max(part[3] for part in parts),
        canvas_px=canvas_px,
    )


def joined_meshes(parts: Sequence[ZoneMesh], zones: NDArray[np.int16]) -> dict[str, Any]:
    """One mesh of the zones' meshes, as the fields of `Prewarp`; no vertex is shared by two zones."""
    first = np.cumsum([0] + [len(part[0]) for part in parts])[:-1]
    return {
        "vertices_px": np.concatenate([part[0] for part in parts]),
        "content_px": np.concatenate([part[1] for part in parts]),
        "triangles": np.concatenate([part[2] + np.int32(start) for part, start in zip(parts, first, strict=True)]),
        "triangle_zone": np.repeat(zones, [len(part[2]) for part in parts]).astype(np.int16),
    }
