"""The contract on real devices: a window on a virtual desktop, seen by a network camera; what the commands say else."""

import pytest
import x_screen
from device_contract import keep_contract
from loop_rig import copy_with_camera, make_virtual_rig
from screen_loop import ScreenLoop

from rigwarp.cli import main
from rigwarp.devices import open_bench, open_virtual
from rigwarp.files import open_rig


@pytest.fixture(scope="module")
def virtual_rig(tmp_path_factory):
    return make_virtual_rig(tmp_path_factory.mktemp("real") / "rig")


@pytest.fixture
def camera_on(virtual_rig, tmp_path, monkeypatch):
    """A desktop of two monitors, and a camera that sees the second."""
    x_screen.require_x(monitors=True)
    virtual = open_virtual(open_rig(virtual_rig))
    desktop = x_screen.TwoMonitors(virtual.display.resolution, tmp_path)
    for name in ("SDL_VIDEODRIVER", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("DISPLAY", desktop.environment["DISPLAY"])
    loop = ScreenLoop(desktop, desktop.second, virtual)
    yield loop
    loop.close()
    desktop.close()


def test_a_window_and_a_network_camera_keep_the_contract(camera_on, virtual_rig, tmp_path):
    folder = open_rig(copy_with_camera(virtual_rig, tmp_path / "rig", camera_on.address))
    with open_bench(folder) as bench:
        keep_contract(bench, folder.rig.projector.resolution, folder.rig.camera.resolution)


def complaint(capsys, *words):
    """The one line that a command that fails for a device leaves."""
    capsys.readouterr()
    assert main([str(word) for word in words]) == 4
    lines = [line for line in capsys.readouterr().err.splitlines() if line.startswith("rigwarp:")]
    assert len(lines) == 1
    return lines[0]


def test_missing_devices_end_with_4_and_one_line(camera_on, virtual_rig, tmp_path, capsys, monkeypatch):
    with_camera = copy_with_camera(virtual_rig, tmp_path / "seen", camera_on.address)
    assert "there is no display 7" in complaint(capsys, "scan", with_camera, "--display", 7)
    monkeypatch.delenv("DISPLAY")
    monkeypatch.setenv("SDL_VIDEODRIVER", "offscreen")  # what SDL takes silently
    assert "no screen here" in complaint(capsys, "scan", with_camera)
    without = copy_with_camera(virtual_rig, tmp_path / "unseen", "/dev/video99")
    for command in ("scan", "calibrate"):
        assert "there is no camera /dev/video99" in complaint(capsys, command, without)


def test_fast_patterns_have_to_be_confirmed(virtual_rig, tmp_path, capsys):
    rig = copy_with_camera(virtual_rig, tmp_path / "rig", "/dev/video99")
    assert main(["scan", str(rig), "--fast-patterns"]) == 2
    said = capsys.readouterr().err
    assert "photosensitive epilepsy" in said
    assert "--yes" in said
