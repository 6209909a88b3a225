"""How high and how level a board stands over the table, told by the sheet that lies on it and the camera that is known.

The camera stays where it is: the sheet's picture grows as it comes closer, by 1/500 for every 2 mm at a metre.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from rigwarp.camera.boards.board import board_corners_mm, board_to_table
from rigwarp.camera.boards.board_shape import PLAIN_PRINT, SheetSigma
from rigwarp.camera.boards.detection import BoardView
from rigwarp.camera.lens.bundle import Pose
from rigwarp.camera.model import CameraModel
from rigwarp.camera.projection import N_LENS, lens_matrix
from rigwarp.camera.table.sheet_pose import SheetPose, sheet_pose
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, rotation_from_vector
from rigwarp.geometry.frames import turn_of_z
from rigwarp.geometry.robust import independent_errors
from rigwarp.rig.model import Target

_WHOLE = 0.5  # share of the sheet's corners below which something lies on it
_LEVEL = 0.05  # steeper boards, 3 degrees, are no boards that somebody laid level; small angles hold below


@dataclass(frozen=True, kw_only=True)
class RaisedBoard:
    """A plane board over the table.

    Attributes
    ----------
    middle_mm : (2,) where the sheet told its height, table frame.
    rise_mm, rise_sigma_mm : how much higher than the table its surface is there.
    slope, slope_sigma : (2,) how it rises along x and y, mm per mm.
    corners : how many corners of the sheet told it.
    """

    middle_mm: Array
    rise_mm: float
    rise_sigma_mm: float
    slope: Array
    slope_sigma: Array
    corners: int

    def rise_at(self, table_mm: Array) -> Array:
        """(...,) mm above the table at (..., 2)."""
        return np.asarray(self.rise_mm + (table_mm - self.middle_mm) @ self.slope, float)

    def rotation(self) -> Array:
        """(3, 3) R_table_from_board: turns the table's axes the shortest way so that z stands on the board."""
        normal = np.array([-self.slope[0], -self.slope[1], 1.0])
        return turn_of_z(normal / np.linalg.norm(normal))

    def camera_over(self, camera: CameraModel, *, height_mm: float) -> CameraModel:
        """The camera in the board's frame: its origin is the board above the table's, its plane z = 0 the board.

        `height_mm` is that of the table.
        """
        R = camera.R_camera_from_table
        return replace(
            camera,
            R_camera_from_table=R @ self.rotation(),
            t_camera_from_table_mm=R @ self.origin_mm(height_mm) + camera.t_camera_from_table_mm,
            covariance=None,
        )

    def to_table(self, board_mm: Array, *, height_mm: float) -> Array:
        """(..., 2) places on the board to (..., 2) table x, y."""
        return np.asarray(board_mm @ self.rotation()[:2, :2].T + self.origin_mm(height_mm)[:2], float)

    def origin_mm(self, height_mm: float) -> Array:
        """(3,) the board's point above the table's origin, table frame."""
        return np.array([0.0, 0.0, height_mm + float(self.rise_at(np.zeros(2)))])


def locate_board(
    view: BoardView,
    camera: CameraModel,
    target: Target,
    *,
    sheet_height_mm: float,
    sheet_sigma: SheetSigma = PLAIN_PRINT,
) -> RaisedBoard:
    """Height and slope of a board from a photo of the sheet on it.

    Parameters
    ----------
    view : what `detect_board` found in the photo.
    camera : its pose made from the same sheet on the table, whose print lay at `sheet_height_mm`; not moved since.
    target : describes the sheet. It may lie anywhere on the board.

    Raises
    ------
    MeasurementError
        Where the sheet is not seen, hardly, or stands steeply.

    Notes
    -----
    Only what the two sheets do not share counts: the print's scale makes camera, table and board larger together, and
    an error of lens or pose moves both sheets. So each independent error of the camera is put in, both sheets are
    located with it, and the difference is its part of sigma (JCGM 100, 5.1). Corner noise and paper that lies
    unevenly (`sheet_sigma.height_mm`) come on top.
    """
    wanted = len(board_corners_mm(target))
    found = sheet_pose(view, camera, target, height_mm=sheet_height_mm)
    if found is None or found.corners < _WHOLE * wanted:
        seen = 0 if found is None else found.corners
        raise MeasurementError(
            f"raised board: {seen} of the sheet's {wanted} corners found in its photo, at least {100 * _WHOLE:.0f} % "
            "are needed. Lay the whole sheet on the board, flat, evenly lit, in the camera's view, and take the photo "
            "again"
        )
    rise, slope = _above(found, None, sheet_height_mm)
    if np.linalg.norm(slope) > _LEVEL:
        raise MeasurementError(
            f"raised board: by the sheet on it, it rises by {100 * np.linalg.norm(slope):.1f} % of its length, "
            f"expected below {100 * _LEVEL:.0f} %. Level the board, and see that the sheet lies flat on it"
        )
    variance = found.rise_and_slope_sigma**2
    variance[0] += sheet_sigma.height_mm**2 + (sheet_sigma.mean_scale * rise) ** 2
    on_table_mm = board_to_table(view.object_mm, target, height_mm=sheet_height_mm)
    below = replace(view, image_px=camera.project(on_table_mm))  # as the camera would see it there
    R = camera.R_camera_from_table
    lying = Pose(R=R, t_mm=R @ np.array([*target.centre_mm, sheet_height_mm]) + camera.t_camera_from_table_mm)
    for wrong in _wrong_cameras(camera):
        parts = [
            sheet_pose(seen, wrong, target, height_mm=sheet_height_mm, near=near)
            for seen, near in ((view, found.in_camera), (below, lying))
        ]
        if parts[0] is not None and parts[1] is not None:
            up, tilt = _above(parts[0], parts[1], sheet_height_mm)
            variance += np.array([up - rise, *(tilt - slope)]) ** 2
    sigma = np.sqrt(variance)
    return RaisedBoard(
        middle_mm=found.middle_mm[:2],
        rise_mm=rise,
        rise_sigma_mm=float(sigma[0]),
        slope=slope,
        slope_sigma=sigma[1:],
        corners=found.corners,
    )


def _above(sheet: SheetPose, below: SheetPose | None, sheet_height_mm: float) -> tuple[float, Array]:
    """Height and slope (2,) of a sheet over another one; None: over where it lies by definition."""
    if below is None:
        return float(sheet.middle_mm[2] - sheet_height_mm), sheet.slope
    there = below.middle_mm[2] + (sheet.middle_mm[:2] - below.middle_mm[:2]) @ below.slope
    return float(sheet.middle_mm[2] - there), sheet.slope - below.slope


def _wrong_cameras(camera: CameraModel) -> Iterator[CameraModel]:
    """The camera with each of its independent errors, one sigma; none where its covariance is not known."""
    if camera.covariance is None:
        return
    for error in independent_errors(camera.covariance).T:
        lens = camera.lens + error[:N_LENS]
        turn = rotation_from_vector(error[N_LENS : N_LENS + 3])
        yield replace(
            camera,
            matrix=lens_matrix(lens),
            distortion=lens[4:],
            R_camera_from_table=turn @ camera.R_camera_from_table,
            t_camera_from_table_mm=camera.t_camera_from_table_mm + error[N_LENS + 3 :],
            covariance=None,
        )
