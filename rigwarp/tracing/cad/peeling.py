"""Triangles along a face's rim that belong to the next one: a rounding's first row may turn as little as the mirror."""

import numpy as np

from rigwarp.geometry import Array, BoolArray
from rigwarp.tracing.cad.patches import Patch
from rigwarp.tracing.cad.welding import Numbers, edges_of, face_groups, used_vertices
from rigwarp.tracing.surfaces.height_field import spline_by_density
from rigwarp.tracing.surfaces.panel import frame_on_plane

_FAR = 10.0  # times the usual residual; the largest of ten thousand normal ones is six times their median
_MOST_LIGHT = 0.05  # of a face's light may fall on what is peeled off: more is no rim
_FEWEST = 100  # vertices below which a spline says nothing about one of them
_PASSES = 6


def peeled(patch: Patch, hits: Numbers, *, least_mm: float, on_surface_mm: Array | None = None) -> Patch:
    """The patch without the triangles at its rim that stray from the smooth surface through all of it.

    Parameters
    ----------
    patch : Patch
    hits : (K,) rays that meet each of the whole mesh's triangles.
    least_mm : what strays by less is left.
    on_surface_mm : (K, n, 3) more points of each of the whole mesh's triangles.
    """
    for _ in range(_PASSES):
        off = _residuals_mm(patch, on_surface_mm)
        light = hits[patch.numbers]
        if off is None or not light.any():
            return patch
        bad = off > max(_FAR * float(np.median(off[light > 0])), least_mm)
        bad = _at_rim(patch, bad)
        if not bad.any() or light[bad].sum() > _MOST_LIGHT * light.sum():
            return patch
        patch = patch.part(~bad)
    return patch


def _residuals_mm(patch: Patch, on_surface_mm: Array | None) -> Array | None:
    """(M,) largest distance of each triangle's corners (and further points) from one spline; None for few corners."""
    areas = patch.area_vectors_mm2.sum(axis=0)
    used = used_vertices(patch.faces, len(patch.vertices_mm))
    if used.sum() < _FEWEST:
        return None
    points = patch.vertices_mm[patch.faces]
    if on_surface_mm is not None:
        points = np.concatenate([points, on_surface_mm[patch.numbers]], axis=1)
    T = frame_on_plane(patch.vertices_mm[used], areas / np.linalg.norm(areas))
    local = (points - T[:3, 3]) @ T[:3, :3]
    flat = np.unique(local.reshape(-1, 3), axis=0)
    spline = spline_by_density(flat)
    off = np.abs(local[..., 2] - spline.value(local[..., 0].ravel(), local[..., 1].ravel()).reshape(local.shape[:2]))
    return np.asarray(off.max(axis=1))


def _at_rim(patch: Patch, bad: BoolArray) -> BoolArray:
    """Those bad triangles that hang together, corner to corner by edges, with one at the patch's rim."""
    if not bad.any():
        return bad
    rim = np.zeros(len(patch.vertices_mm), bool)
    rim[patch.border] = True
    faces = patch.faces[bad]
    group = face_groups(len(faces), edges_of(faces).faces)
    reached = np.unique(group[rim[faces].any(axis=1)])
    answer = bad.copy()
    answer[bad] = np.isin(group, reached)
    return answer
