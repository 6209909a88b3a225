"""What stands in the way of light: obstacle meshes, asked by an outside ray tracer."""

from collections.abc import Sequence

import numpy as np
import trimesh

from rigwarp.geometry import Array, BoolArray, Placement, TriangleMesh

_CLEAR = 1e-6  # share of a segment left out at both ends, so that a surface does not shade itself


class Blockers:
    """Obstacles in the table frame, ready for many segment queries."""

    def __init__(self, obstacles: Sequence[tuple[TriangleMesh, Placement]]) -> None:
        vertices, faces, count = [], [], 0
        for mesh, placement in obstacles:
            vertices.append(placement.to_table(np.asarray(mesh.vertices_mm, float)))
            faces.append(mesh.faces + count)
            count += len(mesh.vertices_mm)
        self._mesh = (
            trimesh.Trimesh(vertices=np.concatenate(vertices), faces=np.concatenate(faces), process=False)
            if count
            else None
        )

    def block(self, starts_mm: Array, ends_mm: Array) -> BoolArray:
        """(...,) whether anything lies between starts and ends (..., 3), table frame; False where either is NaN."""
        starts, ends = np.broadcast_arrays(starts_mm, ends_mm)
        blocked = np.zeros(starts.shape[:-1], bool)
        if self._mesh is None:
            return blocked
        known = np.isfinite(starts).all(axis=-1) & np.isfinite(ends).all(axis=-1)
        if not known.any():
            return blocked
        origin, way = starts[known], ends[known] - starts[known]
        length = np.linalg.norm(way, axis=-1)
        near = self._first_hit_mm(origin + _CLEAR * way, way / length[:, None])
        blocked[known] = near < (1.0 - 2.0 * _CLEAR) * length
        return blocked

    def _first_hit_mm(self, origins_mm: Array, directions: Array) -> Array:
        """(N,) distance to the first triangle, inf where there is none."""
        assert self._mesh is not None
        triangle = self._mesh.ray.intersects_first(origins_mm, directions)
        hit = triangle >= 0
        distance = np.full(len(triangle), np.inf)
        normal = self._mesh.face_normals[triangle[hit]]
        corner = self._mesh.vertices[self._mesh.faces[triangle[hit], 0]]
        ahead = np.sum((corner - origins_mm[hit]) * normal, axis=-1)
        distance[hit] = ahead / np.sum(directions[hit] * normal, axis=-1)
        return distance
