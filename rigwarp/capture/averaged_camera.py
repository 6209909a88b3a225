"""The mean of several photographs, for less noise."""

import numpy as np
from numpy.typing import NDArray

from rigwarp.devices import Camera, Photo


class AveragedCamera:
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
        self._camera = camera
        self._count = count
        self.unlocked = camera.unlocked

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) in pixels."""
        return self._camera.resolution

    @property
    def exposure_s(self) -> float | None:
        """The exposure time of each photograph, seconds; None when it is unknown or cannot be set."""
        return self._camera.exposure_s

    def set_exposure(self, seconds: float) -> float | None:
        """Set the exposure time of each photograph."""
        return self._camera.set_exposure(seconds)

    def grab(self) -> Photo:
        """Photograph what is shown now."""
        first = self._camera.grab()
        full_scale = np.iinfo(first.dtype).max
        total, burnt = first.astype(np.float32), first == full_scale
        for _ in range(self._count - 1):
            photo = self._camera.grab()
            total += photo
            burnt |= photo == full_scale
        mean: NDArray[np.uint16] = np.rint(total * np.float32(65535.0 / (full_scale * self._count))).astype(np.uint16)
        mean[burnt] = 65535
        return mean

    def look(self) -> Photo:
        """One photograph."""
        return self._camera.look()

    def close(self) -> None:
        """Leaves the camera itself open: it belongs to somebody else."""


def averaged(camera: Camera, count: int) -> Camera:
    """The camera itself for one photograph, the mean of several otherwise."""
    return AveragedCamera(camera, count) if count > 1 else camera
