"""Are the photographs the way round that camera.json means? Told by where the light should land."""

import numpy as np
from numpy.typing import NDArray

from rigwarp.camera import CameraModel
from rigwarp.decode import Decoded
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, PixelMap

_PLACES = 4000
_FEWEST = 200
_MUCH_BETTER = 0.25  # of the distance as they are must be left when they are turned back
_WAYS = {
    "turned by 180 degrees": (True, True),
    "mirrored left to right": (True, False),
    "mirrored top to bottom": (False, True),
}


def check_orientation(decoded: Decoded, camera: CameraModel, design: PixelMap, table_height_mm: float) -> None:
    """Refuse a scan whose photographs fit the design only when they are turned or mirrored.

    Parameters
    ----------
    decoded : the scan.
    camera : lens and pose.
    design : where the traced design sends each projector pixel.
    table_height_mm : of the lit surface.

    Raises
    ------
    MeasurementError
        The photographs are turned or mirrored against those that the camera's pose was made from.
    """
    check_shape(decoded, camera)
    row, column = np.nonzero(decoded.valid)
    some = slice(None, None, max(1, len(row) // _PLACES))
    row, column = row[some], column[some]
    u, v = (np.rint(image[row, column]).astype(np.int64) for image in (decoded.u_px, decoded.v_px))
    width, height = design.resolution
    u, v = np.clip(u, 0, width - 1), np.clip(v, 0, height - 1)
    wanted = np.stack([design.x_mm[v, u], design.y_mm[v, u]], axis=-1)
    as_it_is = _distance_mm(row, column, wanted, camera, table_height_mm, (False, False))
    for words, way in _WAYS.items():
        undone = _distance_mm(row, column, wanted, camera, table_height_mm, way)
        if undone < _MUCH_BETTER * as_it_is:
            raise MeasurementError(
                f"the photographs are {words} against those that camera.json was made from: the light lands "
                f"{as_it_is:.0f} mm beside the design (median), and {undone:.0f} mm when they are turned back. Turn "
                "the photographs back, or take those of the sheet the same way round; or did the sheet lie the wrong "
                "way round?"
            )


def check_shape(decoded: Decoded, camera: CameraModel) -> None:
    """Refuse photographs that are not of the camera's size; MeasurementError."""
    shape = decoded.reason.shape
    if shape == camera.resolution[::-1]:
        return
    turned = shape == camera.resolution
    raise MeasurementError(
        f"the photographs have {shape[1]} x {shape[0]} pixels, camera.json is of {camera.resolution[0]} x "
        f"{camera.resolution[1]}: "
        + ("they are turned by 90 degrees; turn them back" if turned else "use photographs of the same size")
    )


def _distance_mm(
    row: NDArray[np.intp],
    column: NDArray[np.intp],
    wanted_mm: Array,
    camera: CameraModel,
    height_mm: float,
    flipped: tuple[bool, bool],
) -> float:
    """Median distance of where the pixels look, once flipped (across, down), from where their light should land."""
    width, height = camera.resolution
    across, down = flipped
    place = np.stack([width - 1.0 - column if across else column, height - 1.0 - row if down else row], axis=-1)
    off = np.linalg.norm(camera.to_plane(place.astype(float), height_mm) - wanted_mm, axis=-1)
    off = off[np.isfinite(off)]
    return float(np.median(off)) if off.size >= _FEWEST else np.inf
