"""Drivers of typical webcams as far as their controls go, answering the ioctl requests of Video for Linux.

The tables have names, ranges and behaviour of the kinds of cameras that the kernel's uvcvideo and sensor drivers serve;
numbers and structures are computed here from linux/videodev2.h, apart from the code that is tested.
"""

import errno
import struct

_QUERY, _GET, _SET, _MENU = (
    (3 << 30) | (size << 16) | (ord("V") << 8) | number for number, size in ((36, 68), (27, 8), (28, 8), (37, 44))
)
_INACTIVE, _READ_ONLY, _GRABBED = 0x10, 0x4, 0x2
USER, CAMERA = 0x00980900, 0x009A0900

AUTO_WB, AUTOGAIN, GAIN, MAINS, WB, SHARP, BACKLIGHT = (USER + n for n in (12, 18, 19, 24, 26, 27, 28))
AUTO_EXPOSURE, EXPOSURE, PRIORITY, FOCUS, AUTO_FOCUS = (CAMERA + n for n in (1, 2, 3, 10, 12))


class FakeDriver:
    """Controls by number: [name, least, most, value, flags]; `refused` cannot be set, `ignored` only seem to be.

    `behind`: control -> (automatic, its value when off); the control cannot be set unless the automatic is off.
    """

    def __init__(self, controls, *, refused=(), ignored=(), behind=None):
        self.controls = {number: [*row, 0][:5] for number, row in controls.items()}
        self.refused, self.ignored, self.behind = refused, ignored, behind or {}

    def __call__(self, request, data):
        number = struct.unpack_from("=I", data)[0]
        if number not in self.controls:
            raise OSError(errno.EINVAL, "no such control")
        name, least, most, value, flags = self.controls[number]
        if request == _QUERY:
            struct.pack_into("=II32siiiiI", data, 0, number, 1, name.encode(), least, most, 1, least, flags)
        elif request == _MENU:
            if number in (AUTO_EXPOSURE, MAINS):
                return
            raise OSError(errno.EINVAL, "no menu")
        elif request == _GET:
            struct.pack_into("=i", data, 4, value)
        elif request == _SET:
            self._set(number, struct.unpack_from("=i", data, 4)[0])
        else:
            raise OSError(errno.ENOTTY, "another request")

    def _set(self, number, value):
        _, least, most, _, flags = self.controls[number]
        if number in self.refused or flags & (_READ_ONLY | _GRABBED):
            raise OSError(errno.EBUSY, "refused")
        automatic, off = self.behind.get(number, (None, None))
        if automatic is not None and self.controls[automatic][3] != off:
            raise OSError(errno.EACCES, "inactive")
        if not least <= value <= most:
            raise OSError(errno.ERANGE, "out of range")
        if number not in self.ignored:
            self.controls[number][3] = value


BEHIND = {EXPOSURE: (AUTO_EXPOSURE, 1), WB: (AUTO_WB, 0), FOCUS: (AUTO_FOCUS, 0)}
_PLAIN = {
    AUTO_WB: ["White Balance, Automatic", 0, 1, 1],
    GAIN: ["Gain", 0, 255, 64],
    MAINS: ["Power Line Frequency", 0, 2, 2],
    WB: ["White Balance Temperature", 2800, 6500, 4650],
    SHARP: ["Sharpness", 0, 255, 128],
    BACKLIGHT: ["Backlight Compensation", 0, 1, 1],
    AUTO_EXPOSURE: ["Auto Exposure", 0, 3, 3],
    EXPOSURE: ["Exposure Time, Absolute", 3, 2047, 250],
    PRIORITY: ["Exposure, Dynamic Framerate", 0, 1, 1],
}
_FOCUS = {FOCUS: ["Focus, Absolute", 0, 250, 30], AUTO_FOCUS: ["Focus, Automatic Continuous", 0, 1, 1]}


def without(table, *numbers):
    return {number: row for number, row in table.items() if number not in numbers}


def webcams():
    """Name -> (driver, what stays unlocked, the setting that is advised or None)."""
    whole = {**_PLAIN, **_FOCUS}
    return {
        "with autofocus": (FakeDriver(whole, behind=BEHIND), (), None),
        "fixed focus": (FakeDriver(_PLAIN, behind=BEHIND), (), None),
        "older kernel's names": (
            FakeDriver({**_PLAIN, AUTO_EXPOSURE: ["Exposure, Auto", 0, 3, 3],
                        EXPOSURE: ["Exposure (Absolute)", 3, 2047, 9]}, behind=BEHIND), (), None,
        ),
        "no gain": (FakeDriver(without(_PLAIN, GAIN), behind=BEHIND), ("gain",), None),
        "notebook's, without exposure": (
            FakeDriver(without(_PLAIN, GAIN, AUTO_EXPOSURE, EXPOSURE, PRIORITY), behind=BEHIND),
            ("exposure", "gain"), None,
        ),
        "black and white": (FakeDriver(without(_PLAIN, AUTO_WB, WB), behind=BEHIND), (), None),
        "exposure that refuses": (
            FakeDriver(whole, refused=(AUTO_EXPOSURE,), behind=BEHIND), ("exposure",), "auto_exposure=1",
        ),
        "focus that seems to be set": (
            FakeDriver(whole, ignored=(AUTO_FOCUS,), behind=BEHIND), ("focus",), "focus_automatic_continuous=0",
        ),
        "board camera, with signed sharpness": (
            FakeDriver({GAIN: ["Analogue Gain", 16, 248, 16], AUTOGAIN: ["Gain, Automatic", 0, 1, 1],
                        AUTO_EXPOSURE: ["Auto Exposure", 0, 1, 0],
                        EXPOSURE: ["Exposure Time, Absolute", 1, 10000, 1000],
                        SHARP: ["Sharpness", -100, 100, 50]}, behind=BEHIND), (), None,
        ),
        "sharpness held by the driver, mains without off": (
            FakeDriver({**_PLAIN, SHARP: ["Sharpness", 1, 7, 2, _GRABBED], MAINS: ["Power Line Frequency", 1, 2, 2]},
                       behind=BEHIND), (), "sharpness=1",
        ),
        "capture card without controls": (FakeDriver({}), ("exposure", "gain"), None),
    }  # fmt: skip
