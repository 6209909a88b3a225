"""A camera that photographs when it is asked to, checked once: does its photograph show what is shown now?"""

from typing import Final

import cv2
import numpy as np

from rigwarp.devices import Display, OneShotCamera
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, Photo

_DARK, _BRIGHT = 64, 192  # code values: no full black to white
_CELL = 8  # camera pixels
_LIT_SHARE = 0.01  # of the cells are lit at least, by any projector that is seen at all
_LEAST_CHANGE = 0.02  # of full scale: five codes of 255
_SAME = 0.25  # of that change may the two photographs of dark differ: other light, noise
_LONGER: Final = (1.0, 3.0)
"""Pauses before each photograph that are tried where the usual one is too short, seconds."""


def require_following(display: Display, camera: OneShotCamera) -> None:
    """Photograph dark, bright and dark; where they do not show it, with longer pauses, which are then kept.

    Raises
    ------
    MeasurementError
        If the camera sees hardly any change, or other changes than those shown.
    """
    for settle_s in (camera.settle_s, *_LONGER):
        camera.settle_s = max(camera.settle_s, settle_s)
        dark, bright, again = (_seen(display, camera, code) for code in (_DARK, _BRIGHT, _DARK))
        rise = bright - np.maximum(dark, again)
        lit = rise >= max(_LEAST_CHANGE, float(np.quantile(rise, 1.0 - _LIT_SHARE)))
        if lit.any() and float(np.median(np.abs(again - dark)[lit])) < _SAME * float(np.median(rise[lit])):
            return
    changes = np.ptp([dark, bright, again], axis=0)
    if float(np.quantile(changes, 1.0 - _LIT_SHARE)) < _LEAST_CHANGE:
        raise MeasurementError(
            "the camera sees hardly any change when the projector's light changes: check that the projector is on, "
            "that this window is on it, that the camera sees the table, and the exposure"
        )
    raise MeasurementError(
        f"photographs do not follow the projector's light, even {camera.settle_s:g} s after it has changed: switch off "
        "what the camera adjusts by itself (exposure, ISO, white balance), and let its command take a new photograph "
        "each time, not fetch the last one"
    )


def _seen(display: Display, camera: OneShotCamera, code: int) -> Array:
    """Cells of a photograph of uniform light, as shares of full scale."""
    width, height = display.resolution
    display.show(np.full((height, width), code, np.uint8))
    photo: Photo = camera.grab()
    size = (max(1, photo.shape[1] // _CELL), max(1, photo.shape[0] // _CELL))
    share = photo.astype(np.float32) / np.float32(np.iinfo(photo.dtype).max)
    return np.asarray(cv2.resize(share, size, interpolation=cv2.INTER_AREA), float)
