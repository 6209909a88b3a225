"""Where a printed sheet lies on the table: by its corners, and how these move with that and with the print."""

from dataclasses import replace

import numpy as np

from rigwarp.camera import SheetSigma, board_to_table
from rigwarp.camera.boards.board import board_size_mm
from rigwarp.camera.boards.board_shape import print_bends
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, plane_rotation, rigid_move
from rigwarp.rig.model import Target

_FAR_MM, _FAR_RAD = 60.0, np.radians(20.0)  # the first sheet may seem so far from its place before anything is fitted


def on_table(board_mm: Array, laid: Target) -> Array:
    """(N, 2) where corners (N, 3) of a sheet are that lies there."""
    return board_to_table(board_mm, laid, height_mm=0.0)[:, :2]


def on_sheet(board_mm: Array, target: Target) -> Array:
    """(N, 2) corners (N, 3) about the sheet's middle, x right, y to its top edge."""
    return on_table(board_mm, replace(target, centre_mm=np.zeros(2), rotation_rad=0.0))


def laid_as_seen(board_mm: Array, seen_mm: Array, target: Target) -> Target:
    """The sheet where its corners (N, 3) fit best on where they are seen (N, 2)."""
    centre_mm, turn = rigid_move(on_sheet(board_mm, target), seen_mm)
    return replace(target, centre_mm=centre_mm, rotation_rad=turn)


def by_place(board_mm: Array, laid: Target) -> Array:
    """(N, 2, 3) how corners move with the sheet's middle and turn."""
    x, y = (on_table(board_mm, laid) - laid.centre_mm).T
    one, zero = np.ones_like(x), np.zeros_like(x)
    return np.stack([np.stack([one, zero, -y], axis=-1), np.stack([zero, one, x], axis=-1)], axis=1)


def by_print(board_mm: Array, laid: Target, sheet: SheetSigma) -> Array:
    """(N, 2, 3) how corners move with three errors of the print, in sigmas."""
    upright = plane_rotation(laid.rotation_rad) @ np.diag([1.0, -1.0])  # the board's y runs down
    return np.asarray(upright @ print_bends(board_mm, board_size_mm(laid)) @ sheet.printed)


def require_near(seen: Target, told: Target) -> None:
    """MeasurementError where the first sheet is seen far from where it should lie."""
    off = float(np.linalg.norm(seen.centre_mm - told.centre_mm))
    turn = float(np.angle(np.exp(1j * (seen.rotation_rad - told.rotation_rad))))
    if off > _FAR_MM or abs(turn) > _FAR_RAD:
        raise MeasurementError(
            f"the first sheet seems to lie {_place_words(seen)}; [view.target] puts it {_place_words(told)}: lay it "
            "there, or correct centre_mm and rotation_deg; further sheets may lie anywhere"
        )


def _place_words(sheet: Target) -> str:
    x, y = sheet.centre_mm
    return f"around ({x:.0f}, {y:.0f}) mm, turned by {np.degrees(sheet.rotation_rad):.0f} degrees"
