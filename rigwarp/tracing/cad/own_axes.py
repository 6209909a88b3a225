"""The axes along which a part was drawn: those of its file, and of its flat sides where it was turned in the file."""

import itertools
from collections.abc import Iterator

import numpy as np

from rigwarp.geometry import Array, TriangleMesh
from rigwarp.tracing.cad.welding import area_vectors, lengths

_CELL = 1e-3  # of a normal's component: triangles of one side, and hardly any of a curved face
_ALONG = 1e-6  # one minus the cosine to a side's mean normal
_SQUARE = 1e-4  # cosine between sides that stand at right angles
_LEAST = 0.01  # of the whole area
_MOST = 100_000  # triangles that are asked
_SIDES = 6  # the largest that are asked


def own_axes(mesh: TriangleMesh) -> Iterator[Array]:
    """(3, 3) rotations, an axis in each column: the file's, then that of two flat sides at right angles, if another."""
    yield np.eye(3)
    vectors = area_vectors(mesh.vertices_mm, mesh.faces)
    if len(vectors) > _MOST:  # flat sides have the largest triangles
        vectors = vectors[np.argpartition(lengths(vectors), -_MOST)[-_MOST:]]
    sides = _flat_sides(vectors[lengths(vectors) > 0.0])
    for one, other in itertools.combinations(sides, 2):
        if abs(one @ other) < _SQUARE:
            z = np.cross(one, other) / np.linalg.norm(np.cross(one, other))
            found = np.stack([one, np.cross(z, one), z], axis=1)
            if not (np.abs(found).max(axis=0) > 1.0 - _ALONG).all():
                yield found
            return


def _flat_sides(vectors: Array) -> list[Array]:
    """Unit normals of the largest flat sides; opposite ones count as one."""
    areas = lengths(vectors)
    normals, total = vectors / areas[:, None], float(areas.sum())
    found: list[Array] = []
    left = np.ones(len(areas), bool)
    while left.any() and len(found) < _SIDES:
        numbers = np.flatnonzero(left)
        cell = np.unique(np.rint(normals[left] / _CELL), axis=0, return_inverse=True)[1].reshape(-1)
        most = numbers[cell == np.argmax(np.bincount(cell, weights=areas[left]))]
        one = normals[most[np.argmax(areas[most])]]
        same = left & (np.abs(normals @ one) > 1.0 - _ALONG)
        if areas[same].sum() < _LEAST * total:
            break
        mean = np.sum(vectors[same] * np.sign(normals[same] @ one)[:, None], axis=0)
        found.append(mean / np.linalg.norm(mean))
        left &= ~same
    return found
