"""Has the camera moved since camera.json was made? Told by the sheet, if it still lies on the table.

The sheet alone cannot tell a camera that moved from a sheet that was moved. But a sheet on a table can only slide and
turn in the table's plane: what seems to rise or tilt is the camera. And where neither moved but the camera's driver
shows another part of the sensor in as many pixels, everything is larger or smaller by one factor.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from rigwarp.camera.boards.board import board_to_table
from rigwarp.camera.boards.detection import BoardView
from rigwarp.camera.lens.bundle import Pose
from rigwarp.camera.model import CameraModel
from rigwarp.camera.table.sheet_pose import sheet_pose
from rigwarp.geometry import Array, at_height
from rigwarp.rig.canvas import outline_mm
from rigwarp.rig.model import Content, Target

_LARGER = 0.02  # less than any mode of a camera crops; a camera that was only nudged seldom comes so much nearer
_EVEN_PX = 0.5
"""Corners this far off at most lie where a factor has them: a lens as measured and a sheet that bends leave as much."""
_BETTER = 3.0  # times nearer to where a factor has them than to where a motion has them: no motion; and the reverse


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
    magnified : how many times as large as camera.json has it the sheet is in the picture, where that alone explains
        the corners as well as any motion; else None.
    only_magnified : whether no motion explains them.
    upside_down : whether the corners lie where they are expected once the picture is turned by 180 degrees.
    """

    corners: int
    shift_mm: Array
    turn_rad: Array
    shift_sigma_mm: Array
    turn_sigma_rad: Array
    chi_squared: float
    lift_chi_squared: float
    off_mm: float
    magnified: float | None
    only_magnified: bool
    upside_down: bool


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
    found = sheet_pose(view, camera, target, height_mm=sheet_height_mm)
    if found is None:
        return None
    middle = np.array([*target.centre_mm, sheet_height_mm])
    motion = np.concatenate([found.middle_mm - middle, Rotation.from_matrix(found.turn).as_rotvec()])
    sigma = np.sqrt(np.diag(found.covariance))
    factor, off_px = _magnified(view, camera.project(board_to_table(view.object_mm, target, height_mm=sheet_height_mm)))
    even = off_px < min(_EVEN_PX, _BETTER * found.off_px)
    magnified = even and factor > 0.0 and abs(factor - 1.0) > _LARGER
    return SheetMove(
        corners=found.corners,
        shift_mm=motion[:3],
        turn_rad=motion[3:],
        shift_sigma_mm=sigma[:3],
        turn_sigma_rad=sigma[3:],
        chi_squared=_chi_squared(motion, found.covariance, [0, 1, 2, 3, 4, 5]),
        lift_chi_squared=_chi_squared(motion, found.covariance, [2, 3, 4]),
        off_mm=_positions_off_mm(camera, found.in_camera, middle, content, height_mm),
        magnified=factor if magnified else None,
        only_magnified=magnified and _BETTER * off_px < found.off_px,
        upside_down=even and factor < 0.0,
    )


def _magnified(view: BoardView, expected_px: Array) -> tuple[float, float]:
    """The factor that takes corners from where they are expected, but for a common shift, to where they are seen; and
    by how far it misses them, the median. Below 0 in a picture that is turned by 180 degrees.
    """
    seen, expected = (px - px.mean(axis=0) for px in (view.image_px, expected_px))
    factor = float(np.sum(seen * expected) / np.sum(expected**2))
    return factor, float(np.median(np.linalg.norm(seen - factor * expected, axis=-1)))


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
    moved = (at_height(edge, height_mm) - middle) @ sheet.R.T + sheet.t_mm
    own = (moved - camera.t_camera_from_table_mm) @ camera.R_camera_from_table  # where camera.json has those rays begin
    off = np.linalg.norm(camera.to_plane(camera.project(own), height_mm) - edge, axis=-1)
    known = off[np.isfinite(off)]
    return float(known.max()) if known.size else float("nan")
