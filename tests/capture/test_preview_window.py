"""The real preview window on a virtual X screen, its pixels grabbed from outside and its keys pressed."""

import os
import subprocess
import sys
import time

import numpy as np
import pytest
import x_screen
from small_rig import make_small_rig

from rigwarp.capture.preview.picture import GOOD, SIZE, PreviewState, compose, picture_place
from rigwarp.capture.preview.process import operator_monitor
from rigwarp.capture.preview.window import PreviewWindow
from rigwarp.devices.video_output import Monitor


@pytest.fixture
def screen():
    x_screen.require_x()
    screen = x_screen.Screen(SIZE)
    yield screen
    screen.close()


def until(found, seconds=30.0):
    deadline = time.monotonic() + seconds
    while not (result := found()) and time.monotonic() < deadline:
        time.sleep(0.05)
    return result


def test_what_is_composed_is_what_the_screen_shows(screen, monkeypatch):
    for name, value in screen.environment.items():
        monkeypatch.setenv(name, value)
    photo = np.random.default_rng(4).integers(0, 256, (540, 960), dtype=np.uint8)
    picture = compose(photo, PreviewState(title="Camera", prompt="Aim the camera", left_s=0.6, hold_s=1.5))
    window = PreviewWindow()
    try:
        assert window.wait()
        window.show(picture)
        assert until(lambda: np.array_equal(screen.grab(SIZE), picture))  # pixel for pixel
        screen.key("Return", "Escape")
        keys = []
        assert until(lambda: keys.extend(window.keys()) or len(keys) >= 2)
        assert keys == ["return", "escape"]
        assert window.open
    finally:
        window.close()
    assert not window.open
    assert until(lambda: screen.grab(SIZE).max() == 0)


def test_check_shows_the_cameras_picture_until_a_key_is_pressed(screen, tmp_path):
    rig = make_small_rig(tmp_path / "rig", share=0.25)
    process = subprocess.Popen(
        [sys.executable, "-m", "rigwarp.cli", "check", rig, "--preview"],
        env=screen.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        left, top, scale = picture_place((270, 480))

        def table():
            """The middle of the camera's picture: the lit table, grey between black and burnt out."""
            middle = screen.grab(SIZE)[top : top + round(270 * scale), left : left + round(480 * scale)]
            return middle[200:330, 380:560].astype(float)

        assert until(lambda: 60.0 < table().mean() < 220.0)
        shown = screen.grab(SIZE)
        lit = table()
        assert np.abs(lit[..., 0] - lit[..., 2]).max() == 0  # grey: nothing is drawn over the table's middle
        assert (shown[640:700, 16:22] == GOOD).all()  # the exposure is fine: the prompt is no warning
        screen.key("Escape")
        out, _ = process.communicate(timeout=60)
        assert process.returncode == 0
        assert "pixel for pixel" in out
        assert until(lambda: screen.grab(SIZE).max() == 0)
    finally:
        process.kill()
        process.communicate()


def test_without_a_screen_there_is_no_window(monkeypatch):
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER"):
        monkeypatch.delenv(name, raising=False)
    window = PreviewWindow()
    try:
        assert not window.wait()
        window.show(np.zeros((720, 1280, 3), np.uint8))  # nobody sees it, and nothing breaks
        assert window.keys() == []
        assert not window.open
    finally:
        window.close()


def test_check_preview_without_a_screen_is_a_device_error(tmp_path):
    rig = make_small_rig(tmp_path / "rig", share=0.25)
    environment = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER")}
    done = subprocess.run(
        [sys.executable, "-m", "rigwarp.cli", "check", rig, "--preview"],
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 4
    assert "no screen for the preview" in done.stderr


@pytest.mark.parametrize(("projector", "expected"), [(None, 0), (1, 0), (0, 1)])
def test_the_operators_monitor_is_not_the_projector(projector, expected):
    found = [Monitor(number=n, size=(1280, 720), position=None, name="") for n in (0, 1)]
    assert operator_monitor(found, projector).number == expected
    assert operator_monitor(found[:1], 0).number == 0
