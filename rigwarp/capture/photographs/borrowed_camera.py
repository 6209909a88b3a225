"""A camera that stands before another one."""

from typing import Any

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
        self.unlocked = camera.unlocked

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) in pixels."""
        return self._lender.resolution

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
