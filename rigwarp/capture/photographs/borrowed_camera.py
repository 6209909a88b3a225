"""Cameras that stand before another one, and the mean of several photographs, for less noise."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.devices import Camera, ColourCamera, Losses, NetworkCamera
from rigwarp.geometry import Photo


class BorrowedCamera:
    """Passes everything on but the photographs that count; those are up to the class that builds on this one.

    Parameters
    ----------
    camera : whose it really is; it stays open when this one is closed.
    """

    def __init__(self, camera: Camera) -> None:
        self._lender = camera
        self.unlocked, self.resolution = camera.unlocked, camera.resolution

    @property
    def exposure_s(self) -> float | None:
        """The exposure time, seconds; None when it is unknown or cannot be set."""
        return self._lender.exposure_s

    def set_exposure(self, seconds: float) -> float | None:
        """Ask for an exposure time; returns the one that is set now, None when the camera cannot be told."""
        return self._lender.set_exposure(seconds)

    def look(self) -> Photo:
        """The newest photograph, whatever it shows."""
        return self._lender.look()

    def look_colour(self) -> NDArray[Any]:
        """The newest photograph as it is, in colour where it has any."""
        return self._lender.look_colour() if isinstance(self._lender, ColourCamera) else self._lender.look()

    def losses(self) -> Losses | None:
        """What has been lost on the way; None where it comes by no network."""
        return self._lender.losses() if isinstance(self._lender, NetworkCamera) else None

    def close(self) -> None:
        """Leaves the camera itself open: it belongs to somebody else."""


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
