"""The mean of several photographs, for less noise."""

import numpy as np
from numpy.typing import NDArray

from rigwarp.capture.photographs.borrowed_camera import BorrowedCamera
from rigwarp.devices import Camera
from rigwarp.geometry import Photo


class AveragedCamera(BorrowedCamera):
    """Takes the mean of several photographs of another camera, as 16 bit.

    Parameters
    ----------
    camera : what photographs; it stays open when this one is closed.
    count : photographs for each one, at least 2.

    Notes
    -----
    Full scale is 65535 whatever the camera's own is. A pixel that is burnt out in one of the photographs is burnt out
    in their mean: otherwise it would be a little too dark and not look it.
    """

    def __init__(self, camera: Camera, count: int) -> None:
        super().__init__(camera)
        self._count = count

    def grab(self) -> Photo:
        """Photograph what is shown now."""
        first = self._lender.grab()
        full_scale = np.iinfo(first.dtype).max
        total, burnt = first.astype(np.float32), first == full_scale
        for _ in range(self._count - 1):
            photo = self._lender.grab()
            total += photo
            burnt |= photo == full_scale
        mean: NDArray[np.uint16] = np.rint(total * np.float32(65535.0 / (full_scale * self._count))).astype(np.uint16)
        mean[burnt] = 65535
        return mean


def averaged(camera: Camera, count: int) -> Camera:
    """The camera itself for one photograph, the mean of several otherwise."""
    return AveragedCamera(camera, count) if count > 1 else camera
