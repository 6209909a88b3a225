"""The projector's window on an X desktop of two monitors, its pixels grabbed from outside; which monitor it is."""

import subprocess
import sys

import numpy as np
import pygame
import pytest
import x_screen

from rigwarp.devices.video_output import Monitor
from rigwarp.devices.window_display import choose_monitor, open_window_display, require_covered
from rigwarp.errors import DeviceError

SIZE = (320, 180)


@pytest.fixture
def desktop(tmp_path, monkeypatch):
    x_screen.require_x(monitors=True)
    desktop = x_screen.TwoMonitors(SIZE, tmp_path)
    for name in ("DISPLAY", "SDL_VIDEODRIVER", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("DISPLAY", desktop.environment["DISPLAY"])
    yield desktop
    pygame.display.quit()
    desktop.close()


def noise(seed):
    return np.random.default_rng(seed).integers(0, 256, (SIZE[1], SIZE[0], 3), dtype=np.uint8)


def test_pictures_land_pixel_for_pixel_on_the_second_monitor(desktop):
    display = open_window_display(SIZE)
    before = desktop.grab(SIZE)
    for picture in (noise(1), noise(2)[..., 0]):
        display.show(picture)
        seen = desktop.grab(SIZE, desktop.second)
        np.testing.assert_array_equal(seen, picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, axis=2))
    np.testing.assert_array_equal(desktop.grab(SIZE), before)  # nothing spills onto the first
    for shape in ((180, 321), (180, 320, 4)):
        with pytest.raises(DeviceError, match="native size"):
            display.show(np.zeros(shape, np.uint8))
    display.close()
    display.close()


def test_a_monitor_that_is_unplugged_is_named_and_its_return_serves(desktop):
    display = open_window_display(SIZE)
    display.show(noise(1))
    desktop.unplug()
    with pytest.raises(DeviceError, match="DUMMY1 is gone"):
        display.show(noise(2))
    display.close()
    with pytest.raises(DeviceError, match="--display"):
        open_window_display(SIZE)
    desktop.plug_in()
    display = open_window_display(SIZE)
    display.show(noise(3))
    np.testing.assert_array_equal(desktop.grab(SIZE, desktop.second), noise(3))
    display.close()


def test_another_window_that_was_in_front_leaves_no_hole(desktop):
    """And takes the focus, which makes no difference."""
    display = open_window_display(SIZE)
    display.show(noise(1))
    cover = (
        "import pygame, sys; pygame.display.init(); pygame.display.set_mode((200, 100), pygame.NOFRAME, display=1);"
        "pygame.display.get_surface().fill((9, 9, 9)); pygame.display.flip(); print('up', flush=True); sys.stdin.read()"
    )
    in_front = subprocess.Popen(
        [sys.executable, "-c", cover], env=desktop.environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        while (line := in_front.stdout.readline()) and "up" not in line:
            """The greeting of the toolkit."""
        assert not np.array_equal(desktop.grab(SIZE, desktop.second), noise(1))
    finally:
        in_front.communicate(timeout=20)
    display.show(noise(1))
    np.testing.assert_array_equal(desktop.grab(SIZE, desktop.second), noise(1))
    display.close()


def test_monitors_that_show_the_same_are_refused(desktop):
    desktop.mirror()
    with pytest.raises(DeviceError, match="shows the same as display 0"):
        open_window_display(SIZE)


def test_a_monitor_of_another_size_is_refused(desktop):
    with pytest.raises(DeviceError, match="native resolution"):
        open_window_display((1280, 720), display=1)
    assert not pygame.display.get_init()


def test_escape_stops(desktop):
    display = open_window_display(SIZE, display=1)
    pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=pygame.K_ESCAPE))
    with pytest.raises(KeyboardInterrupt):
        display.show(noise(1))
    display.close()


def test_no_screen_is_one_line(monkeypatch):
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("SDL_VIDEODRIVER", "offscreen")
    with pytest.raises(DeviceError, match="no screen here"):
        open_window_display(SIZE)
    monkeypatch.setenv("SDL_VIDEODRIVER", "x11")
    with pytest.raises(DeviceError, match="no window can be opened"):
        open_window_display(SIZE)


def monitor(number, size=SIZE, position=None, name=""):
    return Monitor(number=number, size=size, position=position or (number * 320, 0), name=name)


@pytest.mark.parametrize(
    ("found", "display", "chosen"),
    [
        ([(1920, 1080), SIZE], None, 1),
        ([(1920, 1080), (800, 600), SIZE], None, 2),
        ([SIZE, SIZE], None, 1),
        ([SIZE], 0, 0),
        ([SIZE, SIZE, SIZE], 2, 2),
    ],
)
def test_the_projector_is_the_monitor_of_its_size(found, display, chosen):
    monitors = [monitor(number, size) for number, size in enumerate(found)]
    assert choose_monitor(monitors, SIZE, display).number == chosen


@pytest.mark.parametrize(
    ("found", "display", "said"),
    [
        ([SIZE], None, "none of that size"),
        ([(1920, 1080), SIZE, SIZE], None, "2 of that size"),
        ([(1920, 1080), (640, 360)], None, "1: 640 x 360"),
        ([SIZE], 1, "there is no display 1"),
        ([(1920, 1080), (640, 360)], 1, "one to one"),
    ],
)
def test_a_projector_that_cannot_be_told_is_refused(found, display, said):
    monitors = [monitor(number, size) for number, size in enumerate(found)]
    with pytest.raises(DeviceError, match=said) as caught:
        choose_monitor(monitors, SIZE, display)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("size", "position"), [((319, 180), (320, 0)), (SIZE, (320, 20))])
def test_a_window_that_the_desktop_moves_is_refused(size, position):
    require_covered(monitor(1), SIZE, (320, 0))
    require_covered(monitor(1), SIZE, None)
    with pytest.raises(DeviceError, match="instead of covering"):
        require_covered(monitor(1), size, position)
