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
_OPEN_SHARE = 0.01  # of the area that may be missing from it; a fine sheet's border edges are few, too


@dataclass(frozen=True, kw_only=True)
class Edges:
    """Edges that two or more faces share, one row per pair of faces.

    Attributes
    ----------
    ends : (E, 2) vertex numbers, ascending.
    faces : (E, 2) the two faces.
    opposite : (E, 2) each face's third vertex.
    same_way : (E,) True where both faces run along the edge in the same direction, so that they look opposite ways.
    border : (B, 2) ends of the edges that only one face has.
    border_faces : (B,) that face.
    manifold : whether no edge has more than two faces.
    """

    ends: Numbers
    faces: Numbers
    opposite: Numbers
    same_way: BoolArray
    border: Numbers
    border_faces: Numbers
    manifold: bool

    def part(self, chosen: BoolArray) -> "Edges":
        """Those of the chosen (M,) faces of a manifold, their numbers as they are once the others have gone."""
        number = np.cumsum(chosen) - 1
        here = chosen[self.faces]
        both, one = here.all(axis=1), here[:, 0] != here[:, 1]
        old = chosen[self.border_faces]
        lonely = np.where(here[one, 0], self.faces[one, 0], self.faces[one, 1])
        return Edges(
            ends=self.ends[both],
            faces=number[self.faces[both]],
            opposite=self.opposite[both],
            same_way=self.same_way[both],
            border=np.concatenate([self.border[old], self.ends[one]]),
            border_faces=number[np.concatenate([self.border_faces[old], lonely])],
            manifold=True,
        )


def area_vectors(vertices_mm: Array, faces: Numbers) -> Array:
    """(M, 3) area times unit normal of triangles, mm^2."""
    a, b, c = (vertices_mm[faces[:, i]].T for i in range(3))
    b, c = b - a, c - a
    return 0.5 * np.stack([b[i] * c[j] - b[j] * c[i] for i, j in ((1, 2), (2, 0), (0, 1))], axis=-1)


def lengths(vectors: Array) -> Array:
    """(M,) of vectors (M, 3); three times as fast as a norm along the last axis."""
    return np.asarray(np.sqrt(np.einsum("mi,mi->m", vectors, vectors)))


def rounding_mm(mesh: TriangleMesh) -> float:
    """How far rounding to float32 may have moved a vertex: half a step at the largest coordinate."""
    used = used_vertices(mesh.faces, len(mesh.vertices_mm))
    return 0.5 * _FLOAT32 * float(np.abs(mesh.vertices_mm if used.all() else mesh.vertices_mm[used]).max())


def weld(mesh: TriangleMesh) -> TriangleMesh:
    """Merge vertices that only rounding keeps apart; drop faces that collapse or repeat, and vertices without face."""
    used = used_vertices(mesh.faces, len(mesh.vertices_mm))
    points, faces = np.asarray(mesh.vertices_mm, float), mesh.faces
    if not used.all():
        points, faces = points[used], _renumbered(faces, used)
    size = max(float(np.ptp(along)) for along in points.T)  # column by column: three times as fast
    tolerance = max(_WELD * size, 2.0 * _ROUNDINGS * rounding_mm(mesh))
    first, which = _alike(points, size)
    points, faces = points[first], which[faces]
    faces = _merged(points, faces, tolerance)[faces]
    whole = np.flatnonzero((faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0]))
    kept = whole[_unrepeated(faces[whole], len(points))]
    kept = kept[np.argsort(faces[kept, 0], kind="stable")]  # in memory, too, neighbours are to lie close together
    faces = faces[kept]
    left = used_vertices(faces, len(points))
    return TriangleMesh(
        vertices_mm=points[left],
        faces=_renumbered(faces, left),
        on_surface_mm=None if mesh.on_surface_mm is None else mesh.on_surface_mm[kept],
        exact=None if mesh.exact is None else mesh.exact.of(kept),
    )


def _alike(points: Array, size: float) -> tuple[Numbers, Numbers]:
    """The first point in each cell of a fine grid, in the cells' order, and for each point the number of its cell's."""
    key = np.zeros(len(points), np.int64)
    for axis in range(3):
        along = points[:, axis]
        key *= _BUCKETS
        key += ((along - along.min()) * ((_BUCKETS - 1) / size)).astype(np.int64)
    order = np.argsort(key)
    key = key[order]
    begins = np.ones(len(key), bool)
    np.not_equal(key[1:], key[:-1], out=begins[1:])
    which = np.empty(len(key), np.int64)
    which[order] = np.cumsum(begins) - 1
    return np.minimum.reduceat(order, np.flatnonzero(begins)), which


def _unrepeated(faces: Numbers, count: int) -> Numbers:
    """Numbers of the faces (M, 3), the first of those with the same three corners."""
    corner = np.sort(faces, axis=1)
    key = (corner[:, 0] * count + corner[:, 1]) * count + corner[:, 2]
    in_order = np.sort(key)  # ten times as fast as to ask for the order, too
    if not (in_order[1:] == in_order[:-1]).any():
        return np.arange(len(faces))
    return np.sort(np.unique(key, return_index=True)[1])


def used_vertices(faces: Numbers, count: int) -> BoolArray:
    """(count,) which vertices belong to a face."""
    used = np.zeros(count, bool)
    used[faces.ravel()] = True
    return used


def _renumbered(faces: Numbers, used: BoolArray) -> Numbers:
    """Faces after the vertices that are not used have gone."""
    return (np.cumsum(used) - 1)[faces].astype(np.int64)


def _merged(points: Array, faces: Numbers, tolerance: float) -> Numbers:
    """For each point the number of the point that stands for it: points within `tolerance` become one.

    What is to be merged has an edge that no second face shares, or is joined by an edge as short as that.
    """
    key = np.sort(_edge_keys(faces, len(points)))
    alike = key[1:] == key[:-1]
    key = key[~(np.append(alike, False) | np.append(False, alike))]  # one face's alone
    rim = np.unique(np.concatenate(np.divmod(key, len(points))))
    a, b = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    for axis in range(3):  # most edges are too long along the first already
        along = np.ascontiguousarray(points[:, axis])
        short = np.abs(along[a] - along[b]) <= tolerance
        a, b = a[short], b[short]
    pairs = np.stack([a, b], axis=-1)[a != b]
    if len(rim):
        pairs = np.concatenate([pairs, rim[cKDTree(points[rim]).query_pairs(tolerance, output_type="ndarray")]])
    if len(pairs) == 0:
        return np.arange(len(points))
    group = face_groups(len(points), pairs)
    representative = np.full(group.max() + 1, len(points))
    np.minimum.at(representative, group, np.arange(len(points)))
    return representative[group]


def edges_of(faces: Numbers) -> Edges:
    """Shared and border edges of (M, 3) faces; each border edge runs as its face does."""
    count = int(faces.max(initial=0)) + 1
    key = _edge_keys(faces, count)
    order = np.argsort(key)
    ordered = key[order]
    same = ordered[1:] == ordered[:-1]
    manifold = not (same[1:] & same[:-1]).any()
    if not manifold:  # which of an edge's faces come in pairs must not depend on how a machine sorts
        order = np.argsort(key, kind="stable")
    first, second = np.flatnonzero(same), np.flatnonzero(same) + 1
    lonely = np.ones(len(key), bool)
    lonely[first] = lonely[second] = False
    ends = np.stack(np.divmod(ordered[first], count), axis=-1)
    sides = np.sort(np.stack([order[first], order[second]], axis=-1), axis=-1)
    alone = np.sort(order[lonely])
    corners = faces.ravel()
    return Edges(
        ends=ends,
        faces=sides // 3,
        opposite=corners[sides - sides % 3 + (sides + 2) % 3],
        same_way=corners[sides[:, 0]] == corners[sides[:, 1]],
        border=np.stack([corners[alone], corners[alone - alone % 3 + (alone + 1) % 3]], axis=-1),
        border_faces=alone // 3,
        manifold=manifold,
    )


def _edge_keys(faces: Numbers, count: int) -> Numbers:
    """(3 M,) one number for each side of each face, the same whichever way it runs: its lower end comes first."""
    key = np.minimum(faces, faces[:, [1, 2, 0]])
    high = np.maximum(faces, faces[:, [1, 2, 0]])
    key *= count
    key += high
    return np.asarray(key.ravel())


def inward_faces(vectors: Array, edges: Edges, middles_mm: Array) -> BoolArray | None:
    """(M,) faces of a closed mesh that belong to bodies wound inwards; None where it is not closed or badly wound.

    Parameters
    ----------
    vectors : (M, 3) area vectors.
    edges : of the mesh.
    middles_mm : (M, 3) a point of each face.
    """
    total = len(edges.border) + len(edges.ends)
    if len(edges.border) + int(edges.same_way.sum()) > _CLOSED_SHARE * total:
        return None
    label = face_groups(len(vectors), edges.faces)
    # those of a closed body add up to 0
    openings: Array = np.stack([np.bincount(label, weights=along) for along in vectors.T], axis=-1)
    if lengths(openings).sum() > _OPEN_SHARE * lengths(vectors).sum():
        return None
    volume = np.bincount(label, weights=np.sum((middles_mm - middles_mm.mean(axis=0)) * vectors, axis=1))
    return np.asarray((volume < 0.0)[label])


def face_groups(count: int, pairs: Numbers) -> NDArray[np.int32]:
    """(count,) group number of each face when (P, 2) pairs of faces belong together."""
    one, other = np.ascontiguousarray(pairs.T, np.int32)
    graph = sparse.coo_matrix((np.ones(len(pairs)), (one, other)), shape=(count, count)).tocsr()
    return connected_components(graph, directed=False)[1]
