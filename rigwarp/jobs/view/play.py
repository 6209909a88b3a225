"""The straight top view: of a photograph, or live."""

import re
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.defaults import LOCAL
from rigwarp.devices import VIRTUAL
from rigwarp.errors import DeviceError, InputError
from rigwarp.files import RigFolder, write_bytes
from rigwarp.files.pictures import picture_bytes, read_colour
from rigwarp.jobs.view.scan import view_of
from rigwarp.jobs.view.top import current_top
from rigwarp.live.view.http_server import PictureServer
from rigwarp.live.view.player import CameraFeed, Frames, Sink, ViewShown, play_view
from rigwarp.live.view.recorder import Recorder, require_recordable
from rigwarp.live.view.ring import FrameRing, ring_path
from rigwarp.talk.hosts import LOOPBACK, http_address
from rigwarp.view.top import TopMaps

WINDOW_SIZE: Final = (1280, 800)
_END_KEYS = {"escape", "q", "close"}
_VIRTUAL_S = 0.1  # from picture to picture of a virtual camera
_USUAL_RATE_HZ = 25.0
_RATES_HZ = (5.0, 60.0)


@dataclass(frozen=True, kw_only=True)
class ViewPlayOptions:
    """How to show the top view.

    Attributes
    ----------
    window : on the operator's screen.
    http_port, http_host : for browsers; None: not.
    share : name of the ring for other programs; None: none.
    record : video file; None: none.
    blend : mix two zones where both see the table.
    seconds : when to end; None: by Ctrl-C, or the window's Escape.
    """

    window: bool = True
    http_port: int | None = None
    http_host: str = LOCAL
    share: str | None = None
    record: Path | None = None
    blend: bool = False
    seconds: float | None = None


@dataclass(frozen=True, kw_only=True)
class ViewPlayed:
    """What was shown, and how; `address` of the page for browsers, `recorded` and `dropped` frames of the video."""

    run: Path
    shown: ViewShown
    address: str | None
    recorded: int
    dropped: int


def top_still(folder: RigFolder, photo: Path, out: Path, *, blend: bool = False) -> tuple[Path, TopMaps]:
    """Write the straight top view of a photograph; the view's folder and tables.

    Raises
    ------
    InputError
        There is no view, or the photograph is missing, damaged or of another size, or `out` is there already.
    """
    run, maps = current_top(folder)
    picture = read_colour(photo)
    try:
        straight = maps.apply(picture, blend=blend)
    except InputError as error:
        raise InputError(
            f"{photo}: {error}. Take it with the view's own camera and setting, and hand it over unturned and uncut"
        ) from None
    write_bytes(out, picture_bytes(straight, ending=out.suffix.lower()))
    return run, maps


def about_top(folder: RigFolder, maps: TopMaps) -> dict[str, Any]:
    """What a picture of the top view shows, for whoever receives it."""
    width, height = maps.top.pixels
    return {
        "rig": folder.rig.name,
        "size_mm": list(maps.top.size_mm),
        "centre_mm": [float(c) for c in maps.top.centre_mm],
        "mm_per_pixel": maps.top.mm_per_pixel,
        "pixels": [width, height],
        "channels": "BGR",
        "flipped": False,
        "x_mm": "centre_mm[0] + (column - (width - 1) / 2) * mm_per_pixel",
        "y_mm": "centre_mm[1] - (row - (height - 1) / 2) * mm_per_pixel",
    }


def play_top(
    folder: RigFolder,
    options: ViewPlayOptions,
    *,
    say: Callable[[str], None],
    opened: Callable[[], Frames] | None = None,
) -> ViewPlayed:
    """Show the live top view until it is ended; `say` hears what goes on, `opened` opens another camera than the rig's.

    Raises
    ------
    InputError
        There is no view.
    DeviceError
        The camera, the screen, the port or the name cannot be had.
    """
    run, maps = current_top(folder)
    view = view_of(folder)
    if options.record is not None:
        require_recordable(options.record)
    if options.share is not None:
        ring_path(options.share)  # a name that cannot be is told before anything is opened
    about = about_top(folder, maps)
    with ExitStack() as stack:
        stack.enter_context(_terminated_as_interrupted())
        sinks: list[Sink] = []
        window = address = None
        if options.window:
            window = stack.enter_context(_Window(folder.rig.name))
            sinks.append(window)
        feed = CameraFeed(opened or _opener(folder), view.resolution)
        stack.callback(feed.close)
        first = feed.peek()
        if options.http_port is not None:
            server = PictureServer(options.http_port, host=options.http_host, about=about)
            stack.callback(server.close)
            sinks.append(server)
            address = http_address(options.http_host, server.port)
            say(f"For browsers: {address}")
            if options.http_host not in LOOPBACK:
                say("Everybody on this network can see the table now: pictures are sent without a key or encryption.")
        if options.share is not None:
            shape = (*maps.zone.shape, *first.shape[2:])
            ring = FrameRing(options.share, shape, about=about)
            stack.callback(ring.close)
            sinks.append(ring)
            say(f'For programs: rigwarp.load_view("{folder.root}").reader("{options.share}"), in {ring.path}')
        recorder = None
        if options.record is not None:
            recorder = Recorder(options.record, maps.top.pixels, _rate_hz(feed.frame_s))
            stack.callback(recorder.close)
            sinks.append(recorder)
        until_s = np.inf if options.seconds is None else time.monotonic() + options.seconds

        def go_on() -> bool:
            return time.monotonic() < until_s and (window is None or window.wanted())

        shown = play_view(feed, maps, sinks, blend=options.blend, go_on=go_on)
        if recorder is not None:
            recorder.close()
    return ViewPlayed(
        run=run,
        shown=shown,
        address=address,
        recorded=0 if recorder is None else recorder.frames,
        dropped=0 if recorder is None else recorder.dropped,
    )


@contextmanager
def _terminated_as_interrupted() -> Iterator[None]:
    """SIGTERM, as from a service manager, ends like Ctrl-C: the video is finished, the ring's readers are told."""
    if threading.current_thread() is not threading.main_thread():
        yield  # Python delivers signals to the main thread only
        return

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _rate_hz(frame_s: float) -> float:
    rate = round(1.0 / frame_s) if frame_s > 0.0 else _USUAL_RATE_HZ
    return float(np.clip(rate, *_RATES_HZ))


def _opener(folder: RigFolder) -> Callable[[], Frames]:
    view = view_of(folder)
    if view.device == VIRTUAL:
        return lambda: _VirtualFrames(folder)

    def opened() -> Frames:
        from rigwarp.devices.video_camera import open_frames

        try:
            return open_frames(view.device, view.resolution)
        except DeviceError as error:
            raise DeviceError(re.sub(r"camera\.device|\[camera\] device", "view.device", str(error))) from None

    return opened


class _VirtualFrames:
    """One photograph of a virtual view with the sheet on its table, again and again."""

    frame_s = _VIRTUAL_S

    def __init__(self, folder: RigFolder) -> None:
        from rigwarp.devices import open_virtual_view

        self._photo = open_virtual_view(folder).sheet_photo(view_of(folder).target)

    def after(self, moment_s: float, *, newest: bool = False) -> tuple[NDArray[Any], float]:
        """The photograph, a tenth of a second after the one before."""
        time.sleep(max(0.0, moment_s + _VIRTUAL_S - time.monotonic()) if np.isfinite(moment_s) else 0.0)
        return self._photo, time.monotonic()

    def close(self) -> None:
        """Nothing to give back."""


class _Window:
    """The top view on the operator's screen, as large as fits, its aspect kept."""

    def __init__(self, name: str) -> None:
        from rigwarp.capture.preview.window import PreviewWindow

        self._window = PreviewWindow(title=f"{name} from above", size=WINDOW_SIZE)

    def __enter__(self) -> "_Window":
        if not self._window.wait():
            self._window.close()
            raise DeviceError(
                "there is no screen for a window. Show the view with --http PORT or --share NAME instead, or "
                "set DISPLAY"
            )
        return self

    def __exit__(self, *_: object) -> None:
        self._window.close()

    def wanted(self) -> bool:
        """Until it is closed, or Escape or q is pressed."""
        return self._window.open and not _END_KEYS & set(self._window.keys())

    def show(self, picture: NDArray[np.uint8], captured_s: float) -> None:
        """Show a picture soon."""
        width, height = WINDOW_SIZE
        share = min(width / picture.shape[1], height / picture.shape[0])
        size = (max(1, round(picture.shape[1] * share)), max(1, round(picture.shape[0] * share)))
        fitted = cv2.resize(picture, size, interpolation=cv2.INTER_AREA if share < 1.0 else cv2.INTER_LINEAR)
        code = cv2.COLOR_GRAY2RGB if picture.ndim == 2 else cv2.COLOR_BGR2RGB
        canvas = np.zeros((height, width, 3), np.uint8)
        left, top = (width - size[0]) // 2, (height - size[1]) // 2
        canvas[top : top + size[1], left : left + size[0]] = cv2.cvtColor(fitted, code)
        self._window.show(canvas)
