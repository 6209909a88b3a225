"""What every implementation of Display and Camera does, virtual and real."""

import numpy as np
import pytest

from rigwarp.devices import Bench
from rigwarp.errors import DeviceError


def keep_contract(bench: Bench, projector: tuple[int, int], camera: tuple[int, int]) -> None:
    """Check a whole bench; it shows white, then black, and is closed twice."""
    keep_display_contract(bench, projector)
    keep_camera_contract(bench, camera)
    for device in (bench.camera, bench.display):
        device.close()
        device.close()


def keep_display_contract(bench: Bench, projector: tuple[int, int]) -> None:
    """The display alone."""
    assert bench.display.resolution == projector
    for shape in ((projector[0], projector[1] + 1), (*projector[::-1], 4)):
        with pytest.raises(DeviceError, match="native size"):
            bench.display.show(np.zeros(shape, np.uint8))


def keep_camera_contract(bench: Bench, camera: tuple[int, int]) -> None:
    """The camera, which sees the display."""
    white = np.full(bench.display.resolution[::-1], 255, np.uint8)
    assert bench.camera.resolution == camera
    bench.display.show(white)
    bright = bench.camera.grab()
    white[:] = 0  # what is shown does not follow the caller's array
    again = bench.camera.grab()
    bench.display.show(np.zeros((*white.shape, 3), np.uint8))
    dark = bench.camera.grab()
    for photo in (bright, again, dark, bench.camera.look()):
        assert photo.shape == camera[::-1]
        assert photo.dtype in (np.uint8, np.uint16)
    # the photograph belongs to the picture shown last
    assert min(float(bright.mean()), float(again.mean())) > float(dark.mean()) + 10
    keep_exposure_contract(bench)


def keep_exposure_contract(bench: Bench) -> None:
    """A camera whose exposure is known can be told another; the others say that they cannot."""
    assert set(bench.camera.unlocked) <= {"exposure", "gain", "white balance", "focus"}
    seconds = bench.camera.exposure_s
    if seconds is None:
        assert bench.camera.set_exposure(0.01) is None
        return
    halved = bench.camera.set_exposure(seconds / 2)
    assert halved == bench.camera.exposure_s
    assert halved == pytest.approx(seconds / 2, rel=0.5)  # shutters have their own steps
    bench.camera.set_exposure(seconds)
