"""Single-curved panels: a polygon cut from a sheet and bent over a cylinder."""

from dataclasses import dataclass, field

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array, BoolArray
from rigwarp.rig import Facet
from rigwarp.tracing.surfaces.outline import Outline
from rigwarp.tracing.surfaces.panel import polygon_normal
from rigwarp.tracing.surfaces.quadric import QuadricSurface, about_z

_OFF_CYLINDER_MM = 0.5  # corners measured with a ruler; more means a wrong radius, axis or corner
_STEPS = 20
_CONVERGED_MM = 1e-12


@dataclass(frozen=True, kw_only=True)
class CylinderSurface(QuadricSurface):
    """Part of a circular cylinder: z = R - sqrt(R^2 - x^2) (with R's sign), y along the axis, apex line at x = 0.

    Attributes
    ----------
    radius_mm : positive curves towards +z.
    """

    radius_mm: float
    quadric: Array = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "quadric", about_z(1.0 / self.radius_mm, across=0.0, along=1.0))

    def inside(self, x_mm: Array, y_mm: Array) -> BoolArray:
        """Within the outline, on the cylinder."""
        return self.outline.inside(x_mm, y_mm) & (np.abs(x_mm) < abs(self.radius_mm))


def bent_panel(facet: Facet, *, zone: int) -> CylinderSurface:
    """A panel on a cylinder of the given radius and axis direction through its corners.

    A positive radius curves towards the side from which the corners run counter-clockwise. The outline's edges are
    straight as seen along the panel's normal.

    Raises
    ------
    InputError
        Where no such cylinder passes through the corners.
    """
    where = f"mirror.facet[{zone}]"
    if facet.bend_radius_mm is None or facet.bend_axis is None:
        raise InputError(f"{where}: bend_radius_mm and bend_axis go together. Give both, or neither for a flat panel.")
    corners = np.asarray(facet.corners_mm, float)
    axis = facet.bend_axis / np.linalg.norm(facet.bend_axis)
    normal, _ = polygon_normal(corners)
    upright = normal - axis * (normal @ axis)
    if not np.linalg.norm(upright) > 0.1:
        raise InputError(f"{where}.bend_axis: it stands on the panel; a bend's axis lies along the panel. Correct it.")
    z_axis = upright / np.linalg.norm(upright)
    R = np.stack([np.cross(axis, z_axis), axis, z_axis], axis=1)
    centre = corners.mean(axis=0)
    apex, off = _apex((corners - centre) @ R, facet.bend_radius_mm)
    if not off <= _OFF_CYLINDER_MM:
        raise InputError(
            f"{where}: the corners stray {off:.2f} mm from every cylinder of radius {facet.bend_radius_mm:g} mm along "
            f"bend_axis (at most {_OFF_CYLINDER_MM} mm). Correct the corners, bend_radius_mm or bend_axis."
        )
    T = np.eye(4)
    T[:3, :3], T[:3, 3] = R, centre + R @ apex
    outline = Outline.from_corners(((corners - T[:3, 3]) @ R)[:, :2])
    return CylinderSurface(
        radius_mm=facet.bend_radius_mm, outline=outline, zone=zone, name=f"facet {zone}", T_mirror_from_surface=T
    )


def _apex(corners_mm: Array, radius_mm: float) -> tuple[Array, float]:
    """Apex (3,) of the cylinder nearest to corners (N, 3), axis along y, and the worst corner's distance; Gauss-Newton.

    Least squares of the distances to the cylinder, as ruler and sheet leave them, not of heights.
    """
    x, _, z = corners_mm.T
    apex = np.array([0.0, 0.0])
    off = np.full(len(x), np.inf)
    for _ in range(_STEPS):
        across, above = x - apex[0], z - apex[1] - radius_mm
        distance = np.hypot(across, above)
        off = distance - abs(radius_mm)
        outward = np.stack([across, above], axis=-1) / distance[:, None]
        step = np.linalg.lstsq(outward, off, rcond=1e-9)[0]
        apex = apex + step
        if np.abs(step).max() < _CONVERGED_MM * abs(radius_mm):
            break
    return np.array([apex[0], 0.0, apex[1]]), float(np.abs(off).max())
