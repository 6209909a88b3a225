"""A second opinion on board and lens: every corner of the board free to be anywhere, by OpenCV's calibrateCameraRO.

The lens fit allows a board to be bowed like a saddle or a bowl. With the whole board in every photo each corner's own
place can be found instead (Strobl and Hirzinger, More accurate pinhole camera calibration with imperfect planar target,
ICCV workshops 2011): what that says beyond the bow is a wave, a kink or a lifted edge.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from rigwarp.camera.boards.board_shape import board_bends
from rigwarp.camera.boards.detection import BoardView
from rigwarp.geometry import Array

_MIN_VIEWS = 6
_ROUNDS = 60
_ODD_MM = 0.15  # rms of the board's form beyond a bow
_ODD_SIGMAS = 5.0  # of the focal length between both ways


@dataclass(frozen=True, kw_only=True)
class ReleasedBoard:
    """What the released board says.

    Attributes
    ----------
    views : how many photos showed the whole board.
    height_mm : (N,) of its corners over their plane of best fit.
    bow_mm : largest minus smallest of that.
    beyond_bow_mm : rms of what is left of it after a bow.
    focal_px : (2,) along x and y.
    focal_apart : largest difference from the lens fit's focal lengths, in that fit's sigmas.
    """

    views: int
    height_mm: Array
    bow_mm: float
    beyond_bow_mm: float
    focal_px: Array
    focal_apart: float

    @property
    def warnings(self) -> tuple[str, ...]:
        """Whether the board is more crooked than the lens fit allows for."""
        if self.beyond_bow_mm < _ODD_MM and self.focal_apart < _ODD_SIGMAS:
            return ()
        return (
            f"the board in the hand is crooked: its corners are {self.bow_mm:.1f} mm out of plane, of which "
            f"{self.beyond_bow_mm:.2f} mm (rms) is no simple bow: glue it onto something flat and stiff",
        )


def released_board(views: Sequence[BoardView], lens: Array, lens_sigma: Array, *, corners: int) -> ReleasedBoard | None:
    """Calibrate once more with the photos that show all `corners`; None when there are too few of them.

    Parameters
    ----------
    views : photos of the hand-held board that the lens fit used.
    lens, lens_sigma : (9,) of the lens fit.
    """
    whole = [view for view in views if view.n == corners]
    if len(whole) < _MIN_VIEWS:
        return None
    order = [np.argsort(view.ids) for view in whole]
    points = whole[0].object_mm[order[0]]
    # OpenCV fixes one corner far from the first, and both their heights: the one at the end of the first row
    columns = int(np.count_nonzero(np.isclose(points[:, 1], points[0, 1])))
    flags = 0 if lens[8] else cv2.CALIB_FIX_K3  # no guess of the lens: OpenCV 5.0 then takes a solver that cannot do it
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, _ROUNDS, 1e-9)
    result = cv2.calibrateCameraRO(
        [points.astype(np.float32)] * len(whole),
        [view.image_px[place].astype(np.float32) for view, place in zip(whole, order, strict=True)],
        whole[0].resolution,
        columns - 1,
        np.eye(3),
        np.zeros(5),
        flags=flags,
        criteria=stop,
    )
    matrix, placed = np.asarray(result[1]), np.asarray(result[5], float).reshape(-1, 3)
    height = _left(placed[:, 2], placed[:, :2])
    bow = board_bends(points, whole[0].size_mm, flat=False)[:, 2, 2:]
    focal = np.array([matrix[0, 0], matrix[1, 1]])
    return ReleasedBoard(
        views=len(whole),
        height_mm=height,
        bow_mm=float(np.ptp(height)),
        beyond_bow_mm=float(np.sqrt(np.mean(_left(height, bow, points[:, :2]) ** 2))),
        focal_px=focal,
        focal_apart=float(np.max(np.abs(focal - lens[:2]) / lens_sigma[:2])),
    )


def _left(values: Array, *beside: Array) -> Array:
    """(N,) what the best sum of columns (N, k) and a constant leaves of values."""
    basis = np.column_stack([*beside, np.ones(len(values))])
    return np.asarray(values - basis @ np.linalg.lstsq(basis, values, rcond=None)[0])
