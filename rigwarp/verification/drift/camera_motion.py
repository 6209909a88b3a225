"""Has the camera moved? Told from two pictures of the table by room light, in which the projector has no part.

The table's own looks (its edge, a sheet or marks that lie on it, its grain) are brought to cover each other by moving
the camera: direct photometric alignment, coarse to fine, with the camera's six degrees of freedom over the table plane.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from rigwarp.camera import CameraModel
from rigwarp.camera.projection import N_POSE, project_with_jacobians
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, at_height, rotation_from_vector
from rigwarp.geometry.robust import HUBER_CLOSE, normal_prior, robust_least_squares, robust_sigma
from rigwarp.rig import Table, inside_table

_BLURS_PX = (16.0, 8.0, 4.0)
"""Coarse to fine: shifts up to about twice the coarsest are found; finer than the last, noise outweighs the grain."""
_BAND = 5.0  # the broadest detail compared, in multiples of the finest
_FINE_ENOUGH = 6.0  # sigma in pixels of a shrunken picture: interpolating back then changes less than a hundredth
_ROUNDS = 12
_DONE_PX = 1e-3
_BEYOND = 1.25  # the picture is compared up to this multiple of the table's half sides: its edge belongs to it
_MOST_PIXELS = 60_000
_PRIOR = np.repeat([0.1, 100.0], 3)  # rad, mm: wide, and yet it holds what a bare table does not tell
_SCALE = np.concatenate([_PRIOR, [1.0, 1.0]])  # of pose and light
_KNOWN_PX = 0.3
"""A picture that tells the camera's place to less than this has told it."""
_GRID = 9


@dataclass(frozen=True, kw_only=True)
class CameraMotion:
    """How the camera moved between two pictures.

    Attributes
    ----------
    camera : where it stands now.
    turn_rad, shift_mm : (3,) in the camera's axes: R -> exp(turn) R, t -> t + shift.
    covariance : (6, 6) of turn and shift, from the pictures' noise.
    moved_mm : by how much its place in the room changed.
    seen_px, sigma_px : rms shift of the table in its picture, and 1-sigma of that.
    known : False where the room light shows too little of the table to tell.
    light : present room light over that of the reference.
    """

    camera: CameraModel
    turn_rad: Array
    shift_mm: Array
    covariance: Array
    moved_mm: float
    seen_px: float
    sigma_px: float
    known: bool
    light: float


def register_camera(
    reference: NDArray[np.float32],
    present: NDArray[np.float32],
    camera: CameraModel,
    table: Table,
) -> CameraMotion:
    """Find the camera's motion between two pictures by room light.

    Parameters
    ----------
    reference, present : (H, W) linear light, the projector black.
    camera : lens, and pose when the reference was taken.
    table : what is seen.

    Raises
    ------
    MeasurementError
        When the pictures' size is not the camera's.
    """
    wanted = camera.resolution[::-1]
    if reference.shape != wanted or present.shape != wanted:
        raise MeasurementError(
            f"pictures by room light are {reference.shape} and {present.shape}, expected {wanted} as in the camera file"
        )
    pose, gain = np.zeros(N_POSE), np.array([1.0, 0.0])
    for blur in _BLURS_PX:
        spots_mm, light = _spots(_detail(reference, blur), camera, table, blur)
        cover = _Cover(spots_mm, light, _detail(present, blur), camera)
        pose, gain, normal, noise = _aligned(cover, pose, gain, blur)
    # neighbours share their noise after the blur: a pixel in 4 pi blur^2 is independent
    share = max(1.0, 4.0 * np.pi * blur**2 * _density(spots_mm, camera))
    covariance = np.asarray(np.linalg.inv(normal / (noise**2 * share) + np.diag(_PRIOR**-2.0)), float)
    moved = moved_camera(camera, pose)
    points = _grid(table)
    by_pose = _project(camera, np.zeros(N_POSE), points)[1]
    seen = moved.project(points) - camera.project(points)
    sigma = np.sqrt(np.einsum("nij,jk,nik->ni", by_pose, covariance, by_pose).sum(axis=-1))
    sigma_px = float(np.sqrt(np.mean(sigma**2)))
    return CameraMotion(
        camera=moved,
        turn_rad=pose[:3],
        shift_mm=pose[3:],
        covariance=covariance,
        moved_mm=float(np.linalg.norm(moved.position_mm - camera.position_mm)),
        seen_px=float(np.sqrt(np.nanmean(np.sum(seen**2, axis=-1)))),
        sigma_px=sigma_px,
        known=sigma_px < _KNOWN_PX,
        light=_light_ratio(reference, present, camera, moved, points),
    )


def _light_ratio(
    reference: NDArray[np.float32], present: NDArray[np.float32], before: CameraModel, after: CameraModel, points: Array
) -> float:
    """How bright spots of the table are, over how bright they were; the median."""
    pairs = ((reference, before), (present, after))
    then, now = (_sampled(_blurred(one, _BLURS_PX[-1]), camera.project(points)) for one, camera in pairs)
    known = np.isfinite(then) & np.isfinite(now) & (then > 0)
    return float(np.median(now[known] / then[known])) if known.any() else float("nan")


def moved_camera(camera: CameraModel, pose: Array) -> CameraModel:
    """The camera after (6,) turn and shift in its own axes."""
    return replace(
        camera,
        R_camera_from_table=rotation_from_vector(pose[:3]) @ camera.R_camera_from_table,
        t_camera_from_table_mm=camera.t_camera_from_table_mm + pose[3:],
    )


def _detail(picture: NDArray[np.float32], blur_px: float) -> NDArray[np.float32]:
    """What is about so fine in a picture: broader is the lens's falloff, which stays where it is in the frame."""
    return np.asarray(_blurred(picture, blur_px) - _blurred(picture, _BAND * blur_px), np.float32)


def _blurred(picture: NDArray[np.float32], blur_px: float) -> NDArray[np.float32]:
    """A Gaussian blur; a wide one is worked out on a smaller picture, which it does not notice."""
    shrink = int(blur_px / _FINE_ENOUGH)
    if shrink < 2:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), blur_px), np.float32)
    height, width = picture.shape
    size = (max(1, round(width / shrink)), max(1, round(height / shrink)))
    small = cv2.GaussianBlur(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), (0, 0), blur_px / shrink)
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)


def _spots(picture: NDArray[np.float32], camera: CameraModel, table: Table, blur_px: float) -> tuple[Array, Array]:
    """Points (N, 3) of the table or just beside it that a lattice of pixels sees, and their light (N,)."""
    height, width = picture.shape
    step = max(1, int(blur_px), int(np.sqrt(height * width / _MOST_PIXELS)))
    edge = int(2 * blur_px) + 1
    v, u = np.mgrid[edge : height - edge : step, edge : width - edge : step]
    pixels = np.stack([u.ravel(), v.ravel()], axis=-1).astype(float)
    spot = camera.to_plane(pixels, table.height_mm)
    width_mm, depth_mm = table.size_mm
    near = inside_table(replace(table, size_mm=(_BEYOND * width_mm, _BEYOND * depth_mm)), spot)
    return at_height(spot[near], table.height_mm), picture[v.ravel()[near], u.ravel()[near]].astype(float)


def _aligned(cover: "_Cover", pose: Array, gain: Array, blur_px: float) -> tuple[Array, Array, Array, float]:
    """Pose (6,) and light (2,) at one fineness; the pose's precision times the square of the noise, and the noise."""
    found = robust_least_squares(
        cover.linearised,
        np.concatenate([pose, gain]) / _SCALE,
        # the prior only holds directions that the table does not show
        prior=normal_prior(np.diag(np.repeat([1.0, 0.0], [N_POSE, 2]))),
        sigma=lambda misfit: robust_sigma(misfit) + 1e-9,
        limit=HUBER_CLOSE,
        passes=_ROUNDS,
        settled=lambda step: bool(np.max(cover.shift_px(step), initial=0.0) < _DONE_PX),
    )
    noise = float(found.sigma[0])
    normal = noise**2 * found.normal / np.outer(_SCALE, _SCALE)
    # light is a nuisance: its share is taken out of what the pose is known by
    a, b, c = normal[:N_POSE, :N_POSE], normal[:N_POSE, N_POSE:], normal[N_POSE:, N_POSE:]
    told = a - b @ np.linalg.solve(c, b.T) - _told_by_noise(cover.by_pose[cover.used], noise, blur_px)
    values, vectors = np.linalg.eigh(told * np.outer(_PRIOR, _PRIOR))
    told = (vectors * np.maximum(values, 0.0)) @ vectors.T / np.outer(_PRIOR, _PRIOR)
    unknowns = found.unknowns * _SCALE
    return unknowns[:N_POSE], unknowns[N_POSE:], told, noise


class _Cover:
    """How well the reference's spots cover the present picture, by pose and light in units of `_SCALE`."""

    def __init__(self, spots_mm: Array, light: Array, present: NDArray[np.float32], camera: CameraModel) -> None:
        self._spots_mm, self._light, self._camera = spots_mm, light, camera
        slopes = (cv2.Sobel(present, cv2.CV_32F, *along, ksize=3, scale=1 / 8) for along in ((1, 0), (0, 1)))
        self._pictures = (present, *(np.asarray(slope, np.float32) for slope in slopes))
        self.by_pose, self.used = np.zeros((0, 2, N_POSE)), np.zeros(0, bool)

    def linearised(self, scaled: Array) -> tuple[Array, Callable[[], Array]]:
        """Misfit (N, 1) of light, and its derivatives (N, 1, 8)."""
        unknowns, light = scaled * _SCALE, self._light
        pixels, self.by_pose = _project(self._camera, unknowns[:N_POSE], self._spots_mm)
        now, du, dv = (_sampled(picture, pixels) for picture in self._pictures)
        misfit = unknowns[N_POSE] * light + unknowns[N_POSE + 1] - now
        self.used = np.isfinite(misfit)
        columns = du[:, None] * self.by_pose[:, 0] + dv[:, None] * self.by_pose[:, 1]
        jacobian = np.column_stack([columns, -light, -np.ones(len(light))]) * _SCALE
        return misfit[:, None], lambda: jacobian[:, None]

    def shift_px(self, step: Array) -> Array:
        """(N,) by how much a step moves the spots in the picture."""
        return np.linalg.norm(self.by_pose @ (step * _SCALE)[:N_POSE], axis=-1)


def _told_by_noise(by_pose: Array, noise: float, blur_px: float) -> Array:
    """What noise in the slopes of one picture feigns to tell of the pose, (6, 6).

    White noise smoothed by a Gaussian of sigma s to a variance v has slopes of variance v / (2 s^2) along each axis;
    half of the misfit's variance is the present picture's.
    """
    return noise**2 / 2.0 / (2.0 * blur_px**2) * np.einsum("nij,nik->jk", by_pose, by_pose)


def _project(camera: CameraModel, pose: Array, points_mm: Array) -> tuple[Array, Array]:
    """Pixels (N, 2) of points seen by a camera moved by a pose, and their derivatives (N, 2, 6) by a further one."""
    moved = moved_camera(camera, pose)
    pixels, _, by_pose = project_with_jacobians(
        points_mm, moved.lens, moved.R_camera_from_table, moved.t_camera_from_table_mm
    )
    return pixels, by_pose


def _sampled(picture: NDArray[np.float32], pixels: Array) -> Array:
    """(N,) bilinear values; NaN outside the picture."""
    at = np.nan_to_num(pixels, nan=-1.0).T[::-1]
    return np.asarray(map_coordinates(picture, at, float, order=1, cval=np.nan))


def _density(spots_mm: Array, camera: CameraModel) -> float:
    """How many compared pixels there are per camera pixel of the area they cover."""
    pixels = camera.project(spots_mm)
    u, v = np.unique(np.rint(pixels[:, 0])), np.unique(np.rint(pixels[:, 1]))
    step = np.median(np.diff(u)) * np.median(np.diff(v))
    return 1.0 / max(float(step), 1.0)


def _grid(table: Table) -> Array:
    """Points of the table (n, 3) at which a motion is judged."""
    x, y = (0.45 * size * np.linspace(-1.0, 1.0, _GRID) for size in table.size_mm)
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    return at_height(grid, table.height_mm)
