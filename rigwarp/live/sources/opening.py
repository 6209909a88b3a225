"""From what the user names to a source; and beside the frame loop, which waits for no camera or disk that hangs."""

import logging
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import Future, wait
from functools import partial
from pathlib import Path

from rigwarp.defaults import DWELL_S, FADE_S
from rigwarp.devices.camera_list import listed_cameras
from rigwarp.errors import DeviceError, InputError, RigwarpError
from rigwarp.files import list_photos
from rigwarp.live.operate.check_pictures import check_picture
from rigwarp.live.run.statistics import Counts
from rigwarp.live.sources.content_picture import content_picture
from rigwarp.live.sources.source import FolderSource, Source, StillSource
from rigwarp.live.worker import Worker
from rigwarp.rig import Content

PICTURE_ENDINGS = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
VIDEO_ENDINGS = (".mp4", ".mov", ".mkv", ".webm", ".avi", ".m4v", ".mpg", ".mpeg", ".ts", ".ogv")
CHECK, CAMERA = "check:", "camera:"
log = logging.getLogger(__name__)
_MOST_AT_ONCE = 4
"""Sources that are being opened; what hangs in one is given up and costs a thread."""
_END_S = 6.0
"""A decoder or camera that takes longer to end is left to its thread."""


def open_source(
    name: str,
    content: Content,
    *,
    most_px: tuple[int, int] | None = None,
    dwell_s: float = DWELL_S,
    fade_s: float = FADE_S,
    counts: Counts | None = None,
) -> Source:
    """Open a picture, a folder of pictures, a video, `camera:N`, a stream's address or `check:NAME`.

    What is far larger than `most_px` (width, height; None: the canvas) is reduced beside the frame loop, in linear
    light: drawing it through the warp would average it for every frame.

    Raises
    ------
    InputError, UsageError
        When there is nothing of that name or it cannot be read.
    """
    most_px = most_px or content.pixels
    if name.startswith(CHECK):
        return StillSource(check_picture(name.removeprefix(CHECK), content))
    if name.startswith(CAMERA) or "://" in name:
        from rigwarp.live.sources.stream import StreamSource

        address = name.removeprefix(CAMERA)
        if not (address.isdecimal() or address.startswith("/") or "://" in address):
            raise InputError(f"{name}: found no camera's number, expected camera:0 or the like.")
        if address.isdecimal():
            _require_camera(name, int(address))
        return StreamSource(int(address) if address.isdecimal() else address, counts=counts, most_px=most_px)
    path = Path(name)
    _require_file(path)
    if path.is_dir():
        read = partial(content_picture, most_px=content.pixels)
        return FolderSource(list_photos(path), read, content.pixels, dwell_s=dwell_s, fade_s=fade_s)
    if path.suffix.lower() in VIDEO_ENDINGS:
        from rigwarp.live.sources.video import VideoSource

        return VideoSource(path, counts=counts, most_px=most_px)
    if path.is_file() and path.suffix.lower() not in PICTURE_ENDINGS:
        known = ", ".join(ending[1:] for ending in PICTURE_ENDINGS + VIDEO_ENDINGS)
        raise InputError(f"{path}: found the ending {path.suffix!r}, expected one of {known}, or a folder of pictures.")
    return StillSource(content_picture(path, most_px))


def _require_camera(name: str, number: int) -> None:
    """Say at once that there is no such camera, where the system tells; OpenCV would try for ever."""
    if sys.platform.startswith("linux") and not Path(f"/dev/video{number}").exists():
        raise DeviceError(f"{name}: found no such camera; this machine has {listed_cameras()}. Connect it.")


def _require_file(path: Path) -> None:
    """Refuse what never ends or never begins; a name that is not there is told by what reads it."""
    try:
        odd = path.exists() and not path.is_file() and not path.is_dir()
    except (OSError, ValueError) as error:  # a name that no file system takes
        raise InputError(f"{str(path)[:200]!r}: no such file ({error}). Check the name.") from None
    if odd:
        raise InputError(f"{path}: found a device or pipe, expected a file or folder. Check the name.")


class Doorman:
    """Opens by `open_named` (None: nothing) the source that was asked for last, and closes those that are left.

    `counts` is where refused names are counted.
    """

    def __init__(self, open_named: Callable[[str], Source] | None, counts: Counts) -> None:
        self._open_named, self._counts = open_named, counts
        self._opening: tuple[str, Future[Source]] | None = None
        self._at_work: list[Future[Source]] = []
        self._worker = Worker("rigwarp-beside")

    def open(self, name: str) -> None:
        """Begin to open a source; one that is still being opened is given up."""
        if self._open_named is None:
            return
        self._at_work = [future for future in self._at_work if not future.done()]
        if len(self._at_work) >= _MOST_AT_ONCE:
            self._counts.refused += 1
            log.warning("the old source stays: %s: %d others are still being opened", name[:200], len(self._at_work))
            return
        self.give_up()
        future = self._worker.apart(partial(self._open_named, name), "rigwarp-open")
        self._at_work.append(future)
        self._opening = (name, future)

    def take(self) -> tuple[str, Source] | None:
        """The source that was asked for and its name, once, as soon as it is open."""
        if self._opening is None or not self._opening[1].done():
            return None
        (name, future), self._opening = self._opening, None
        self._at_work = [other for other in self._at_work if other is not future]  # it would keep the pictures
        try:
            return name, future.result()
        except RigwarpError as error:
            log.warning("the old source stays: %s", error)
        except Exception:  # whatever a file or camera comes up with must not end the show
            log.exception("the old source stays: %s cannot be opened", name[:200])
        self._counts.refused += 1
        return None

    def give_up(self) -> None:
        """Want nothing any more: what comes up later is closed."""
        if self._opening is not None:
            self._opening[1].add_done_callback(self._close_unused)  # at once, in this thread, if it is open already
            self._opening = None

    def close_beside(self, source: Source) -> "Future[None]":
        """Close a source that is left, without waiting for it."""
        return self._worker.apart(source.close, "rigwarp-close")

    def close(self, sources: Sequence[Source]) -> None:
        """Open nothing any more, and close these; what hangs is left behind after a while."""
        self.give_up()
        wait([self.close_beside(source) for source in sources], timeout=_END_S)
        self._worker.close()

    def _close_unused(self, future: "Future[Source]") -> None:
        if future.exception() is None:
            self.close_beside(future.result())
