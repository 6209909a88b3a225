"""What the pre-flight says about the camera's place: is it still where camera.json has it?"""

from collections.abc import Mapping
from typing import Any

import numpy as np

from rigwarp.camera.table.sheet_move import SheetMove
from rigwarp.capture.preflight.findings import PreflightFinding, not_measured

POSE = "camera's place"
_SURE = 60.0  # chi-squared, 6 degrees of freedom: by chance once in 10^10
_SURE_LIFT = 50.0  # chi-squared, 3 degrees of freedom: the same
_RELAID_MM, _RELAID_DEG = 3.0, 0.5  # the sheet slid by more than a bumped camera would make it seem
_PLAIN_LIFT_MM, _PLAIN_LIFT_DEG = 1.0, 0.3  # at another place the lens and the table's own shape may lift it by less
_HARMLESS = 0.2  # of the rig's tolerance


def about_pose(move: SheetMove | None, *, tolerance_mm: float) -> PreflightFinding:
    """Has the camera moved since camera.json was made? None: the sheet is not in the picture.

    `tolerance_mm` is what counts as good for the rig: more than that wrong on the table stops a scan.
    """
    if move is None:
        return not_measured(
            POSE,
            "the sheet is not in the picture: whether the camera has moved since camera.json cannot be told. Lay it "
            "where target.centre_mm says, or make camera.json again after any knock",
        )
    figures = _figures(move)
    off = f"{move.off_mm:.2f} mm" if np.isfinite(move.off_mm) else "an unknown length"
    slid, turned = float(np.hypot(*move.shift_mm[:2])), abs(float(np.degrees(move.turn_rad[2])))
    lifted, tilted = abs(float(move.shift_mm[2])), float(np.degrees(np.hypot(*move.turn_rad[:2])))
    seen = (
        f"the sheet seems {np.linalg.norm(move.shift_mm):.2f} mm and {np.degrees(np.linalg.norm(move.turn_rad)):.2f}°"
    )
    if move.chi_squared < _SURE or move.off_mm < _HARMLESS * tolerance_mm:
        text = f"{seen} from where it was, {_sigmas(move)} sigma: the camera has not moved ({off} on the table at most)"
        return PreflightFinding(what=POSE, severity="fine", text=text, figures=figures)
    again = "make camera.json again: rigwarp camera RIG --table PHOTO --replace"
    relaid = slid > _RELAID_MM or turned > _RELAID_DEG
    if relaid and lifted < _PLAIN_LIFT_MM and tilted < _PLAIN_LIFT_DEG:
        text = (
            f"the sheet lies {slid:.0f} mm and {turned:.1f}° from where it was, flat on the table: if nobody moved it, "
            f"the camera has moved, and {again}"
        )
        return PreflightFinding(what=POSE, severity="remark", text=text, figures=figures)
    who = "the camera has moved"
    if not relaid and move.lift_chi_squared < _SURE_LIFT:
        who = "the camera has moved, or the sheet along the table"
    text = (
        f"{seen} from where it was ({lifted:.2f} mm up or down, {tilted:.2f}° tilted, {_sigmas(move)} sigma): {who}; "
        f"places on the table may be wrong by {off}. Put it back, or {again}"
    )
    severe = not move.off_mm <= tolerance_mm
    return PreflightFinding(what=POSE, severity="stop" if severe else "remark", text=text, figures=figures)


def _sigmas(move: SheetMove) -> str:
    return f"{np.sqrt(move.chi_squared / 6.0):.1f}"


def _figures(move: SheetMove) -> Mapping[str, Any]:
    return {
        "corners": move.corners,
        "shift_mm": move.shift_mm,
        "shift_sigma_mm": move.shift_sigma_mm,
        "turn_deg": np.degrees(move.turn_rad),
        "turn_sigma_deg": np.degrees(move.turn_sigma_rad),
        "chi_squared": move.chi_squared,
        "lift_chi_squared": move.lift_chi_squared,
        "table_off_mm": move.off_mm,
    }
