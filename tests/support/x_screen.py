"""Virtual X screens for tests: Xvfb, or two monitors of Xorg's dummy driver; keys by xdotool, pictures of the screen by
the X protocol itself.

GetImage is answered between two requests of other programs, so that a picture is never torn.
"""

import os
import shutil
import socket
import struct
import subprocess
from pathlib import Path

import numpy as np
from required import lack

_GET_IMAGE, _Z_PIXMAP = 73, 2


class OffScreenError(Exception):
    """That part of the screen is not there, or not any more."""


class Screen:
    """A screen of its own; close it at the end."""

    def __init__(self, size: tuple[int, int]) -> None:
        self.size = size
        self._start("Xvfb", "-screen", "0", f"{size[0]}x{size[1]}x24")

    def _start(self, *command: str) -> None:
        reader, writer = os.pipe()
        self._server = subprocess.Popen(
            [*command, "-displayfd", str(writer), "-ac", "-nolisten", "tcp"],
            pass_fds=(writer,),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(writer)
        with os.fdopen(reader) as numbers:
            self.number = int(numbers.readline())
        self._channel = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._channel.connect(f"/tmp/.X11-unix/X{self.number}")  # where Xserver(1), FILES, says it is
        self._channel.sendall(struct.pack("<BxHHHHxx", 0x6C, 11, 0, 0, 0))
        head = self._receive(8)
        assert head[0] == 1, "the X server refused the connection"
        setup = self._receive(4 * struct.unpack("<H", head[6:8])[0])
        vendor, formats = struct.unpack("<H", setup[16:18])[0], setup[21]
        at = 32 + vendor + -vendor % 4 + 8 * formats
        (self._root,) = struct.unpack("<I", setup[at : at + 4])

    @property
    def environment(self) -> dict[str, str]:
        """Variables for a program that shall show something here."""
        kept = {k: v for k, v in os.environ.items() if k not in ("WAYLAND_DISPLAY", "SDL_VIDEODRIVER")}
        return {**kept, "DISPLAY": f":{self.number}", "SDL_AUDIODRIVER": "dummy"}

    def grab(self, size: tuple[int, int], at: tuple[int, int] = (0, 0)) -> np.ndarray:
        """(h, w, 3) RGB: a part of the screen, by default the upper left one."""
        self._channel.sendall(struct.pack("<BBHIhhHHI", _GET_IMAGE, _Z_PIXMAP, 5, self._root, *at, *size, 0xFFFFFFFF))
        head = self._receive(32)
        while head[0] > 1:  # an event, such as the news of another keyboard layout
            head = self._receive(32)
        if head[0] != 1:
            raise OffScreenError
        data = self._receive(4 * struct.unpack("<I", head[4:8])[0])
        return np.frombuffer(data, np.uint8).reshape(size[1], size[0], 4)[..., 2::-1].copy()

    def key(self, *names: str) -> None:
        """Press keys, as xdotool names them."""
        subprocess.run(["xdotool", "key", *names], env=self.environment, check=True, timeout=20)

    def pointer(self, *words: str) -> None:
        """Move and click: xdotool's own words."""
        subprocess.run(["xdotool", *words], env=self.environment, check=True, timeout=20)

    def close(self) -> None:
        """End the server."""
        self._channel.close()
        self._server.terminate()
        self._server.wait(timeout=20)

    def _receive(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            part = self._channel.recv(count - len(data))
            assert part, "the X server went away"
            data += part
        return data


class TwoMonitors(Screen):
    """A desktop over two monitors of one size, side by side; the second one can be switched off like an unplugged one.

    Parameters
    ----------
    size : (width, height) of each.
    folder : for the server's configuration and log.
    """

    def __init__(self, size: tuple[int, int], folder: Path) -> None:
        self.size = size
        (folder / "xorg.conf").write_text(_XORG)
        self._start("Xorg", "-config", str(folder / "xorg.conf"), "-logfile", str(folder / "x.log"), "-noreset")
        try:
            self._lay_out()
        except BaseException:
            self.close()
            raise

    @property
    def second(self) -> tuple[int, int]:
        """Where the second monitor lies on the desktop."""
        return self.size[0], 0

    def plug_in(self) -> None:
        """Switch the second monitor on."""
        self._xrandr("--output", "DUMMY1", "--mode", _MODE, "--pos", f"{self.second[0]}x0")
        self._xrandr("--query")  # only now does the server notice that something is connected

    def unplug(self) -> None:
        """Switch the second monitor off."""
        self._xrandr("--output", "DUMMY1", "--off")

    def mirror(self) -> None:
        """Let the second monitor show the same as the first."""
        self._xrandr("--output", "DUMMY1", "--pos", "0x0")

    def _lay_out(self) -> None:
        width, height = self.size
        # the timings of a monitor that nobody looks at
        self._xrandr("--newmode", _MODE, "50", *_timings(width), *_timings(height))
        for output in ("DUMMY0", "DUMMY1"):
            self._xrandr("--addmode", output, _MODE)
        self._xrandr("--output", "DUMMY0", "--mode", _MODE, "--pos", "0x0", "--primary")
        self.plug_in()

    def _xrandr(self, *words: str) -> None:
        subprocess.run(["xrandr", *words], env=self.environment, check=True, timeout=20, stdout=subprocess.DEVNULL)


def _timings(extent: int) -> tuple[str, ...]:
    return tuple(str(extent + more) for more in (0, 8, 16, 32))


_MODE = "ours"
_XORG = """
Section "ServerFlags"
  Option "AutoAddDevices" "false"
EndSection
Section "Device"
  Identifier "card"
  Driver "dummy"
  VideoRam 65536
EndSection
Section "Monitor"
  Identifier "monitor"
  HorizSync 1.0-1000.0
  VertRefresh 1.0-1000.0
EndSection
Section "Screen"
  Identifier "screen"
  Device "card"
  Monitor "monitor"
  DefaultDepth 24
  SubSection "Display"
    Depth 24
    Virtual 2560 1440
  EndSubSection
EndSection
"""


def require_x(*, monitors: bool = False) -> None:
    """Skip, or fail when the machine was said to have it, where Xvfb and xdotool, or Xorg and xrandr, are missing."""
    wanted, packages = ("Xvfb", "xdotool"), "xvfb xdotool"
    if monitors:
        wanted, packages = ("Xorg", "xrandr"), "xserver-xorg-core xserver-xorg-video-dummy x11-xserver-utils"
    missing = [name for name in wanted if shutil.which(name) is None]
    if missing:
        lack("X", f"no {', '.join(missing)}: apt install {packages}")
