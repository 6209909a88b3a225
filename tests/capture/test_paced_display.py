"""At most six changes a second, judged with a clock of our own; the mean of several photographs; brackets."""

import numpy as np
import pytest

from rigwarp.capture import CHANGES_PER_S, PacedDisplay, SynchronisedBench, averaged, synchronise
from rigwarp.capture.photographs import paced_display
from rigwarp.capture.scans.bracket import bracket_s, expose, exposure_kept
from rigwarp.devices import Bench
from rigwarp.errors import DeviceError


class Clock:
    """Time that passes only while somebody sleeps, and a little with every picture."""

    def __init__(self):
        self.now_s = 100.0

    def monotonic(self):
        return self.now_s

    def sleep(self, seconds):
        assert seconds >= 0
        self.now_s += seconds


class Watched:
    """A display that notes when it changed."""

    resolution = (4, 3)

    def __init__(self, clock):
        self.changes_s, self.clock = [], clock

    def show(self, frame):
        self.clock.now_s += 0.003
        self.changes_s.append(self.clock.now_s)

    def close(self):
        raise AssertionError("the display belongs to somebody else")


@pytest.fixture
def clock(monkeypatch):
    clock = Clock()
    monkeypatch.setattr(paced_display, "time", clock)
    return clock


def picture(level):
    return np.full((3, 4), level, np.uint8)


def test_no_second_has_more_than_three_flashes(clock):
    """WCAG 2.3.1: a flash is a pair of opposing changes, so six changes in any second at most."""
    screen = Watched(clock)
    display = PacedDisplay(screen)
    for number in range(60):
        display.show(picture(255 * (number % 2)))
    times = np.array(screen.changes_s)
    for begin in times:
        # half open: a change exactly a second later belongs to the next one
        assert np.count_nonzero((times >= begin) & (times < begin + 1.0 - 1e-9)) <= 6
    assert np.diff(times).min() >= 1.0 / CHANGES_PER_S
    display.close()


def test_the_same_picture_again_is_no_change_and_a_free_display_does_not_wait(clock):
    screen = Watched(clock)
    display = PacedDisplay(screen)
    for _ in range(5):
        display.show(picture(9))
    assert len(screen.changes_s) == 1
    display.confirm()  # seen by nobody, and needs no pause
    assert len(screen.changes_s) == 2
    quick = PacedDisplay(Watched(clock), changes_per_s=None)
    begin_s = clock.now_s
    for level in range(10):
        quick.show(picture(level))
    assert clock.now_s - begin_s == pytest.approx(10 * 0.003)


class Still:
    """A camera that is told when to expose: a virtual one."""

    resolution, unlocked = (4, 3), ()

    def __init__(self, photos=(), step=1.0):
        self.exposure_s, self._photos, self._step = 0.02, list(photos), step

    def grab(self):
        return self._photos.pop(0)

    def set_exposure(self, seconds):
        self.exposure_s = self._step if self._step != 1.0 else seconds
        return self.exposure_s


def test_a_camera_that_exposes_when_told_needs_no_latency(clock):
    bench = Bench(display=Watched(clock), camera=Still())
    ready = synchronise(bench, np.random.default_rng(1))
    assert isinstance(ready, SynchronisedBench)
    assert (ready.display, ready.camera, ready.latency) == (bench.display, bench.camera, None)


def test_the_mean_keeps_fractions_and_what_is_burnt_out():
    photos = [np.array([[10, 255, 0, 255]], np.uint8), np.array([[11, 250, 0, 255]], np.uint8)]
    mean = averaged(Still(photos), 2).grab()
    assert mean.dtype == np.uint16
    # 8 bits become 16 by 257; burnt out once is burnt out
    assert mean.tolist() == [[round(10.5 * 257), 65535, 0, 65535]]
    deep = [np.array([[1000]], np.uint16), np.array([[1001]], np.uint16), np.array([[1002]], np.uint16)]
    assert averaged(Still(deep), 3).grab().tolist() == [[1001]]
    camera = Still()
    assert averaged(camera, 1) is camera


def test_exposures_of_a_bracket():
    camera = Still()
    assert bracket_s(camera, 1) == (0.02,)
    assert bracket_s(camera, 4) == pytest.approx((0.02, 0.08, 0.005, 0.32))
    with exposure_kept(camera):
        expose(camera, (0.02, 0.08), 1)
        assert camera.exposure_s == 0.08
    assert camera.exposure_s == 0.02
    with pytest.raises(DeviceError, match=r"takes 0\.03 s instead of an exposure of 0\.08 s"):
        expose(Still(step=0.03), (0.02, 0.08), 1)
    camera.exposure_s = None
    assert bracket_s(camera, 1) == (None,)
    expose(camera, (None,), 0)
    with pytest.raises(DeviceError, match="--export"):
        bracket_s(camera, 2)
