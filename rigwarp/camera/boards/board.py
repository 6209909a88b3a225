"""The printed ChArUco board: its corners in millimetres, and where they lie when the sheet is on the table."""

import cv2
import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.rig.model import Target


def charuco_board(target: Target) -> cv2.aruco.CharucoBoard:
    """OpenCV's board of nominal size.

    Raises
    ------
    InputError
        OpenCV has no such dictionary, or it has too few markers.
    """
    number = getattr(cv2.aruco, target.dictionary, None)
    if not target.dictionary.startswith("DICT_") or not isinstance(number, int):
        raise InputError(
            f"target.dictionary is {target.dictionary!r}, expected one of OpenCV's names such as DICT_5X5_250"
        )
    dictionary = cv2.aruco.getPredefinedDictionary(number)
    needed, available = target.squares[0] * target.squares[1] // 2, len(dictionary.bytesList)
    if needed > available:
        raise InputError(
            f"target.squares {list(target.squares)} needs {needed} markers, {target.dictionary} has {available}: "
            "choose a larger dictionary"
        )
    board = cv2.aruco.CharucoBoard(target.squares, target.square_mm, target.marker_mm, dictionary)
    board.setLegacyPattern(target.layout == "old")
    return board


def board_corners_mm(target: Target) -> Array:
    """((sx-1)(sy-1), 3) inner corners in the board's own frame as really printed (`scale` applied), z = 0.

    OpenCV's board frame: origin at the top-left corner of the pattern, x right, y down; row by row, as its corner ids.
    """
    columns, rows = target.squares
    x, y = np.meshgrid(np.arange(1, columns), np.arange(1, rows))
    corners = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=-1) * target.square_mm
    return corners * np.array([*target.scale, 1.0])


def board_size_mm(target: Target) -> tuple[float, float]:
    """(width, height) of the pattern as really printed."""
    width, height = (n * target.square_mm * s for n, s in zip(target.squares, target.scale, strict=True))
    return width, height


def board_to_table(board_mm: Array, target: Target, *, height_mm: float) -> Array:
    """Points of the sheet, in its own frame as really printed, to the table frame.

    Parameters
    ----------
    board_mm : (..., 3) as given by `board_corners_mm`: scale already applied, z = 0 on the print.
    target : `centre_mm` and `rotation_rad` say where the sheet lies; with rotation 0 its top edge lies towards +y.
    height_mm : of the printed surface in the table frame.

    Returns
    -------
    (..., 3) table mm.
    """
    width, depth = board_size_mm(target)
    right, up = board_mm[..., 0] - width / 2, depth / 2 - board_mm[..., 1]
    c, s = np.cos(target.rotation_rad), np.sin(target.rotation_rad)
    return np.stack(
        [
            target.centre_mm[0] + c * right - s * up,
            target.centre_mm[1] + s * right + c * up,
            height_mm - board_mm[..., 2],
        ],
        axis=-1,
    )
