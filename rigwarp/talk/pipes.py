"""Two processes that talk through pipes: one line of JSON a message, and bytes behind it where the line says so."""

import contextlib
import json
import os
import threading
from collections.abc import Callable, Mapping
from queue import Full, Queue
from typing import Any, BinaryIO, Final

Heard = Callable[[dict[str, Any], bytes], object]
_MOST_LINE_BYTES: Final = 1 << 20
_MOST_DATA_BYTES: Final = 1 << 28
_FINISH_S: Final = 5.0
_MOST_WAITING: Final = 64
"""Messages that are not written yet; who does not read them is stuck, and loses the next ones."""


def packed(message: Mapping[str, Any], data: bytes = b"") -> bytes:
    """A message as it goes through the pipe."""
    return _line(message, data) + data


def _line(message: Mapping[str, Any], data: bytes) -> bytes:
    told = {**message, "bytes": len(data)} if data else message
    return json.dumps(told, allow_nan=False, separators=(",", ":")).encode() + b"\n"


def read_message(stream: BinaryIO) -> tuple[dict[str, Any], bytes] | None:
    """The next message and its bytes; None at the end of the stream; ValueError when what comes is no message."""
    line = stream.readline(_MOST_LINE_BYTES)
    if not line.endswith(b"\n"):
        return None
    message = json.loads(line)
    if not isinstance(message, dict):
        raise ValueError("found JSON that is no object, expected a message")
    size = message.pop("bytes", 0)
    if type(size) is not int or not 0 <= size <= _MOST_DATA_BYTES:
        raise ValueError(f"found {size!r} bytes behind a message")
    data = stream.read(size) if size else b""
    return (message, data) if len(data) == size else None


def own_streams() -> tuple[BinaryIO, BinaryIO]:
    """Where a process that was started for talking hears and speaks; what a library prints goes to stderr instead."""
    source, target = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    return source, target


class Talk:
    """Reads from one stream and writes to another, each in a thread of its own.

    Parameters
    ----------
    source, target : binary pipes.
    heard : called with each message and its bytes, in the reading thread.
    ended : called once when nothing more will come.
    """

    def __init__(self, source: BinaryIO, target: BinaryIO, *, heard: Heard, ended: Callable[[], object]) -> None:
        self._source, self._target = source, target
        self._heard, self._ended = heard, ended
        self._leaving: Queue[tuple[bytes, bytes] | None] = Queue(_MOST_WAITING)
        self.broken = False
        """Whether what is said goes nowhere."""
        self._reader = threading.Thread(target=self._read, name="rigwarp-talk-read", daemon=True)
        self._writer = threading.Thread(target=self._write, name="rigwarp-talk-write", daemon=True)
        self._reader.start()
        self._writer.start()

    def say(self, message: Mapping[str, Any], data: bytes = b"") -> bool:
        """Send a message without waiting; False, and it is lost, when the other side does not read."""
        try:
            self._leaving.put_nowait((_line(message, data), data))  # a frame has megabytes: no copy is made
        except Full:
            return False
        return not self.broken

    def finish(self) -> None:
        """Write what has been said so far, and end."""
        with contextlib.suppress(Full):
            self._leaving.put(None, timeout=_FINISH_S)
        self._writer.join(timeout=_FINISH_S)

    def _read(self) -> None:
        try:
            while (found := read_message(self._source)) is not None:
                self._heard(*found)
        except (OSError, ValueError):
            pass  # a stream that is broken has ended
        self._ended()
        self.finish()

    def _write(self) -> None:
        try:
            while (one := self._leaving.get()) is not None:
                for part in one:
                    self._target.write(part)
                self._target.flush()
        except (OSError, ValueError):
            self.broken = True
            while self._leaving.get() is not None:  # nobody hears it
                pass
