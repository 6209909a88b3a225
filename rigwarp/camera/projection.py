"""Pinhole projection with distortion, and its derivatives with respect to lens and pose.

A lens is a vector of nine: fx, fy, cx, cy (px), k1, k2, p1, p2, k3. A pose takes world points to the camera:
X_camera = R X + t. Small changes of a pose are (turn, shift): R -> exp(turn) R and t -> t + shift, camera axes.
"""

import numpy as np

from rigwarp.geometry import Array
from rigwarp.geometry.lens_distortion import distort, distort_jacobian, distort_term_jacobian

LENS_TERMS = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
N_LENS = len(LENS_TERMS)
N_POSE = 6


def lens_vector(matrix: Array, distortion: Array) -> Array:
    """(9,) lens from OpenCV's matrix (3, 3) and distortion (5,)."""
    return np.concatenate([[matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2]], distortion])


def lens_matrix(lens: Array) -> Array:
    """OpenCV's (3, 3) matrix of a (9,) lens."""
    fx, fy, cx, cy = lens[:4]
    return np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])


def project_camera_points(camera_mm: Array, lens: Array) -> Array:
    """(..., 3) points in the camera frame to (..., 2) pixels; the caller sees to points behind the camera."""
    return distort(camera_mm[..., :2] / camera_mm[..., 2:], lens[4:]) * lens[:2] + lens[2:4]


def project_with_jacobians(points_mm: Array, lens: Array, R: Array, t_mm: Array) -> tuple[Array, Array, Array]:
    """Pixels of world points, with d(px)/d(lens) and d(px)/d(turn, shift).

    Parameters
    ----------
    points_mm : (..., 3)
    lens : (9,)
    R, t_mm : (3, 3) and (3,), or one pose per point: (..., 3, 3) and (..., 3)

    Returns
    -------
    pixels : (..., 2); by_lens : (..., 2, 9); by_pose : (..., 2, 6), px per rad and px per mm.
    """
    turned = points_mm @ R.T if R.ndim == 2 else (R @ points_mm[..., None])[..., 0]
    camera = turned + t_mm
    xy = camera[..., :2] / camera[..., 2:]
    distorted = distort(xy, lens[4:])
    by_lens = np.zeros((*xy.shape, N_LENS))
    by_lens[..., 0, 0], by_lens[..., 1, 1] = distorted[..., 0], distorted[..., 1]
    by_lens[..., 0, 2] = by_lens[..., 1, 3] = 1.0
    by_lens[..., 4:] = distort_term_jacobian(xy) * lens[:2, None]
    by_pose = np.empty((*xy.shape, N_POSE))
    by_pose[..., 3:5] = distort_jacobian(xy, lens[4:]) * (lens[:2, None] / camera[..., 2, None, None])
    by_pose[..., 5] = -np.einsum("...ij,...j->...i", by_pose[..., 3:5], xy)
    # d(exp(w) p) = w x p, so a row g of d(px)/d(camera) turns into g . (w x p) = (p x g) . w
    for k, (i, j) in enumerate(((1, 2), (2, 0), (0, 1))):
        by_pose[..., k] = turned[..., i, None] * by_pose[..., 3 + j] - turned[..., j, None] * by_pose[..., 3 + i]
    return distorted * lens[:2] + lens[2:4], by_lens, by_pose
