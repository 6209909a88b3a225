"""Pose of a flat board from its corners, with both of the answers that a flat thing allows."""

import cv2
import numpy as np

from rigwarp.camera.lens.bundle import Pose
from rigwarp.geometry import Array, rotation_from_vector
from rigwarp.geometry.lens_distortion import undistort

_SOLVED = 1e-12
MIN_CORNERS = 6
"""Corners below which a photo is not used: a homography takes four, and a check needs some to spare."""

_MIN_SPREAD = 0.02  # smallest over largest spread of the corners: below, they lie on one line


def spans_a_plane(points_mm: Array) -> bool:
    """Whether (N, 3) points at one height are enough, and not all on one line."""
    if len(points_mm) < MIN_CORNERS:
        return False
    spread = np.linalg.svd(points_mm[:, :2] - points_mm[:, :2].mean(axis=0), compute_uv=False)
    return bool(spread[1] > _MIN_SPREAD * spread[0])


def planar_poses(points_mm: Array, image_px: Array, lens: Array) -> tuple[Pose, ...]:
    """Up to two poses, best first, of points (N, 3) that share one height z, seen at (N, 2) pixels by a (9,) lens.

    Notes
    -----
    Collins and Bartoli, Infinitesimal plane-based pose estimation, IJCV 109 (2014), by OpenCV. Not refined here.
    """
    ideal = undistort((image_px - lens[2:4]) / lens[:2], lens[4:], tolerance=_SOLVED)
    usable = np.isfinite(ideal).all(axis=-1)
    centre = points_mm[usable].mean(axis=0)
    if not spans_a_plane(points_mm[usable]):
        return ()
    flat = np.ascontiguousarray((points_mm[usable] - centre) * [1.0, 1.0, 0.0])
    _, turns, shifts, _ = cv2.solvePnPGeneric(
        flat.reshape(-1, 1, 3), ideal[usable].reshape(-1, 1, 2), np.eye(3), np.zeros(5), flags=cv2.SOLVEPNP_IPPE
    )
    poses = []
    for turn, shift in zip(turns, shifts, strict=True):
        R = rotation_from_vector(np.asarray(turn, float).reshape(3))
        t = np.asarray(shift, float).reshape(3) - R @ centre
        if np.isfinite(R).all() and np.all((points_mm @ R.T + t)[:, 2] > 0.0):
            poses.append(Pose(R=R, t_mm=t))
    return tuple(poses)
