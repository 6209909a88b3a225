"""Cameras that a command drives: what is run, when it may be, how its photographs are read, and a whole scan by one."""

import json
import shlex
import sys
import time
from dataclasses import asdict
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from dng import dng
from photo_server import PhotoServer
from small_rig import make_small_rig

from rigwarp.capture import synchronise
from rigwarp.cli import main
from rigwarp.decode import decode
from rigwarp.devices import Bench, OneShotCamera, StreamingCamera, command_camera, open_virtual, photo_command
from rigwarp.devices.command_camera import open_command_camera
from rigwarp.devices.open_camera import open_camera
from rigwarp.devices.photo_command import parse_command
from rigwarp.errors import DeviceError, InputError, MeasurementError
from rigwarp.files import open_rig, read_decoded, read_patterns
from rigwarp.files.raw_photo import read_raw_photo
from rigwarp.files.trust import add_trusted, is_trusted, trust_file
from rigwarp.jobs.bench.camera_state import camera_state
from rigwarp.jobs.scans import scan_runs

SIZE = (64, 48)
GREY = np.tile(np.arange(64, dtype=np.uint8) * 3, (48, 1))


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """A user without any agreements, and devices that need no pause."""
    for name in ("XDG_CONFIG_HOME", "APPDATA", "HOME", "USERPROFILE"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    monkeypatch.setattr(command_camera, "SETTLE_S", 0.0)
    return tmp_path / "home"


def python(code, *words):
    """A command that runs some Python; {file} is among its words."""
    return f"run: {shlex.quote(sys.executable)} -I -S -c {shlex.quote(code)} {' '.join(words)}"


def opened(device, size=SIZE):
    add_trusted(parse_command(device).text)
    return open_command_camera(device, size)


@pytest.fixture
def server():
    servers = []

    def start(shoot):
        servers.append(PhotoServer(shoot))
        return servers[-1]

    yield start
    for one in servers:
        one.close()


def png(picture):
    return cv2.imencode(".png", picture)[1].tobytes()


def test_exposure_and_gain_go_into_the_command(server):
    asked = server(lambda query: png(GREY))
    camera = opened(asked.command(".png", "s={exposure_s}&us={exposure_us}&gain={gain}"))
    assert isinstance(camera, OneShotCamera)
    assert not isinstance(camera, StreamingCamera)
    assert camera.set_exposure(0.25) == camera.exposure_s == 0.25
    np.testing.assert_array_equal(camera.grab(), GREY)
    assert asked.asked[-1] == {"s": "0.25", "us": "250000", "gain": "1"}
    assert camera.unlocked == ("white balance", "focus")
    assert camera.photo_s > 0
    plain = opened(asked.command(".png"))
    assert plain.exposure_s is plain.set_exposure(0.1) is None
    assert plain.unlocked == ("exposure", "gain", "white balance", "focus")


def test_nothing_is_run_before_it_was_agreed_to_word_for_word(tmp_path, home):
    mark = tmp_path / "ran"
    device = python("import sys; open(sys.argv[1], 'w')", str(mark), "{file}.png")
    with pytest.raises(DeviceError, match="--trust") as caught:
        open_camera(device, SIZE)
    assert device in str(caught.value)
    add_trusted(device + " ")
    add_trusted(device.replace("'w'", "'a'"))
    assert not is_trusted(device)
    with pytest.raises(DeviceError, match="not agreed"):
        open_camera(device, SIZE)
    assert not mark.exists()
    assert trust_file().is_relative_to(home)


def test_what_is_agreed_to_is_shown_and_asked_for(tmp_path, monkeypatch, capsys):
    rig = make_small_rig(tmp_path / "rig", share=0.25)
    device = "run: take-photo --to {file}.jpg"
    text = (rig / "rig.toml").read_text(encoding="utf-8")
    (rig / "rig.toml").write_text(text.replace('device = "virtual"', f'device = "{device}"'), encoding="utf-8")
    assert main(["check", str(rig), "--trust", "--yes"]) == 2  # nobody is there to read it: no option answers
    assert not is_trusted(device)
    typed = iter(["no\n", "yes\n"])
    monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: True, readline=lambda: next(typed)))
    assert main(["check", str(rig), "--trust"]) == 2
    assert not is_trusted(device)
    assert main(["check", str(rig), "--trust"]) == 0
    assert device in capsys.readouterr().err
    assert is_trusted(device)
    (rig / "rig.toml").write_text(text.replace('device = "virtual"', "device = 0"), encoding="utf-8")
    assert main(["check", str(rig), "--trust"]) == 3


@pytest.mark.parametrize(
    ("device", "said"),
    [
        ("run: photo {file}\u202e.jpg", "cannot be seen"),
        ("run: photo\t{file}\n", "cannot be seen"),
        ("run: photo 'open {file}", "quotation"),
        ("run: photo now.jpg", r"no \{file\}"),
        ("run: photo {file} {shutter}", r"\{shutter\}, expected only .*\{exposure_s\}"),
    ],
)
def test_commands_that_cannot_be_meant(device, said):
    with pytest.raises(InputError, match=said):
        open_camera(device, SIZE)


def test_no_shell_reads_the_command(tmp_path):
    device = python(
        "import sys; print(sys.argv[1:]); sys.exit(3)", "';touch'", str(tmp_path / "x"), "'$(id)'", "{file}"
    )
    with pytest.raises(DeviceError, match=r"ended with 3 .*;touch.*\$\(id\)"):
        opened(device)
    assert not (tmp_path / "x").exists()


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("import sys; sys.exit('the camera is asleep')", r"ended with 1 \(the camera is asleep\)"),
        ("pass", "left no file"),
        ("import sys; open(sys.argv[1] + '.cr9', 'w').write('x')", r"left photo\.cr9"),
        ("import sys; open(sys.argv[1] + '.jpg', 'w').write('x')", "cannot be read as a picture"),
        ("import sys; open(sys.argv[1] + '.dng', 'w').write('x')", "uncompressed DNG"),
    ],
)
def test_what_commands_fail_with(code, said):
    with pytest.raises(DeviceError, match=said) as caught:
        opened(python(code, "{file}"))
    assert "\n" not in str(caught.value)


def test_a_command_that_hangs_is_ended_with_what_it_started(tmp_path, monkeypatch):
    monkeypatch.setattr(photo_command, "PATIENCE_S", 0.4)
    mark = tmp_path / "late"
    child = f"import time; time.sleep(1.2); open({str(mark)!r}, 'w')"
    code = f"import subprocess, sys, time; subprocess.Popen([sys.executable, '-c', {child!r}]); "
    for waits in ("time.sleep(60)", "0"):  # or the command itself ends, and leaves what keeps its output open
        with pytest.raises(DeviceError, match=r"no photograph within 0\.4 s"):
            opened(python(code + waits, "{file}"))
    time.sleep(1.2)
    assert not mark.exists()
    with pytest.raises(DeviceError, match="cannot be started"):
        opened("run: no-such-program-anywhere {file}.jpg")


@pytest.mark.parametrize(
    ("size", "said"),
    [
        ((48, 64), "turned by 90 degrees"),
        ((128, 96), "same shape in another resolution"),
        ((96, 128), "turned by 90 degrees, and in another resolution"),
        ((64, 36), "cropped"),
    ],
)
def test_pictures_of_another_size_say_what_happened_to_them(server, size, said):
    with pytest.raises(DeviceError, match=said):
        opened(server(lambda query: png(GREY)).command(".png"), size)


def test_the_raw_file_is_taken_where_a_shot_leaves_two(tmp_path):
    raw = np.full((48, 64), 4000, np.uint16)
    (tmp_path / "raw").write_bytes(dng(raw))
    code = (
        "import sys; f = sys.argv[2]; open(f + '.jpg', 'wb').write(b'small');"
        "open(f + '.dng', 'wb').write(open(sys.argv[1], 'rb').read())"
    )
    np.testing.assert_array_equal(opened(python(code, str(tmp_path / "raw"), "{file}")).grab(), raw)


@pytest.mark.parametrize(("bits", "order"), [(16, "<"), (16, ">"), (12, "<")])
def test_raw_samples_become_linear_light(tmp_path, bits, order):
    """Black 256 and white 4000 of 4095: 0 and full scale; in between a straight line; green stays where it is."""
    random = np.random.default_rng(1)
    mosaic = random.integers(256, 3999, (20, 24))
    mosaic[4, 5], mosaic[9, 8] = 4000, 200  # a green pixel burnt out, and one darker than black (noise)
    path = tmp_path / "photo.dng"
    path.write_bytes(dng(mosaic, bits=bits, black=256, white=4000, order=order))
    photo = read_raw_photo(path)
    assert photo.dtype == np.uint16
    wanted = np.clip((mosaic - 256) / (4000 - 256), 0, 1) * 65535
    green = np.indices(mosaic.shape).sum(0) % 2 == 1  # RGGB
    np.testing.assert_allclose(photo[green], wanted[green], atol=0.6)
    around = (wanted[5:-1:2, 4:-1:2][:-1, :0], None)  # red and blue sites: mean of four greens, away from what burns
    assert around[1] is None
    assert photo[12, 12] == pytest.approx(
        (wanted[11, 12] + wanted[13, 12] + wanted[12, 11] + wanted[12, 13]) / 4, abs=1
    )
    assert photo[4, 5] == photo[3, 5] == photo[4, 6] == 65535
    assert photo[9, 8] == 0
    plain = tmp_path / "plain.dng"
    plain.write_bytes(dng(mosaic, bits=bits, black=256, white=4000, order=order, pattern=None))
    np.testing.assert_allclose(read_raw_photo(plain), wanted, atol=0.6)


def test_raw_files_that_opencv_cannot_unpack_say_what_to_set(tmp_path):
    path = tmp_path / "photo.dng"
    path.write_bytes(dng(np.zeros((16, 16), int), compression=34892))  # lossy JPEG (DNG 1.4)
    with pytest.raises(InputError, match="set the camera's raw pictures to uncompressed DNG"):
        read_raw_photo(path)
    good = dng(np.zeros((16, 16), int))
    for cut in range(0, len(good), 37):
        path.write_bytes(good[:cut])
        with pytest.raises(InputError):
            read_raw_photo(path)


class Shown:
    """A display that remembers, and is late by some pictures for whoever photographs."""

    resolution = (64, 48)

    def __init__(self, late=0):
        self.pictures, self.late = [np.zeros((48, 64), np.uint8)] * 4, late

    def show(self, frame):
        self.pictures.append(frame)

    def close(self):
        pass

    def seen(self):
        return self.pictures[-1 - self.late]


class Asked:
    """A camera that is asked for each photograph."""

    unlocked, resolution, exposure_s, photo_s = (), (64, 48), None, 0.1

    def __init__(self, seen, settle_s=0.0):
        self.seen, self.settle_s = seen, settle_s

    def set_exposure(self, seconds):
        return None

    def grab(self):
        return self.seen(self)

    look = grab

    def close(self):
        pass


@pytest.mark.parametrize(
    ("seen", "said"),
    [
        (lambda shown: lambda camera: shown.seen(), None),
        (lambda shown: lambda camera: np.full((48, 64), 90, np.uint8), "hardly any change"),
        # the photograph before each time, as of a phone that hands out its last one
        (lambda shown: lambda camera: shown.pictures[-2], "do not follow"),
        # exposes by itself: whatever is bright becomes grey, and the next one is still set for it
        (
            lambda shown: lambda camera: np.uint8(90 + 20 * (len(shown.pictures) % 5)) + 0 * shown.seen(),
            "do not follow",
        ),
    ],
)
def test_photographs_must_follow_the_display(seen, said):
    shown = Shown()
    bench = Bench(display=shown, camera=Asked(seen(shown)))
    ready = lambda: synchronise(bench, np.random.default_rng(1), changes_per_s=None)  # noqa: E731
    if said is None:
        assert ready().latency is None
        return
    with pytest.raises(MeasurementError, match=said):
        ready()


def test_a_slow_projector_gets_a_longer_pause():
    shown = Shown()
    camera = Asked(lambda camera: shown.pictures[-1 if camera.settle_s >= 1.0 else -2])
    synchronise(Bench(display=shown, camera=camera), np.random.default_rng(1), changes_per_s=None)
    assert camera.settle_s == 1.0


def test_a_whole_scan_by_a_command(tmp_path, monkeypatch, capsys, server):
    """The virtual rig's camera behind a command, raw files of 12 bits: the same places as of its own photographs."""
    root = make_small_rig(tmp_path / "rig", share=0.15)
    virtual = open_virtual(open_rig(root))
    taken = []

    def shoot(query):
        taken.append(virtual.camera.grab())
        light = taken[-1].astype(float) / np.iinfo(taken[-1].dtype).max
        return dng(np.rint(256 + 3744 * light).astype(int), bits=12, black=256, white=4000, pattern=None)

    device = server(shoot).command(".dng", "s={exposure_s}&gain={gain}")
    add_trusted(device)
    text = (root / "rig.toml").read_text(encoding="utf-8")
    (root / "rig.toml").write_text(text.replace('"virtual"', json.dumps(device)), encoding="utf-8")
    monkeypatch.setattr("rigwarp.devices.window_display.open_window_display", lambda *a, **k: virtual.display)
    monkeypatch.setattr(scan_runs, "SLOW_S", 0.0)  # every camera is a slow one
    assert main(["scan", str(root), "--json", "--no-look", "--blur", "3", "--fast-patterns", "--yes"]) == 0
    captured = capsys.readouterr()
    assert "for each photograph" in captured.err
    assert "29 photographs, 34 with --set fast" in captured.err
    run = Path(json.loads(captured.out)["scan"])
    decoded, patterns = read_decoded(run / "decoded.npz"), read_patterns(run / "patterns.json")
    assert (patterns.name, len(patterns.frames)) == ("short", 29)
    direct = decode(taken[-len(patterns.frames) :], patterns)
    both = decoded.valid & direct.valid
    assert both.sum() > 0.97 * direct.valid.sum()
    # 12 bits against 8: what is rounded away is a tenth of the noise
    sigma_px = np.hypot(decoded.sigma_u_px, decoded.sigma_v_px)[both]
    apart_px = np.hypot(decoded.u_px - direct.u_px, decoded.v_px - direct.v_px)[both]
    assert np.median(apart_px / sigma_px) < 0.3


def test_what_was_opened_in_one_line():
    shown = Shown()
    bench = synchronise(
        Bench(display=shown, camera=Asked(lambda camera: shown.seen())), np.random.default_rng(1), changes_per_s=None
    )
    state = camera_state(bench, "run: x {file}")
    assert state.line() == (
        "run: x {file}, 64 x 48; 0.1 s a photograph; locked: exposure, gain, white balance, focus. "
        "Next: nothing to be done"
    )
    assert json.loads(json.dumps(asdict(state)))["photo_s"] == 0.1
