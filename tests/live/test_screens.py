"""Which screen is the projector, waiting for it, and its leaving: two monitors, one of them unplugged."""

import importlib.util
import os
import socket
import subprocess
import sys
import time
from pathlib import Path
from shutil import which

import pytest
import x_screen
from required import lack

from rigwarp.devices.video_output import Monitor
from rigwarp.errors import DeviceError
from rigwarp.live.run import window as window_module
from rigwarp.live.run.unattended import service_text
from rigwarp.live.run.window import projector_monitor, wait_for_projector

_spec = importlib.util.spec_from_file_location("result_rig", Path(__file__).with_name("result_rig.py"))
result_rig = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(result_rig)
SIZE = (result_rig.WIDTH, result_rig.HEIGHT)
OTHER = (1920, 1080)


def play(rig, environment, *options):
    return subprocess.Popen(
        [sys.executable, "-m", "rigwarp.cli", "play", rig, "check:white", "--draw", "cpu", *options],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )


def without_desktop():
    hidden = ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER")
    return {name: value for name, value in os.environ.items() if name not in hidden}


@pytest.mark.parametrize("display", [None, ":987"])
def test_without_a_screen_play_ends_with_4_and_a_line(tmp_path, display):
    rig = result_rig.make_rig(tmp_path / "rig")
    environment = without_desktop() | ({"DISPLAY": display} if display else {})
    player = play(rig, environment, "--seconds", "30")
    _, said = player.communicate(timeout=60)
    assert player.returncode == 4
    assert said.splitlines()[-1].startswith("rigwarp: no ")


@pytest.mark.parametrize(
    ("sizes", "display", "number", "wrong"),
    [
        ([OTHER, SIZE], None, 1, False),
        ([SIZE, OTHER], None, 0, False),
        ([SIZE], None, 0, False),  # the projector is the only screen
        ([OTHER], None, 0, True),
        ([SIZE, SIZE], None, 1, False),
        ([OTHER, SIZE], 0, 0, True),
    ],
)
def test_the_projector_is_found_by_its_size(monkeypatch, sizes, display, number, wrong):
    monkeypatch.setattr(window_module.pygame.display, "get_driver", lambda: "x11")
    found = [Monitor(number=n, size=size, position=None, name="") for n, size in enumerate(sizes)]
    monitor, notice = projector_monitor(found, SIZE, display)
    assert monitor.number == number
    assert bool(notice) is wrong


def test_two_that_could_be_the_projector_have_to_be_told_apart(monkeypatch):
    monkeypatch.setattr(window_module.pygame.display, "get_driver", lambda: "x11")
    found = [Monitor(number=n, size=size, position=None, name="") for n, size in enumerate([OTHER, SIZE, SIZE])]
    with pytest.raises(DeviceError, match="--display N"):
        projector_monitor(found, SIZE, None)
    with pytest.raises(DeviceError, match="no display 3"):
        projector_monitor(found, SIZE, 3)


def test_waiting_says_why_once_and_ends_when_it_is_there(monkeypatch):
    looks, said, pauses = [], [], []

    def start():
        looks.append(1)
        if len(looks) <= 2:
            raise DeviceError("no screen here")
        return [Monitor(number=0, size=OTHER if len(looks) == 3 else SIZE, position=None, name="")]

    monkeypatch.setattr(window_module, "start_screens", start)
    monkeypatch.setattr(window_module.pygame.display, "get_driver", lambda: "x11")
    monkeypatch.setattr(window_module.pygame.display, "quit", lambda: None)
    wait_for_projector(SIZE, None, on_wait=said.append, pause=pauses.append)
    assert len(pauses) == 3
    assert [words.partition(":")[0][:9] for words in said] == ["no screen", "display 0"]


def test_unplugged_it_ends_and_started_again_it_waits_without_ready_and_comes_back_on_the_same_output(tmp_path):
    """As the unit does it: Restart=always, and systemd's own socket here."""
    x_screen.require_x(monitors=True)
    rig = result_rig.make_rig(tmp_path / "rig")
    desktop = x_screen.TwoMonitors(SIZE, tmp_path)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listener.bind(str(tmp_path / "notify"))
    listener.settimeout(60.0)
    environment = desktop.environment | {"NOTIFY_SOCKET": str(tmp_path / "notify")}
    players = []

    def told():
        while (words := listener.recv(200).decode()).startswith("WATCHDOG=1"):
            pass
        return words

    def start():
        players.append(play(rig, environment, "--wait-for-screen", "--display", "1"))
        return players[-1]

    try:
        player = start()
        assert told() == "READY=1"
        assert _lit_in_time(desktop)
        desktop.unplug()
        _, said = player.communicate(timeout=60)
        assert player.returncode == 4
        assert "has gone" in said
        player = start()
        assert told().startswith("STATUS=waiting")
        time.sleep(1.0)
        assert player.poll() is None
        desktop.plug_in()
        assert told() == "READY=1"
        assert _lit_in_time(desktop)
        player.terminate()
        player.communicate(timeout=60)
        assert player.returncode == 0
    finally:
        for player in players:
            player.kill()
            player.communicate()
        listener.close()
        desktop.close()


def _lit_in_time(desktop, seconds=25.0):
    """The second monitor shows white, the first one nothing."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if desktop.grab(SIZE, desktop.second).max() == 255:
            return desktop.grab(SIZE).max() == 0
        time.sleep(0.05)
    return False


def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path):
    if which("systemd-analyze") is None:
        lack("X", "no systemd-analyze: apt install systemd")
    folder = tmp_path / "it's my 100% table"
    folder.mkdir()
    words = [str(folder), "100%.mp4", "$HOME", 'a "quoted" name', "it's", "--display", "1", "--wait-for-screen"]
    path = tmp_path / "table.service"
    path.write_text(service_text(words, folder=folder, memory_limit_mib=2000))
    done = subprocess.run(
        ["systemd-analyze", "--user", "verify", path], capture_output=True, text=True, timeout=60, check=False
    )
    assert [line for line in done.stderr.splitlines() if "table.service" in line] == []
