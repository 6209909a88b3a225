"""The whole job with a real window and a real network camera: what the projector's screen shows is seen by the virtual
rig's camera, which loses, repeats, delays and mixes pictures."""

import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import x_screen
from loop_rig import copy_with_camera, make_virtual_rig
from loose_stream import Faults
from screen_loop import ScreenLoop

from rigwarp.cli import main
from rigwarp.devices import open_virtual
from rigwarp.files import current_result, latest_complete, open_rig, read_decoded, read_map, read_patterns, read_photo
from rigwarp.jobs.demo import map_against_truth

FAULTS = Faults(lost=0.03, stuck=0.03, late=0.02, late_s=0.15)
FAST = ("--fast-patterns", "--yes")
LONGEST_S = 300


@pytest.fixture(scope="module")
def virtual_rig(tmp_path_factory):
    return make_virtual_rig(tmp_path_factory.mktemp("loop") / "rig")


@pytest.fixture(scope="module")
def virtual(virtual_rig):
    return open_virtual(open_rig(virtual_rig))


@pytest.fixture
def desktop(virtual, tmp_path):
    x_screen.require_x(monitors=True)
    desktop = x_screen.TwoMonitors(virtual.display.resolution, tmp_path)
    yield desktop
    desktop.close()


@pytest.fixture
def loops(desktop, virtual):
    """Opens network cameras that see the second monitor; all are closed at the end."""
    opened = []

    def start(port=0):
        opened.append(ScreenLoop(desktop, desktop.second, virtual, faults=FAULTS, port=port))
        return opened[-1]

    yield start
    for loop in opened:
        loop.close()


@pytest.fixture
def start(desktop):
    """Starts commands on the desktop; what still runs at the end is killed."""
    running = []

    def begin(*words):
        process = subprocess.Popen(
            [sys.executable, "-m", "rigwarp.cli", *(str(w) for w in words)],
            env=desktop.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        running.append(process)
        return process

    yield begin
    for process in running:
        process.kill()
        process.communicate()


def share_of_the_one_before(photo, wanted, before, lit):
    """By least squares, how much of the picture before is mixed into a photograph, in eight bands of lit rows."""
    change, error = np.where(lit, before - wanted, 0.0), photo - wanted
    bands = np.array_split(np.flatnonzero(lit.any(axis=1)), 8)
    return np.array([np.sum((error * change)[band]) / np.sum(change[band] ** 2) for band in bands])


def test_calibrating_in_the_loop(virtual_rig, virtual, loops, start, tmp_path, capsys):
    loop = loops()
    rig = copy_with_camera(virtual_rig, tmp_path / "rig", loop.address)
    process = start("calibrate", rig, *FAST, "--json")
    out, err = process.communicate(timeout=LONGEST_S)
    assert process.returncode == 0, err
    assert json.loads(out)["verification"]["after"]["missing"] == 0
    assert min(loop.mixed, loop.lost, loop.stuck, loop.late) > 0  # there was something to be fooled by
    loop.close()

    scan = latest_complete(rig / "scans")
    patterns = read_patterns(scan / "patterns.json")
    clean = []
    for index in range(len(patterns.frames)):
        virtual.display.show(patterns.picture(index))
        clean.append(np.mean([virtual.camera.grab().astype(float) for _ in range(3)], axis=0))
    levels = patterns.level_indices()
    lit = clean[levels[255]] - clean[levels[0]] > 40.0
    for index in range(1, len(clean)):
        photo = read_photo(scan / "frames" / f"{index:04d}.png").astype(float)
        # noise of 1.5 codes over the 5,000 lit pixels of a band against a contrast of 10 codes: sigma 0.002; JPEG
        # rounds the darkest greys by up to a hundredth of their steps
        assert np.abs(share_of_the_one_before(photo, clean[index], clean[index - 1], lit)).max() < 0.02

    # without the loop, judged by the same truth
    assert main(["scan", str(virtual_rig)]) == 0
    assert main(["fit", str(virtual_rig)]) == 0
    truth, folder = virtual.true_map(), open_rig(virtual_rig)
    inside, outside = (
        map_against_truth(folder.rig, read_map(current_result(r) / "map.npz")[0], truth) for r in (rig, virtual_rig)
    )
    # JPEG adds a third to the noise, and the map's error is partly noise
    assert inside["rms_mm"] < 1.33 * outside["rms_mm"]
    assert inside["coverage"] > outside["coverage"] - 0.01


def frames_of(rig):
    """The photographs of the newest scan."""
    runs = sorted((rig / "scans").glob("*"))
    return sorted((runs[-1] / "frames").glob("*.png")) if runs else []


def when_recorded(process, rig, count):
    """Wait until so many photographs are there."""
    deadline = time.monotonic() + LONGEST_S
    while len(frames_of(rig)) < count and process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.02)
    assert process.poll() is None, process.communicate()[1]


def require_stopped(process, rig, said):
    """The scan has ended for a device, in one line that says how to go on."""
    _, err = process.communicate(timeout=LONGEST_S)
    assert process.returncode == 4, err
    assert "Traceback" not in err
    last = err.splitlines()[-1]
    assert said in last
    assert f"rigwarp scan {rig} --resume" in last


def test_a_scan_survives_the_loss_of_its_camera_and_of_its_monitor(virtual_rig, desktop, loops, start, tmp_path):
    loop = loops()
    rig = copy_with_camera(virtual_rig, tmp_path / "rig", loop.address)

    process = start("scan", rig, *FAST)
    when_recorded(process, rig, 12)
    loop.close()
    require_stopped(process, rig, "has stopped")
    kept = {path: path.read_bytes() for path in frames_of(rig)[:-1]}  # the last one is taken again
    assert len(kept) >= 11

    loops(port=loop.port)
    process = start("scan", rig, "--resume", *FAST)
    when_recorded(process, rig, 20)
    desktop.unplug()
    require_stopped(process, rig, "DUMMY1 is gone")

    desktop.plug_in()
    process = start("scan", rig, "--resume", *FAST)
    _, err = process.communicate(timeout=LONGEST_S)
    assert process.returncode == 0, err
    for path, data in kept.items():
        assert path.read_bytes() == data
    scan = latest_complete(rig / "scans")
    assert len(list((rig / "scans").iterdir())) == 1
    decoded = read_decoded(Path(scan) / "decoded.npz")
    assert decoded.moved_share < 0.01
    assert decoded.valid.sum() > 50_000  # of the 53,500 that the camera sees lit
