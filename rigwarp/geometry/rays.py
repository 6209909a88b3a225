"""Rays: normalising, reflecting, meeting a horizontal plane."""

import numpy as np

from rigwarp.geometry.arrays import Array


def normalize(vectors: Array) -> Array:
    """Unit vectors along (..., n) vectors; NaN where the length is zero."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def reflect(directions: Array, normals: Array) -> Array:
    """Mirror ray directions at a surface.

    Parameters
    ----------
    directions, normals : (..., 3) unit vectors in one common frame; either sign of the normal gives the same result.

    Returns
    -------
    (..., 3)
        Unit vectors; NaN where either input is NaN.

    Notes
    -----
    d - 2 (d.n) n; Spencer and Murty (1962), General ray-tracing procedure, JOSA 52.
    """
    return directions - 2.0 * np.sum(directions * normals, axis=-1, keepdims=True) * normals


def plane_hit(origins_mm: Array, directions: Array, height_mm: float | Array) -> Array:
    """Distance along rays to the plane z = height: (..., 3), (..., 3) and one height or (...,) of them -> (...,).

    Distances are in units of the direction's length and always positive; NaN when the ray never gets there.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        distance = (height_mm - origins_mm[..., 2]) / directions[..., 2]
        return np.where(np.isfinite(distance) & (distance > 0.0), distance, np.nan)
