"""The camera: its lens from photos of a hand-held board, its pose from one photo of the sheet on the table.

`CameraModel` then takes camera pixels to table millimetres, with the uncertainty that lens and pose bring along.
"""

from rigwarp.camera.boards.board import board_corners_mm, board_to_table, charuco_board
from rigwarp.camera.boards.board_shape import EXACT_PRINT, PLAIN_PRINT, SheetSigma
from rigwarp.camera.boards.detection import BoardView, detect_board
from rigwarp.camera.lens.calibrate import LensResult, calibrate_lens_from_views
from rigwarp.camera.model import CameraModel
from rigwarp.camera.table.table_pose import TablePose, locate_table_from_view

__all__ = [
    "EXACT_PRINT",
    "PLAIN_PRINT",
    "BoardView",
    "CameraModel",
    "LensResult",
    "SheetSigma",
    "TablePose",
    "board_corners_mm",
    "board_to_table",
    "calibrate_lens_from_views",
    "charuco_board",
    "detect_board",
    "locate_table_from_view",
]
