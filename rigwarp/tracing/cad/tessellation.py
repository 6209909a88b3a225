"""Triangles over an aperture, for finding what a mirror shades or lights a second time; never for positions."""

import numpy as np
from scipy.spatial import Delaunay

from rigwarp.geometry import Array, TriangleMesh, transform_points
from rigwarp.tracing.surfaces.surface import Surface

_CELLS = 60  # over the longer side of the aperture


def tessellate(surface: Surface) -> TriangleMesh:
    """Triangles with corners on the surface that fill its aperture up to the rim, mirror frame."""
    (x0, x1), (y0, y1) = surface.bounds_mm
    spacing = max(x1 - x0, y1 - y0) / _CELLS
    gx, gy = np.meshgrid(np.arange(x0, x1, spacing), np.arange(y0, y1, spacing))
    grid = np.stack([gx.ravel(), gy.ravel()], axis=-1)
    points = np.concatenate([surface.rim_points(spacing), grid[surface.inside(grid[:, 0], grid[:, 1])]])
    points = np.unique(points, axis=0)
    triangles = Delaunay(points).simplices.astype(np.int64)
    middle = points[triangles].mean(axis=1)
    triangles = triangles[surface.inside(middle[:, 0], middle[:, 1])]
    height = surface.sag(points[:, 0], points[:, 1])
    vertices = transform_points(surface.T_mirror_from_surface, np.column_stack([points, np.nan_to_num(height)]))
    return TriangleMesh(vertices_mm=vertices, faces=triangles[np.isfinite(height[triangles]).all(axis=1)])


def join(meshes: list[TriangleMesh]) -> TriangleMesh:
    """Several meshes as one."""
    starts = np.cumsum([0, *(len(m.vertices_mm) for m in meshes)])
    return TriangleMesh(
        vertices_mm=np.concatenate([np.empty((0, 3)), *(m.vertices_mm for m in meshes)]),
        faces=np.concatenate(
            [np.empty((0, 3), np.int64), *(m.faces + n for m, n in zip(meshes, starts[:-1], strict=True))]
        ),
    )


def chord_errors_mm(mesh: TriangleMesh, surface: Surface) -> Array:
    """(M,) height of a surface above or below its own triangles, at their middles."""
    middles = mesh.vertices_mm[mesh.faces].mean(axis=1)
    T = surface.T_mirror_from_surface
    local = (middles - T[:3, 3]) @ T[:3, :3]
    return np.asarray(np.abs(surface.sag(local[:, 0], local[:, 1]) - local[:, 2]))
