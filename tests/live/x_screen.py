"""A virtual X screen for tests: Xvfb, xdotool, and pictures of the screen by the X protocol itself.

GetImage is answered between two requests of other programs, so that a picture is never torn.
"""

import os
import shutil
import socket
import struct
import subprocess

import numpy as np
import pytest

REQUIRE = "RIGWARP_REQUIRE_X"
_GET_IMAGE, _Z_PIXMAP = 73, 2


class Screen:
    """A screen of its own; close it at the end."""

    def __init__(self, size: tuple[int, int]) -> None:
        self.size = size
        reader, writer = os.pipe()
        self._server = subprocess.Popen(
            [
                *("Xvfb", "-displayfd", str(writer), "-screen", "0", f"{size[0]}x{size[1]}x24"),
                *("-ac", "-nolisten", "tcp"),
            ],
            pass_fds=(writer,),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(writer)
        with os.fdopen(reader) as numbers:
            self.number = int(numbers.readline())
        self._channel = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._channel.connect(f"/tmp/.X11-unix/X{self.number}")
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

    def grab(self, size: tuple[int, int]) -> np.ndarray:
        """(h, w, 3) RGB: the upper left part of the screen."""
        self._channel.sendall(struct.pack("<BBHIhhHHI", _GET_IMAGE, _Z_PIXMAP, 5, self._root, 0, 0, *size, 0xFFFFFFFF))
        head = self._receive(32)
        while head[0] > 1:  # an event, such as the news of another keyboard layout
            head = self._receive(32)
        assert head[0] == 1, "the X server gave no picture"
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


def require_x() -> None:
    """Skip, or fail when the machine was said to have it, where Xvfb or xdotool is missing."""
    missing = [name for name in ("Xvfb", "xdotool") if shutil.which(name) is None]
    if missing and os.environ.get(REQUIRE, "") not in ("", "0"):
        pytest.fail(f"{REQUIRE} is set and {', '.join(missing)} is missing: apt install xvfb xdotool")
    if missing:
        pytest.skip(f"no {', '.join(missing)}: apt install xvfb xdotool")
