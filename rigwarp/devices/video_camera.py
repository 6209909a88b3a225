"""A real camera: by index, device path or network address, through OpenCV."""

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.devices.camera_controls import CONTROLS, exposure_s, fix_controls, set_exposure_s, take_all_bits
from rigwarp.devices.camera_list import listed_cameras, users_of
from rigwarp.devices.newest_frame import NewestFrames
from rigwarp.devices.picture_size import require_size
from rigwarp.devices.protocols import Losses, Shot
from rigwarp.devices.rtp_watch import SCHEME, RtpWatch
from rigwarp.devices.v4l2_controls import ControlState, advice_of, device_controls, lock_controls, unlocked_of
from rigwarp.errors import DeviceError
from rigwarp.geometry import Photo
from rigwarp.rig import Channel
from rigwarp.talk.hosts import without_password

ASSUMED_LATENCY_S: Final = 1.0
"""From a picture shown to its photograph, for almost any camera; the capture loop measures the real one."""
OPEN_TIMEOUT_S: Final = 10.0
FRAME_TIMEOUT_S: Final = 5.0
BGR: Final = ("blue", "green", "red")
"""OpenCV's order."""
_ADDRESS = "://"
_COMPRESSED = cv2.VideoWriter.fourcc(*"MJPG")  # else large pictures come five times a second through USB 2
_FFMPEG_QUIET = ("OPENCV_FFMPEG_LOGLEVEL", "-8")  # its own messages would stand beside our one line
_FFMPEG_OPTIONS = "OPENCV_FFMPEG_CAPTURE_OPTIONS"
_UNBUFFERED = "rtsp_transport;tcp|fflags;nobuffer|flags;low_delay"
"""Or every picture is late; by UDP some would be lost, and what is decoded from them."""


class FramesCamera:
    """A camera that delivers pictures by itself, taken the moment they come.

    Attributes
    ----------
    resolution : (width, height) in pixels.
    unlocked : see `Camera`.
    """

    def __init__(
        self,
        frames: NewestFrames,
        resolution: tuple[int, int],
        *,
        unlocked: Sequence[str],
        bits: int | None = None,
        channel: Channel = "grey",
    ) -> None:
        self._frames, self._bits = frames, bits
        self._channel: Channel = channel
        self.resolution = resolution
        self.unlocked: tuple[str, ...] = tuple(unlocked)

    @property
    def frame_s(self) -> float:
        """The usual time from one photograph to the next."""
        return self._frames.frame_s

    def next_shot(self, after_s: float) -> Shot:
        """The first photograph that arrives after a moment of `time.monotonic`; DeviceError when none comes."""
        picture, arrived_s = self._frames.after(after_s)
        return Shot(photo=as_grey(picture, self._bits, self._channel), arrived_s=arrived_s)

    def grab(self) -> Photo:
        """Photograph what is shown now, after a wait that is long enough for almost any camera."""
        return self.next_shot(time.monotonic() + ASSUMED_LATENCY_S).photo

    def look(self) -> Photo:
        """The next photograph that comes in."""
        return self.next_shot(time.monotonic()).photo

    def close(self) -> None:
        """Give the camera back; calling it twice is fine."""
        self._frames.close()


class VideoCamera(FramesCamera):
    """A camera of OpenCV's. Open it with `open_video_camera`."""

    def __init__(
        self,
        capture: cv2.VideoCapture,
        name: str,
        resolution: tuple[int, int],
        *,
        unlocked: Sequence[str] = CONTROLS,
        bits: int | None = None,
        reopen: Callable[[], cv2.VideoCapture | None] | None = None,
        channel: Channel = "grey",
        watch: RtpWatch | None = None,
    ) -> None:
        frames = NewestFrames(
            capture,
            name,
            timeout_s=FRAME_TIMEOUT_S,
            reopen=reopen,
            broken=lambda: watch is not None and watch.broken(),
        )
        super().__init__(frames, resolution, unlocked=unlocked, bits=bits, channel=channel)
        self._capture, self._watch, self._is_remote = capture, watch, reopen is not None

    @property
    def exposure_s(self) -> float | None:
        """The exposure time, seconds; None when the driver does not tell or will not be told."""
        return None if "exposure" in self.unlocked else exposure_s(self._capture)

    def set_exposure(self, seconds: float) -> float | None:
        """Set the exposure time; returns what the driver then says, None when it refuses."""
        return set_exposure_s(self._capture, seconds)

    def look_colour(self) -> NDArray[Any]:
        """The next picture as it comes in: (H, W) or (H, W, 3) BGR."""
        return self._frames.after(time.monotonic())[0]

    @property
    def reopened(self) -> int:
        """How many times a network camera went and came back."""
        return self._frames.reopened

    def losses(self) -> Losses | None:
        """What has been lost on the way; None for a camera that comes by no network."""
        if not self._is_remote:
            return None
        packets = self._watch.lost if self._watch else None
        return Losses(packets=packets, pictures=self._frames.left_out, away=self._frames.reopened)

    def close(self) -> None:
        """Give the camera back; calling it twice is fine."""
        super().close()
        if self._watch:
            self._watch.close()


def as_grey(picture: NDArray[Any], bits: int | None = None, channel: Channel = "grey") -> Photo:
    """(H, W) grey values of 8 or 16 bits; `bits` of the 16 are used (None: all), and stretched over them.

    Colour becomes 0.299 R + 0.587 G + 0.114 B of the code values (ITU-R BT.601), as in photographs from files. Where
    one colour is burnt out the grey value is set to full scale: a weighted mean of it would follow the light no more,
    without looking burnt out. Another `channel` than grey is taken as it is.
    """
    if picture.ndim == 2 or picture.shape[2] == 1:
        grey = np.ascontiguousarray(picture.reshape(picture.shape[:2]))
        if bits is None or picture.dtype != np.uint16:
            return grey
        lost = 16 - bits
        # the top bits once more at the bottom: the largest value becomes full scale, zero stays zero
        return np.asarray((grey << lost) | (grey >> max(0, bits - lost)), np.uint16)
    if channel != "grey":
        return np.ascontiguousarray(picture[..., BGR.index(channel)])
    full_scale = np.iinfo(picture.dtype).max
    grey = cv2.cvtColor(np.ascontiguousarray(picture[..., :3]), cv2.COLOR_BGR2GRAY)
    grey[(picture[..., :3] == full_scale).any(axis=2)] = full_scale
    return np.asarray(grey, picture.dtype)


def open_video_camera(device: int | str, resolution: tuple[int, int], channel: Channel = "grey") -> VideoCamera:
    """Open a camera, fix what it would change by itself, and see that it delivers pictures of the wanted size.

    Parameters
    ----------
    device : index, device path, or address (http, rtsp).
    resolution : (width, height) that it is asked for.
    channel : of colour pictures.

    Raises
    ------
    DeviceError
        If there is no such camera, it is busy or silent, or has another resolution.
    """
    name = f"camera {without_password(str(device))}"
    _require_there(device, name)
    capture, watch = _opened_and_watched(device, name)
    remote = _ADDRESS in str(device)
    if not remote:
        _ask_for_size(capture, resolution)
    states = None if remote else _locked(device)
    # by the driver's own names where it is Linux's, else through OpenCV
    unlocked = CONTROLS if remote else fix_controls(capture) if states is None else unlocked_of(states)
    reopen = partial(_reopened, watch.address if watch else device) if remote else None
    bits = take_all_bits(capture)
    camera = VideoCamera(
        capture, name, resolution, unlocked=unlocked, bits=bits, reopen=reopen, channel=channel, watch=watch
    )
    try:
        require_size(name, _first_look(camera, device).shape[::-1], resolution)
    except DeviceError:
        camera.close()
        raise
    return camera


def open_frames(device: int | str, resolution: tuple[int, int]) -> NewestFrames:
    """The pictures of a camera in colour, as they come, its controls left alone: for a live view.

    Raises
    ------
    DeviceError
        If there is no such camera, or it is busy.
    """
    name = f"camera {without_password(str(device))}"
    _require_there(device, name)
    capture = _opened(device, name)
    if _ADDRESS not in str(device):
        capture.set(cv2.CAP_PROP_FOURCC, _COMPRESSED)
        _ask_for_size(capture, resolution)
    return NewestFrames(capture, name, timeout_s=FRAME_TIMEOUT_S)


def _ask_for_size(capture: cv2.VideoCapture, resolution: tuple[int, int]) -> None:
    capture.set(cv2.CAP_PROP_FRAME_WIDTH, resolution[0])
    capture.set(cv2.CAP_PROP_FRAME_HEIGHT, resolution[1])


def _first_look(camera: VideoCamera, device: int | str) -> Photo:
    """The first picture; a stream over the network may take twice as long until it begins with a whole one."""
    if _ADDRESS in str(device):
        with suppress(DeviceError):
            return camera.look()
    try:
        return camera.look()
    except DeviceError as error:
        raise DeviceError(f"{error}{_used_by(device)}") from None


def _reopened(device: int | str) -> cv2.VideoCapture | None:
    """The network camera once more, if it can be reached; waits no longer than its time limits."""
    capture = _capture(device)
    return capture if capture.isOpened() else None


def _locked(device: int | str) -> tuple[ControlState, ...] | None:
    path = _path_of(device)
    if path is None or not sys.platform.startswith("linux"):
        return None
    try:
        with device_controls(path) as ioctl:
            return lock_controls(ioctl)
    except OSError:
        return None


def control_advice(device: int | str) -> str:
    """The command that sets what the driver refused to rigwarp; empty where there is none."""
    states = _locked(device)
    return advice_of(states, str(_path_of(device))) if states else ""


def _opened_and_watched(device: int | str, name: str) -> tuple[cv2.VideoCapture, RtpWatch | None]:
    """An opened capture; of a stream over TCP with a watch on its packets, where the camera plays along."""
    if not str(device).lower().startswith(SCHEME) or "tcp" not in os.environ.get(_FFMPEG_OPTIONS, _UNBUFFERED):
        return _opened(device, name), None
    try:
        watch = RtpWatch(str(device))
    except (ValueError, OSError):  # FFmpeg may understand it, and says what is wrong else
        return _opened(device, name), None
    try:
        return _opened(watch.address, name), watch
    except DeviceError:
        watch.close()
        return _opened(device, name), None


def _opened(device: int | str, name: str) -> cv2.VideoCapture:
    """An opened capture; what hangs in a driver or a network is left behind in its thread."""
    os.environ.setdefault(*_FFMPEG_QUIET)
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    found: list[cv2.VideoCapture] = []
    thread = threading.Thread(target=lambda: found.append(_capture(device)), name="camera opening", daemon=True)
    thread.start()
    thread.join(OPEN_TIMEOUT_S)
    if not found:
        raise DeviceError(
            f"{name} has not answered within {OPEN_TIMEOUT_S:g} s: check that it is on and can be reached"
        )
    if not found[0].isOpened():
        if _ADDRESS in str(device):
            raise DeviceError(
                f"{name} cannot be reached or sends no video: check the address in rig.toml (camera.device), in a "
                "browser or video player on this computer"
            )
        raise DeviceError(
            f"{name} cannot be opened{_used_by(device)}: close other programs that use it, and check that it is a "
            f"camera (there are: {listed_cameras()})"
        )
    return found[0]


def _capture(device: int | str) -> cv2.VideoCapture:
    if _ADDRESS not in str(device):
        return cv2.VideoCapture(device, cv2.CAP_V4L2 if sys.platform.startswith("linux") else cv2.CAP_ANY)
    wait_ms = int(1000 * FRAME_TIMEOUT_S)
    limits = [cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, wait_ms, cv2.CAP_PROP_READ_TIMEOUT_MSEC, wait_ms]
    limits += [cv2.CAP_PROP_N_THREADS, 1]  # each thread more keeps back a picture
    with _unbuffered():
        return cv2.VideoCapture(device, cv2.CAP_FFMPEG, limits)


@contextmanager
def _unbuffered() -> Iterator[None]:
    """OpenCV's options for what is opened meanwhile; a video file opened with them would lose its first frame."""
    if _FFMPEG_OPTIONS in os.environ:
        yield
        return
    os.environ[_FFMPEG_OPTIONS] = _UNBUFFERED
    try:
        yield
    finally:
        os.environ.pop(_FFMPEG_OPTIONS, None)


def _require_there(device: int | str, name: str) -> None:
    """Where the system keeps cameras as files, what is missing or forbidden can be told apart."""
    path = _path_of(device)
    if path is None:
        return
    if not path.exists():
        where = "" if str(path) in name else f" ({path})"
        raise DeviceError(f"there is no {name}{where}: connect it, or enter another as [camera] device; "
                          f"there are: {listed_cameras()}")  # fmt: skip
    if not os.access(path, os.R_OK | os.W_OK):
        raise DeviceError(f"{name} ({path}) may not be used by you: join the group that owns it (usually: video)")


def _path_of(device: int | str) -> Path | None:
    if _ADDRESS in str(device):
        return None
    if isinstance(device, str):
        return Path(device)
    return Path(f"/dev/video{device}") if sys.platform.startswith("linux") else None


def _used_by(device: int | str) -> str:
    path = _path_of(device)
    users = users_of(path) if path is not None else []
    return f"; it is in use by {', '.join(users)}" if users else ""
