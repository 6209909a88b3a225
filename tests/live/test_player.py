"""The player in a window of SDL's offscreen driver: what it shows, how it ends, what it leaves behind.

Each case runs in a process of its own: SDL and signal handlers are global.
"""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import bent_rig
import pytest

PROGRAM = """
import importlib.util, json, sys
import numpy as np
from pathlib import Path

spec = importlib.util.spec_from_file_location("bent_rig", Path(sys.argv[1]))
bent_rig = importlib.util.module_from_spec(spec)
spec.loader.exec_module(bent_rig)
import pygame
from rigwarp.live import CpuRenderer
from rigwarp.live.run import player
from rigwarp.live.run import window
from rigwarp.live.sources.source import StillSource

options = json.loads(sys.argv[2])
press, huge = options.pop("press", None), options.pop("huge", False)
prewarp, picture = bent_rig.curved_prewarp(), bent_rig.noisy(400, 300)
seen = {}

class Source(StillSource):
    def at(self, time_s):
        if seen["window"]._open and time_s > 0.05 and "difference" not in seen:
            shown = seen["window"].grab().astype(int)
            seen["difference"] = int(np.abs(shown - CpuRenderer(prewarp).render(picture)).max())
            if huge:
                seen["huge"] = np.zeros((8, 9000, 3), np.uint8)
            if press:
                pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=getattr(pygame, press)))
        return seen["huge"] if "huge" in seen else super().at(time_s)

blank = window.Window.blank
def blank_and_look(self):
    seen["last"] = int(np.abs(self.grab().astype(int) - CpuRenderer(prewarp).render(picture)).max())
    blank(self)
    seen["left"] = int(self.grab().max())
window.Window.blank = blank_and_look

def opened(w):
    seen["window"] = w
    print("open", flush=True)

played = player.play(prewarp, Source(picture), on_open=opened, **options)
print(json.dumps({"frames": played.frames, "reason": played.reason, "drawing": played.drawing, "left": seen["left"],
                  "notice": played.notice, "difference": seen.get("difference"), "seconds": played.seconds,
                  "refused": played.statistics["refused"], "last": seen.get("last")}))
"""


def start(driver="offscreen", **options):
    environment = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
    environment |= {"SDL_AUDIODRIVER": "dummy", "PYGAME_HIDE_SUPPORT_PROMPT": "1"}
    if driver is not None:
        environment["SDL_VIDEODRIVER"] = driver
    rig = Path(bent_rig.__file__)
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(rig), json.dumps(options)],
        env=environment,
        stdout=subprocess.PIPE,
        text=True,
    )


def outcome(process):
    out, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    return json.loads(out.strip().splitlines()[-1])


def test_stops_after_a_time_and_leaves_black():
    result = outcome(start(driver=None, seconds=0.4))  # no driver named, no DISPLAY: SDL must find one by itself
    assert result["reason"] == "time"
    assert result["frames"] >= 2
    assert result["left"] == 0
    assert result["difference"] == 0  # the CPU's frame, pixel for pixel
    assert "no screen" in result["notice"]


def test_falls_back_to_the_cpu_where_the_driver_has_no_opengl():
    result = outcome(start(driver="dummy", frames=8))
    assert result["reason"] == "frames"
    assert result["frames"] == 8
    assert "CPU" in result["drawing"]
    assert result["left"] == 0


@pytest.mark.gl
def test_draws_straight_into_an_opengl_window(gl_available):
    result = outcome(start(drawing="gl", seconds=0.6))
    assert result["drawing"] == gl_available
    assert result["difference"] <= 1
    assert result["left"] == 0


@pytest.mark.parametrize("drawing", ["cpu", pytest.param("gl", marks=pytest.mark.gl)])
def test_a_picture_that_is_too_large_leaves_the_old_one(drawing, request):
    if drawing == "gl":
        request.getfixturevalue("gl_available")
    result = outcome(start(huge=True, drawing=drawing, seconds=0.8))
    assert result["reason"] == "time"
    assert result["refused"] >= 1
    assert result["last"] <= 1
    assert result["left"] == 0


@pytest.mark.parametrize("key", ["K_ESCAPE", "K_q"])
def test_a_key_ends_it(key):
    result = outcome(start(press=key, seconds=20.0))
    assert result["reason"] == "key"
    assert result["left"] == 0


@pytest.mark.parametrize(("number", "reason"), [(signal.SIGTERM, "terminated"), (signal.SIGINT, "interrupted")])
def test_signals_end_it_cleanly(number, reason):
    with start(seconds=30.0) as process:
        assert process.stdout.readline().strip() == "open"
        time.sleep(0.2)
        process.send_signal(number)
        result = outcome(process)
    assert result["reason"] == reason
    assert result["left"] == 0
