"""Flat facets cut into a curved mirror: their corners lie on it, so that neither slope nor curvature gives them away.

A plane that cuts a curved surface leaves a rim on both. What tells such a facet from triangles of the mirror is that
several lie in one plane, wider than those around, and that its rim turns by as much as the mirror bends over it.
"""

import numpy as np

from rigwarp.geometry import Array, BoolArray
from rigwarp.tracing.cad.creases import turns
from rigwarp.tracing.cad.patches import Patch, trusted_normals
from rigwarp.tracing.cad.welding import Numbers, face_groups, lengths

_FEWEST = 3  # triangles; a grid's quads may be flat on any mirror
_WIDER, _MOST = 1.25, 90.0  # times the width that so many per cent of what lies in one plane do not exceed
_TURN = 0.5  # of the mirror's curvature times the facet's width, at its rim
_ROUNDINGS = 8.0  # that triangles in one plane may stand off it
_AT_ONCE = 200_000  # edges
_SHOWS = 60.0  # times that is how far the mirror would bend over it: three triangles lie in one plane to 20 by chance


def flat_spots(front: Patch, hits: Numbers, *, rounding_mm: float) -> list[BoolArray]:
    """(M,) which triangles of the front make up each flat facet within it; `hits` (M,) says where light falls."""
    edges, normals = front.edges, trusted_normals(front, rounding_mm)
    if not len(edges.ends) or not hits.any():
        return []
    within = _ROUNDINGS * rounding_mm
    side, turn, flat, apparent = _at_edges(front, normals, within)
    label = face_groups(len(front.faces), edges.faces[flat]).astype(np.int64)
    if not label.any():  # triangles so fine that each is in its neighbour's plane to rounding
        return []
    count, area = np.bincount(label), np.bincount(label, weights=front.areas_mm2)
    rim = label[edges.faces[:, 0]] != label[edges.faces[:, 1]]
    around = _summed(label[edges.faces[rim]], side[rim], len(count))
    width = np.divide(2.0 * area, around, out=np.zeros(len(count)), where=around > 0.0)
    rim &= np.isfinite(turn)
    turned = _summed(label[edges.faces[rim]], (side * turn)[rim], len(count))
    turned /= np.maximum(_summed(label[edges.faces[rim]], side[rim], len(count)), 1e-300)
    largest = np.zeros(len(hits))  # curvature that a triangle has at its sides
    for i in (0, 1):
        np.maximum.at(largest, edges.faces[:, i], apparent)
    curvature = float(np.median(np.repeat(largest, hits)))
    usual = np.percentile(np.repeat(width[label], hits), _MOST)
    found = (count >= _FEWEST) & (width >= _WIDER * usual)
    found &= (turned >= _TURN * curvature * width) & (0.5 * curvature * width**2 >= _SHOWS * within)
    at_border = np.zeros(len(front.vertices_mm), bool)
    at_border[edges.border] = True
    found[label[at_border[front.faces].any(axis=1)]] = False  # chamfers
    spots = (_in_plane(front, label == k, np.isnan(normals[:, 0]), within) for k in np.flatnonzero(found))
    return [spot for spot in spots if spot is not None]


def away_from(patch: Patch, spots: list[Patch]) -> Patch:
    """Those triangles of a patch that no facet touches: a mesh kernel's cut left corners a chord off the surface."""
    touched = np.any([spot.used for spot in spots], axis=0)
    return patch.part(~touched[patch.faces].any(axis=1))


def _at_edges(front: Patch, normals: Array, within_mm: float) -> tuple[Array, Array, BoolArray, Array]:
    """(E,) length, turn (NaN beside a sliver), whether it is none, and turn over the mean height of both triangles."""
    edges, areas = front.edges, front.areas_mm2
    side, turn, apparent = (np.empty(len(edges.ends)) for _ in range(3))
    flat = np.empty(len(side), bool)
    for begin in range(0, len(side), _AT_ONCE):
        part = slice(begin, begin + _AT_ONCE)
        ends, faces = front.vertices_mm[edges.ends[part]], edges.faces[part]
        side[part] = lengths(ends[:, 1] - ends[:, 0])
        heights = 2.0 * areas[faces] / side[part, None]
        turn[part] = turns(normals, faces)
        flat[part] = turn[part] * heights.min(axis=1) <= within_mm
        apparent[part] = np.nan_to_num(turn[part]) / np.maximum(heights.mean(axis=1), 1e-300)
    return side, turn, flat, apparent


def _summed(groups: Numbers, values: Array, count: int) -> Array:
    """(count,) values (E,) summed over the two groups (E, 2) of each."""
    return np.asarray(sum(np.bincount(groups[:, i], weights=values, minlength=count) for i in (0, 1)), float)


def _in_plane(front: Patch, spot: BoolArray, slivers: BoolArray, within_mm: float) -> BoolArray | None:
    """A group of triangles and the slivers in its plane beside it; None where it lies in no plane as a whole."""
    normal = front.area_vectors_mm2[spot].sum(axis=0)
    normal /= np.linalg.norm(normal)
    corners = front.vertices_mm[front.faces[spot]].reshape(-1, 3)
    middle = corners.mean(axis=0)
    if np.abs((corners - middle) @ normal).max() > within_mm:
        return None
    own = np.zeros(len(front.vertices_mm), bool)
    own[front.faces[spot]] = True
    beside = np.flatnonzero(slivers & (own[front.faces].sum(axis=1) >= 2))
    off = np.abs((front.vertices_mm[front.faces[beside]] - middle) @ normal).max(axis=1)
    whole = spot.copy()
    whole[beside[off <= within_mm]] = True
    return whole
