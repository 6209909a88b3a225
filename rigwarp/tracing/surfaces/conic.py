"""Conics of revolution with even polynomial terms, in closed form."""

from dataclasses import dataclass, field

import numpy as np

from rigwarp.geometry import Array
from rigwarp.tracing.surfaces.outline import RoundAperture
from rigwarp.tracing.surfaces.quadric import about_z, meetings


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
        return z + np.polyval(self.coefficients_mm[::-1], r2) * r2 * r2

    def gradient(self, x_mm: Array, y_mm: Array) -> Array:
        """(..., 2) slopes; NaN where the sag is."""
        r2 = x_mm * x_mm + y_mm * y_mm
        c = 1.0 / self.radius_mm
        with np.errstate(invalid="ignore", divide="ignore"):
            slope_per_r = c / np.sqrt(1.0 - (1.0 + self.conic_constant) * c * c * r2)
        by_r = [(2 * i + 4) * a for i, a in enumerate(self.coefficients_mm)]
        slope_per_r = slope_per_r + np.polyval(by_r[::-1], r2) * r2
        return np.stack([x_mm * slope_per_r, y_mm * slope_per_r], axis=-1)

    def first_guesses(self, origins_mm: Array, directions: Array) -> tuple[Array, ...]:
        """Both meetings with the bare conic."""
        bare = about_z(1.0 / self.radius_mm, across=1.0, along=1.0 + self.conic_constant)
        return meetings(bare, origins_mm, directions)
