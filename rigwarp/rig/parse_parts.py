"""Keys that cameras and projectors have in common: their pictures, and where they stand."""

import math
from typing import Any, cast

import numpy as np

from rigwarp.geometry import Placement, look_at, rotation_from_degrees
from rigwarp.rig.section import MISSING, TomlSection, describe

SMALLEST_PICTURE_PX = 16  # along one side; smaller is a slip of the pen
LARGEST_PICTURE_PX = 16384  # the largest texture side of today's GPUs


def picture_size(section: TomlSection, *, default: Any = MISSING) -> tuple[int, int]:
    """`resolution`: (width, height) pixels."""
    width, height = section.integers(
        "resolution", 2, at_least=SMALLEST_PICTURE_PX, at_most=LARGEST_PICTURE_PX, default=default
    )
    return width, height


def camera_device(section: TomlSection) -> int | str:
    """`device`: which camera."""
    device = section.values.get("device", 0)
    is_index = type(device) is int and device >= 0
    is_name = isinstance(device, str) and device.strip() != ""
    if not (is_index or is_name):
        section.fail("device", found=describe(device), expected="a number from 0, or text")
    return cast(int | str, device)


def optical_placement(section: TomlSection, *, what: str) -> Placement:
    """Where a projector or camera (`what`) stands and looks: rotation_deg, or aim_mm with roll_deg."""
    position_mm = section.vector("position_mm", 3)
    if section.has("rotation_deg") and section.has("aim_mm"):
        section.fail(
            "aim_mm",
            found="a second definition of the orientation beside rotation_deg",
            expected="one of the two",
            advice="Remove either aim_mm (with roll_deg) or rotation_deg.",
        )
    if section.has("roll_deg") and not section.has("aim_mm"):
        section.fail(
            "roll_deg", found="no aim_mm", expected="aim_mm beside it", advice="Add aim_mm or remove roll_deg."
        )
    if section.has("rotation_deg"):
        return Placement(position_mm=position_mm, rotation=rotation_from_degrees(section.vector("rotation_deg", 3)))
    if not section.has("aim_mm"):
        section.fail(
            "rotation_deg", found="nothing", expected="rotation_deg or aim_mm", advice=f"Say where the {what} looks."
        )
    aim_mm = section.vector("aim_mm", 3)
    if np.array_equal(aim_mm, position_mm):
        section.fail("aim_mm", found="the same point as position_mm", expected="another point")
    return Placement(
        position_mm=position_mm,
        rotation=look_at(position_mm, aim_mm, math.radians(section.number("roll_deg", default=0.0))),
    )
