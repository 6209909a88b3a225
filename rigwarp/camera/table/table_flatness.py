"""Is the table flat and level where more sheets were laid? Each further sheet tells its own height and tilt.

The camera's pose comes from the first sheet alone; the others check it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.camera.boards.detection import BoardView
from rigwarp.camera.model import CameraModel
from rigwarp.camera.table.sheet_pose import sheet_pose
from rigwarp.geometry import Array
from rigwarp.rig.model import Target

_SURE = 4.0  # sigmas
_HEIGHT_MM, _TILT_MRAD = 0.3, 2.0  # less is paper that does not lie quite flat, and what no lens model gets right


@dataclass(frozen=True, kw_only=True)
class FurtherSheet:
    """One more sheet, or the same one elsewhere.

    Attributes
    ----------
    middle_mm : (2,) where it lies.
    rise_mm, rise_sigma_mm : its middle's height above the first sheet's.
    tilt_mrad, tilt_sigma_mrad : (2,) slope of its surface along x and y, against the first sheet's.
    corners : how many were used.
    """

    middle_mm: Array
    rise_mm: float
    rise_sigma_mm: float
    tilt_mrad: Array
    tilt_sigma_mrad: Array
    corners: int

    @property
    def odd(self) -> bool:
        """Whether it differs from the first by more than noise and ordinary paper explain."""
        lifted = abs(self.rise_mm) > max(_SURE * self.rise_sigma_mm, _HEIGHT_MM)
        tilted = np.abs(self.tilt_mrad) > np.maximum(_SURE * self.tilt_sigma_mrad, _TILT_MRAD)
        return bool(lifted or tilted.any())


def further_sheet(
    view: BoardView, camera: CameraModel, target: Target, *, sheet_height_mm: float
) -> FurtherSheet | None:
    """Height and tilt of a sheet that lies anywhere on the table; None when it is not seen.

    Parameters
    ----------
    camera : its pose made from the first sheet, whose print lies at `sheet_height_mm`.

    Notes
    -----
    Print scale cancels: it makes camera and table larger together. The sigmas are those of the corners' noise.
    """
    found = sheet_pose(view, camera, target, height_mm=sheet_height_mm)
    if found is None:
        return None
    sigma = found.rise_and_slope_sigma
    return FurtherSheet(
        middle_mm=found.middle_mm[:2],
        rise_mm=float(found.middle_mm[2] - sheet_height_mm),
        rise_sigma_mm=float(sigma[0]),
        tilt_mrad=1e3 * found.slope,
        tilt_sigma_mrad=1e3 * sigma[1:],
        corners=found.corners,
    )


def flatness_warnings(sheets: Sequence[FurtherSheet | None]) -> tuple[str, ...]:
    """What the further sheets say against the first."""
    found = []
    for number, sheet in enumerate(sheets, start=2):
        if sheet is None:
            found.append(f"sheet {number} is not seen in its photo: take it again, with the whole sheet in the picture")
        elif sheet.odd:
            x, y = sheet.middle_mm
            found.append(
                f"sheet {number} at ({x:.0f}, {y:.0f}) mm lies {sheet.rise_mm:+.2f} mm above the first and slopes by "
                f"{sheet.tilt_mrad[0]:+.1f} and {sheet.tilt_mrad[1]:+.1f} mrad: the table is not flat, or a sheet does "
                "not lie flat; a height that is wrong by h moves places by h times the tangent of the light's slant"
            )
    return tuple(found)
