"""Control tables of ten typical cameras, as `v4l2-ctl -L` prints them, and a driver that behaves by such a table.

The tables were written from memory of what such cameras offer and from the standards, not recorded from devices: names
and numbers are the kernel's (linux/v4l2-controls.h), ranges and units those of the USB Video Class 1.5, section 4.2.2
(exposure in 100 us, white balance in K), or of sensor drivers. Each class of camera has the gaps that are common in it.
"""

import errno
import re
import struct

_QUERY, _GET, _SET, _MENU = (
    (3 << 30) | (size << 16) | (ord("V") << 8) | number for number, size in ((36, 68), (27, 8), (28, 8), (37, 44))
)
_KINDS = {"int": 1, "bool": 2, "menu": 3, "intmenu": 9}  # v4l2_ctrl_type of linux/videodev2.h
_INACTIVE = 0x10

_PICTURE = """
brightness 0x00980900 (int) : min=0 max=255 step=1 default=128 value=128
contrast 0x00980901 (int) : min=0 max=255 step=1 default=128 value=128
saturation 0x00980902 (int) : min=0 max=255 step=1 default=128 value=128
"""
_EXPOSURE = """
auto_exposure 0x009a0901 (menu) : min=0 max=3 default=3 value=3
    1: Manual Mode
    3: Aperture Priority Mode
exposure_time_absolute 0x009a0902 (int) : min=3 max=2047 step=1 default=250 value=156 flags=inactive
exposure_dynamic_framerate 0x009a0903 (bool) : default=0 value=1
"""
_WHITE = """
white_balance_automatic 0x0098090c (bool) : default=1 value=1
white_balance_temperature 0x0098091a (int) : min=2800 max=6500 step=1 default=4650 value=4230 flags=inactive
"""
_MAINS = """
power_line_frequency 0x00980918 (menu) : min=0 max=2 default=2 value=2
    0: Disabled
    1: 50 Hz
    2: 60 Hz
"""
_REST = """
sharpness 0x0098091b (int) : min=0 max=255 step=1 default=128 value=128
backlight_compensation 0x0098091c (int) : min=0 max=1 step=1 default=0 value=1
"""
_GAIN = "gain 0x00980913 (int) : min=0 max=255 step=1 default=0 value=64\n"
_FOCUS = """
focus_absolute 0x009a090a (int) : min=0 max=250 step=5 default=0 value=30 flags=inactive
focus_automatic_continuous 0x009a090c (bool) : default=1 value=1
"""

TABLES = {
    "desktop camera with autofocus": _PICTURE + _EXPOSURE + _WHITE + _MAINS + _REST + _GAIN + _FOCUS,
    "desktop camera with fixed focus": _PICTURE + _EXPOSURE + _WHITE + _MAINS + _REST + _GAIN,
    "a notebook's own": _PICTURE + _WHITE + _MAINS + _REST,
    "a cheap one, exposure on automatic alone": _PICTURE + _WHITE + _MAINS + _REST + """
        auto_exposure 0x009a0901 (menu) : min=0 max=3 default=3 value=3
            3: Aperture Priority Mode
        exposure_time_absolute 0x009a0902 (int) : min=1 max=5000 step=1 default=157 value=157 flags=inactive
    """,
    "for conferences, with motors": _PICTURE + _EXPOSURE + _WHITE + _MAINS + _GAIN + _FOCUS + """
        sharpness 0x0098091b (int) : min=1 max=15 step=2 default=7 value=7
        pan_absolute 0x009a0908 (int) : min=-36000 max=36000 step=3600 default=0 value=7200
        tilt_absolute 0x009a0909 (int) : min=-36000 max=36000 step=3600 default=0 value=0
        zoom_absolute 0x009a090d (int) : min=100 max=500 step=1 default=100 value=120
        wide_dynamic_range 0x009a0915 (bool) : default=1 value=1
    """,
    "an endoscope, with mains light that cannot be switched off": _PICTURE + _WHITE + """
        auto_exposure 0x009a0901 (menu) : min=0 max=3 default=3 value=3
            1: Manual Mode
            3: Aperture Priority Mode
        exposure_time_absolute 0x009a0902 (int) : min=1 max=5000 step=1 default=157 value=312 flags=inactive
        power_line_frequency 0x00980918 (menu) : min=1 max=2 default=1 value=1
            1: 50 Hz
            2: 60 Hz
    """,
    "an old one without the class driver": _PICTURE + """
        exposure 0x00980911 (int) : min=0 max=255 step=1 default=60 value=75
        gain_automatic 0x00980912 (bool) : default=1 value=1
        gain 0x00980913 (int) : min=0 max=63 step=1 default=20 value=31
        sharpness 0x0098091b (int) : min=0 max=63 step=1 default=0 value=0
    """,
    "a board computer's, by its firmware": """
        sharpness 0x0098091b (int) : min=-100 max=100 step=1 default=0 value=10
        red_balance 0x0098090e (int) : min=1 max=7999 step=1 default=1000 value=1400
        blue_balance 0x0098090f (int) : min=1 max=7999 step=1 default=1000 value=1300
        power_line_frequency 0x00980918 (menu) : min=0 max=3 default=1 value=1
            0: Disabled
            1: 50 Hz
            2: 60 Hz
            3: Auto
        auto_exposure 0x009a0901 (menu) : min=0 max=3 default=0 value=0
            0: Auto Mode
            1: Manual Mode
        exposure_time_absolute 0x009a0902 (int) : min=1 max=10000 step=1 default=1000 value=1000
        exposure_dynamic_framerate 0x009a0903 (bool) : default=0 value=0
        white_balance_auto_preset 0x009a0914 (menu) : min=0 max=10 default=1 value=1
            0: Manual
            1: Auto
        image_stabilization 0x009a0916 (bool) : default=0 value=1
        iso_sensitivity 0x009a0917 (intmenu) : min=0 max=4 default=0 value=1
            0: 0
            1: 100000
        iso_sensitivity_auto 0x009a0918 (menu) : min=0 max=1 default=1 value=1
            0: Manual
            1: Auto
    """,
    "a bare sensor on a board": """
        exposure 0x00980911 (int) : min=4 max=1759 step=1 default=1600 value=1600
        analogue_gain 0x009e0903 (int) : min=0 max=232 step=1 default=0 value=100
    """,
    "a stick that takes in another camera's picture": _PICTURE,
}  # fmt: skip
_BEHIND = {  # control -> its automatic, and that one's value for manual; set while inactive, drivers say EACCES
    "exposure_time_absolute": ("auto_exposure", 1),
    "white_balance_temperature": ("white_balance_automatic", 0),
    "focus_absolute": ("focus_automatic_continuous", 0),
    "iso_sensitivity": ("iso_sensitivity_auto", 0),
}


class TableDriver:
    """Answers ioctl requests by a table; `values` by name."""

    def __init__(self, table):
        self._rows, self.values, self._menus = {}, {}, {}
        name = ""
        for line in filter(None, map(str.strip, table.splitlines())):
            if item := re.match(r"(\d+): ", line):
                self._menus[name].add(int(item[1]))
                continue
            name, number, kind = re.match(r"(\w+) 0x(\w+) \((\w+)\)", line).groups()
            stated = {key: int(value) for key, value in re.findall(r"(min|max|step|value)=(-?\d+)", line)}
            flags = _INACTIVE if "flags=inactive" in line else 0
            self._rows[int(number, 16)] = (name, _KINDS[kind], stated.get("min", 0), stated.get("max", 1),
                                           stated.get("step", 1), flags)  # fmt: skip
            self.values[name], self._menus[name] = stated["value"], set()

    def __call__(self, request, data):
        number, second = struct.unpack_from("=Ii", data)
        if number not in self._rows:
            raise OSError(errno.EINVAL, "no such control")
        name, kind, least, most, step, flags = self._rows[number]
        if request == _QUERY:
            title = name.replace("_", " ").title().encode()
            struct.pack_into("=II32siiiiI", data, 0, number, kind, title, least, most, step, least, flags)
        elif request == _GET:
            struct.pack_into("=i", data, 4, self.values[name])
        elif request == _MENU:
            if second not in self._menus[name]:
                raise OSError(errno.EINVAL, "no such item")
        elif request == _SET:
            self._set(name, kind, second, least, most, step)
        else:
            raise OSError(errno.ENOTTY, "another request")

    def _set(self, name, kind, value, least, most, step):
        automatic, manual = _BEHIND.get(name, (None, None))
        if automatic in self.values and self.values[automatic] != manual:
            raise OSError(errno.EACCES, "inactive")
        if not least <= value <= most:
            raise OSError(errno.ERANGE, "out of range")
        if kind in (3, 9) and value not in self._menus[name]:
            raise OSError(errno.EINVAL, "no such item")
        self.values[name] = least + (value - least + step // 2) // step * step
