"""Real cameras: over the network as they are, by driver as far as a model of one goes; and what each failure says."""

import socket
import subprocess
import sys
import threading
import time

import cv2
import numpy as np
import pytest
from mjpeg_server import MjpegServer

from rigwarp.devices import StreamingCamera, video_camera
from rigwarp.devices.camera_controls import CONTROLS, exposure_s, fix_controls, set_exposure_s, take_all_bits
from rigwarp.devices.camera_list import users_of
from rigwarp.devices.newest_frame import NewestFrames
from rigwarp.devices.video_camera import as_grey, open_video_camera
from rigwarp.errors import DeviceError

SIZE = (160, 120)


class Driver:
    """What a driver does with the controls that it is asked for: values it has, those it refuses to change."""

    def __init__(self, backend, values, refused=()):
        self.backend, self.values, self.refused = backend, dict(values), refused

    def get(self, control, /):
        return self.values.get(control, -1.0 if self.backend == "V4L2" else 0.0)

    def set(self, control, value, /):
        if control in self.refused or (self.backend == "V4L2" and control not in self.values):
            return False
        self.values[control] = value
        return True

    def getBackendName(self):
        return self.backend


WEBCAM = {
    cv2.CAP_PROP_AUTO_EXPOSURE: 3.0,
    cv2.CAP_PROP_EXPOSURE: 156.0,
    cv2.CAP_PROP_GAIN: 64.0,
    cv2.CAP_PROP_AUTO_WB: 1.0,
    cv2.CAP_PROP_AUTOFOCUS: 1.0,
}


def test_what_a_webcam_adjusts_by_itself_is_fixed():
    driver = Driver("V4L2", WEBCAM)
    assert fix_controls(driver) == ()
    # V4L2_EXPOSURE_MANUAL is 1 (linux/v4l2-controls.h)
    assert driver.values[cv2.CAP_PROP_AUTO_EXPOSURE] == 1.0
    assert driver.values[cv2.CAP_PROP_EXPOSURE] == 156.0
    assert driver.values[cv2.CAP_PROP_AUTO_WB] == driver.values[cv2.CAP_PROP_AUTOFOCUS] == 0.0


@pytest.mark.parametrize(
    ("driver", "unlocked"),
    [
        (Driver("V4L2", WEBCAM, refused=(cv2.CAP_PROP_AUTO_EXPOSURE,)), ("exposure",)),
        (Driver("V4L2", WEBCAM, refused=(cv2.CAP_PROP_GAIN, cv2.CAP_PROP_AUTO_WB)), ("gain", "white balance")),
        # a camera without a focus motor and in black and white has nothing there to be fixed
        (Driver("V4L2", {k: v for k, v in WEBCAM.items() if k < cv2.CAP_PROP_AUTOFOCUS}), ()),
        (Driver("FFMPEG", {}, refused=range(100)), CONTROLS),
    ],
)
def test_what_cannot_be_fixed_is_said(driver, unlocked):
    assert fix_controls(driver) == unlocked


def test_exposure_times_are_seconds_whatever_the_driver_counts():
    v4l = Driver("V4L2", WEBCAM)
    assert exposure_s(v4l) == pytest.approx(0.0156)  # 100 microseconds each
    assert set_exposure_s(v4l, 0.0333) == pytest.approx(0.0333)
    assert v4l.values[cv2.CAP_PROP_EXPOSURE] == 333
    windows = Driver("DSHOW", {cv2.CAP_PROP_EXPOSURE: -5.0})
    assert exposure_s(windows) == 1 / 32  # binary logarithm of seconds
    assert set_exposure_s(windows, 1 / 60) == 1 / 64
    stubborn = Driver("V4L2", WEBCAM, refused=(cv2.CAP_PROP_EXPOSURE,))
    assert set_exposure_s(stubborn, 0.01) is None
    assert exposure_s(Driver("FFMPEG", {})) is None


@pytest.mark.parametrize(("code", "bits"), [("Y16 ", 16), ("Y10 ", 10), ("YUYV", None), ("MJPG", None)])
def test_all_bits_of_a_grey_camera_are_taken(code, bits):
    driver = Driver("V4L2", {cv2.CAP_PROP_FOURCC: cv2.VideoWriter.fourcc(*code), cv2.CAP_PROP_CONVERT_RGB: 1.0})
    assert take_all_bits(driver) == bits
    assert driver.values[cv2.CAP_PROP_CONVERT_RGB] == (1.0 if bits is None else 0.0)


def test_grey_values_of_colours():
    """ITU-R BT.601; a burnt-out colour burns out the grey value."""
    bgr = np.array([[[10, 20, 30], [0, 0, 200], [255, 100, 100], [40, 40, 40]]], np.uint8)
    assert as_grey(bgr).tolist() == [[round(0.114 * 10 + 0.587 * 20 + 0.299 * 30), round(0.299 * 200), 255, 40]]
    deep = np.array([[0, 1000, 65535]], np.uint16)
    np.testing.assert_array_equal(as_grey(deep), deep)
    np.testing.assert_array_equal(as_grey(deep[..., None]), deep)
    ten = as_grey(np.array([[0, 512, 1023]], np.uint16), 10)
    assert ten.tolist() == [[0, (512 << 6) | (512 >> 4), 65535]]


class Scripted:
    """Delivers numbered pictures, each after a pause; None: the driver fails."""

    def __init__(self, pictures, pause_s=0.005):
        self._pictures, self._pause_s = iter(pictures), pause_s
        self.released = False

    def grab(self):
        time.sleep(self._pause_s)
        self._picture = next(self._pictures, None)
        return self._picture is not None

    def retrieve(self):
        return True, np.full((2, 2), self._picture, np.uint8)

    def release(self):
        self.released = True


def test_pictures_are_taken_as_they_come_and_none_is_skipped():
    source = Scripted(range(200))
    frames = NewestFrames(source, "camera", timeout_s=5)
    seen, moment_s = [], time.monotonic()
    for _ in range(10):
        picture, moment_s = frames.after(moment_s)
        seen.append(int(picture[0, 0]))
    assert seen == list(range(seen[0], seen[0] + 10))
    assert 0.004 < frames.frame_s < 0.1  # the pause of 5 ms on a machine that may be busy
    frames.close()
    frames.close()
    assert source.released


def test_a_camera_that_ends_is_named_after_a_few_tries():
    frames = NewestFrames(Scripted([1, 2, None, None, 3]), "camera 7", timeout_s=5)
    with pytest.raises(DeviceError, match="camera 7 has stopped"):
        frames.after(time.monotonic() + 0.5)
    frames.close()


def test_a_camera_that_is_silent_is_named():
    frames = NewestFrames(Scripted([], pause_s=0.5), "camera 7", timeout_s=0.1)
    with pytest.raises(DeviceError, match=r"no picture for 0\.1 s"):
        frames.after(time.monotonic())
    frames.close()


@pytest.fixture
def stream():
    server = MjpegServer()
    yield server
    server.close()


def feed(server, size, over):
    """Grey pictures, brighter each time, until it is over."""

    def run():
        level = 0
        while not over.wait(0.02):
            level = (level + 1) % 200
            picture = np.full((size[1], size[0]), level, np.uint8)
            server.send(cv2.imencode(".jpg", picture)[1].tobytes(), time.monotonic())

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


@pytest.fixture
def fed(stream):
    over = threading.Event()
    threads = []

    def start(size=SIZE):
        threads.append(feed(stream, size, over))
        return stream

    yield start
    over.set()
    for thread in threads:
        thread.join(5)


def test_a_network_camera_delivers_grey_pictures(fed):
    camera = open_video_camera(fed().address, SIZE)
    assert isinstance(camera, StreamingCamera)
    assert camera.unlocked == CONTROLS
    shots = [camera.next_shot(time.monotonic()) for _ in range(3)]
    assert all(shot.photo.shape == SIZE[::-1] and shot.photo.dtype == np.uint8 for shot in shots)
    assert shots[0].arrived_s < shots[1].arrived_s < shots[2].arrived_s
    assert camera.exposure_s is None
    assert camera.set_exposure(0.01) is None
    camera.close()
    camera.close()


def test_a_video_opened_later_has_all_its_frames(fed, tmp_path):
    """What makes a network camera quick would cost a file its first frame."""
    path = str(tmp_path / "clip.mp4")
    writer = cv2.VideoWriter(path, cv2.VideoWriter_fourcc(*"mp4v"), 30.0, (64, 48))
    for level in (40, 120, 200):
        writer.write(np.full((48, 64, 3), level, np.uint8))
    writer.release()
    open_video_camera(fed().address, SIZE).close()
    video = cv2.VideoCapture(path)
    levels = [int(frame.mean()) for _, frame in iter(video.read, (False, None))]
    video.release()
    assert levels == pytest.approx([40, 120, 200], abs=10)  # code values; video is lossy


def test_another_resolution_is_refused(fed):
    with pytest.raises(DeviceError, match=r"delivers 160 x 120 pixels, rig.toml says camera.resolution = \[640, 480\]"):
        open_video_camera(fed().address, (640, 480))


def test_a_network_camera_that_goes_is_named(fed, stream):
    camera = open_video_camera(fed().address, SIZE)
    stream.close()
    with pytest.raises(DeviceError, match="has stopped"):
        camera.next_shot(time.monotonic() + 1.0)
    camera.close()


def test_a_server_that_does_not_answer_does_not_hang(monkeypatch):
    monkeypatch.setattr(video_camera, "FRAME_TIMEOUT_S", 1.0)
    with socket.create_server(("127.0.0.1", 0)) as deaf, pytest.raises(DeviceError, match="cannot be reached"):
        open_video_camera(f"http://127.0.0.1:{deaf.getsockname()[1]}/x", SIZE)


def test_a_driver_that_hangs_is_left_behind(monkeypatch):
    monkeypatch.setattr(video_camera, "OPEN_TIMEOUT_S", 0.1)
    monkeypatch.setattr(video_camera, "_capture", lambda device: time.sleep(1.0))
    with pytest.raises(DeviceError, match=r"not answered within 0\.1 s"):
        open_video_camera("http://nowhere/", SIZE)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems do not tell who uses a device")
def test_a_busy_device_is_named_with_its_user(tmp_path):
    device = tmp_path / "video9"
    device.write_bytes(b"no camera")
    with device.open("rb") as handle:
        holder = subprocess.Popen(["sleep", "60"], stdin=handle)
    try:
        assert users_of(device) == [f"sleep (process {holder.pid})"]
        with pytest.raises(DeviceError, match=rf"in use by sleep \(process {holder.pid}\)") as caught:
            open_video_camera(str(device), SIZE)
        assert "\n" not in str(caught.value)
    finally:
        holder.kill()
        holder.wait(10)
