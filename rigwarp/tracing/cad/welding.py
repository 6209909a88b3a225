"""Mesh topology: welding a triangle soup, its edges, and which way its faces look."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rigwarp.geometry import Array, BoolArray, TriangleMesh

Numbers = NDArray[np.int64]

_FLOAT32 = 2.0**-23  # relative spacing of the numbers in a binary STL
_WELD = 1e-6  # of the mesh's size: above rounding in text files, far below any edge
_ROUNDINGS = 4.0  # vertices that were one before rounding differ by one or two steps per axis
_BUCKETS = 2**20  # per axis: three of them fit into one 64-bit key
_CLOSED_SHARE = 0.005  # of open or badly wound edges that still pass for a closed solid: exports have small defects


@dataclass(frozen=True, kw_only=True)
class Edges:
    """Edges that two or more faces share, one row per pair of faces.

    Attributes
    ----------
    ends : (E, 2) vertex numbers, ascending.
    faces : (E, 2) the two faces.
    opposite : (E, 2) each face's third vertex.
    same_way : (E,) True where both faces run along the edge in the same direction, so that they look opposite ways.
    border : (B, 2) ends of the edges that only one face has, in that face's direction.
    """

    ends: Numbers
    faces: Numbers
    opposite: Numbers
    same_way: BoolArray
    border: Numbers


def area_vectors(vertices_mm: Array, faces: Numbers) -> Array:
    """(M, 3) area times unit normal of triangles, mm^2."""
    a, b, c = (vertices_mm[faces[:, i]] for i in range(3))
    return 0.5 * np.cross(b - a, c - a)


def rounding_mm(mesh: TriangleMesh) -> float:
    """How far rounding to float32 may have moved a vertex: half a step at the largest coordinate."""
    return 0.5 * _FLOAT32 * float(np.abs(mesh.vertices_mm[used_vertices(mesh.faces, len(mesh.vertices_mm))]).max())


def weld(mesh: TriangleMesh) -> TriangleMesh:
    """Merge vertices that only rounding keeps apart; drop faces that collapse or repeat, and vertices without face."""
    used = used_vertices(mesh.faces, len(mesh.vertices_mm))
    points, faces = np.asarray(mesh.vertices_mm, float)[used], _renumbered(mesh.faces, used)
    size = float(np.ptp(points, axis=0).max())
    tolerance = max(_WELD * size, 2.0 * _ROUNDINGS * rounding_mm(mesh))
    bucket = np.floor((points - points.min(axis=0)) * ((_BUCKETS - 1) / size)).astype(np.int64)
    key = (bucket[:, 0] * _BUCKETS + bucket[:, 1]) * _BUCKETS + bucket[:, 2]
    _, first, which = np.unique(key, return_index=True, return_inverse=True)
    merged = _merge_close(points[first], tolerance)
    faces = merged[which.reshape(-1)][faces.reshape(-1, 3)]
    whole = np.flatnonzero((faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0]))
    faces = faces[whole]
    corner = np.sort(faces, axis=1)
    n = len(first)
    _, kept = np.unique((corner[:, 0] * n + corner[:, 1]) * n + corner[:, 2], return_index=True)
    kept = np.sort(kept)
    faces = faces[kept]
    left = used_vertices(faces, n)
    more = None if mesh.on_surface_mm is None else mesh.on_surface_mm[whole[kept]]
    return TriangleMesh(vertices_mm=points[first][left], faces=_renumbered(faces, left), on_surface_mm=more)


def used_vertices(faces: Numbers, count: int) -> BoolArray:
    """(count,) which vertices belong to a face."""
    used = np.zeros(count, bool)
    used[faces.ravel()] = True
    return used


def _renumbered(faces: Numbers, used: BoolArray) -> Numbers:
    """Faces after the vertices that are not used have gone."""
    return (np.cumsum(used) - 1)[faces].astype(np.int64)


def _merge_close(points: Array, tolerance: float) -> Numbers:
    """For each point the number of the point that stands for it: points within `tolerance` become one."""
    pairs = cKDTree(points).query_pairs(tolerance, output_type="ndarray")
    if len(pairs) == 0:
        return np.arange(len(points))
    graph = sparse.coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points),) * 2)
    _, group = connected_components(graph, directed=False)
    representative = np.full(group.max() + 1, len(points))
    np.minimum.at(representative, group, np.arange(len(points)))
    return representative[group]


def edges_of(faces: Numbers) -> Edges:
    """Shared and border edges of (M, 3) faces."""
    directed = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    third = faces[:, [2, 0, 1]].reshape(-1)
    owner = np.repeat(np.arange(len(faces)), 3)
    low, high = directed.min(axis=1), directed.max(axis=1)
    key = low * (int(faces.max()) + 1) + high
    order = np.argsort(key, kind="stable")
    same = key[order][1:] == key[order][:-1]
    i, j = order[:-1][same], order[1:][same]
    lonely = np.ones(len(key), bool)
    lonely[i] = lonely[j] = False
    return Edges(
        ends=np.stack([low[i], high[i]], axis=-1),
        faces=np.stack([owner[i], owner[j]], axis=-1),
        opposite=np.stack([third[i], third[j]], axis=-1),
        same_way=directed[i, 0] == directed[j, 0],
        border=directed[lonely],
    )


def outward_faces(mesh: TriangleMesh) -> TriangleMesh | None:
    """A closed mesh with each body wound outwards; None where the mesh is not closed or not wound consistently."""
    edges = edges_of(mesh.faces)
    total = len(edges.border) + len(edges.ends)
    if len(edges.border) + int(edges.same_way.sum()) > _CLOSED_SHARE * total:
        return None
    label = face_groups(len(mesh.faces), edges.faces)
    centre = mesh.vertices_mm.mean(axis=0)
    a = mesh.vertices_mm[mesh.faces[:, 0]] - centre
    volume = np.bincount(label, weights=np.sum(a * area_vectors(mesh.vertices_mm, mesh.faces), axis=1))
    faces = mesh.faces.copy()
    inward = volume[label] < 0.0
    faces[inward] = faces[inward][:, ::-1]
    return TriangleMesh(vertices_mm=mesh.vertices_mm, faces=faces)


def face_groups(count: int, pairs: Numbers) -> NDArray[np.int32]:
    """(count,) group number of each face when (P, 2) pairs of faces belong together."""
    graph = sparse.coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    return connected_components(graph, directed=False)[1]
