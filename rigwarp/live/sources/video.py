"""A video as a source: decoded ahead by a thread into a bounded queue, looped without a gap."""

import logging
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path

from rigwarp.errors import InputError, RigwarpError
from rigwarp.live.render.picture import AnyPicture, YuvPicture, within
from rigwarp.live.run.statistics import Counts
from rigwarp.live.sources.decoding import Decoder, Frame, FrameReader, open_reader

log = logging.getLogger(__name__)
_QUEUE_FRAMES, _QUEUE_BYTES = (3, 8), 14_000_000
"""Pictures made ahead: looping without a gap needs these and the frame that is decoded; more where they are small."""
_JUMP_S = 1.0
"""Time moving on by more than this at once is a seek; less is a hiccup, and frames are dropped instead."""
_BEHIND_S = 2.0
_EARLY_S = 0.004
"""A frame this little before its time counts as due: otherwise jitter would show it a whole period late."""
_RETRY_S = 2.0
_PATIENCE_S = 0.002
"""The decoder's thread holds the lock for microseconds, or until it gets the processor again."""


class VideoSource:
    """A looping video file.

    `wants_planes` may be set at any time: frames decoded from then on are `YuvPicture` where the file allows it.

    Parameters
    ----------
    path : the file.
    decoder : see `open_reader`.
    counts : where dropped and missed frames are counted.
    most_px : (width, height) that far larger RGB frames are reduced to; None: as they are.
    wait : how the decoder's thread waits before it tries a broken file again.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        decoder: Decoder = "auto",
        counts: Counts | None = None,
        most_px: tuple[int, int] | None = None,
        wait: Callable[[float], object] | None = None,
    ) -> None:
        self._path = Path(path)
        self._open: Callable[[], FrameReader] = lambda: open_reader(self._path, decoder)
        self._counts, self._most_px = counts or Counts(), most_px
        reader = self._open()
        self.duration_s = reader.duration_s
        self.wants_planes = False
        first = self._first_of(reader)
        if first is None:
            reader.close()
            raise InputError(f"{path}: found a video without a picture, expected at least one. Encode it again.")
        self._shown: AnyPicture = self._reduced(first[1])
        self._queue: deque[tuple[int, float, AnyPicture]] = deque()
        self._changed = threading.Condition()
        self._ended = False
        self._seek_s: float | None = 0.0
        self._generation = 0
        self._last_s = 0.0
        self._halt = threading.Event()
        self._wait = wait or self._halt.wait
        self._thread = threading.Thread(target=self._decode_on, args=(reader,), name="rigwarp-video", daemon=True)
        self._thread.start()

    def _reduced(self, picture: AnyPicture) -> AnyPicture:
        """A frame as the frame loop gets it; planes are for a GPU, which does this by the way."""
        if self._most_px is None or isinstance(picture, YuvPicture):
            return picture
        return within(picture, self._most_px)

    def _first_of(self, reader: FrameReader) -> Frame | None:
        try:
            return next(reader.frames(), None)
        except RigwarpError:
            raise
        except Exception as error:  # whatever a decoder says of a damaged file
            reader.close()
            reason = " ".join(str(error).split())[:100]
            raise InputError(f"{self._path}: cannot be read as a video ({reason}). Encode it again.") from error

    def at(self, time_s: float) -> AnyPicture:
        """The frame of this moment of the endless loop; the one before as long as it is not decoded."""
        if not self._changed.acquire(timeout=_PATIENCE_S):
            return self._shown
        try:
            if time_s < self._last_s - 1e-9 or time_s > self._last_s + _JUMP_S:
                self._seek(time_s)
            self._last_s = time_s
            due, newest_s = 0, time_s
            while self._queue and self._queue[0][1] <= time_s + _EARLY_S:
                generation, at_s, picture = self._queue.popleft()
                if generation == self._generation:
                    self._shown, newest_s = picture, at_s
                    due += 1
            if time_s - newest_s > _BEHIND_S:  # decoding is slower than the video: leave some out, keep the pace
                self._seek(time_s)
            if due > 1:
                self._counts.dropped += due - 1
            if not self._queue:
                self._counts.starved += 1
            self._changed.notify_all()
            return self._shown
        finally:
            self._changed.release()

    @property
    def round_s(self) -> float:
        """The length of the loop."""
        return self.duration_s

    def ready(self, timeout_s: float) -> bool:
        """Wait until the frame after the present one is decoded, for programs that must not miss any."""
        with self._changed:
            return self._changed.wait_for(lambda: bool(self._queue) and self._seek_s is None, timeout_s)

    def close(self) -> None:
        """Stop the decoder's thread."""
        with self._changed:
            self._ended = True
            self._halt.set()
            self._queue.clear()
            self._changed.notify_all()
        self._thread.join(timeout=5.0)

    def _seek(self, time_s: float) -> None:
        self._generation += 1
        self._queue.clear()
        self._seek_s = time_s

    def _decode_on(self, reader: FrameReader | None) -> None:
        """The thread: decode, start over at the end, seek when asked to, open a broken file again."""
        from_s, base_s = 0.0, 0.0  # in the file; what to add for the place in the endless loop
        while not self._ended:
            try:
                reader = reader or self._open()
                jumped = self._run_through(reader, from_s, base_s)
                length = self.duration_s = reader.duration_s  # known for certain after the first round
                if jumped is None:
                    from_s, base_s = 0.0, base_s + length
                else:
                    turns, from_s = divmod(max(jumped, 0.0), length)
                    base_s = turns * length
            except Exception as error:  # whatever a decoder says of a damaged or vanished file
                log.warning("%s: %s; trying again in %g s", self._path, error, _RETRY_S)
                self._counts.restarts += 1
                if reader is not None:
                    reader.close()
                reader = None
                self._wait(_RETRY_S)
                from_s = 0.0
        if reader is not None:
            reader.close()

    def _run_through(self, reader: FrameReader, from_s: float, base_s: float) -> float | None:
        """Queue frames up to the end of the file; a time to jump to when somebody seeks meanwhile."""
        with self._changed:
            generation = self._generation
            if self._seek_s is not None and abs(self._seek_s - base_s - from_s) < 1e-9:
                self._seek_s = None
        for at_s, frame in reader.frames(from_s, planes=self._planes_once_there_is_room):
            picture = self._reduced(frame)
            with self._changed:
                if self._seek_s is not None or self._ended:
                    jump, self._seek_s = self._seek_s, None
                    return jump
                self._queue.append((generation, base_s + at_s, picture))
                self._changed.notify_all()
        return None

    def _planes_once_there_is_room(self) -> bool:
        """Wait until a decoded frame may become a picture, which takes twice its memory."""

        def may_go_on() -> bool:
            return self._ended or self._seek_s is not None or len(self._queue) < _frames_ahead(self._shown)

        with self._changed:
            self._changed.wait_for(may_go_on)
        return self.wants_planes


def _frames_ahead(picture: AnyPicture) -> int:
    size = (picture.planes if isinstance(picture, YuvPicture) else picture).nbytes
    least, most = _QUEUE_FRAMES
    return max(least, min(most, _QUEUE_BYTES // size))
