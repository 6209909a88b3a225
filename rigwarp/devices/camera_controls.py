"""What a camera would change by itself is fixed, as far as its driver lets it; exposure times in seconds."""

import math
from collections.abc import Callable
from typing import Final, Protocol

import cv2

EXPOSURE: Final = "exposure"
CONTROLS: Final = (EXPOSURE, "gain", "white balance", "focus")
_V4L = "V4L2"
_LOG_SECONDS = ("DSHOW", "MSMF")  # their exposure is the binary logarithm of seconds
_V4L_STEP_S = 1e-4  # V4L2_CID_EXPOSURE_ABSOLUTE counts 100 microseconds (linux/v4l2-controls.h documentation)
# OpenCV passes the driver's own value on: V4L2_EXPOSURE_MANUAL is 1, a quarter stands for manual on Windows
_MANUAL_EXPOSURE = {_V4L: 1.0, "DSHOW": 0.25, "MSMF": 0.25}
_DEEP_GREY = {b"Y16 ": 16, b"Y12 ": 12, b"Y10 ": 10}
_MISSING = -1.0  # what OpenCV tells of a control that a V4L2 driver does not have


class Driver(Protocol):
    """The part of cv2.VideoCapture that sets controls."""

    def get(self, property_: int, /) -> float:
        """Value of a property."""

    def set(self, property_: int, value: float, /) -> bool:
        """True when the driver takes it."""

    def getBackendName(self) -> str:
        """Which of OpenCV's backends drives the camera."""


def fix_controls(driver: Driver) -> tuple[str, ...]:
    """Switch off what is automatic and hold the present values; returns what could not be fixed."""
    steps: dict[str, Callable[[Driver], bool]] = {
        EXPOSURE: _fix_exposure,
        "gain": lambda d: d.set(cv2.CAP_PROP_GAIN, d.get(cv2.CAP_PROP_GAIN)),
        "white balance": lambda d: _switch_off(d, cv2.CAP_PROP_AUTO_WB),
        "focus": lambda d: _switch_off(d, cv2.CAP_PROP_AUTOFOCUS),
    }
    return tuple(name for name in CONTROLS if not steps[name](driver))


def take_all_bits(driver: Driver) -> int | None:
    """Let a grey camera of more than 8 bits deliver them; returns how many, None for others.

    OpenCV would reduce them to 8 (cap_v4l: V4L2_PIX_FMT_Y16, Y12, Y10) unless it is told not to convert.
    """
    code = int(driver.get(cv2.CAP_PROP_FOURCC)).to_bytes(4, "little", signed=True)
    bits = _DEEP_GREY.get(code)
    return bits if bits and driver.set(cv2.CAP_PROP_CONVERT_RGB, 0.0) else None


def exposure_s(driver: Driver) -> float | None:
    """The exposure time, seconds; None where the driver does not tell, or not in seconds."""
    value = driver.get(cv2.CAP_PROP_EXPOSURE)
    name = driver.getBackendName()
    if name == _V4L:
        return value * _V4L_STEP_S if value > 0 else None
    return float(2.0**value) if name in _LOG_SECONDS else None


def set_exposure_s(driver: Driver, seconds: float) -> float | None:
    """Set the exposure time; returns what the driver then says, None when it refuses."""
    before = exposure_s(driver)
    if before is None or not _fix_exposure(driver):
        return None
    # the others know whole powers of two only
    power = float(round(math.log2(max(seconds, 1e-6))))
    value = max(1.0, round(seconds / _V4L_STEP_S)) if driver.getBackendName() == _V4L else power
    return exposure_s(driver) if driver.set(cv2.CAP_PROP_EXPOSURE, value) else None


def _fix_exposure(driver: Driver) -> bool:
    manual = _MANUAL_EXPOSURE.get(driver.getBackendName(), 0.0)
    value = driver.get(cv2.CAP_PROP_EXPOSURE)
    return driver.set(cv2.CAP_PROP_AUTO_EXPOSURE, manual) and driver.set(cv2.CAP_PROP_EXPOSURE, value)


def _switch_off(driver: Driver, property_: int) -> bool:
    """True also where a V4L2 camera has no such automatic: nothing there changes by itself."""
    if driver.getBackendName() == _V4L and driver.get(property_) == _MISSING:
        return True
    return driver.set(property_, 0.0) and driver.get(property_) == 0.0
