"""Rotations and rigid placements.

`T_a_from_b` (4, 4) takes coordinates in frame b to coordinates in frame a; `R_a_from_b` (3, 3) is its rotation.
"""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry.arrays import Array

_PARALLEL_TO_UP = 1e-9  # |forward x up| below this: the view is straight up or down


@dataclass(frozen=True, kw_only=True)
class Placement:
    """Where a part stands: a rigid transform from the part's own frame to the table frame.

    Attributes
    ----------
    position_mm : (3,) the part's origin in the table frame.
    rotation : (3, 3) R_table_from_part.
    """

    position_mm: Array
    rotation: Array

    @property
    def T_table_from_part(self) -> Array:
        """(4, 4) homogeneous transform, mm."""
        T = np.eye(4)
        T[:3, :3] = self.rotation
        T[:3, 3] = self.position_mm
        return T

    def to_table(self, points_mm: Array) -> Array:
        """(..., 3) part coordinates to table coordinates, mm."""
        return points_mm @ self.rotation.T + self.position_mm

    def to_part(self, points_mm: Array) -> Array:
        """(..., 3) table coordinates to part coordinates, mm."""
        return (points_mm - self.position_mm) @ self.rotation

    def moved(self, shift_mm: Array, rotation_vector_rad: Array) -> "Placement":
        """The same part, shifted and then turned about its own origin; both (3,) along the table's axes."""
        turn = rotation_from_vector(rotation_vector_rad)
        return Placement(position_mm=self.position_mm + shift_mm, rotation=turn @ self.rotation)


def rotation_from_degrees(rotation_deg: Array) -> Array:
    """R = Rz Ry Rx of three angles in degrees (rig.toml's `rotation_deg`); (3,) -> (3, 3)."""
    (cx, cy, cz), (sx, sy, sz) = (turn(np.deg2rad(np.asarray(rotation_deg, float))) for turn in (np.cos, np.sin))
    around_x = np.array([[1.0, 0.0, 0.0], [0.0, cx, -sx], [0.0, sx, cx]])
    around_y = np.array([[cy, 0.0, sy], [0.0, 1.0, 0.0], [-sy, 0.0, cy]])
    around_z = np.array([[cz, -sz, 0.0], [sz, cz, 0.0], [0.0, 0.0, 1.0]])
    return np.asarray(around_z @ around_y @ around_x)


def rotation_from_vector(rotation_vector_rad: Array) -> Array:
    """Rotation matrices of rotation vectors (axis times angle, rad), by Rodrigues' formula; (..., 3) -> (..., 3, 3)."""
    vectors = np.asarray(rotation_vector_rad, float)
    cross = np.zeros((*vectors.shape, 3))
    for row, column, axis in ((2, 1, 0), (0, 2, 1), (1, 0, 2)):
        cross[..., row, column], cross[..., column, row] = vectors[..., axis], -vectors[..., axis]
    angle = np.linalg.norm(vectors, axis=-1)[..., None, None]
    # sin(a) / a and (1 - cos(a)) / (a a), also of no angle: np.sinc has a pi in it
    turned: Array = np.eye(3) + np.sinc(angle / np.pi) * cross
    return turned + 0.5 * np.sinc(angle / (2.0 * np.pi)) ** 2 * (cross @ cross)


def plane_rotation(angle_rad: float) -> Array:
    """(2, 2) of the table's plane, counter-clockwise as seen from above."""
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[cos, -sin], [sin, cos]])


def rigid_move(points_mm: Array, onto_mm: Array) -> tuple[Array, float]:
    """Shift (2,) and turn, rad, that bring (N, 2) points of the plane as near as can be to others (Kabsch, 1976).

    The turn comes first, about the origin.
    """
    a, b = points_mm @ [1.0, 1.0j], onto_mm @ [1.0, 1.0j]
    turn = float(np.angle(np.vdot(a - a.mean(), b - b.mean())))
    shift = b.mean() - np.exp(1j * turn) * a.mean()
    return np.array([shift.real, shift.imag]), turn


def turn_of_z(axis: Array) -> Array:
    """(3, 3) the smallest rotation that takes z to a unit vector (3,) other than -z."""
    about = np.cross([0.0, 0.0, 1.0], axis)
    sine = float(np.linalg.norm(about))
    return rotation_from_vector(about / sine * np.arctan2(sine, axis[2]) if sine > 0.0 else about)


def look_at(position_mm: Array, aim_mm: Array, roll_rad: float = 0.0) -> Array:
    """R_table_from_optical of a device at `position_mm` whose optical axis goes through `aim_mm`; (3,), (3,) -> (3, 3).

    Optical frames are x right, y down, z forward. With zero roll the image's x axis is level and its y axis points
    downwards; looking straight up or down, x points along the table's +x. A positive roll turns the device clockwise
    as seen from behind it (right-handed about its forward axis). Coinciding points give NaN.
    """
    forward = np.asarray(aim_mm, float) - np.asarray(position_mm, float)
    with np.errstate(invalid="ignore"):
        forward = forward / np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    if np.linalg.norm(right) < _PARALLEL_TO_UP:
        right = np.array([1.0, 0.0, 0.0])
    right = right / np.linalg.norm(right)
    level = np.stack([right, np.cross(forward, right), forward], axis=1)
    return level @ rotation_from_vector(np.array([0.0, 0.0, roll_rad]))


def at_height(xy_mm: Array, height_mm: float) -> Array:
    """(..., 3) points of the plane z = height at (..., 2) x, y."""
    return np.concatenate([xy_mm, np.full((*xy_mm.shape[:-1], 1), float(height_mm))], axis=-1)


def transform_points(T_a_from_b: Array, points: Array) -> Array:
    """Apply a (4, 4) transform to (..., 3) points."""
    return points @ T_a_from_b[:3, :3].T + T_a_from_b[:3, 3]
