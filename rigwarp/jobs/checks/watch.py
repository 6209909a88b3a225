"""Watching a show for drift: a quick look at quiet moments of the show, and the correction swapped in.

The player lends its window for the second that five photographs take; judging and correcting run beside it in a thread
of their own. A corrected result becomes current only after a second look has shown that it is better; the player takes
a new current result over by itself. A camera that is away costs the show nothing: the window is asked for only while
pictures come in, and the camera is opened again at the next try. A job of the page beside the table gets the camera: it
is closed here meanwhile, as most cameras serve one program alone.
"""

import logging
import threading
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from rigwarp.devices import Bench, Camera, Display, Frame, StreamingCamera
from rigwarp.devices.bench import ShownOnBoth
from rigwarp.errors import CameraAwayError, DeviceError, DisplayTakenBack, RigwarpError
from rigwarp.files import RigFolder
from rigwarp.geometry import Photo
from rigwarp.jobs.bench.camera_view import rig_camera
from rigwarp.jobs.checks.drift import quick_check, reregister
from rigwarp.jobs.checks.quick_look import BenchLooker
from rigwarp.live.operate.interlude import Interludes, Quiet

log = logging.getLogger(__name__)
_HOUR_S = 3600.0
_PATIENCE_S = 1800.0  # content without an end is interrupted at any untouched moment after this long
_TRIES = 3  # somebody who takes the window back is asked again
_RETRY_S = 30.0  # after which a camera that was away is tried again, then twice as long each time, a period at most
_POLL_S = 0.5
_AT_THE_PAGE = "somebody at the page beside the table uses the camera"

Opened = tuple[Camera, Display | None]


class DriftWatch:
    """Looks for drift from time to time while content plays.

    Parameters
    ----------
    folder : the rig that is playing.
    interludes : of the running session.
    hours : from one look to the next; the first comes after as long.
    quiet : what counts as a quiet moment.
    devices : opens the rig's camera, and what has to show the frames too: a virtual rig's own display. By default the
        camera of the rig file.
    """

    def __init__(
        self,
        folder: RigFolder,
        interludes: Interludes,
        *,
        hours: float,
        quiet: Quiet | None = None,
        devices: Callable[[], Opened] | None = None,
    ) -> None:
        self._folder, self._interludes = folder, interludes
        self._period_s = hours * _HOUR_S
        self._quiet = quiet or Quiet(patience_s=_PATIENCE_S)
        self._open = devices or partial(rig_camera, folder)
        self._camera: Camera | None = None
        self._also: Display | None = None
        self._using = threading.Lock()
        self._given_away = False
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="rigwarp-drift", daemon=True)
        self.looks = 0
        self.corrections = 0

    def __enter__(self) -> "DriftWatch":
        """Open the camera, so that what is wrong with it is told before the show, and begin to wait."""
        try:
            self._require_camera()
        except CameraAwayError as error:
            log.warning("%s. The content plays; the camera is tried again when a look is due", error)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop waiting, finish what is being written, and give the camera back."""
        self._ended.set()
        self._interludes.cancel()
        self._thread.join(timeout=60.0)
        self._drop_camera()

    @property
    def exposure_s(self) -> float | None:
        """Of the camera, seconds."""
        camera = self._camera  # a job of the page may take it meanwhile
        return camera.exposure_s if camera is not None else None

    def give_camera(self, away: bool) -> None:
        """Let go of the camera, after the photographs that are being taken, until it is given back."""
        with self._using:
            self._given_away = away
            if away:
                self._drop_camera()

    def look(self, frames: Sequence[Frame], *, exposure_s: float = np.nan) -> list[Photo]:
        """Wait for a quiet moment, show the frames in the player's window and photograph them.

        Raises
        ------
        CameraAwayError
            When the camera delivers nothing; unless it fell silent in the middle of a look, the content played on.
        DeviceError
            When the window was taken back every time, or the show has ended.
        """
        for _ in range(_TRIES):
            photos = self._lent(frames, exposure_s)
            if photos is not None:
                self.looks += 1
                return photos
        raise DeviceError("the window was needed for content every time: no look at the table was possible")

    def once(self) -> None:
        """One look now, at the next quiet moment, and what follows from it."""
        check = quick_check(self._folder, self)
        judged = check.judged
        log.info("drift: %s; P95 %.3f mm", ", ".join(judged.findings) or "none", judged.picture.p95_mm)
        if judged.advice == "scan":
            log.warning("a new scan is due: %s. Run: rigwarp calibrate %s", judged.why, self._folder.root)
        if judged.advice != "re-register":
            return
        done = reregister(self._folder, check, self)
        self.corrections += done.kept
        if done.kept:
            log.warning("%s: corrected, P95 %.3f mm now", ", ".join(judged.findings), done.picture.p95_mm)
        else:
            log.warning("a correction was tried and was no better; a new scan is due: %s", judged.why)

    def _watch(self) -> None:
        wait_s, retry_s = self._period_s, _RETRY_S
        while not self._ended.wait(wait_s):
            away = self._camera_away()
            if away is None:
                wait_s, retry_s = self._period_s, _RETRY_S
                continue
            wait_s, retry_s = min(retry_s, self._period_s), 2.0 * retry_s
            log.warning("no look for drift: %s. The next try is in %.0f s", away, wait_s)

    def _camera_away(self) -> CameraAwayError | None:
        """Look once; what the camera says where it was no look at all. All else waits for the next time."""
        try:
            self.once()
        except CameraAwayError as error:
            return error
        except RigwarpError as error:
            if not self._ended.is_set():
                log.warning("looking for drift failed: %s", error)
        except Exception:  # the show must not end for whatever a disk or a camera comes up with
            log.exception("looking for drift failed")
        return None

    def _lent(self, frames: Sequence[Frame], exposure_s: float) -> list[Photo] | None:
        """The photographs of one interlude; None when the window was taken back."""
        taken: list[Photo] = []
        failed: list[Exception] = []
        done = threading.Event()
        camera = self._require_camera()

        def measure(display: Display) -> None:
            try:
                with self._using:
                    if self._camera is not camera:
                        raise DeviceError(_AT_THE_PAGE)
                    shown = display if self._also is None else ShownOnBoth(display, self._also)
                    looker = BenchLooker(bench=Bench(display=shown, camera=camera))
                    taken.extend(looker.look(frames, exposure_s=exposure_s))
            except DisplayTakenBack:
                raise  # the player's own log tells who took it
            except Exception as error:
                failed.append(error)  # told by this thread, which knows what for
            finally:
                done.set()

        self._interludes.ask(measure, quiet=self._quiet)
        while not done.wait(_POLL_S):
            if self._ended.is_set():
                raise DeviceError("the show has ended before the table could be looked at")
            if self._interludes.waiting:
                self._require_still_there()
        if failed:
            self._drop_camera()
            raise CameraAwayError(str(failed[0])) if isinstance(failed[0], DeviceError) else failed[0]
        return taken if len(taken) == len(frames) else None

    def _require_still_there(self) -> None:
        """Take the request back when the camera goes while a quiet moment is waited for."""
        try:
            with self._using:
                if self._given_away:
                    raise DeviceError(_AT_THE_PAGE)
                _require_pictures(self._camera)
        except DeviceError as error:
            self._interludes.cancel()
            self._drop_camera()
            raise CameraAwayError(str(error)) from error

    def _require_camera(self) -> Camera:
        """The camera, opened again where it has gone; it delivers pictures now."""
        with self._using:
            if self._given_away:
                raise CameraAwayError(_AT_THE_PAGE)
            try:
                _require_pictures(self._camera)
            except DeviceError as error:
                log.info("the camera is opened again: %s", error)
                self._drop_camera()
            if self._camera is None:
                try:
                    self._camera, self._also = self._open()
                except DeviceError as error:
                    raise CameraAwayError(str(error)) from error
            return self._camera

    def _drop_camera(self) -> None:
        if self._camera is not None:
            self._camera.close()
        self._camera = self._also = None


def _require_pictures(camera: Camera | None) -> None:
    """Ask a camera that delivers by itself for its newest picture; DeviceError when none comes."""
    if isinstance(camera, StreamingCamera):
        camera.look()
