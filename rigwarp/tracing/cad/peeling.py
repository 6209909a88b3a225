"""Triangles along a face's rim that belong to the next one: a rounding's first row may turn as little as the mirror."""

from collections.abc import Callable

import numpy as np

from rigwarp.geometry import Array, BoolArray
from rigwarp.tracing.cad.patches import Patch
from rigwarp.tracing.cad.welding import Numbers
from rigwarp.tracing.surfaces.height_field import spline_by_density, spread_sample
from rigwarp.tracing.surfaces.panel import frame_on_plane

_FAR = 10.0  # times the usual residual; the largest of ten thousand normal ones is six times their median
_MOST_LIGHT = 0.05  # of a face's light may fall on what is peeled off: more is no rim
_FEWEST = 100  # vertices below which a spline says nothing about one of them
_PASSES = 6
_ASKED = 20_000  # triangles that say what residual is usual


def peeled(patch: Patch, hits: Numbers, *, least_mm: float, on_surface_mm: Array | None = None) -> Patch:
    """The patch without the triangles at its rim that stray from the smooth surface through all of it.

    Parameters
    ----------
    hits : (K,) rays that meet each of the whole mesh's triangles.
    least_mm : what strays by less is left.
    on_surface_mm : (K, n, 3) more points of each of the whole mesh's triangles.
    """
    for _ in range(_PASSES):
        light = hits[patch.numbers]
        if not light.any() or patch.used.sum() < _FEWEST:
            return patch
        stray = _stray_of(patch, on_surface_mm)
        lit = np.flatnonzero(light > 0)
        usual = float(np.median(stray(lit[spread_sample(len(lit), _ASKED)])))
        bad = _at_rim(patch, stray, max(_FAR * usual, least_mm))
        if not bad.any() or light[bad].sum() > _MOST_LIGHT * light.sum():
            return patch
        patch = patch.part(~bad)
    return patch


def _stray_of(patch: Patch, on_surface_mm: Array | None) -> Callable[[Numbers], Array]:
    """What tells of triangles (K,) how far their corners and further points stray, at most, from one spline."""
    areas, used = patch.area_vectors_mm2.sum(axis=0), patch.used
    T = frame_on_plane(patch.vertices_mm[used], areas / np.linalg.norm(areas))
    vertices = (patch.vertices_mm - T[:3, 3]) @ T[:3, :3]
    points, further = vertices[used], np.empty((len(patch.faces), 0, 3))
    if on_surface_mm is not None:
        further = (on_surface_mm[patch.numbers] - T[:3, 3]) @ T[:3, :3]
        there = np.isfinite(further[..., 0])
        points = np.concatenate([points, further[there]])
        further = np.where(there[..., None], further, vertices[patch.faces[:, :1]])
        points = points[np.lexsort(points[:, :2].T)]
    spline = spline_by_density(points)

    def stray(faces: Numbers) -> Array:
        asked = np.concatenate([vertices[patch.faces[faces]], further[faces]], axis=1)
        x, y, z = asked.reshape(-1, 3).T
        return np.asarray(np.abs(z - spline.value(x, y)).reshape(asked.shape[:2]).max(axis=1))

    return stray


def _at_rim(patch: Patch, stray: Callable[[Numbers], Array], allowed_mm: float) -> BoolArray:
    """(M,) triangles that stray by more and hang together, corner to corner, with one at the patch's rim."""
    bad, asked = np.zeros(len(patch.faces), bool), np.zeros(len(patch.faces), bool)
    at_corner = np.zeros(len(patch.vertices_mm), bool)
    at_corner[patch.edges.border] = True
    while True:
        new = np.flatnonzero(at_corner[patch.faces].any(axis=1) & ~asked)
        asked[new] = True
        found = new[stray(new) > allowed_mm]
        if not len(found):
            return bad
        bad[found] = True
        at_corner[patch.faces[found]] = True
