"""A CAD export out of a formula: the irregular triangulation of a freeform mirror."""

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay

from rigwarp.geometry import Array, TriangleMesh
from rigwarp.simulation.truth import SurfaceTruth

_EDGE_MM: Final = 1.2  # as fine as a CAD program makes such a part at a chord height of half a micrometre
_JITTER: Final = 0.25  # of the edge length: makes the triangles irregular, and none of them a sliver
_ROW: Final = np.sqrt(3.0) / 2.0  # distance between rows of equilateral triangles


def freeform_mesh(surface: SurfaceTruth, *, seed: int) -> TriangleMesh:
    """Triangles with vertices on a polynomial surface.

    Parameters
    ----------
    surface : with a rectangular aperture.
    seed : where the vertices lie depends on it.

    Returns
    -------
    TriangleMesh
        An open sheet in the mirror frame, wound counter-clockwise as seen from +z; its outline is the aperture.
    """
    assert surface.aperture_size_mm is not None
    size = np.array(surface.aperture_size_mm)
    low = surface.aperture_centre_mm - size / 2
    points = np.concatenate([_rim(size), _inner(size, np.random.default_rng(seed))])
    faces = _counter_clockwise(points, Delaunay(points).simplices.astype(np.int64))
    x, y = (points + low).T
    return TriangleMesh(vertices_mm=np.stack([x, y, height_mm(surface, x, y)], axis=-1), faces=faces)


def height_mm(surface: SurfaceTruth, x_mm: Array, y_mm: Array) -> Array:
    """Conic sag (ISO 10110-12) plus the terms c x^i y^j, at (N,) positions; NaN beyond the conic's equator."""
    z = np.zeros_like(x_mm)
    r2 = x_mm**2 + y_mm**2
    if np.isfinite(surface.radius_mm):
        c = 1.0 / surface.radius_mm
        z = c * r2 / (1.0 + np.sqrt(1.0 - (1.0 + surface.conic_constant) * c**2 * r2))
    for i, j, coefficient in surface.terms:
        z = z + coefficient * x_mm**i * y_mm**j
    return z


def _rim(size_mm: Array) -> Array:
    """(N, 2) points round a rectangle with one corner at (0, 0), the corners among them."""
    nx, ny = (int(n) for n in np.ceil(size_mm / _EDGE_MM))
    along_x, along_y = np.linspace(0.0, size_mm[0], nx + 1), np.linspace(0.0, size_mm[1], ny + 1)
    sides = [(along_x[:-1], 0.0), (size_mm[0], along_y[:-1]), (along_x[1:], size_mm[1]), (0.0, along_y[1:])]
    return np.concatenate([np.stack(np.broadcast_arrays(x, y), axis=-1) for x, y in sides])


def _inner(size_mm: Array, random: np.random.Generator) -> Array:
    """(N, 2) points within the rectangle: rows of equilateral triangles, each point moved a little."""
    rows = np.arange(0.75 * _EDGE_MM, size_mm[1] - 0.5 * _EDGE_MM, _ROW * _EDGE_MM)
    columns = np.arange(0.5 * _EDGE_MM, size_mm[0], _EDGE_MM)
    x = columns + 0.5 * _EDGE_MM * (np.arange(len(rows)) % 2)[:, None]
    points = np.stack(np.broadcast_arrays(x, rows[:, None]), axis=-1).reshape(-1, 2)
    points = points + random.uniform(-_JITTER, _JITTER, points.shape) * _EDGE_MM
    clear = 0.3 * _EDGE_MM  # from the rim, which has points of its own
    return points[np.all((points > clear) & (points < size_mm - clear), axis=1)]


def _counter_clockwise(points: Array, faces: NDArray[np.int64]) -> NDArray[np.int64]:
    """Faces (M, 3) of points (N, 2) turned the same way round; those without an area, along the rim, are dropped."""
    a, b, c = (points[faces[:, k]] for k in range(3))
    area = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    faces = np.where((area < 0.0)[:, None], faces[:, ::-1], faces)
    return faces[np.abs(area) > 1e-6 * _EDGE_MM**2]
