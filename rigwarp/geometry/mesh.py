"""A bare triangle mesh, as read from a CAD export."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry.arrays import Array


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
    """

    vertices_mm: Array
    faces: NDArray[np.int64]
    on_surface_mm: Array | None = None
