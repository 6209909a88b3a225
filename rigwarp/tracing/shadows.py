"""What stands in the way of light: obstacles and the mirror itself, asked by an outside ray tracer."""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray, Placement, TriangleMesh, normalize, reflect
from rigwarp.tracing.cad.tessellation import join
from rigwarp.tracing.triangle_tree import TriangleTree, meets_box

_CLEAR = 1e-6  # share of a segment left out at both ends, so that a surface does not shade itself
_STEEPEST = 0.1  # cosine of the angle of incidence beyond which a clearance along the ray grows no further


class RayTracer:
    """Triangles ready for many first-hit queries."""

    def __init__(self, mesh: TriangleMesh) -> None:
        self._first_hit = _first_hit_of(mesh)
        self._vertices = np.asarray(mesh.vertices_mm, float)
        self._faces = mesh.faces
        self._box = self._vertices.min(axis=0), self._vertices.max(axis=0)

    def first(self, origins_mm: Array, directions: Array) -> tuple[NDArray[np.int64], Array]:
        """(N,) first triangle (-1: none) and distance in lengths of the direction (inf: none)."""
        triangle = np.full(len(directions), -1)
        with np.errstate(divide="ignore"):
            near = np.flatnonzero(meets_box(origins_mm, 1.0 / directions, *self._box))  # which most rays miss
        if len(near):
            triangle[near] = self._first_hit(origins_mm[near], directions[near])
        hit = triangle >= 0
        corner, normal = self._corner(triangle[hit]), self.normals(triangle[hit])
        distance = np.full(len(triangle), np.inf)
        with np.errstate(divide="ignore", invalid="ignore"):
            ahead = np.sum((corner - origins_mm[hit]) * normal, axis=-1)
            distance[hit] = np.maximum(ahead / np.sum(directions[hit] * normal, axis=-1), 0.0)
        return triangle.astype(np.int64), distance

    def glints(self, origins_mm: Array, directions: Array) -> tuple[Array, Array]:
        """Where rays (N, 3) first meet a triangle, and their directions after it, whichever side reflects; or NaN."""
        triangle, distance = self.first(origins_mm, directions)
        met = triangle >= 0
        point, out = np.full(directions.shape, np.nan), np.full(directions.shape, np.nan)
        point[met] = origins_mm[met] + distance[met, None] * directions[met]
        out[met] = reflect(directions[met], normalize(self.normals(triangle[met])))
        return point, out

    def normals(self, triangles: NDArray[np.int64]) -> Array:
        """(N, 3) normals of triangles (N,), as they are wound; not of unit length."""
        a, b, c = (self._vertices[self._faces[triangles, i]] for i in range(3))
        return np.asarray(np.cross(b - a, c - a))

    def light_side(self, triangles: NDArray[np.int64], origin_mm: Array) -> Array:
        """(N, 3) normals of triangles (N,), turned to the side on which a point (3,) lies; not of unit length."""
        normals = self.normals(triangles)
        towards = np.sum((origin_mm - self._corner(triangles)) * normals, axis=-1, keepdims=True)
        return np.where(towards < 0.0, -normals, normals)

    def _corner(self, triangles: NDArray[np.int64]) -> Array:
        return np.asarray(self._vertices[self._faces[triangles, 0]])


def _first_hit_of(mesh: TriangleMesh) -> Callable[[Array, Array], NDArray[np.int64]]:
    """What tells the first triangles (-1: none) for rays (N, 3), (N, 3): embreex, or ours where it has no wheel."""
    try:
        import embreex  # noqa: F401
    except ImportError:
        return TriangleTree(mesh).first
    import trimesh  # half a second, and few rigs have obstacles

    found = trimesh.Trimesh(vertices=mesh.vertices_mm, faces=mesh.faces, process=False)
    return lambda origins_mm, directions: np.asarray(found.ray.intersects_first(origins_mm, directions), np.int64)


class Blockers:
    """Obstacles in the table frame."""

    def __init__(self, obstacles: Sequence[tuple[TriangleMesh, Placement]]) -> None:
        placed = [
            TriangleMesh(vertices_mm=place.to_table(np.asarray(mesh.vertices_mm, float)), faces=mesh.faces)
            for mesh, place in obstacles
            if len(mesh.faces)
        ]
        self._tracer = RayTracer(join(placed)) if placed else None

    @property
    def any(self) -> bool:
        """Whether there are any."""
        return self._tracer is not None

    def block(self, starts_mm: Array, ends_mm: Array) -> BoolArray:
        """(N,) whether anything lies between starts and ends (N, 3), table frame; the ends themselves are left out."""
        blocked = np.zeros(len(ends_mm), bool)
        if self._tracer is None or len(ends_mm) == 0:
            return blocked
        way = ends_mm - starts_mm
        _, distance = self._tracer.first(starts_mm + _CLEAR * way, (1.0 - 2.0 * _CLEAR) * way)
        return distance < 1.0


class MirrorShade:
    """The mirror as a body in its own frame: what it shades, and where its light meets it again."""

    def __init__(self, body: RayTracer, *, clearance_mm: float) -> None:
        self._tracer = body
        self._clearance_mm = clearance_mm

    def on_way_in(self, origin_mm: Array, points_mm: Array, normals: Array) -> BoolArray:
        """(N,) whether the body lies between the projector (3,) and points on the mirror (N, 3)."""
        way = points_mm - origin_mm
        length = np.linalg.norm(way, axis=-1)
        _, distance = self._tracer.first(np.broadcast_to(origin_mm, way.shape), way / length[:, None])
        steepness = np.abs(np.sum(way * normals, axis=-1)) / length
        return distance < length - 2.0 * self._clearance_mm / np.maximum(steepness, _STEEPEST)

    def on_way_out(
        self, origin_mm: Array, points_mm: Array, normals: Array, reflected: Array, length_mm: Array
    ) -> tuple[BoolArray, BoolArray]:
        """(N,) whether light meets the body again within `length_mm` (N,), and whether on its reflecting side.

        `normals` point to the light's side. Rays start a clearance above the surface, so that the flat triangles
        under them do not get in the way.
        """
        triangle, distance = self._tracer.first(points_mm + self._clearance_mm * normals, reflected)
        meets = distance < length_mm
        lit_side = self._tracer.light_side(triangle, origin_mm)
        return meets, meets & (np.sum(reflected * lit_side, axis=-1) < 0.0)
