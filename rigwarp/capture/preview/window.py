"""The preview's window as the capture sees it: pictures in, keys out, never waiting for either."""

import contextlib
import subprocess
import sys
import threading

from rigwarp.capture.preview.drawing import Picture
from rigwarp.capture.preview.picture import SIZE
from rigwarp.capture.preview.process import CLOSED, HEADER, READY

_START_S = 30.0  # for a busy machine to start the process
_END_S = 5.0  # for it to end by itself


class PreviewWindow:
    """A window on the operator's screen, in a process of its own so that it cannot disturb the projector's.

    Parameters
    ----------
    projector : number of the projector's monitor, which the window keeps off; None when nothing is projected.
    title : what it is called.
    size : (width, height); it is made smaller where the monitor is.
    """

    def __init__(self, *, projector: int | None = None, title: str = "camera", size: tuple[int, int] = SIZE) -> None:
        place = [] if projector is None else [str(projector)]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "rigwarp.capture.preview.process", title, *map(str, size), *place],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        self._keys: list[str] = []
        self._next: Picture | None = None
        self._news = threading.Condition()
        self._over = False
        self._there = False
        for target in (self._write, self._read):
            threading.Thread(target=target, name="preview", daemon=True).start()

    @property
    def open(self) -> bool:
        """False once the window is closed, or where there is no screen for it."""
        return not self._over and self._process.poll() is None

    def wait(self) -> bool:
        """Wait until the window is there; False where there is no screen for it."""
        with self._news:
            self._news.wait_for(lambda: self._there or self._over, _START_S)
            return self._there

    def show(self, picture: Picture) -> None:
        """Show an RGB picture soon; one that was not shown yet is dropped."""
        with self._news:
            self._next = picture
            self._news.notify_all()

    def keys(self) -> list[str]:
        """Names of the keys pressed since the last call, in order; "close" for the window's own button."""
        with self._news:
            keys, self._keys = self._keys, []
        return keys

    def close(self) -> None:
        """Close the window; calling it twice is fine."""
        with self._news:
            self._over = True
            self._news.notify_all()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(_END_S)
            return
        self._process.kill()
        self._process.wait()

    def _write(self) -> None:
        stream = self._process.stdin
        assert stream is not None
        with contextlib.suppress(OSError):  # the window is gone: `open` says so
            while True:
                with self._news:
                    self._news.wait_for(lambda: self._over or self._next is not None)
                    if self._over:
                        break
                    picture, self._next = self._next, None
                assert picture is not None
                stream.write(HEADER.pack(picture.shape[1], picture.shape[0]))
                stream.write(picture.tobytes())
                stream.flush()
        with contextlib.suppress(OSError):
            stream.close()

    def _read(self) -> None:
        stream = self._process.stdout
        assert stream is not None
        for line in stream:
            word = line.decode().strip()
            with self._news:
                self._there = self._there or word == READY
                self._over = self._over or word == CLOSED
                self._keys += [word] if word != READY else []
                self._news.notify_all()
        stream.close()
        with self._news:  # the process has ended
            self._over = True
            self._news.notify_all()
