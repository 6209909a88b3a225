"""Frames of another process in the player's window, pixel for pixel, and who hears when they are not shown."""

import contextlib
import threading

import numpy as np
import pytest

from rigwarp.errors import DisplayTakenBack
from rigwarp.live.operate.interlude import Interludes, LentFrames
from rigwarp.page.job import PlayerDisplay

FRAMES = [np.random.default_rng(number).integers(0, 256, (6, 8), np.uint8) for number in range(3)]


class Window:
    """A display that keeps what it shows; taken back from the second frame on where it is `wanted`."""

    resolution = (8, 6)

    def __init__(self, *, wanted: bool = False) -> None:
        self.shown, self.wanted = [], wanted

    def show(self, frame: np.ndarray) -> None:
        if self.wanted and self.shown:
            raise DisplayTakenBack("somebody is at the keys or the pointer")
        self.shown.append(frame)

    def close(self) -> None:
        """Nothing to free."""


def at_both_ends(window: Window, use) -> Interludes:
    """A job's display connected to a player's frames without a pipe; the frame loop runs each interlude at once."""
    interludes, over = Interludes(), threading.Event()

    def heard(message, data=b""):
        if "frame" in message:
            frames.frame(message["frame"], tuple(message["shape"]), data)
        else:
            frames.release()
        return True

    display = PlayerDisplay((8, 6), heard)
    frames = LentFrames(interludes, display.answered)

    def work() -> None:
        try:
            use(display)
        finally:
            over.set()

    threading.Thread(target=work, daemon=True).start()
    count = 0
    while not (over.is_set() and not interludes.waiting):
        measurement = interludes.due(float(count), at_seam=False)
        if measurement is not None:
            count += 1
            with contextlib.suppress(DisplayTakenBack):  # hold_interlude logs it
                measurement(window)
    assert not frames.active
    return interludes


def test_frames_arrive_pixel_for_pixel_and_in_order() -> None:
    window = Window()

    def use(display: PlayerDisplay) -> None:
        for frame in FRAMES:
            display.show(frame)
        display.close()
        display.show(FRAMES[0])  # and once more, in an interlude of its own
        display.close()

    at_both_ends(window, use)
    changes = [
        shown for number, shown in enumerate(window.shown) if number == 0 or shown is not window.shown[number - 1]
    ]
    assert len(changes) == len(FRAMES) + 1
    for shown, frame in zip(changes, [*FRAMES, FRAMES[0]], strict=True):
        np.testing.assert_array_equal(shown, frame)


def test_whoever_wants_the_content_back_ends_the_measurement() -> None:
    window, heard = Window(wanted=True), []

    def use(display: PlayerDisplay) -> None:
        display.show(FRAMES[0])
        try:
            display.show(FRAMES[1])
        except DisplayTakenBack as error:
            heard.append(str(error))

    at_both_ends(window, use)
    assert heard == ["somebody is at the keys or the pointer"]
    assert len(window.shown) == 1


def test_patterns_keep_to_the_pace_that_is_safe(monkeypatch: pytest.MonkeyPatch) -> None:
    slept: list[float] = []
    monkeypatch.setattr("rigwarp.live.operate.interlude.time.monotonic", lambda: 100.0 + sum(slept))
    monkeypatch.setattr("rigwarp.live.operate.interlude.time.sleep", slept.append)
    frames = LentFrames(Interludes(), lambda message: None, every_s=1 / 6)
    for _ in range(4):
        frames._keep_slow()
    assert sum(slept) == pytest.approx(3 / 6)
