"""The calibrated camera: lens and pose over the table, and what their uncertainty does to positions on the table."""

from dataclasses import dataclass

import numpy as np

from rigwarp.camera.projection import N_LENS, N_POSE, lens_vector, project_camera_points, project_with_jacobians
from rigwarp.errors import InputError
from rigwarp.geometry import Array, at_height
from rigwarp.geometry.lens_distortion import distort_jacobian, fold_radius, undistort

N_PARAMETERS = N_LENS + N_POSE
_SOLVED_PX = 1e-10  # misclosure of undistortion, well below the 1e-9 px that anything here could notice
_CHUNK = 1 << 16  # pixels per pass where each needs 2 x 15 numbers
_ROTATION_TOLERANCE = 1e-6  # files carry rotations with as few as seven digits


@dataclass(frozen=True, kw_only=True)
class CameraModel:
    """A camera over the table, in OpenCV's model and pixel convention: X_camera = R X_table + t.

    Attributes
    ----------
    resolution : (width, height) pixels.
    matrix : (3, 3) fx, fy, cx, cy in pixels; no skew.
    distortion : (5,) k1, k2, p1, p2, k3.
    R_camera_from_table : (3, 3)
    t_camera_from_table_mm : (3,)
    covariance : (15, 15) or None
        Of [fx, fy, cx, cy, k1, k2, p1, p2, k3, turn (3, rad, R -> exp(turn) R, camera axes), shift (3, mm)]. None for a
        camera calibrated elsewhere, whose uncertainty is not known.

    Raises
    ------
    InputError
        When a value has the wrong shape, is not finite, or is no camera above a table.
    """

    resolution: tuple[int, int]
    matrix: Array
    distortion: Array
    R_camera_from_table: Array
    t_camera_from_table_mm: Array
    covariance: Array | None = None

    def __post_init__(self) -> None:
        _check_shapes(self)
        _check_values(self)

    @property
    def lens(self) -> Array:
        """(9,) fx, fy, cx, cy, k1, k2, p1, p2, k3."""
        return lens_vector(self.matrix, self.distortion)

    @property
    def position_mm(self) -> Array:
        """(3,) the camera's centre of projection in the table frame."""
        return -self.R_camera_from_table.T @ self.t_camera_from_table_mm

    @property
    def position_sigma_mm(self) -> Array | None:
        """(3,) 1-sigma of `position_mm`; None when the covariance is not known.

        Notes
        -----
        position = -(exp(turn) R)^T (t + shift): its derivatives are -R^T [t]x by the turn and -R^T by the shift.
        """
        if self.covariance is None:
            return None
        x, y, z = self.t_camera_from_table_mm
        cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
        by_pose = -self.R_camera_from_table.T @ np.hstack([cross, np.eye(3)])
        pose = self.covariance[N_LENS:, N_LENS:]
        return np.sqrt(np.maximum(np.diag(by_pose @ pose @ by_pose.T), 0.0))

    @property
    def turn_sigma_rad(self) -> Array | None:
        """(3,) 1-sigma of the rotation about the camera's own axes; None when the covariance is not known."""
        return None if self.covariance is None else np.sqrt(np.diag(self.covariance)[N_LENS : N_LENS + 3])

    def project(self, points_mm: Array) -> Array:
        """(..., 3) table coordinates to (..., 2) pixels.

        NaN behind the camera and outside the field for which the lens polynomial means anything; points outside the
        picture but inside the field get their pixel.
        """
        camera = np.asarray(points_mm, float) @ self.R_camera_from_table.T + self.t_camera_from_table_mm
        depth = camera[..., 2]
        with np.errstate(invalid="ignore"):
            radius_squared = np.sum(camera[..., :2] ** 2, axis=-1)
            seen = (depth > 0.0) & (radius_squared < (fold_radius(self.distortion) * depth) ** 2)
        safe = np.where(seen[..., None], camera, np.nan)
        return project_camera_points(safe, self.lens)

    def to_plane(self, pixels_px: Array, height_mm: float) -> Array:
        """(..., 2) pixels to (..., 2) table mm on the plane z = height; NaN where the ray misses or the lens folds."""
        return self._rays_to_plane(self._normalised(pixels_px), height_mm)[0]

    def plane_jacobian(self, pixels_px: Array, height_mm: float) -> Array:
        """(..., 2, 2) d(table mm)/d(camera px) on the plane z = height; NaN where `to_plane` is NaN."""
        return self.plane_and_jacobian(pixels_px, height_mm)[1]

    def plane_and_jacobian(self, pixels_px: Array, height_mm: float) -> tuple[Array, Array]:
        """`to_plane` (..., 2) and `plane_jacobian` (..., 2, 2), at the price of one."""
        xy, R = self._normalised(pixels_px), self.R_camera_from_table
        table, direction, distance = self._rays_to_plane(xy, height_mm)
        with np.errstate(invalid="ignore", divide="ignore"):
            slant = direction[..., :2] / direction[..., 2:]
            by_xy = (R[:2, :2].T - slant[..., :, None] * R[:2, 2]) * distance[..., None, None]
        lens = distort_jacobian(xy, self.distortion)
        determinant = lens[..., 0, 0] * lens[..., 1, 1] - lens[..., 0, 1] ** 2
        adjugate = np.stack([lens[..., ::-1, 1] * [1.0, -1.0], lens[..., ::-1, 0] * [-1.0, 1.0]], axis=-2)
        return table, by_xy @ (adjugate / determinant[..., None, None] / self.lens[:2])

    def plane_sensitivity(self, pixels_px: Array, height_mm: float) -> Array:
        """(..., 2, 15) d(table mm)/d(parameter) at a fixed pixel, parameters as in `covariance`.

        Notes
        -----
        Implicit function theorem on pixel = projection(P(parameters), parameters): dP = -(dP/dpixel) dprojection.
        """
        table, by_pixel = self.plane_and_jacobian(pixels_px, height_mm)
        _, by_lens, by_pose = project_with_jacobians(
            at_height(table, height_mm), self.lens, self.R_camera_from_table, self.t_camera_from_table_mm
        )
        return -by_pixel @ np.concatenate([by_lens, by_pose], axis=-1)

    def plane_covariance(self, pixels_px: Array, height_mm: float) -> Array:
        """(..., 2, 2) mm^2: what the uncertainty of lens and pose does to a position on the table.

        Zeros when `covariance` is None (a camera made elsewhere: nothing is known, nothing is claimed); NaN where
        `to_plane` is NaN. These errors are common to neighbouring pixels: they do not average out.
        """
        pixels = np.asarray(pixels_px, float)
        flat = pixels.reshape(-1, 2)
        result = np.zeros((len(flat), 2, 2))
        if self.covariance is None:
            result[~np.isfinite(self.to_plane(flat, height_mm)).all(axis=-1)] = np.nan
            return result.reshape(*pixels.shape[:-1], 2, 2)
        for start in range(0, len(flat), _CHUNK):
            by_parameter = self.plane_sensitivity(flat[start : start + _CHUNK], height_mm)
            result[start : start + _CHUNK] = by_parameter @ self.covariance @ np.swapaxes(by_parameter, -1, -2)
        return result.reshape(*pixels.shape[:-1], 2, 2)

    def _normalised(self, pixels_px: Array) -> Array:
        """(..., 2) pixels to ideal normalised coordinates."""
        focal, centre = self.lens[:2], self.lens[2:4]
        distorted = (np.asarray(pixels_px, float) - centre) / focal
        return undistort(distorted, self.distortion, tolerance=_SOLVED_PX / float(focal.max()))

    def _rays_to_plane(self, xy: Array, height_mm: float) -> tuple[Array, Array, Array]:
        """(..., 2) where rays through ideal coordinates meet z = height, their directions (..., 3), table axes, and how
        many of these away it is.
        """
        R, origin = self.R_camera_from_table, self.position_mm
        direction = xy @ R[:2] + R[2]  # R.T @ (x, y, 1), written for rows
        with np.errstate(invalid="ignore", divide="ignore"):
            distance = (height_mm - origin[2]) / direction[..., 2]
            distance = np.where(distance > 0.0, distance, np.nan)
            return origin[:2] + distance[..., None] * direction[..., :2], direction, distance


def _check_shapes(camera: CameraModel) -> None:
    shapes = {
        "matrix": (3, 3),
        "distortion": (5,),
        "R_camera_from_table": (3, 3),
        "t_camera_from_table_mm": (3,),
        "covariance": (N_PARAMETERS, N_PARAMETERS),
    }
    for name, shape in shapes.items():
        value = getattr(camera, name)
        if value is None and name == "covariance":
            continue
        array = np.asarray(value, float)
        if array.shape != shape:
            raise InputError(f"camera {name} has shape {array.shape}, expected {shape}")
        if not np.isfinite(array).all():
            raise InputError(f"camera {name} holds a value that is not a finite number")
        object.__setattr__(camera, name, array)


def _check_values(camera: CameraModel) -> None:
    width, height = camera.resolution
    if width < 1 or height < 1:
        raise InputError(f"camera resolution is {width} x {height}, expected two positive numbers of pixels")
    K, R = camera.matrix, camera.R_camera_from_table
    if K[0, 0] <= 0.0 or K[1, 1] <= 0.0:
        raise InputError(f"camera matrix has focal lengths {K[0, 0]:g}, {K[1, 1]:g} px, expected positive ones")
    if K[0, 1] != 0.0 or K[1, 0] != 0.0 or not np.array_equal(K[2], [0.0, 0.0, 1.0]):
        raise InputError("camera matrix is not [[fx, 0, cx], [0, fy, cy], [0, 0, 1]]: skew is not part of the model")
    if np.abs(R @ R.T - np.eye(3)).max() > _ROTATION_TOLERANCE or np.linalg.det(R) < 0.0:
        raise InputError("camera R_camera_from_table is not a rotation (orthonormal, determinant +1)")
    if (
        camera.covariance is not None
        and np.linalg.eigvalsh(camera.covariance)[0] < -1e-9 * np.abs(np.diag(camera.covariance)).max()
    ):
        raise InputError("camera covariance has a negative eigenvalue: it is not a covariance matrix")
