"""Where a sheet lies by the camera that is already known: in the table frame, with the covariance of its corners."""

from dataclasses import dataclass

import numpy as np

from rigwarp.camera.boards.board import board_to_table
from rigwarp.camera.boards.board_shape import N_SHAPE
from rigwarp.camera.boards.detection import BoardView
from rigwarp.camera.lens.bundle import N_SHARED, Bundle, Corners, Pose
from rigwarp.camera.lens.robust import RobustFit, fit_robustly
from rigwarp.camera.model import CameraModel
from rigwarp.camera.table.planar import planar_poses, spans_a_plane
from rigwarp.geometry import Array
from rigwarp.rig.model import Target

_TWICE = 2.0  # the pose it is compared with comes from a photo of the same kind, with about the same noise
_REPEATABLE_PX = 0.005  # corners come out this differently under other light, common to all (no source: experience)


@dataclass(frozen=True, kw_only=True)
class SheetPose:
    """A sheet as the camera sees it, against where it was expected.

    Attributes
    ----------
    corners : how many were used.
    off_px : by how far a corner lies from where this pose has it, the median over all.
    middle_mm : (3,) its middle, table frame.
    turn : (3, 3) rotation, table axes, from how it was expected to lie to how it lies.
    covariance : (6, 6) of (middle mm, turn rad), table axes: the corners' noise in this photo and in the one that the
        camera's pose comes from.
    in_camera : the sheet's pose, about its middle, in camera coordinates.
    """

    corners: int
    off_px: float
    middle_mm: Array
    turn: Array
    covariance: Array
    in_camera: Pose

    @property
    def slope(self) -> Array:
        """(2,) how it rises along x and y, mm per mm: with its normal n, z = -(nx x + ny y) / nz."""
        return np.asarray(-self.turn[:2, 2] / self.turn[2, 2])

    @property
    def rise_and_slope_sigma(self) -> Array:
        """(3,) 1-sigma of its middle's height, mm, and of `slope`: a turn about y tilts along x."""
        return np.sqrt(np.diag(self.covariance))[[2, 4, 3]]


def sheet_pose(
    view: BoardView, camera: CameraModel, target: Target, *, height_mm: float, near: Pose | None = None
) -> SheetPose | None:
    """Locate a sheet; its lens and pose are taken as they are. None when the sheet is not there, or hardly.

    Parameters
    ----------
    target, height_mm : where the sheet is expected; it may lie anywhere else.
    near : its pose in camera coordinates, about its middle, where that is known but for small errors.
    """
    if view.mirrored or not spans_a_plane(view.object_mm):
        return None
    middle = np.array([*target.centre_mm, height_mm])
    points = board_to_table(view.object_mm, target, height_mm=height_mm) - middle
    R = camera.R_camera_from_table
    expected = Pose(R=R, t_mm=R @ middle + camera.t_camera_from_table_mm)
    starts = [expected, *planar_poses(points, view.image_px, camera.lens)] if near is None else [near]
    seen = Corners(points_mm=points, image_px=view.image_px, bends=np.zeros((view.n, 3, N_SHAPE)))
    shared, fixed = np.concatenate([camera.lens, np.zeros(N_SHAPE)]), np.zeros(N_SHARED, bool)
    fits = [fit_robustly(Bundle(shared=shared, poses=(pose,)), [seen], free=fixed) for pose in starts]
    fit = min(fits, key=_off_px)
    (pose,) = fit.bundle.poses
    return SheetPose(
        corners=int(fit.kept[0].sum()),
        off_px=_off_px(fit),
        middle_mm=R.T @ (pose.t_mm - camera.t_camera_from_table_mm),
        turn=R.T @ pose.R,
        covariance=_covariance(fit, R),
        in_camera=pose,
    )


def _off_px(fit: RobustFit) -> float:
    return float(np.median(np.linalg.norm(fit.residual_px[0], axis=-1)))


def _covariance(fit: RobustFit, R: Array) -> Array:
    """(6, 6) of (shift mm, turn rad) in table axes."""
    (information,) = fit.equations.pose  # of (turn, shift), camera axes
    spread = 1.0 + (_REPEATABLE_PX / fit.noise_px[0]) ** 2 * fit.kept[0].sum()  # common to all: does not average out
    order = np.r_[3:6, 0:3]
    axes = np.kron(np.eye(2), R.T)
    both = np.linalg.inv(information) * (_TWICE * spread)
    return np.asarray(axes @ both[np.ix_(order, order)] @ axes.T)
