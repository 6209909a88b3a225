"""From a CAD export to the smooth patches that reflect: weld, choose the side, split."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from rigwarp.errors import InputError
from rigwarp.geometry import Array, TriangleMesh

_WELD = 1e-6  # of the mesh's size: above float32 rounding, far below any edge
_GRAZING = 1e-3  # cosine: faces closer than this to edge-on do not count as reflecting


@dataclass(frozen=True, kw_only=True)
class Patch:
    """Part of a welded mesh.

    Attributes
    ----------
    vertices_mm : (N, 3) all of the mesh's welded vertices, mirror frame.
    faces : (M, 3) the patch's triangles, wound so that their normals point to the reflecting side.
    """

    vertices_mm: Array
    faces: NDArray[np.int64]

    @property
    def area_vectors_mm2(self) -> Array:
        """(M, 3) area times unit normal of each face."""
        return area_vectors(self.vertices_mm, self.faces)


def area_vectors(vertices_mm: Array, faces: NDArray[np.int64]) -> Array:
    """(M, 3) area times unit normal of triangles."""
    a, b, c = (vertices_mm[faces[:, i]] for i in range(3))
    return 0.5 * np.cross(b - a, c - a)


def weld(mesh: TriangleMesh) -> TriangleMesh:
    """Merge vertices that rounding alone keeps apart; drop triangles without area and repeated ones."""
    vertices = np.asarray(mesh.vertices_mm, float)
    used = vertices[np.unique(mesh.faces)]
    tolerance = _WELD * max(float(np.ptp(used, axis=0).max()), 0.1 * float(np.abs(used).max()))
    keys = np.round((vertices - used.min(axis=0)) / max(tolerance, 1e-12)).astype(np.int64)
    _, first, which = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    faces = which.reshape(-1)[mesh.faces].astype(np.int64)
    distinct = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    faces = faces[distinct]
    _, kept = np.unique(np.sort(faces, axis=1), axis=0, return_index=True)
    return TriangleMesh(vertices_mm=vertices[first], faces=faces[np.sort(kept)])


def reflecting_faces(mesh: TriangleMesh, reflecting_side: Array, *, file: str) -> Patch:
    """The triangles that face `reflecting_side`, of a welded mesh.

    An open surface may be wound either way: if it has no face on that side at all, it is turned over.
    """
    faces = mesh.faces
    towards = area_vectors(mesh.vertices_mm, faces) @ reflecting_side
    size = np.linalg.norm(area_vectors(mesh.vertices_mm, faces), axis=1)
    front = towards > _GRAZING * size
    if not front.any():
        faces, front = faces[:, ::-1], -towards > _GRAZING * size
    if not front.any():
        side = ", ".join(f"{s:g}" for s in reflecting_side)
        raise InputError(
            f"mirror.file {file!r}: none of its {len(faces)} triangles faces the reflecting side ({side}). "
            "Correct mirror.reflecting_side, which is given in the axes of the mesh."
        )
    return Patch(vertices_mm=mesh.vertices_mm, faces=faces[front])


def smooth_patches(patch: Patch, *, crease_rad: float) -> list[Patch]:
    """Split where neighbouring faces turn by more than `crease_rad`; the largest patch first."""
    first, second = face_neighbours(patch.faces)
    normals = patch.area_vectors_mm2
    normals = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    smooth = np.sum(normals[first] * normals[second], axis=1) > np.cos(crease_rad)
    n = len(patch.faces)
    graph = sparse.coo_matrix((np.ones(int(smooth.sum())), (first[smooth], second[smooth])), shape=(n, n))
    count, label = connected_components(graph, directed=False)
    area = np.bincount(label, weights=np.linalg.norm(patch.area_vectors_mm2, axis=1), minlength=count)
    return [Patch(vertices_mm=patch.vertices_mm, faces=patch.faces[label == k]) for k in np.argsort(-area)]


def face_neighbours(faces: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of faces that share an edge."""
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    owner = np.tile(np.arange(len(faces)), 3)
    order = np.lexsort((edges[:, 1], edges[:, 0]))
    edges, owner = edges[order], owner[order]
    same = np.all(edges[1:] == edges[:-1], axis=1)
    return owner[:-1][same], owner[1:][same]


def border_edges(faces: NDArray[np.int64]) -> NDArray[np.int64]:
    """(N, 2) vertex numbers of the edges that belong to exactly one face."""
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    distinct, count = np.unique(edges, axis=0, return_counts=True)
    return distinct[count == 1]
