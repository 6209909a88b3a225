"""The built mirror's radius of curvature, from the power of its figure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigwarp.as_built.describe.alignment import RigidMotions
from rigwarp.geometry import Array
from rigwarp.tracing import Surface
from rigwarp.tracing.surfaces.conic import ConicSurface

_STEP = 1e-3  # share of the curvature for central differences: third order, 1e-6 of the change


@dataclass(frozen=True, kw_only=True)
class BuiltRadius:
    """Vertex radius of curvature of a mirror of revolution, mm, positive curving towards the mirror's +z.

    Attributes
    ----------
    design_mm : as in rig.toml.
    built_mm, sigma_mm : of the conic of the same conic constant and coefficients whose power is the built mirror's.
    """

    design_mm: float
    built_mm: float
    sigma_mm: float

    @property
    def flatter(self) -> float:
        """By which share of the design's radius the built one is longer; negative where it curves more."""
        return self.built_mm / self.design_mm - 1.0


def built_radius(
    surfaces: Sequence[Surface],
    xy_mm: Array,
    motions: RigidMotions,
    *,
    to_power: Array,
    power_mm: float,
    sigma_mm: float,
) -> BuiltRadius | None:
    """The radius that explains a Zernike term (2, 0); None for mirrors that are no single conic.

    Parameters
    ----------
    xy_mm : (n, 2) points of the heights, mirror frame.
    motions : the rigid motions over these points.
    to_power : (n,) from heights to the term's coefficient.
    power_mm, sigma_mm : the coefficient of heights along mirror z, and its 1-sigma.

    Notes
    -----
    What a change of curvature does to the heights after rigid alignment is taken from the conic itself: a^2 d(1/R) /
    (4 sqrt 3) holds for shallow mirrors only, and is 13 % off at r / R = 0.4.
    """
    if len(surfaces) != 1 or not isinstance(surfaces[0], ConicSurface):
        return None
    design = surfaces[0]
    curvature = 1.0 / design.radius_mm
    ends = [
        replace(design, radius_mm=1.0 / (curvature * (1.0 + step))).sag(xy_mm[:, 0], xy_mm[:, 1])
        for step in (_STEP, -_STEP)
    ]
    per_share = float(to_power @ motions.remove((ends[0] - ends[1]) / (2.0 * _STEP))[0])
    built = 1.0 / (curvature * (1.0 + power_mm / per_share))
    return BuiltRadius(
        design_mm=design.radius_mm, built_mm=built, sigma_mm=float(built**2 * np.abs(curvature * sigma_mm / per_share))
    )
