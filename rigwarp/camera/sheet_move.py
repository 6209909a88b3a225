"""Has the camera moved since camera.json was made? Told by the sheet, if it still lies on the table.

The sheet alone cannot tell a camera that moved from a sheet that was moved. But a sheet on a table can only slide and
turn in the table's plane: what seems to rise or tilt is the camera.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from rigwarp.camera.board import board_to_table
from rigwarp.camera.board_shape import N_SHAPE, board_bends
from rigwarp.camera.bundle import N_SHARED, Bundle, Corners, Pose
from rigwarp.camera.detection import BoardView
from rigwarp.camera.model import CameraModel
from rigwarp.camera.planar import MIN_CORNERS, planar_poses, spans_a_plane
from rigwarp.camera.robust import RobustFit, fit_robustly
from rigwarp.geometry import Array
from rigwarp.rig.canvas import outline_mm
from rigwarp.rig.model import Content, Target

_TWICE = 2.0  # the pose in camera.json comes from a photo of the same kind, with about the same noise
_REPEATABLE_PX = 0.005  # corners come out this differently under other light, common to all (no source: experience)


@dataclass(frozen=True, kw_only=True)
class SheetMove:
    """Where the sheet seems to lie against where camera.json has it, table axes, about the sheet's middle.

    Attributes
    ----------
    corners : how many corners were used.
    shift_mm, turn_rad : (3,) apparent motion of the sheet; turn is a rotation vector.
    shift_sigma_mm, turn_sigma_rad : (3,) 1-sigma of both photos together.
    chi_squared : of the motion, 6 degrees of freedom.
    lift_chi_squared : of what a sheet on a table cannot do (rise, tilt two ways), 3 degrees of freedom.
    off_mm : by how much positions in the content area would be wrong if the camera did it; the largest.
    """

    corners: int
    shift_mm: Array
    turn_rad: Array
    shift_sigma_mm: Array
    turn_sigma_rad: Array
    chi_squared: float
    lift_chi_squared: float
    off_mm: float


def sheet_move(
    view: BoardView, camera: CameraModel, target: Target, content: Content, *, sheet_height_mm: float, height_mm: float
) -> SheetMove | None:
    """Compare the sheet in a new photo with camera.json; None when the sheet is not there, or hardly.

    Parameters
    ----------
    view : what `detect_board` found in the photo.
    camera : as camera.json has it; its lens is taken as it is.
    target : where the sheet lay when camera.json was made.
    sheet_height_mm, height_mm : of the printed surface, and of the table, in the table frame.
    """
    if view.n < MIN_CORNERS or view.mirrored or not spans_a_plane(view.object_mm):
        return None
    there = board_to_table(view.object_mm, target, height_mm=sheet_height_mm)
    middle = np.array([*target.centre_mm, sheet_height_mm])
    points = there - middle
    R, t = camera.R_camera_from_table, camera.R_camera_from_table @ middle + camera.t_camera_from_table_mm
    fit = _fitted(view, points, camera, Pose(R=R, t_mm=t))
    (pose,) = fit.bundle.poses
    # X_camera = R (turned point + shift + middle) + t: camera axes back to table axes
    turn = R.T @ pose.R
    motion = np.concatenate([R.T @ (pose.t_mm - t), Rotation.from_matrix(turn).as_rotvec()])
    covariance = _motion_covariance(fit, R)
    return SheetMove(
        corners=int(fit.kept[0].sum()),
        shift_mm=motion[:3],
        turn_rad=motion[3:],
        shift_sigma_mm=np.sqrt(np.diag(covariance))[:3],
        turn_sigma_rad=np.sqrt(np.diag(covariance))[3:],
        chi_squared=_chi_squared(motion, covariance, [0, 1, 2, 3, 4, 5]),
        lift_chi_squared=_chi_squared(motion, covariance, [2, 3, 4]),
        off_mm=_positions_off_mm(camera, pose, middle, content, height_mm),
    )


def _fitted(view: BoardView, points_mm: Array, camera: CameraModel, start: Pose) -> RobustFit:
    """The sheet's pose in camera coordinates, from where it should be or from any of the two that a flat thing has."""
    seen = Corners(
        points_mm=points_mm, image_px=view.image_px, bends=board_bends(view.object_mm, view.size_mm, flat=True) * 0.0
    )
    shared = np.concatenate([camera.lens, np.zeros(N_SHAPE)])
    fixed = np.zeros(N_SHARED, bool)
    starts = [start, *planar_poses(points_mm, view.image_px, camera.lens)]
    fits = [fit_robustly(Bundle(shared=shared, poses=(pose,)), [seen], free=fixed) for pose in starts]
    return min(fits, key=lambda fit: float(np.median(np.linalg.norm(fit.residual_px[0], axis=-1))))


def _motion_covariance(fit: RobustFit, R: Array) -> Array:
    """(6, 6) of (shift mm, turn rad) in table axes, both photos' noise and what light does to corners included."""
    (pose_block,) = fit.equations.pose  # information of (turn, shift), camera axes
    covariance = np.linalg.inv(pose_block) * _TWICE
    spread = 1.0 + (_REPEATABLE_PX / fit.noise_px[0]) ** 2 * fit.kept[0].sum()  # common to all: does not average out
    order = np.r_[3:6, 0:3]
    axes = np.kron(np.eye(2), R.T)
    return np.asarray(axes @ (covariance * spread)[np.ix_(order, order)] @ axes.T)


def _chi_squared(motion: Array, covariance: Array, parts: list[int]) -> float:
    chosen, block = motion[parts], covariance[np.ix_(parts, parts)]
    scale = 1.0 / np.sqrt(np.diag(block))  # mm and rad: solved as correlations
    pulls = chosen * scale
    return float(pulls @ np.linalg.solve(block * np.outer(scale, scale), pulls))


def _positions_off_mm(camera: CameraModel, sheet: Pose, middle: Array, content: Content, height_mm: float) -> float:
    """Largest error of table positions round and in the middle of the content if the sheet stayed and the camera moved.

    NaN when none of them is in the picture.
    """
    edge = np.vstack([outline_mm(content, 24), content.centre_mm[None]])
    points = np.column_stack([edge, np.full(len(edge), height_mm)])
    moved = (points - middle) @ sheet.R.T + sheet.t_mm
    own = (moved - camera.t_camera_from_table_mm) @ camera.R_camera_from_table  # where camera.json has those rays begin
    pixels = camera.project(own)
    off = np.linalg.norm(camera.to_plane(pixels, height_mm) - edge, axis=-1)
    known = off[np.isfinite(off)]
    return float(known.max()) if known.size else float("nan")
