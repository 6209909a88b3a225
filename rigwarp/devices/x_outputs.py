"""Which rectangles of an X screen are lit by a monitor right now.

SDL hears of an unplugged cable, but not of an output that was switched off by other means.
"""

import ctypes
from typing import Any

Rectangle = tuple[int, int, int, int]
"""x, y, width, height on the desktop."""


class _Monitor(ctypes.Structure):
    """XRRMonitorInfo of Xrandr.h, RandR 1.5."""

    _fields_ = (
        ("name", ctypes.c_ulong),
        *((name, ctypes.c_int) for name in ("primary", "automatic", "outputs", "x", "y", "width", "height")),
        *((name, ctypes.c_int) for name in ("width_mm", "height_mm")),
        ("output_ids", ctypes.c_void_p),
    )


class XOutputs:
    """A connection of its own to the X server; close it at the end."""

    def __init__(self, x: ctypes.CDLL, randr: ctypes.CDLL, connection: int) -> None:
        self._x, self._randr, self._connection = x, randr, connection
        self._root = x.XDefaultRootWindow(connection)

    @classmethod
    def connect(cls) -> "XOutputs | None":
        """To the server that DISPLAY names; None where there is none, or none of its libraries."""
        try:
            x, randr = ctypes.CDLL("libX11.so.6"), ctypes.CDLL("libXrandr.so.2")
        except OSError:
            return None
        _declare(x, randr)
        connection = x.XOpenDisplay(None)
        return cls(x, randr, connection) if connection else None

    def lit(self) -> list[Rectangle]:
        """One rectangle per active monitor."""
        count = ctypes.c_int()
        found = self._randr.XRRGetMonitors(self._connection, self._root, 1, ctypes.byref(count))
        if not found:
            return []
        try:
            return [(m.x, m.y, m.width, m.height) for m in (found[i] for i in range(count.value))]
        finally:
            self._randr.XRRFreeMonitors(found)

    def close(self) -> None:
        """Calling it twice is fine."""
        if self._connection:
            self._x.XCloseDisplay(self._connection)
            self._connection = 0


def _declare(x: Any, randr: Any) -> None:
    x.XOpenDisplay.restype, x.XOpenDisplay.argtypes = ctypes.c_void_p, [ctypes.c_char_p]
    x.XCloseDisplay.argtypes = [ctypes.c_void_p]
    x.XDefaultRootWindow.restype, x.XDefaultRootWindow.argtypes = ctypes.c_ulong, [ctypes.c_void_p]
    pointer = ctypes.POINTER(_Monitor)
    randr.XRRGetMonitors.restype = pointer
    randr.XRRGetMonitors.argtypes = [ctypes.c_void_p, ctypes.c_ulong, ctypes.c_int, ctypes.POINTER(ctypes.c_int)]
    randr.XRRFreeMonitors.argtypes = [pointer]
