"""`rigwarp view play`: photographs and a network camera straightened, for a window, browsers, programs and a file."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.request

import cv2
import numpy as np
import pytest
from mjpeg_server import MjpegServer
from two_wings import SIZE, make_rig, small_wings

import rigwarp
from rigwarp.cli import main
from rigwarp.errors import DeviceError
from rigwarp.files import open_rig
from rigwarp.jobs.view.play import ViewPlayOptions, play_top
from rigwarp.live.view.player import CameraFeed, play_view
from rigwarp.live.view.recorder import Recorder


def stripes(mm):
    return np.where(np.sin(mm[..., 0] / 30) > 0, 200.0, 60.0)


@pytest.fixture(scope="module")
def photo(tmp_path_factory):
    path = tmp_path_factory.mktemp("photo") / "photo.png"
    cv2.imwrite(str(path), small_wings().photograph(stripes))
    return path


def failed(capsys, arguments, code):
    assert main(arguments) == code
    told = capsys.readouterr().err.strip()
    assert "\n" not in told
    return told


def test_still_of_a_photograph_and_the_library_agree(wings_rig, photo, tmp_path, capsys):
    out = tmp_path / "top.png"
    assert main(["view", "play", str(wings_rig), "--still", str(photo), str(out), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["pixels"], said["mm_per_pixel"], said["flipped"]) == ([300, 150], 4.0, False)
    picture = cv2.imread(str(out), cv2.IMREAD_COLOR)
    view = rigwarp.load_view(wings_rig)
    assert np.array_equal(picture, view.top(cv2.imread(str(photo), cv2.IMREAD_COLOR)))
    row = picture[75, :, 0].astype(float)
    x_mm = (np.arange(300) - 149.5) * 4.0
    seen = row > 0
    assert np.count_nonzero(seen) > 120
    far = np.abs(np.sin(x_mm / 30)) > 0.4
    assert np.array_equal((row > 130)[seen & far], (np.sin(x_mm / 30) > 0)[seen & far])


def test_wrong_photographs_and_names_are_told_in_one_line(wings_rig, photo, tmp_path, capsys):
    other = tmp_path / "other.png"
    cv2.imwrite(str(other), np.zeros((100, 200), np.uint8))
    play = ["view", "play", str(wings_rig)]
    told = failed(capsys, [*play, "--still", str(other), str(tmp_path / "x.png")], 3)
    assert "200 x 100 pixels, expected the view camera's 480 x 270" in told
    assert "found no such file" in failed(
        capsys, [*play, "--still", str(tmp_path / "no.png"), str(tmp_path / "x.png")], 3
    )
    assert ".png or .tif" in failed(capsys, [*play, "--still", str(photo), str(tmp_path / "x.gif")], 2)
    assert "already there" in failed(capsys, [*play, "--still", str(photo), str(photo)], 3)
    assert ".mp4 or .avi" in failed(capsys, [*play, "--record", str(tmp_path / "x.mkv")], 2)
    assert "expected letters" in failed(capsys, [*play, "--share", "two words", "--seconds", "1"], 3)
    assert not (tmp_path / "x.png").exists()


def test_without_a_view_without_a_camera_and_without_a_screen(wings_rig, tmp_path, capsys, monkeypatch):
    root = tmp_path / "bare"
    root.mkdir()
    (root / "rig.toml").write_text((wings_rig / "rig.toml").read_text())
    assert "rigwarp view fit" in failed(capsys, ["view", "play", str(root)], 3)
    told = failed(capsys, ["view", "play", str(make_rig(tmp_path / "gone", device='"/dev/video99"')), "--http", "0"], 4)
    assert "video99" in told
    assert "view.device" in told
    monkeypatch.setenv("DISPLAY", ":987")
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.setenv("SDL_VIDEODRIVER", "x11")
    assert "no screen for a window" in failed(capsys, ["view", "play", str(wings_rig)], 4)


class Pictures:
    """A camera with a picture every 10 ms, whose first pixel counts."""

    frame_s = 0.01

    def __init__(self, count):
        self.left, self.number = count, 0

    def after(self, moment_s, *, newest=False):
        if not self.left:
            raise DeviceError("camera 0 has stopped")
        time.sleep(0.01)
        self.left, self.number = self.left - 1, self.number + 1
        return np.full((SIZE[1], SIZE[0], 3), self.number, np.uint8), time.monotonic()

    def close(self):
        pass


def test_all_sinks_get_the_same_pictures_and_the_age_is_measured(wings_rig, tmp_path):
    view, video = rigwarp.load_view(wings_rig), tmp_path / "film.avi"
    cameras, seen = iter([Pictures(20), Pictures(10_000)]), []

    class Looker:
        def show(self, picture, captured_s):
            seen.append((int(picture.max()), captured_s))

    feed = CameraFeed(lambda: next(cameras), SIZE, first_wait_s=0.01)
    recorder = Recorder(video, view.maps.top.pixels, 50.0)
    shown = play_view(feed, view.maps, [Looker(), recorder], go_on=lambda: len(seen) < 30)
    recorder.close()
    assert [value for value, _ in seen] == [*range(1, 21), *range(1, 11)], "the camera went away and came back"
    assert (shown.frames, shown.reopened) == (30, 1)
    assert 0.0 <= shown.age_ms <= shown.age_p95_ms
    film = cv2.VideoCapture(str(video))
    frames = int(film.get(cv2.CAP_PROP_FRAME_COUNT))
    assert frames == recorder.frames
    assert frames == pytest.approx(1 + 50.0 * (seen[-1][1] - seen[0][1]), abs=1.0), "as long as what it shows"
    assert film.read()[1].shape == (150, 300, 3)
    film.release()
    with pytest.raises(rigwarp.errors.InputError, match="already there"):
        Recorder(video, (10, 10), 25.0)


def test_interrupted_by_ctrl_c_everything_is_whole(wings_rig, tmp_path):
    shots = iter(range(5))

    class Impatient:
        def show(self, picture, captured_s):
            if next(shots) == 4:
                raise KeyboardInterrupt

    feed = CameraFeed(lambda: Pictures(100), SIZE)
    assert play_view(feed, rigwarp.load_view(wings_rig).maps, [Impatient()]).frames == 4


def test_from_a_network_camera_to_browser_and_program(tmp_path):
    """The whole command in a process of its own, ended by Ctrl-C: a Motion JPEG camera in, ring and server out."""
    camera, stop = MjpegServer(), threading.Event()
    root = make_rig(tmp_path / "rig", device=f'"{camera.address}"')
    picture = cv2.imencode(".jpg", np.full((SIZE[1], SIZE[0], 3), 120, np.uint8))[1].tobytes()

    def send_on():
        while not stop.wait(0.02):
            camera.send(picture, time.monotonic())

    sender = threading.Thread(target=send_on)
    sender.start()
    ring = str(tmp_path / "shared.ring")
    command = [sys.executable, "-m", "rigwarp.cli", "view", "play", str(root), "--http", "0", "--share", ring, "--json"]
    player = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env={**os.environ})
    try:
        address = player.stderr.readline().split()[-1]
        assert ring in player.stderr.readline()
        reader = rigwarp.load_view(root).reader(ring)
        shared = reader.wait(timeout_s=20.0)
        assert shared.picture.shape == (150, 300, 3)
        assert abs(int(shared.picture[75, 150, 0]) - 120) <= 2
        assert reader.about["mm_per_pixel"] == 4.0
        facts = json.loads(urllib.request.urlopen(f"{address}view.json", timeout=10).read())
        assert facts["pixels"] == [300, 150]
        player.send_signal(signal.SIGINT)
        out, told = player.communicate(timeout=30)
        assert player.returncode == 0, told
        assert "Traceback" not in told
        said = json.loads(out)
        assert said["frames"] > 0
        assert said["age_ms"] < said["age_p95_ms"] + 1e-9
        assert reader.ended
    finally:
        stop.set()
        player.kill()
        player.wait()
        camera.close()
        sender.join()


@pytest.mark.skipif(sys.platform == "win32", reason="there a process is only ever killed")
def test_ended_by_a_service_manager_the_video_is_finished_and_readers_are_told(wings_rig, tmp_path):
    class Ended(Pictures):
        def after(self, moment_s, *, newest=False):
            if self.number == 5:
                assert (tmp_path / "r.ring").exists()
                os.kill(os.getpid(), signal.SIGTERM)
            return super().after(moment_s, newest=newest)

    before = signal.getsignal(signal.SIGTERM)
    options = ViewPlayOptions(window=False, share=str(tmp_path / "r.ring"), record=tmp_path / "film.avi")
    folder = open_rig(wings_rig, without_projector=True)
    made = play_top(folder, options, say=lambda text: None, opened=lambda: Ended(10_000))
    assert made.shown.frames == 5
    assert sorted(path.name for path in tmp_path.iterdir()) == ["film.avi"]
    assert signal.getsignal(signal.SIGTERM) is before


@pytest.mark.parametrize("http", [None, 0])
def test_a_window_is_not_needed_for_programs(wings_rig, tmp_path, http):
    options = ViewPlayOptions(window=False, http_port=http, share=str(tmp_path / "r.ring"), seconds=0.3)
    said = []
    made = play_top(
        open_rig(wings_rig, without_projector=True), options, say=said.append, opened=lambda: Pictures(10_000)
    )
    assert made.shown.frames > 3
    assert (made.address is None) == (http is None)
    assert not (tmp_path / "r.ring").exists()
