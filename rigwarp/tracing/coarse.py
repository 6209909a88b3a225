"""A design's light path by its triangles alone: quick and rough, and there even where the design cannot be right."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array, TriangleMesh, plane_hit
from rigwarp.rig import MeshShape, Rig, inside_content
from rigwarp.tracing.build import closed_forms
from rigwarp.tracing.cad.tessellation import join, tessellate
from rigwarp.tracing.pinhole import pixel_rays
from rigwarp.tracing.shadows import RayTracer

_ACROSS = 40  # rays across the picture
_CELLS = 50  # of the picture that must come down on the content area, or there are more rays


@dataclass(frozen=True, kw_only=True)
class CoarsePath:
    """Rays of some pixels, table frame; (..., 3) each, NaN where they do not get that far.

    Attributes
    ----------
    at_mirror_mm : where they meet the mirror's triangles.
    table_mm : where they come down on the table plane afterwards.
    """

    at_mirror_mm: Array
    table_mm: Array


def mirror_triangles(rig: Rig, meshes: Mapping[str, TriangleMesh], profiles: Mapping[str, Array]) -> TriangleMesh:
    """The mirror as triangles, in its own frame: the export itself, or a closed form cut up."""
    shape = rig.mirror.shape
    if isinstance(shape, MeshShape):
        return meshes[shape.file]
    return join([tessellate(surface) for surface in closed_forms(shape, profiles)])


def coarse_path(rig: Rig, mirror: RayTracer, pixels_px: Array) -> CoarsePath:
    """Follow pixels (..., 2) over the mirror's flat triangles (own frame), whichever side reflects; no obstacles."""
    pixels = np.asarray(pixels_px, float)
    placement, source = rig.mirror.placement, rig.projector.placement.position_mm
    rays = pixel_rays(rig.projector, pixels.reshape(-1, 2)) @ placement.rotation
    at, after = mirror.glints(np.broadcast_to(placement.to_part(source), rays.shape), rays)
    at_mirror, out = placement.to_table(at), after @ placement.rotation.T
    with np.errstate(invalid="ignore"):
        ahead = np.where(out[:, 2] < 0.0, plane_hit(at_mirror, out, rig.table.height_mm), np.nan)
    shape = (*pixels.shape[:-1], 3)
    return CoarsePath(at_mirror_mm=at_mirror.reshape(shape), table_mm=(at_mirror + ahead[:, None] * out).reshape(shape))


def picture_grid(rig: Rig, *, across: int = _ACROSS) -> Array:
    """(rows, across, 2) pixels spread evenly over the picture, corner to corner."""
    width, height = rig.projector.resolution
    rows = max(2, round(across * height / width))
    u, v = np.linspace(-0.5, width - 0.5, across), np.linspace(-0.5, height - 0.5, rows)
    return np.stack(np.meshgrid(u, v), axis=-1)


def content_lit(rig: Rig, mirror: RayTracer) -> tuple[float, float]:
    """About what share of the content area is lit (at most 1), and the median side of a projector pixel there, mm.

    The share is that of the area: places lit twice count twice. The side is NaN where nothing is lit.
    """
    width, height = rig.content.size_mm
    whole = width * height * (np.pi / 4.0 if rig.content.shape == "circle" else 1.0)
    for across in (_ACROSS, 4 * _ACROSS, 16 * _ACROSS):
        grid = picture_grid(rig, across=across)
        spots = coarse_path(rig, mirror, grid).table_mm[..., :2]
        along, down = np.diff(spots, axis=1)[:-1], np.diff(spots, axis=0)[:, :-1]
        area_mm2 = np.abs(along[..., 0] * down[..., 1] - along[..., 1] * down[..., 0])
        known = np.isfinite(area_mm2)
        if not known.any() or whole > _CELLS * np.median(area_mm2[known]):  # else too small to be hit by so few
            break
    lit = known & inside_content(rig.content, spots[:-1, :-1])
    pixels = float(np.prod(grid[1, 1] - grid[0, 0]))
    side_mm = float(np.sqrt(np.median(area_mm2[lit]) / pixels)) if lit.any() else float("nan")
    return min(1.0, float(area_mm2[lit].sum() / whole)), side_mm
