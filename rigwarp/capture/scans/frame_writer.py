"""Photographs are written beside the capture, so that compressing them does not hold it up."""

from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType

from rigwarp.files import write_picture
from rigwarp.geometry import Photo

_WAITING = 8  # photographs that may wait for the disk: more would fill the memory


class FrameWriter:
    """Writes pictures in the background; leaving the `with` block waits for the last one and raises what went wrong."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(1)
        self._pending: list[Future[None]] = []

    def __enter__(self) -> "FrameWriter":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._pool.shutdown(wait=True)  # also after a failure: what was photographed is kept
        if error is None:
            for future in self._pending:
                future.result()

    def write(self, path: Path, photo: Photo, *, replace: bool = False) -> None:
        """Write a picture some time soon; `replace` as in `write_picture`."""
        self._pending = [future for future in self._pending if not self._done(future)]
        if len(self._pending) >= _WAITING:
            self._pending.pop(0).result()
        self._pending.append(self._pool.submit(write_picture, path, photo, replace=replace))

    @staticmethod
    def _done(future: "Future[None]") -> bool:
        """True when written; raises what went wrong."""
        if not future.done():
            return False
        future.result()
        return True
