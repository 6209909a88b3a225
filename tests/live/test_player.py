"""The player in a window of SDL's offscreen driver: what it shows, how it ends, what it leaves behind."""

import os
import signal
import time

import pytest
from forked import Forked, forked
from offscreen_show import still_show


def played(driver="offscreen", **options):
    return forked(still_show, environment={"SDL_VIDEODRIVER": driver} if driver else {}, **options)


def test_stops_after_a_time_and_leaves_black():
    result = played(driver=None, seconds=1.5)  # no driver named, no DISPLAY: SDL must find one by itself
    assert result["reason"] == "time"
    assert result["frames"] >= 2
    assert result["left"] == 0
    assert result["difference"] == 0  # the CPU's frame, pixel for pixel
    assert "no screen" in result["notice"]


def test_falls_back_to_the_cpu_where_the_driver_has_no_opengl():
    result = played(driver="dummy", frames=8)
    assert result["reason"] == "frames"
    assert result["frames"] == 8
    assert "CPU" in result["drawing"]
    assert result["left"] == 0


@pytest.mark.gl
def test_draws_straight_into_an_opengl_window(gl_available):
    result = played(drawing="gl", seconds=1.5)
    assert result["drawing"] == gl_available
    assert result["difference"] <= 1
    assert result["left"] == 0


@pytest.mark.parametrize("drawing", ["cpu", pytest.param("gl", marks=pytest.mark.gl)])
def test_a_picture_that_is_too_large_leaves_the_old_one(drawing, request):
    if drawing == "gl":
        request.getfixturevalue("gl_available")
    result = played(huge=True, drawing=drawing, seconds=1.5)
    assert result["reason"] == "time"
    assert result["refused"] >= 1
    assert result["last"] <= 1
    assert result["left"] == 0


@pytest.mark.parametrize("key", ["K_ESCAPE", "K_q"])
def test_a_key_ends_it(key):
    result = played(press=key, seconds=20.0)
    assert result["reason"] == "key"
    assert result["left"] == 0


@pytest.mark.parametrize(("number", "reason"), [(signal.SIGTERM, "terminated"), (signal.SIGINT, "interrupted")])
def test_signals_end_it_cleanly(number, reason):
    process = Forked(still_show, environment={"SDL_VIDEODRIVER": "offscreen"}, seconds=30.0)
    try:
        assert process.hear() == "open"
        time.sleep(0.2)
        os.kill(process.pid, number)
        result = process.result()
    finally:
        process.close()
    assert result["reason"] == reason
    assert result["left"] == 0
