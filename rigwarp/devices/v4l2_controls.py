"""A Linux camera's controls by their names: set, locked, and read back from the driver.

Video for Linux (kernel documentation, userspace-api/media/v4l: control.html, vidioc-queryctrl.html and
vidioc-g-ctrl.html; numbers from linux/videodev2.h and linux/v4l2-controls.h).
"""

import os
import re
import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from rigwarp.devices.camera_controls import CONTROLS

Ioctl = Callable[[int, bytearray], object]
"""Does a request on the device: its number, and the structure that is passed both ways; OSError where it fails."""

QUERY_CONTROL: Final = 0xC0445624  # VIDIOC_QUERYCTRL = _IOWR('V', 36, 68 bytes)
GET_CONTROL: Final = 0xC008561B  # VIDIOC_G_CTRL = _IOWR('V', 27, 8 bytes)
QUERY_MENU: Final = 0xC02C5625  # VIDIOC_QUERYMENU = _IOWR('V', 37, 44 bytes)
SET_CONTROL: Final = 0xC008561C  # VIDIOC_S_CTRL = _IOWR('V', 28, 8 bytes)
QUERY_FORM: Final = struct.Struct("=II32siiiiI8x")
MENU_FORM: Final = struct.Struct("=II32sI")
CONTROL_FORM: Final = struct.Struct("=Ii")
_DISABLED, _READ_ONLY = 0x1, 0x4
_MENUS = (3, 9)  # V4L2_CTRL_TYPE_MENU, V4L2_CTRL_TYPE_INTEGER_MENU
_USER, _CAMERA, _SENSOR = 0x00980900, 0x009A0900, 0x009E0900
AUTO_WHITE_BALANCE, AUTO_GAIN, GAIN = _USER + 12, _USER + 18, _USER + 19
POWER_LINE, WHITE_BALANCE, SHARPNESS, BACKLIGHT = _USER + 24, _USER + 26, _USER + 27, _USER + 28
AUTO_EXPOSURE, EXPOSURE, EXPOSURE_PRIORITY = _CAMERA + 1, _CAMERA + 2, _CAMERA + 3
FOCUS, AUTO_FOCUS = _CAMERA + 10, _CAMERA + 12
RED, BLUE, SENSOR_EXPOSURE, SENSOR_GAIN = _USER + 14, _USER + 15, _USER + 17, _SENSOR + 3
PAN, TILT, ZOOM, IRIS = _CAMERA + 8, _CAMERA + 9, _CAMERA + 13, _CAMERA + 17
PRESET_WHITE_BALANCE, WIDE_RANGE, STABILISATION = _CAMERA + 20, _CAMERA + 21, _CAMERA + 22
ISO, AUTO_ISO = _CAMERA + 23, _CAMERA + 24
_MANUAL, _OFF = 1, 0
"""V4L2_EXPOSURE_MANUAL; 0: V4L2_CID_POWER_LINE_FREQUENCY_DISABLED, V4L2_WHITE_BALANCE_, V4L2_ISO_SENSITIVITY_MANUAL."""

_PLAN: Final[tuple[tuple[str, int, int | Literal["hold", "neutral"]], ...]] = (
    # what is automatic goes first: it makes the value behind it inactive
    ("exposure", AUTO_EXPOSURE, _MANUAL),
    ("exposure", EXPOSURE_PRIORITY, _OFF),  # else the frame rate follows the light
    ("exposure", EXPOSURE, "hold"),
    ("exposure", SENSOR_EXPOSURE, "hold"),  # counted in rows of the sensor, or in nothing known
    ("exposure", IRIS, "hold"),
    ("gain", AUTO_GAIN, _OFF),
    ("gain", AUTO_ISO, _OFF),
    ("gain", GAIN, "hold"),
    ("gain", SENSOR_GAIN, "hold"),
    ("gain", ISO, "hold"),
    ("white balance", AUTO_WHITE_BALANCE, _OFF),
    ("white balance", PRESET_WHITE_BALANCE, _OFF),
    ("white balance", WHITE_BALANCE, "hold"),
    ("white balance", RED, "hold"),
    ("white balance", BLUE, "hold"),
    ("focus", AUTO_FOCUS, _OFF),
    ("focus", FOCUS, "hold"),
    ("power-line frequency", POWER_LINE, _OFF),  # exposures are whole frames of the projector, not of the mains
    ("sharpness", SHARPNESS, "neutral"),  # edges that are made crisp by overshoot lie elsewhere
    ("backlight compensation", BACKLIGHT, "neutral"),
    ("wide dynamic range", WIDE_RANGE, _OFF),  # several exposures in one, joined by place
    ("image stabilisation", STABILISATION, _OFF),  # moves the picture
    ("framing", ZOOM, "hold"),
    ("framing", PAN, "hold"),
    ("framing", TILT, "hold"),
)
_MUST_BE_THERE: Final = ("exposure", "gain")
"""A camera that has no such control does as it likes; without the others it has no motor, or no colour."""


@dataclass(frozen=True, kw_only=True)
class ControlState:
    """One control of a camera.

    Attributes
    ----------
    what : which property it belongs to: of `CONTROLS`, or another that spoils measurements.
    name : as v4l2-ctl calls it.
    wanted, found : values; None where there is nothing to hold, the camera has no such value, or it cannot be read.
    """

    what: str
    name: str
    wanted: int | None
    found: int | None

    @property
    def right(self) -> bool:
        """Whether the driver says that it is as wanted."""
        return self.wanted is not None and self.found == self.wanted


@dataclass(frozen=True, kw_only=True)
class _Control:
    number: int
    name: str
    least: int
    most: int
    step: int
    kind: int
    flags: int

    def nearest(self, value: int) -> int:
        """The nearest value that it has; to 0 that is what has no effect, in ranges with and without a sign."""
        step = max(1, self.step)
        inside = max(self.least, min(self.most, value))
        return min(self.least + round((inside - self.least) / step) * step, self.most)


def lock_controls(ioctl: Ioctl) -> tuple[ControlState, ...]:
    """Set all controls as measuring wants them, hold the present values of the others, and read each back."""
    states = []
    for what, number, how in _PLAN:
        control = _query(ioctl, number)
        if control is None:
            continue
        wanted = _wanted(ioctl, control, how)
        if wanted is not None and not control.flags & _READ_ONLY:
            _done(ioctl, SET_CONTROL, bytearray(CONTROL_FORM.pack(number, wanted)))
        found = _get(ioctl, number)
        states.append(ControlState(what=what, name=control.name, wanted=wanted, found=found))
    return tuple(states)


def unlocked_of(states: tuple[ControlState, ...]) -> tuple[str, ...]:
    """Of `CONTROLS`, what may still change by itself."""
    there = {state.what for state in states}
    wrong = {state.what for state in states if not state.right}
    return tuple(name for name in CONTROLS if name in wrong or (name in _MUST_BE_THERE and name not in there))


def advice_of(states: tuple[ControlState, ...], path: str) -> str:
    """The command that sets what was refused; empty where nothing was."""
    settings = ",".join(
        f"{state.name}={state.wanted}" for state in states if not state.right and state.wanted is not None
    )
    return f"v4l2-ctl -d {path} -c {settings}" if settings else ""


@contextmanager
def device_controls(path: Path) -> Iterator[Ioctl]:
    """A second handle on a video device, for its controls alone; OSError where it cannot be opened."""
    import fcntl

    handle = os.open(path, os.O_RDWR | os.O_NONBLOCK)
    try:
        yield lambda request, data: fcntl.ioctl(handle, request, data, True)
    finally:
        os.close(handle)


def _wanted(ioctl: Ioctl, control: _Control, how: int | Literal["hold", "neutral"]) -> int | None:
    if how == "hold":
        return _get(ioctl, control.number)
    wanted = control.nearest(0 if how == "neutral" else how)
    if control.kind not in _MENUS:
        return wanted
    # menus may have gaps: a camera without manual exposure names none
    offered = _done(ioctl, QUERY_MENU, bytearray(MENU_FORM.pack(control.number, wanted, b"", 0)))
    return wanted if offered else None


def _query(ioctl: Ioctl, number: int) -> _Control | None:
    data = bytearray(QUERY_FORM.pack(number, 0, b"", 0, 0, 0, 0, 0))
    if not _done(ioctl, QUERY_CONTROL, data):
        return None
    number, kind, name, least, most, step, _, flags = QUERY_FORM.unpack(data)
    if flags & _DISABLED:
        return None
    words = re.findall(r"[a-z0-9]+", name.split(b"\0")[0].decode("utf-8", "replace").lower())
    name = "_".join(words)
    return _Control(number=number, name=name, least=least, most=most, step=step, kind=kind, flags=flags)


def _get(ioctl: Ioctl, number: int) -> int | None:
    data = bytearray(CONTROL_FORM.pack(number, 0))
    return int(CONTROL_FORM.unpack(data)[1]) if _done(ioctl, GET_CONTROL, data) else None


def _done(ioctl: Ioctl, request: int, data: bytearray) -> bool:
    try:
        ioctl(request, data)
    except OSError:  # not there (EINVAL), refused (EACCES, ERANGE), busy, or the camera did not answer (EIO)
        return False
    return True
