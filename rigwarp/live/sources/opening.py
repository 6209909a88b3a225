"""From what the user names to a source."""

import sys
from functools import partial
from pathlib import Path

from rigwarp.devices.camera_list import listed_cameras
from rigwarp.errors import DeviceError, InputError
from rigwarp.files import list_photos
from rigwarp.live.operate.check_pictures import check_picture
from rigwarp.live.run.statistics import Counts
from rigwarp.live.sources.content_picture import content_picture
from rigwarp.live.sources.source import DWELL_S, FADE_S, FolderSource, Source, StillSource
from rigwarp.rig import Content

PICTURE_ENDINGS = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
VIDEO_ENDINGS = (".mp4", ".mov", ".mkv", ".webm", ".avi", ".m4v", ".mpg", ".mpeg", ".ts", ".ogv")
CHECK, CAMERA = "check:", "camera:"


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
