"""Spheres, cylinders, cones and conics of revolution in any position, within an outline."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array
from rigwarp.tracing.surfaces.outline import Outlined


@dataclass(frozen=True, kw_only=True)
class QuadricSurface(Outlined):
    """The sheet through its own frame's origin of p Q p = 0, p = (x, y, z, 1), its normal there about along z.

    Attributes
    ----------
    quadric : (4, 4) symmetric, own frame, mm.
    """

    quadric: Array

    def sag(self, x_mm: Array, y_mm: Array) -> Array:
        """Height, mm; NaN beyond the sheet's end."""
        Q = self.quadric
        half_b = Q[0, 2] * x_mm + Q[1, 2] * y_mm + Q[2, 3]
        c = Q[0, 0] * x_mm**2 + Q[1, 1] * y_mm**2 + 2.0 * (Q[0, 1] * x_mm * y_mm + Q[0, 3] * x_mm + Q[1, 3] * y_mm)
        c = c + Q[3, 3]
        with np.errstate(invalid="ignore", divide="ignore"):
            return -c / (half_b + np.sign(Q[2, 3]) * np.sqrt(half_b * half_b - Q[2, 2] * c))

    def gradient(self, x_mm: Array, y_mm: Array) -> Array:
        """(..., 2) slopes; NaN where the sag is."""
        z = self.sag(x_mm, y_mm)
        Q = self.quadric
        by_x, by_y, by_z = (Q[i, 0] * x_mm + Q[i, 1] * y_mm + Q[i, 2] * z + Q[i, 3] for i in range(3))
        with np.errstate(invalid="ignore", divide="ignore"):
            return -np.stack([by_x, by_y], axis=-1) / by_z[..., None]

    def first_guesses(self, origins_mm: Array, directions: Array) -> tuple[Array, ...]:
        """Both meetings with the sheet."""
        return meetings(self.quadric, origins_mm, directions)


def about_z(curvature: float, *, across: float, along: float) -> Array:
    """(4, 4) quadric c (x^2 + `across` y^2 + `along` z^2) = 2 z, c in 1/mm, with its vertex at the origin."""
    Q = np.diag([curvature, curvature * across, curvature * along, 0.0])
    Q[2, 3] = Q[3, 2] = -1.0
    return Q


def meetings(quadric: Array, origins_mm: Array, directions: Array) -> tuple[Array, Array]:
    """Distances to both meetings with the sheet through the origin, the one nearer to the plane z = 0 first; or NaN.

    Rays start from that plane, not from their origin: seen from beyond the centre of a hyperboloid the usual closest
    root lies on its other sheet (Spencer and Murty 1962, JOSA 52, 672).
    """
    M, b = quadric[:3, :3], quadric[:3, 3]
    start = np.broadcast_to(origins_mm, directions.shape)
    with np.errstate(invalid="ignore", divide="ignore"):
        plane = -start[..., 2] / directions[..., 2]
        p = start + plane[..., None] * directions  # close to the surface, where rounding does not matter
        along = p @ M + b
        a, half_b = np.sum(directions @ M * directions, axis=-1), np.sum(directions * along, axis=-1)
        c = np.sum(p * (along + b), axis=-1) + quadric[3, 3]
        q = -half_b - np.where(half_b < 0.0, -1.0, 1.0) * np.sqrt(half_b * half_b - a * c)
        guesses = []
        for step in (c / q, q / a):
            upward = np.sum((p + step[..., None] * directions) * M[2], axis=-1) + b[2]
            guesses.append(plane + np.where(upward * b[2] > 0.0, step, np.nan))
    return guesses[0], guesses[1]
