"""The newest pictures in shared memory: one writer, any number of readers in other processes, which may be killed.

A file, in memory where the system has such a folder, that everybody maps. Integers are little-endian:

    byte 0    8 bytes  b"RIGVIEW1"
    byte 8    uint32   where the slots begin (multiple of 4096), then uint32 number of slots
    byte 16   uint32   height, width, channels (1, or 3 for blue, green, red), type (1: 8 bits)
    byte 32   uint64   bytes from slot to slot
    byte 40   uint64   number of the newest whole picture; 0: none yet
    byte 48   uint64   1 when the writer has ended
    byte 56   uint32   length of the JSON text behind it: what the picture shows, in millimetres

Picture n = 1, 2, ... lies in slot n % slots: uint64 sequence, int64 moment of capture and int64 moment of writing (both
nanoseconds of the clock that only goes forward, CLOCK_MONOTONIC), and from byte 64 on its pixels, row by row. The
sequence is 2n - 1 while they are being written and 2n afterwards. A reader looks at it, copies, and looks again: where
it is no longer 2n, the copy is thrown away (a sequence lock; Lameter, Effective synchronization on Linux/NUMA systems,
2005). Readers write nothing, so that one that dies, at whatever moment, disturbs nobody.
"""

import json
import mmap
import os
import re
import tempfile
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import DeviceError, InputError
from rigwarp.files.rig_lock import try_lock

Picture = NDArray[np.uint8]
MAGIC: Final = b"RIGVIEW1"
SLOTS: Final = 3
_PAGE = 4096
_SLOT_HEAD = 64
_TEXT_AT = 60
_UINT8 = 1
_MEMORY = Path("/dev/shm")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_TRIES = 20  # a writer that laps a reader so often is faster than any camera
_LOOK_S = 0.001  # how often a waiting reader looks
_ANOTHER_S = 0.25  # without news: is there a new ring of that name?


def ring_path(name: str) -> Path:
    """Where the ring of a name lies; a name with a slash is a path of its own.

    Raises
    ------
    InputError
        It is neither.
    """
    if "/" in name or os.sep in name:
        return Path(name)
    if not _NAME.fullmatch(name):
        raise InputError(f"found the name {name[:80]!r}, expected letters, digits, dots and dashes, or a path")
    folder = _MEMORY if _MEMORY.is_dir() else Path(tempfile.gettempdir())
    return folder / f"rigwarp-{name}.ring"


@dataclass(frozen=True, kw_only=True)
class SharedPicture:
    """A picture from a ring.

    Attributes
    ----------
    picture : (H, W) grey or (H, W, 3) blue, green, red; a copy of one's own.
    number : 1 for the first that was written.
    captured_s : when the camera delivered it, by `time.monotonic`.
    """

    picture: Picture
    number: int
    captured_s: float

    @property
    def age_s(self) -> float:
        """Time since the camera delivered it."""
        return time.monotonic() - self.captured_s


class _Mapped:
    """The fields of a mapped ring as arrays over its memory."""

    def __init__(self, memory: mmap.mmap) -> None:
        self.memory = memory
        self.start, self.slots = (int(n) for n in np.ndarray(2, "<u4", memory, 8))
        self.shape = tuple(int(n) for n in np.ndarray(3, "<u4", memory, 16))
        self.step = int(np.ndarray((), "<u8", memory, 32))
        self.newest = np.ndarray((), "<u8", memory, 40)
        self.ended = np.ndarray((), "<u8", memory, 48)
        starts = [self.start + number * self.step for number in range(self.slots)]
        shape = self.shape if self.shape[2] > 1 else self.shape[:2]
        self.sequence = [np.ndarray((), "<u8", memory, start) for start in starts]
        self.moments = [np.ndarray(2, "<i8", memory, start + 8) for start in starts]
        self.pixels = [np.ndarray(shape, np.uint8, memory, start + _SLOT_HEAD) for start in starts]


class FrameRing:
    """The writer's side. Make it with a name, show pictures, close it.

    Parameters
    ----------
    name : see `ring_path`; the file is readable by its user alone.
    shape : (H, W) or (H, W, 3) of the pictures.
    about : what the pictures show, as JSON values.

    Raises
    ------
    DeviceError
        Another program writes under this name, or there is no room.
    InputError
        A file of another kind is there.
    """

    def __init__(self, name: str, shape: tuple[int, ...], *, about: Mapping[str, Any]) -> None:
        self.path = ring_path(name)
        text = json.dumps(about, allow_nan=False).encode()
        channels = shape[2] if len(shape) == 3 else 1
        start = _pages(_TEXT_AT + len(text))
        step = _pages(_SLOT_HEAD + shape[0] * shape[1] * channels)
        self._descriptor, memory = _created(self.path, start + SLOTS * step)
        np.ndarray(2, "<u4", memory, 8)[:] = start, SLOTS
        np.ndarray(4, "<u4", memory, 16)[:] = shape[0], shape[1], channels, _UINT8
        np.ndarray((), "<u8", memory, 32)[()] = step
        np.ndarray((), "<u4", memory, 56)[()] = len(text)
        memory[_TEXT_AT : _TEXT_AT + len(text)] = text
        self._mapped: _Mapped | None = _Mapped(memory)
        self._fence = _Fence()
        memory[: len(MAGIC)] = MAGIC  # from here on readers take it for a ring
        os.replace(_unfinished(self.path), self.path)

    def show(self, picture: Picture, captured_s: float) -> int:
        """Hand a picture to all readers; its number. `captured_s` by `time.monotonic`."""
        mapped = self._mapped
        if mapped is None:
            raise ValueError("the ring is closed")
        number = int(mapped.newest) + 1
        slot = number % mapped.slots
        mapped.sequence[slot][()] = 2 * number - 1
        self._fence()
        np.copyto(mapped.pixels[slot], picture, casting="no")
        mapped.moments[slot][:] = round(captured_s * 1e9), time.monotonic_ns()
        self._fence()
        mapped.sequence[slot][()] = 2 * number
        self._fence()
        mapped.newest[()] = number
        return number

    def close(self) -> None:
        """Tell the readers that it is over, and take the name away; calling it twice is fine."""
        if self._mapped is None:
            return
        self._mapped.ended[()] = 1
        self._mapped = None
        self.path.unlink(missing_ok=True)
        os.close(self._descriptor)


class RingReader:
    """The reader's side, for another process, by the writer's `name`; it follows when that is started again.

    Attributes
    ----------
    about : what the pictures show: `size_mm`, `centre_mm`, `mm_per_pixel` and so on. shape : of the pictures.

    Raises
    ------
    DeviceError
        There is no such ring.
    """

    def __init__(self, name: str) -> None:
        self.path = ring_path(name)
        self._fence = _Fence()
        self._open()

    @property
    def ended(self) -> bool:
        """Whether the writer said that it has ended; one that was killed could not."""
        return bool(self._mapped.ended)

    def newest(self, after: int = 0) -> SharedPicture | None:
        """The newest picture if its number is above `after`; None where there is none. Never a torn one."""
        mapped = self._mapped
        for _ in range(_TRIES):
            number = int(mapped.newest)
            if number <= after:
                return None
            slot = number % mapped.slots
            self._fence()
            if int(mapped.sequence[slot]) != 2 * number:
                continue
            self._fence()
            picture = mapped.pixels[slot].copy()
            captured_ns = int(mapped.moments[slot][0])
            self._fence()
            if int(mapped.sequence[slot]) == 2 * number:
                return SharedPicture(picture=picture, number=number, captured_s=captured_ns / 1e9)
        return None

    def wait(self, after: int = 0, *, timeout_s: float = 1.0) -> SharedPicture | None:
        """The first picture newer than number `after`; None when none came in time.

        Where the writer was started again, its numbers begin anew, and whatever it has is newer.
        """
        deadline = time.monotonic() + timeout_s
        look_again_s = time.monotonic() + _ANOTHER_S
        while (found := self.newest(after)) is None:
            now = time.monotonic()
            if now >= deadline:
                return None
            if now >= look_again_s:
                look_again_s = now + _ANOTHER_S
                after = 0 if self._moved_on() else after
            time.sleep(_LOOK_S)
        return found

    def close(self) -> None:
        """Let go of the memory; readers that just end do no harm either."""
        self._mapped = _NOTHING

    def _moved_on(self) -> bool:
        """Open the ring that has the name now, if it is another one."""
        try:
            if os.stat(self.path).st_ino == self._inode:
                return False
            self._open()
        except (OSError, DeviceError):
            return False
        return True

    def _open(self) -> None:
        try:
            with open(self.path, "rb") as file:
                inode = os.fstat(file.fileno()).st_ino
                memory = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        except FileNotFoundError:
            raise DeviceError(
                f"{self.path}: nobody shares pictures under this name. Start: rigwarp view play RIG --share NAME"
            ) from None
        except (OSError, ValueError) as error:
            raise DeviceError(f"{self.path}: cannot be read ({error}). Is it another user's?") from None
        self._mapped, self.about = _checked(self.path, memory)
        self.shape: tuple[int, ...] = self._mapped.pixels[0].shape
        self._inode = inode


def _checked(path: Path, memory: mmap.mmap) -> tuple[_Mapped, dict[str, Any]]:
    """A mapped ring and its text; DeviceError for any other file."""
    try:
        if len(memory) < _PAGE or memory[: len(MAGIC)] != MAGIC:
            raise ValueError
        mapped = _Mapped(memory)
        length = int(np.ndarray((), "<u4", memory, 56))
        about = json.loads(memory[_TEXT_AT : _TEXT_AT + length])
    except (ValueError, TypeError, MemoryError):
        raise DeviceError(f"{path}: is no ring of pictures, or of another version of rigwarp") from None
    return mapped, about


def _created(path: Path, size: int) -> tuple[int, mmap.mmap]:
    """A locked file of zeros under its unfinished name, mapped; DeviceError where the name is in use."""
    descriptor = None
    try:
        _refuse_second(path)
        _unfinished(path).unlink(missing_ok=True)
        descriptor = os.open(_unfinished(path), os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        try_lock(descriptor)
        if hasattr(os, "posix_fallocate"):  # a full memory is found now, not by a signal in the middle of a picture
            os.posix_fallocate(descriptor, 0, size)
        else:
            os.ftruncate(descriptor, size)
        return descriptor, mmap.mmap(descriptor, size)
    except OSError as error:
        if descriptor is not None:
            os.close(descriptor)
            _unfinished(path).unlink(missing_ok=True)
        raise DeviceError(
            f"{path}: cannot share pictures there ({error.strerror or error}). Give --share another name, or a path."
        ) from None


def _refuse_second(path: Path) -> None:
    """DeviceError while another writer lives, InputError for any other file; what a killed one left is replaced."""
    try:
        descriptor = os.open(path, os.O_RDWR)
    except FileNotFoundError:
        return
    try:
        if os.read(descriptor, len(MAGIC)) != MAGIC:
            raise InputError(f"{path}: found a file that is no ring of pictures, expected none. Choose another name.")
        try_lock(descriptor)
    except BlockingIOError:
        raise DeviceError(f"{path}: another player shares its pictures there. Give --share another name.") from None
    finally:
        os.close(descriptor)


def _unfinished(path: Path) -> Path:
    return path.with_name(f".{path.name}.{os.getpid()}")


def _pages(size: int) -> int:
    """The size in whole pages."""
    return -(-size // _PAGE) * _PAGE


class _Fence:
    """What was written before is seen before what is written afterwards, and likewise for what is read.

    x86 keeps that order by itself; ARM does not, but never moves anything over a lock that is let go and taken again.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._lock.acquire()

    def __call__(self) -> None:
        self._lock.release()
        self._lock.acquire()


_NOTHING: Any = None
