"""`rigwarp play` in a real window on a virtual X screen, its keys pressed and its pixels grabbed from outside."""

import importlib.util
import json
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
import x_screen

from rigwarp.files import current_result, make_current, open_rig, read_adjustment, read_prewarp
from rigwarp.files.names import ADJUST_FILE
from rigwarp.live import CpuRenderer, warp_of
from rigwarp.prewarp import content_coordinates
from rigwarp.rig.canvas import content_to_table


def _beside(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


result_rig = _beside("result_rig")
SIZE = (result_rig.WIDTH, result_rig.HEIGHT)


@pytest.fixture
def screen():
    x_screen.require_x()
    screen = x_screen.Screen(SIZE)
    yield screen
    screen.close()


@pytest.fixture
def rig(tmp_path):
    root = result_rig.make_rig(tmp_path / "rig")
    dots = np.zeros((400, 400, 3), np.uint8)
    dots[196:204, 196:204] = 255
    cv2.imwrite(str(tmp_path / "dots.png"), dots)
    noise = np.random.default_rng(8).integers(60, 256, (200, 200, 3), dtype=np.uint8)
    cv2.imwrite(str(tmp_path / "noise.png"), noise)
    return root


def player(screen, rig, source, *options, drawing="cpu"):
    return subprocess.Popen(
        [sys.executable, "-m", "rigwarp.cli", "play", rig, source, "--draw", drawing, "--json", *options],
        env=screen.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )


def ended(process):
    out, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    return json.loads(out)


def until(found, seconds=25.0):
    deadline = time.monotonic() + seconds
    while not (result := found()) and time.monotonic() < deadline:
        time.sleep(0.02)
    return result


def warp_in(rig):
    return warp_of(read_prewarp(current_result(rig) / "prewarp.npz"), open_rig(rig).rig.content)


def dot_mm(frame, rig):
    """Where the brightest spot's light lies on the table; the overlay's words are far away from the dot."""
    prewarp = read_prewarp(current_result(rig) / "prewarp.npz")
    table = content_to_table(open_rig(rig).rig.content, content_coordinates(prewarp))
    light = (frame[..., 2] / 255.0) ** 2.2
    near = np.hypot(*np.moveaxis(table - [0.0, 0.0], -1, 0)) < 25.0
    light = np.where(near & (light > 0.2), light, 0.0)
    return (np.nan_to_num(table) * light[..., None]).sum(axis=(0, 1)) / light.sum()


@pytest.mark.parametrize("drawing", ["cpu", pytest.param("gl", marks=pytest.mark.gl)])
def test_keys_move_the_content_by_their_millimetres(screen, rig, tmp_path, drawing, request):
    if drawing == "gl":
        request.getfixturevalue("gl_available")
    process = player(screen, rig, tmp_path / "dots.png", drawing=drawing)
    try:
        assert until(lambda: screen.grab(SIZE).max() == 255)
        before = dot_mm(screen.grab(SIZE), rig)
        screen.key("1", "shift+Right", "Up", "Up", "Up")
        path = rig / ADJUST_FILE
        assert until(lambda: path.exists() and read_adjustment(path)[0].shift_mm == (10.0, 3.0))
        # the dot is 5.6 mm wide and a pixel 1.2 mm: its centroid is good to a quarter of a pixel
        assert until(lambda: np.abs(dot_mm(screen.grab(SIZE), rig) - before - [10.0, 3.0]).max() < 0.3)
        screen.key("BackSpace")
        assert until(lambda: np.abs(dot_mm(screen.grab(SIZE), rig) - before).max() < 0.1)
        screen.key("6")
        screen.pointer("mousemove", "160", "90", "mousedown", "1", "mousemove", "168", "90", "mouseup", "1")
        assert until(lambda: path.exists() and len(read_adjustment(path)[0].drags) == 1)
        (drag,) = read_adjustment(path)[0].drags
        assert drag.by_mm[0] == pytest.approx(9.6, abs=0.5)  # 8 pixels of 1.2 mm
        assert until(lambda: np.abs(dot_mm(screen.grab(SIZE), rig)[0] - before[0] - 9.6) < 0.6)
        screen.key("Escape")
        assert ended(process)["ended_by"] == "key"
        assert screen.grab(SIZE).max() == 0
    finally:
        process.kill()
        process.communicate()


@pytest.mark.parametrize("drawing", ["cpu", pytest.param("gl", marks=pytest.mark.gl)])
def test_a_swap_shows_the_old_frame_then_the_new_one_and_nothing_else(screen, rig, tmp_path, drawing, request):
    from rigwarp.files import read_colour

    if drawing == "gl":
        request.getfixturevalue("gl_available")
    picture = read_colour(tmp_path / "noise.png")

    def same(frame, expected):  # one code for the roundings of another renderer
        return np.abs(frame.astype(int) - expected).max() <= 1

    old = CpuRenderer(warp_in(rig)).render(picture)
    process = player(screen, rig, tmp_path / "noise.png", "--samples", "fine", drawing=drawing)
    try:
        assert until(lambda: same(screen.grab(SIZE), old))
        run = result_rig.add_result(rig, 8.0, current=False)
        warp = warp_of(read_prewarp(run / "prewarp.npz"), open_rig(rig).rig.content)
        new = CpuRenderer(warp).render(picture)
        assert np.mean(old != new) > 0.3
        make_current(rig, run)
        seen = []
        deadline = time.monotonic() + 25.0
        while time.monotonic() < deadline and (not seen or seen[-1] != "new"):
            frame = screen.grab(SIZE)
            seen.append("old" if same(frame, old) else "new" if same(frame, new) else "other")
        assert set(seen) == {"old", "new"}
        assert seen == sorted(seen, key=("old", "new").index)
        process.terminate()
        assert ended(process)["ended_by"] == "terminated"
        assert screen.grab(SIZE).max() == 0  # SIGTERM leaves black
    finally:
        process.kill()
        process.communicate()
