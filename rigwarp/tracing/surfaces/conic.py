"""Conics of revolution with even polynomial terms, in closed form."""

from dataclasses import dataclass, field

import numpy as np

from rigwarp.geometry import Array
from rigwarp.tracing.surfaces.outline import RoundAperture


@dataclass(frozen=True, kw_only=True)
class ConicSurface(RoundAperture):
    """ISO 10110-12 sag: c r^2 / (1 + sqrt(1 - (1 + k) c^2 r^2)) + sum A_2i r^2i (i >= 2), vertex at the origin.

    Attributes
    ----------
    radius_mm : vertex radius; positive curves towards +z away from the vertex plane.
    coefficients_mm : A_4, A_6, ...
    aperture_mm : (inner, outer) radius.
    """

    radius_mm: float
    conic_constant: float
    coefficients_mm: tuple[float, ...]
    zone: int = 0
    name: str = "mirror"
    T_mirror_from_surface: Array = field(default_factory=lambda: np.eye(4))

    def sag(self, x_mm: Array, y_mm: Array) -> Array:
        """Height, mm; NaN beyond the radius where the conic ends."""
        r2 = x_mm * x_mm + y_mm * y_mm
        c = 1.0 / self.radius_mm
        with np.errstate(invalid="ignore"):
            z = c * r2 / (1.0 + np.sqrt(1.0 - (1.0 + self.conic_constant) * c * c * r2))
        return z + self._polynomial(r2) * r2 * r2

    def gradient(self, x_mm: Array, y_mm: Array) -> Array:
        """(..., 2) slopes; NaN where the sag is."""
        r2 = x_mm * x_mm + y_mm * y_mm
        c = 1.0 / self.radius_mm
        with np.errstate(invalid="ignore", divide="ignore"):
            slope_per_r = c / np.sqrt(1.0 - (1.0 + self.conic_constant) * c * c * r2)
        power = np.ones_like(r2)
        for i, a in enumerate(self.coefficients_mm):
            power = power * r2
            slope_per_r = slope_per_r + (2 * i + 4) * a * power
        return np.stack([x_mm * slope_per_r, y_mm * slope_per_r], axis=-1)

    def first_guesses(self, origins_mm: Array, directions: Array) -> tuple[Array, ...]:
        """Both meetings with the bare conic, the one nearer to the vertex plane first; NaN on the other sheet.

        Rays start from the vertex plane, not from their origin: seen from beyond the centre of a hyperboloid the
        usual closest root lies on its other sheet (Spencer and Murty 1962, JOSA 52, 672).
        """
        c, k = 1.0 / self.radius_mm, self.conic_constant
        dx, dy, dz = np.moveaxis(directions, -1, 0)
        with np.errstate(invalid="ignore", divide="ignore"):
            to_plane = -origins_mm[..., 2] / dz
            p = origins_mm + to_plane[..., None] * directions
            # c (x^2 + y^2 + (1 + k) z^2) - 2 z = 0 along p + s d, with z = 0 at s = 0
            a = c * (dx * dx + dy * dy + (1.0 + k) * dz * dz)
            half_b = c * (p[..., 0] * dx + p[..., 1] * dy) - dz
            const = c * (p[..., 0] ** 2 + p[..., 1] ** 2)
            root = np.sqrt(half_b * half_b - a * const)
            q = -half_b + np.where(half_b < 0.0, root, -root)
            near, far = const / q, q / a
        return tuple(to_plane + self._on_sheet(s, dz) for s in (near, far))

    def _on_sheet(self, s: Array, dz: Array) -> Array:
        """`s` where the conic's own sheet is met (1 - (1 + k) c z > 0), NaN elsewhere."""
        with np.errstate(invalid="ignore"):
            right = 1.0 - (1.0 + self.conic_constant) * s * dz / self.radius_mm > 0.0
        return np.where(right, s, np.nan)

    def _polynomial(self, r2: Array) -> Array:
        value = np.zeros_like(r2)
        for a in reversed(self.coefficients_mm):
            value = value * r2 + a
        return value
