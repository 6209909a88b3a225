"""The drift watch and a camera that goes away and comes back: one on loopback, dropped and served again."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import attacked_rig
import cv2
import numpy as np
import pytest
from mjpeg_server import MjpegServer

from rigwarp.cli import main
from rigwarp.devices.video_camera import open_video_camera
from rigwarp.errors import CameraAwayError, DeviceError
from rigwarp.files import RigFolder, current_result, open_rig
from rigwarp.jobs.checks.watch import DriftWatch, Opened
from rigwarp.jobs.play_log import drift_watch
from rigwarp.live.operate.interlude import Interludes, LentDisplay, hold_interlude

JPEG = cv2.imencode(".jpg", np.full((48, 64), 90, np.uint8))[1].tobytes()
FRAMES = [np.zeros((4, 6), np.uint8)] * 2


@contextmanager
def served(port: int = 0) -> Iterator[int]:
    """A network camera of 50 pictures a second; the port it is at."""
    server, over = MjpegServer(port), threading.Event()

    def send() -> None:
        while not over.wait(0.02):
            server.send(JPEG, time.monotonic())

    sending = threading.Thread(target=send)
    sending.start()
    try:
        yield server.port
    finally:
        over.set()
        sending.join()
        server.close()


class Player:
    """A frame loop at which every moment is quiet; counts how often the content stood still."""

    resolution = (6, 4)

    def __init__(self, *, quiet: bool = True) -> None:
        self.interludes, self.interrupted = Interludes(), 0
        self.quiet, self.taken_back = quiet, False
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def show_frame(self, frame: np.ndarray) -> None:
        """Nobody looks."""

    def __enter__(self) -> "Player":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._over.wait(0.01):
            measurement = self.interludes.due(1e6, at_seam=True) if self.quiet else None
            if measurement is not None:
                self.interrupted += 1
                hold_interlude(measurement, LentDisplay(self, taken_back=self._wanted, shown=lambda: None))

    def _wanted(self) -> str | None:
        return "a key" if self.taken_back else None


def network_camera(port: int) -> Callable[[], Opened]:
    """What opens the camera at a port."""
    return lambda: (open_video_camera(f"http://127.0.0.1:{port}/camera.mjpg", (64, 48)), None)


@pytest.fixture
def rig(tmp_path: Path) -> RigFolder:
    assert main(["new", str(tmp_path / "rig")]) == 0
    return open_rig(tmp_path / "rig")


def test_a_camera_that_was_away_is_opened_again_and_the_content_plays_on_meanwhile(rig: RigFolder) -> None:
    with Player() as player, ExitStack() as camera:
        port = camera.enter_context(served())
        with DriftWatch(rig, player.interludes, hours=1000.0, devices=network_camera(port)) as watch:
            assert len(watch.look(FRAMES)) == 2
            camera.close()
            for _ in range(2):  # as it goes, and while it is away
                with pytest.raises(CameraAwayError, match="cannot be reached"):
                    watch.look(FRAMES)
            assert player.interrupted == 1
            camera.enter_context(served(port))
            assert len(watch.look(FRAMES)) == 2
            assert player.interrupted == 2


def test_a_camera_that_goes_before_the_quiet_moment_costs_no_interruption(rig: RigFolder) -> None:
    with Player(quiet=False) as player, ExitStack() as camera:
        port = camera.enter_context(served())
        with DriftWatch(rig, player.interludes, hours=1000.0, devices=network_camera(port)) as watch:
            threading.Timer(0.3, camera.close).start()
            with pytest.raises(CameraAwayError, match="has stopped"):
                watch.look(FRAMES)
            player.quiet = True
            time.sleep(0.1)
            assert player.interrupted == 0


def test_a_job_of_the_page_gets_the_camera_and_the_watch_takes_it_again(rig: RigFolder) -> None:
    with served() as port, Player() as player:
        opened: list[Opened] = []

        def devices() -> Opened:
            opened.append(network_camera(port)())
            return opened[-1]

        with DriftWatch(rig, player.interludes, hours=1000.0, devices=devices) as watch:
            watch.give_camera(True)
            with pytest.raises(DeviceError):  # closed: another program can open it
                opened[0][0].look()
            with pytest.raises(CameraAwayError, match="page"):
                watch.look(FRAMES)
            assert len(opened) == 1
            watch.give_camera(False)
            assert len(watch.look(FRAMES)) == len(FRAMES)
            assert len(opened) == 2


def test_a_window_that_is_needed_is_not_blamed_on_the_camera(rig: RigFolder) -> None:
    with (
        Player() as player,
        served() as port,
        DriftWatch(rig, player.interludes, hours=1000.0, devices=network_camera(port)) as watch,
    ):
        player.taken_back = True
        with pytest.raises(DeviceError, match="needed for content every time") as found:
            watch.look(FRAMES)
        assert not isinstance(found.value, CameraAwayError)
        assert player.interrupted == 3


class FailingCamera:
    """Dies with the first photograph of a look."""

    unlocked, resolution, exposure_s = (), (64, 48), None

    def grab(self) -> None:
        """Fail."""
        raise DeviceError("camera 3 has delivered no picture for 5 s")

    def close(self) -> None:
        """Nothing to free."""


def test_a_camera_that_goes_during_a_look_is_named_and_the_content_not_interrupted_again(rig: RigFolder) -> None:
    opened = cast(Opened, (FailingCamera(), None))
    with Player() as player, DriftWatch(rig, player.interludes, hours=1000.0, devices=lambda: opened) as watch:
        with pytest.raises(CameraAwayError, match="camera 3 has delivered no picture"):
            watch.look(FRAMES)
        assert player.interrupted == 1


class Ended(threading.Event):
    """Ends the watch after some waits, none of which takes any time."""

    def __init__(self, most: int) -> None:
        super().__init__()
        self.waits: list[float] = []
        self._most = most

    def wait(self, timeout: float | None = None) -> bool:
        """Note how long it would have been."""
        self.waits.append(timeout or 0.0)
        return len(self.waits) > self._most


def test_tries_grow_rarer_while_the_camera_is_away(
    rig: RigFolder, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Away for five looks, there for one, away again: half a minute, then twice as long, never more than a period."""
    outcomes = iter([CameraAwayError("no camera 3")] * 5 + [None] + [CameraAwayError("no camera 3")])

    def once(self: DriftWatch) -> None:
        if (error := next(outcomes)) is not None:
            raise error

    monkeypatch.setattr(DriftWatch, "once", once)
    watch = DriftWatch(rig, Interludes(), hours=0.1)
    watch._ended = ended = Ended(7)
    watch._watch()
    assert ended.waits == [360.0, 30.0, 60.0, 120.0, 240.0, 360.0, 360.0, 30.0]
    assert "no camera 3. The next try is in 30 s" in caplog.text


def test_the_show_begins_without_the_camera_and_says_so(rig: RigFolder, caplog: pytest.LogCaptureFixture) -> None:
    def none_there() -> Opened:
        raise DeviceError("there is no camera 3 (/dev/video3)")

    with DriftWatch(rig, Interludes(), hours=1000.0, devices=none_there) as watch:
        assert watch.exposure_s is None
    assert "there is no camera 3 (/dev/video3). The content plays" in caplog.text


def test_that_nothing_can_be_compared_is_told_at_the_start_not_a_day_later(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = attacked_rig.make_quick_rig(tmp_path / "rig")
    session = cast(Any, SimpleNamespace(interludes=None))
    monkeypatch.setattr(DriftWatch, "__enter__", lambda self: self)
    monkeypatch.setattr(DriftWatch, "__exit__", lambda *_: None)
    for told in (True, False):
        with drift_watch(open_rig(root), session, 24.0):
            assert (f"rigwarp verify {root}" in caplog.text) is told
        (current_result(root) / "quick.npz").touch()
        caplog.clear()
