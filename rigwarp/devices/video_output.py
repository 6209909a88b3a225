"""What every window of ours needs from SDL: settings before it starts, the monitors, a title and no pointer."""

import ctypes
import functools
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rigwarp.devices.quick_pygame import pygame
from rigwarp.errors import DeviceError

MADE_UP_SCREENS: Final = ("offscreen", "dummy")
"""Video drivers without a real display: the one they report has no meaning."""
TITLE: Final = "rigwarp"
_ENVIRONMENT = {
    "PYGAME_HIDE_SUPPORT_PROMPT": "1",
    "SDL_WINDOWS_DPI_AWARENESS": "permonitorv2",  # native pixels on scaled desktops
    "SDL_VIDEO_MINIMIZE_ON_FOCUS_LOSS": "0",  # a click on another display must not take the picture away
    "SDL_FRAMEBUFFER_ACCELERATION": "0",  # else SDL draws software surfaces by an OpenGL context of its own
}


@dataclass(frozen=True, kw_only=True)
class Monitor:
    """A monitor as the desktop sees it.

    Attributes
    ----------
    number : of `--display`; 0 is the primary one.
    size : (width, height), pixels of the desktop: fewer than the monitor's own where the desktop is scaled.
    position : of its upper left corner on the desktop; None when the system does not tell.
    name : what the system calls it; empty when it does not tell.
    """

    number: int
    size: tuple[int, int]
    position: tuple[int, int] | None
    name: str

    def __str__(self) -> str:
        place = f" at ({self.position[0]}, {self.position[1]})" if self.position else ""
        return f"{self.number}: {self.size[0]} x {self.size[1]}{place}{f' {self.name}' if self.name else ''}"


HOW_TO_START: Final = (
    "connect the projector; start it on a desktop, or set DISPLAY; on a text console be at the machine itself, "
    "and in the groups video and render"
)


def prepare_environment() -> None:
    """What SDL reads once, when it starts; the user's own settings win."""
    for name, value in _ENVIRONMENT.items():
        os.environ.setdefault(name, value)
    without_desktop = not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
    if sys.platform.startswith("linux") and without_desktop:
        # a text console's own display, else memory; looking for a desktop would only print complaints
        os.environ.setdefault("SDL_VIDEODRIVER", "kmsdrm,offscreen")


def screens_in_memory() -> bool:
    """True where the user has asked for a video driver that draws into memory, by SDL's own variable."""
    return os.environ.get("SDL_VIDEODRIVER", "") in MADE_UP_SCREENS


def start_screens() -> list[Monitor]:
    """Start SDL's video and list the real monitors; `pygame.display.quit` ends it.

    Raises
    ------
    DeviceError
        If there is no screen.
    """
    prepare_environment()
    try:
        pygame.display.init()
    except pygame.error as error:
        raise DeviceError(f"no window can be opened ({error}): {HOW_TO_START}") from None
    driver = pygame.display.get_driver()
    if driver in MADE_UP_SCREENS:  # SDL takes them silently
        pygame.display.quit()
        raise DeviceError(f"no screen here: {HOW_TO_START}")
    return monitors()


def monitors() -> list[Monitor]:
    """The monitors that SDL knows of; its video must have been started."""
    sizes = pygame.display.get_desktop_sizes()
    return [
        Monitor(number=number, size=(int(width), int(height)), position=position, name=name)
        for number, (width, height) in enumerate(sizes)
        for position, name in [_place(number)]
    ]


def dress_window() -> None:
    """Title and no pointer, for the window that was just opened."""
    pygame.display.set_caption(TITLE)
    pygame.mouse.set_visible(False)


def window_position() -> tuple[int, int] | None:
    """Where the open window stands on the desktop; None when the system does not tell."""
    sdl = _sdl()
    if sdl is None:
        return None
    for number in range(1, _WINDOW_NUMBERS):
        window = sdl.SDL_GetWindowFromID(number)
        if window:
            x, y = ctypes.c_int(), ctypes.c_int()
            sdl.SDL_GetWindowPosition(ctypes.c_void_p(window), ctypes.byref(x), ctypes.byref(y))
            return x.value, y.value
    return None


_WINDOW_NUMBERS = 1000  # SDL counts windows up; pygame has at most one of them open


class _Rectangle(ctypes.Structure):
    _fields_ = tuple((name, ctypes.c_int) for name in ("x", "y", "w", "h"))


def _place(number: int) -> tuple[tuple[int, int] | None, str]:
    """Position and name of a monitor, which pygame does not pass on."""
    sdl = _sdl()
    bounds = _Rectangle()
    if sdl is None or sdl.SDL_GetDisplayBounds(number, ctypes.byref(bounds)) != 0:
        return None, ""
    name = sdl.SDL_GetDisplayName(number)
    return (int(bounds.x), int(bounds.y)), name.decode("utf-8", "replace") if name else ""


@functools.cache
def _sdl() -> ctypes.CDLL | None:
    """The SDL that pygame has loaded; None where it cannot be found."""
    folder = Path(pygame.__file__).parent
    # a handle of the extension finds what it is linked to, except on Windows, where the library lies beside it
    path = folder / "SDL2.dll" if sys.platform == "win32" else Path(pygame.display.__file__ or "")
    try:
        sdl = ctypes.CDLL(str(path))
        sdl.SDL_GetDisplayName.restype = ctypes.c_char_p
        sdl.SDL_GetWindowFromID.restype = ctypes.c_void_p
    except (OSError, AttributeError):
        return None
    return sdl
