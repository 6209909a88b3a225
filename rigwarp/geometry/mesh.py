"""A bare triangle mesh, as read from a CAD export."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry.arrays import Array, IntArray
from rigwarp.geometry.nurbs import Nurbs


@dataclass(frozen=True, kw_only=True)
class ExactFaces:
    """Which of a CAD kernel's faces each triangle stands for, and where on it.

    Attributes
    ----------
    face : (M,) number of each triangle's face.
    surfaces : of each face
        None where a face is no spline: plane, cylinder, cone, sphere, or what no spline describes exactly.
    corners_uv : (M, 3, 2) parameters of each triangle's corners on its face.
    """

    face: NDArray[np.int64]
    surfaces: tuple[Nurbs | None, ...]
    corners_uv: Array

    def of(self, triangles: IntArray) -> "ExactFaces":
        """Those of triangles (K,)."""
        return ExactFaces(face=self.face[triangles], surfaces=self.surfaces, corners_uv=self.corners_uv[triangles])


@dataclass(frozen=True, kw_only=True)
class TriangleMesh:
    """Triangles in a part's own frame, exactly as they stood in the file (not welded, not repaired).

    Attributes
    ----------
    vertices_mm : (N, 3) float64
    faces : (M, 3) int64
        Vertex numbers, counter-clockwise seen from the outside where the file says so.
    on_surface_mm : (M, K, 3), optional
        More points of the exact surface that each triangle stands for, where the file holds that surface; NaN where a
        triangle has fewer than others.
    exact : optional
        The CAD kernel's own faces, where the file holds them.
    """

    vertices_mm: Array
    faces: NDArray[np.int64]
    on_surface_mm: Array | None = None
    exact: ExactFaces | None = None
