"""One writer at a time in a rig folder; readers are free.

The system itself holds the lock for the process and lets go of it when the process ends, however it ends: no lock is
ever left behind. What stands in the file is only for telling who it is.
"""

import json
import os
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from rigwarp.errors import InputError
from rigwarp.files.names import LOCK_FILE

_MOST_BYTES = 1000
_LOOKED_S = 0.05
_LOCKED_AT = 1 << 30
"""Where Windows locks a byte: what is locked nobody else can read there, so it lies behind all that is written."""

if sys.platform == "win32":
    import msvcrt

    def try_lock(descriptor: int) -> None:
        """Lock an open file for this process; BlockingIOError where another one has."""
        os.lseek(descriptor, _LOCKED_AT, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except PermissionError as error:
            raise BlockingIOError from error
else:
    import fcntl

    def try_lock(descriptor: int) -> None:
        """Lock an open file for this process; BlockingIOError where another one has."""
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


@dataclass
class _Held:
    """A rig that this process has locked: the open file, and by how many, since a job calls others that write."""

    descriptor: int | None
    users: int = 1


_guard = threading.Lock()
_held: dict[Path, _Held] = {}


@contextmanager
def rig_locked(root: Path, doing: str) -> Iterator[None]:
    """Keep every other process from writing to a rig folder inside the `with` block; `doing` is told to them.

    Raises
    ------
    InputError
        Another process is at work there, or the folder cannot be written to.
    """
    rig = Path(root).resolve()
    with _guard:
        if rig in _held:
            _held[rig].users += 1
        else:
            _held[rig] = _Held(descriptor=_lock(rig, doing))
    try:
        yield
    finally:
        with _guard:
            _held[rig].users -= 1
            if _held[rig].users == 0:
                descriptor = _held.pop(rig).descriptor
                if descriptor is not None:
                    os.close(descriptor)


def at_work(root: Path) -> str | None:
    """Which other process writes to a rig folder just now, in words; None for nobody, or where that cannot be told."""
    rig = Path(root).resolve()
    with _guard:
        if rig in _held:
            return None
    try:
        descriptor = os.open(rig / LOCK_FILE, os.O_RDWR)
    except OSError:  # never locked, or not for us to write to
        return None
    try:
        try_lock(descriptor)
    except BlockingIOError:
        return _who(descriptor)
    except OSError:  # some network disks
        return None
    finally:
        os.close(descriptor)
    return None


def _lock(rig: Path, doing: str) -> int | None:
    """An open file that is locked; None where the file system knows no locks."""
    path = rig / LOCK_FILE
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise InputError(
            f"{path}: cannot be written ({error.strerror}). Check that the rig folder may be written to."
        ) from error
    try:
        _lock_patiently(descriptor)
    except BlockingIOError:
        who = _who(descriptor)
        os.close(descriptor)
        raise InputError(f"{rig}: found {who} at work there. Wait until it is done, or end it.") from None
    except OSError:  # some network disks
        os.close(descriptor)
        return None
    about = {"process": os.getpid(), "doing": doing, "since": datetime.now(UTC).isoformat(timespec="seconds")}
    try:
        os.ftruncate(descriptor, 0)
        os.lseek(descriptor, 0, os.SEEK_SET)
        os.write(descriptor, json.dumps(about).encode())
    except OSError:  # a full disk: the lock holds all the same
        pass
    return descriptor


def _lock_patiently(descriptor: int) -> None:
    """As `try_lock`; whoever only looks who is at work (`at_work`) lets go at once."""
    try:
        try_lock(descriptor)
    except BlockingIOError:
        time.sleep(_LOOKED_S)
        try_lock(descriptor)


def _who(descriptor: int) -> str:
    try:
        os.lseek(descriptor, 0, os.SEEK_SET)
        about = json.loads(os.read(descriptor, _MOST_BYTES))
        return f"process {about['process']} ({about['doing']}, since {about['since']})"
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return "another process"
