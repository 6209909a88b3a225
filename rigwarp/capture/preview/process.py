"""The preview's window, in a process of its own: pictures come in through stdin, keys go out through stdout.

A picture is its width and height (two little-endian 32-bit numbers) and its RGB bytes. A key is its name on a line;
closing the window is the key "close". The first line says that it is there. The end of stdin ends it all.
"""

import os
import struct
import sys
import threading
from typing import BinaryIO, Final

os.environ["PYGAME_HIDE_SUPPORT_PROMPT"] = "1"  # it would stand among the keys; must come before pygame

from rigwarp.devices.quick_pygame import pygame
from rigwarp.devices.video_output import TITLE, Monitor, start_screens
from rigwarp.errors import DeviceError

HEADER: Final = struct.Struct("<II")
CLOSED: Final = "close"
READY: Final = "ready"
"""The line that says that the window is there; no key has this name."""

NO_SCREEN: Final = 4
"""Exit code when there is no screen to show anything on."""

_LOOKS_PER_S = 60


class _Newest:
    """The newest picture that came in; a thread takes them, so that none waits while the window is busy."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._lock = threading.Lock()
        self._picture: tuple[tuple[int, int], bytes] | None = None
        self.ended = False
        threading.Thread(target=self._run, name="pictures", daemon=True).start()

    def take(self) -> tuple[tuple[int, int], bytes] | None:
        """(width, height) and bytes of a picture not taken yet."""
        with self._lock:
            picture, self._picture = self._picture, None
        return picture

    def _run(self) -> None:
        while len(head := self._stream.read(HEADER.size)) == HEADER.size:
            width, height = HEADER.unpack(head)
            data = self._stream.read(3 * width * height)
            if len(data) < 3 * width * height:
                break
            with self._lock:
                self._picture = ((width, height), data)
        self.ended = True


def operator_monitor(found: list[Monitor], projector: int | None) -> Monitor:
    """The operator's monitor: the first that is not the projector; the projector's own when there is no other."""
    others = [monitor for monitor in found if monitor.number != projector]
    return (others or found)[0]


def main(arguments: list[str]) -> int:
    """Show pictures until stdin ends; arguments: title, width, height, and the projector's monitor, to keep off it."""
    title, wanted = arguments[0], (int(arguments[1]), int(arguments[2]))
    try:
        monitor = operator_monitor(start_screens(), int(arguments[3]) if len(arguments) > 3 else None)
    except DeviceError:
        return NO_SCREEN
    share = min(1.0, monitor.size[0] / wanted[0], monitor.size[1] / wanted[1])
    size = (round(wanted[0] * share), round(wanted[1] * share))
    pygame.display.set_mode(size, display=monitor.number)
    pygame.display.set_caption(f"{TITLE}: {title}")
    _say(READY)
    newest, clock = _Newest(sys.stdin.buffer), pygame.time.Clock()
    while not newest.ended:
        for event in pygame.event.get():
            name = CLOSED if event.type == pygame.QUIT else ""
            if event.type == pygame.KEYDOWN:
                name = pygame.key.name(event.key).lower()
            if name:
                _say(name)
        picture = newest.take()
        if picture is not None:
            surface = pygame.image.frombuffer(picture[1], picture[0], "RGB")
            if picture[0] != size:
                surface = pygame.transform.smoothscale(surface, size)
            pygame.display.get_surface().blit(surface, (0, 0))
        pygame.display.flip()
        clock.tick(_LOOKS_PER_S)
    pygame.display.quit()
    return 0


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
