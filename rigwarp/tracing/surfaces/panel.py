"""Flat mirror panels with polygonal outlines."""

from dataclasses import dataclass

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.rig import Facet
from rigwarp.tracing.surfaces.outline import Outline, Outlined

_PLANAR_MM = 0.01  # corners typed with three decimals stay below this; a bent or mistyped panel does not
_THIN_MM = 1e-6  # a polygon narrower than this has no plane


@dataclass(frozen=True, kw_only=True)
class FlatSurface(Outlined):
    """A plane, z = 0 in its own frame, within an outline."""

    def sag(self, x_mm: Array, y_mm: Array) -> Array:
        """Zero everywhere (NaN for NaN)."""
        return 0.0 * (x_mm + y_mm)

    def gradient(self, x_mm: Array, y_mm: Array) -> Array:
        """Zero everywhere (NaN for NaN)."""
        flat = 0.0 * (x_mm + y_mm)
        return np.stack([flat, flat], axis=-1)


def frame_on_plane(points_mm: Array, normal: Array) -> Array:
    """(4, 4) T_mirror_from_surface: origin at the points' mean, z along `normal`, x close to the mirror's x (or y)."""
    toward = np.eye(3)[0] if abs(normal[0]) < 0.9 else np.eye(3)[1]
    x_axis = toward - normal * (normal @ toward)
    x_axis = x_axis / np.linalg.norm(x_axis)
    T = np.eye(4)
    T[:3, :3] = np.stack([x_axis, np.cross(normal, x_axis), normal], axis=1)
    T[:3, 3] = points_mm.mean(axis=0)
    return T


def polygon_normal(corners_mm: Array) -> tuple[Array, float]:
    """Unit normal (3,) of a polygon of any shape and its area in mm^2 (Newell's method); NaN normal for no area."""
    following = np.roll(corners_mm, -1, axis=0)
    centre = corners_mm.mean(axis=0)
    area_vector = 0.5 * np.sum(np.cross(corners_mm - centre, following - centre), axis=0)
    area = float(np.linalg.norm(area_vector))
    return area_vector / area if area > 0.0 else np.full(3, np.nan), area


def flat_panel(facet: Facet, *, zone: int) -> FlatSurface:
    """A flat panel from its corners.

    Raises
    ------
    InputError
        They are not a flat polygon.
    """
    where = f"mirror.facet[{zone}].corners_mm"
    corners = np.asarray(facet.corners_mm, float)
    if len(corners) < 3:
        raise InputError(f"{where}: {len(corners)} corners; a panel needs at least 3. Add the missing corners.")
    normal, area = polygon_normal(corners)
    size = float(np.ptp(corners, axis=0).max())
    if not area > _THIN_MM * size:
        raise InputError(
            f"{where}: the corners enclose {area:.3g} mm² and fix no plane. Give the corners in order around the panel."
        )
    T = frame_on_plane(corners, normal)
    local = (corners - T[:3, 3]) @ T[:3, :3]
    off = float(np.abs(local[:, 2]).max())
    if off > _PLANAR_MM:
        raise InputError(
            f"{where}: the corners stray {off:.3f} mm from a common plane ({_PLANAR_MM} mm pass as rounding). "
            "Correct the corners, or give bend_radius_mm and bend_axis for a curved panel."
        )
    return FlatSurface(
        zone=zone, name=f"facet {zone}", T_mirror_from_surface=T, outline=Outline.from_corners(local[:, :2])
    )
