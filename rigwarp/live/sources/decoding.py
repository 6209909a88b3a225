"""Video files as frames in order: PyAV where it is installed, OpenCV otherwise."""

import importlib
import importlib.util
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Literal, Protocol

import cv2
import numpy as np

from rigwarp.errors import DeviceError, InputError
from rigwarp.live.render.picture import LUMA_601, LUMA_709, MAX_SIDE_PX, AnyPicture, Picture, YuvPicture

Decoder = Literal["auto", "av", "cv2"]
Frame = tuple[float, AnyPicture]
"""Seconds since the file's first frame, and the picture."""
_USUAL_RATE_HZ = 25.0
_PLANAR = ("yuv420p", "yuvj420p")
# The numbers of ITU-T H.273 for colour matrices; range 2 is FFmpeg's for full.
_UNSAID, _NEW_MATRICES, _OLD_MATRICES, _FULL_RANGE = 2, (1,), (5, 6), 2
_HD_HEIGHT = 720
_FEW_PIXELS, _FEW_THREADS, _MOST_THREADS = 1920 * 1088, 2, 16
_MOST_PIXELS = 36_000_000
"""8K; eight decoded frames of that take 900 MB."""
_LONGEST_S = 1e6
_HEAD_BYTES = 189
_CONTAINERS = [
    re.compile(pattern, re.DOTALL)
    for pattern in (
        rb"....(ftyp|moov|mdat|free|skip|wide|pnot)",  # MP4 and MOV (ISO/IEC 14496-12)
        rb"\x1aE\xdf\xa3",  # Matroska and WebM (EBML, RFC 8794)
        rb"RIFF....AVI ",
        rb"\x00\x00\x01[\xba\xb3]",  # MPEG program and video streams (ISO/IEC 13818)
        rb"G.{187}G",  # MPEG transport stream: a G every 188 bytes
        rb"OggS",  # RFC 3533
    )
]
_ONLY_FILES = {
    "protocol_whitelist": "file",
    "format_whitelist": "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpeg,mpegvideo,mpegts,ogg",
}
"""What FFmpeg may make of a file: nothing that names other files."""


class FrameReader(Protocol):
    """A file that can be read from any moment on, again and again."""

    duration_s: float
    """From the first frame to the end of the last one: what a loop lasts."""

    def frames(self, from_s: float = 0.0, *, planes: Callable[[], bool] = bool) -> Iterator[Frame]:
        """The frames from the one shown at `from_s` to the last; as planes where that is wanted and possible.

        `planes` is asked for each of them before it takes the memory of a picture, and may wait until there is room.
        """

    def close(self) -> None:
        """Close the file."""


def open_reader(path: Path, decoder: Decoder = "auto") -> FrameReader:
    """Open a video file.

    Raises
    ------
    InputError
        When it is missing or no video.
    DeviceError
        When PyAV is asked for and not installed.
    """
    if not path.is_file():
        raise InputError(f"{path}: found no such file, expected a video. Check the path.")
    _require_container(path)
    has_av = importlib.util.find_spec("av") is not None
    if decoder == "av" and not has_av:
        raise DeviceError("PyAV is not installed; install it with: pip install 'rigwarp[video]'")
    return _AvReader(path) if has_av and decoder != "cv2" else _CvReader(path)


def _require_container(path: Path) -> None:
    """Refuse what only calls itself a video: decoders would follow a playlist to other files and addresses."""
    with open(path, "rb") as file:
        head = file.read(_HEAD_BYTES)
    if not any(kind.match(head) for kind in _CONTAINERS):
        raise InputError(
            f"{path}: cannot be read as a video: it is no MP4, MOV, MKV, WebM, AVI, MPEG or Ogg. Encode it again."
        )


def _require_size(path: Path, width: int, height: int) -> None:
    """Refuse frames of which a few would fill the memory."""
    if width * height > _MOST_PIXELS or max(width, height) > MAX_SIDE_PX:
        raise InputError(
            f"{path}: found frames of {width} x {height} pixels, expected at most {MAX_SIDE_PX} a side and "
            f"{_MOST_PIXELS // 10**6} million in all. Encode it smaller."
        )


def _plausible_s(stated_s: float, frame_s: float) -> float:
    """A length that a header states, if it can be one."""
    return stated_s if frame_s <= stated_s <= _LONGEST_S else frame_s


class _AvReader:
    def __init__(self, path: Path) -> None:
        av: Any = importlib.import_module("av")  # an extra, which type checkers need not have
        try:
            self._file: Any = av.open(str(path), options=_ONLY_FILES)
            self._stream = self._file.streams.video[0]
        except (av.FFmpegError, IndexError, ValueError) as error:
            raise _no_video(path, error) from error
        if self._stream.codec_context is None:  # a codec that is not known
            self._file.close()
            raise _no_video(path, None)
        self._scaler: Any = av.video.reformatter.VideoReformatter()
        self._path = path
        _require_size(path, self._stream.width, self._stream.height)
        self._stream.thread_type = "AUTO"  # frame threads: twice as fast, a few frames later
        # each thread keeps frames: 6 to 8 MiB at 1080p, where two do 60 a second of what takes one core 30 ms
        few = self._stream.width * self._stream.height <= _FEW_PIXELS
        self._stream.codec_context.thread_count = min(cv2.getNumberOfCPUs(), _FEW_THREADS if few else _MOST_THREADS)
        self._base_s = float(self._stream.time_base or 1e-6)
        self._start = self._stream.start_time or 0
        rate = self._stream.average_rate
        self._frame_s = 1.0 / float(rate) if rate else 1.0 / _USUAL_RATE_HZ
        counted = self._stream.frames * self._frame_s
        stated = float(self._stream.duration * self._base_s) if self._stream.duration else counted
        self.duration_s = _plausible_s(stated or float(self._file.duration or 0) / 1e6, self._frame_s)

    def frames(self, from_s: float = 0.0, *, planes: Callable[[], bool] = bool) -> Iterator[Frame]:
        """See `FrameReader`."""
        self._file.seek(self._start + int(from_s / self._base_s), stream=self._stream, backward=True)
        last_s = -self._frame_s
        for frame in self._file.decode(self._stream):
            _require_size(self._path, frame.width, frame.height)
            at_s = (frame.pts - self._start) * self._base_s if frame.pts is not None else last_s + self._frame_s
            last_s = at_s
            if at_s + self._frame_s > from_s + 1e-6:
                yield at_s, _planes_of(frame) if planes() and _has_planes(frame) else _rgb_of(frame, self._scaler)
        self.duration_s = max(last_s + self._frame_s, self._frame_s)  # headers can be wrong; the last frame is not

    def close(self) -> None:
        """See `FrameReader`."""
        self._file.close()


def _has_planes(frame: Any) -> bool:
    known = int(frame.colorspace) in (_UNSAID, *_NEW_MATRICES, *_OLD_MATRICES)
    return known and frame.format.name in _PLANAR and frame.width % 2 == 0 and frame.height % 2 == 0


def _is_old(frame: Any) -> bool:
    """True for BT.601's matrix; where the file does not say which one it means, small pictures mean that."""
    said = int(frame.colorspace)
    return frame.height < _HD_HEIGHT if said == _UNSAID else said in _OLD_MATRICES


def _rgb_of(frame: Any, scaler: Any) -> Picture:
    """A decoded frame as RGB by FFmpeg's scaler, which by itself takes BT.601 for whatever is not said."""
    new = int(frame.colorspace) == _UNSAID and not _is_old(frame)
    (plane,) = scaler.reformat(frame, format="rgb24", src_colorspace="ITU709" if new else None).planes
    rows = np.frombuffer(plane, np.uint8).reshape(frame.height, plane.line_size)[:, : 3 * frame.width]
    return np.ascontiguousarray(rows).reshape(frame.height, frame.width, 3)


def _planes_of(frame: Any) -> YuvPicture:
    """A decoded frame as it is."""
    name, old = frame.format.name, _is_old(frame)
    full = name.startswith("yuvj") or int(frame.color_range) == _FULL_RANGE
    planes = np.asarray(frame.to_ndarray(), np.uint8)
    return YuvPicture(planes=planes, luma=LUMA_601 if old else LUMA_709, full_range=full)


class _CvReader:
    def __init__(self, path: Path) -> None:
        self._path = path
        self._file = cv2.VideoCapture(str(path))
        rate = self._file.get(cv2.CAP_PROP_FPS)
        self._frame_s = 1.0 / rate if 0.0 < rate < 1000.0 else 1.0 / _USUAL_RATE_HZ
        count = self._file.get(cv2.CAP_PROP_FRAME_COUNT)
        self.duration_s = _plausible_s(count * self._frame_s, self._frame_s)
        self._next = 0
        if not self._file.isOpened():
            raise _no_video(path, None)
        size = (self._file.get(cv2.CAP_PROP_FRAME_WIDTH), self._file.get(cv2.CAP_PROP_FRAME_HEIGHT))
        _require_size(path, int(size[0]), int(size[1]))

    def frames(self, from_s: float = 0.0, *, planes: Callable[[], bool] = bool) -> Iterator[Frame]:
        """See `FrameReader`; OpenCV tells no times, so frames are counted."""
        wanted = int(from_s / self._frame_s + 1e-6)
        if wanted < self._next:
            self._file.release()  # setting the position backwards is inexact; a fresh start is not
            self._file = cv2.VideoCapture(str(self._path))
            self._next = 0
        while self._next < wanted and self._file.grab():
            self._next += 1
        while self._file.grab():
            self._next += 1
            planes()  # OpenCV has none to give, but may have to wait
            found, picture = self._file.retrieve()
            if not found:
                break
            rgb = cv2.cvtColor(np.asarray(picture, np.uint8), cv2.COLOR_BGR2RGB)
            yield (self._next - 1) * self._frame_s, np.asarray(rgb, np.uint8)
        self.duration_s = max(self._next, 1) * self._frame_s

    def close(self) -> None:
        """See `FrameReader`."""
        self._file.release()


def _no_video(path: Path, error: Exception | None) -> InputError:
    reason = f" ({' '.join(str(error).split())[:100]})" if error else ""
    return InputError(f"{path}: cannot be read as a video{reason}. It may be cut off, or of a kind not known here.")
