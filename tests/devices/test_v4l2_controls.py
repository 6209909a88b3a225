"""Linux's camera controls by name: typical webcams at the level of ioctl requests, each value read back."""

import os
import sys
from types import SimpleNamespace

import pytest
import v4l2_driver
from v4l2_driver import AUTO_EXPOSURE, BACKLIGHT, EXPOSURE, FOCUS, GAIN, MAINS, PRIORITY, SHARP, WB, FakeDriver, webcams
from webcam_tables import TABLES, TableDriver

from rigwarp.capture import SynchronisedBench
from rigwarp.devices.v4l2_controls import advice_of, device_controls, lock_controls, unlocked_of
from rigwarp.devices.video_camera import control_advice
from rigwarp.jobs.bench import camera_state as bench_state


@pytest.mark.parametrize("name", webcams())
def test_typical_webcams_are_locked_as_far_as_they_can_be(name):
    driver, unlocked, setting = webcams()[name]
    states = lock_controls(driver)
    assert unlocked_of(states) == unlocked
    wanted = "" if setting is None else f"v4l2-ctl -d /dev/video2 -c {setting}"
    assert advice_of(states, "/dev/video2") == wanted
    # what is said to be right is what the driver holds
    held = {row[0]: row[3] for row in driver.controls.values()}
    assert [state.found for state in states] == [held[n] for n in driver_names(driver)]


def driver_names(driver):
    """In the order in which they are set."""
    order = [AUTO_EXPOSURE, PRIORITY, EXPOSURE, v4l2_driver.AUTOGAIN, GAIN, v4l2_driver.AUTO_WB, WB,
             v4l2_driver.AUTO_FOCUS, FOCUS, MAINS, SHARP, BACKLIGHT]  # fmt: skip
    return [driver.controls[number][0] for number in order if number in driver.controls]


def test_automatics_are_off_values_are_kept_and_pictures_are_not_embellished():
    driver, *_ = webcams()["with autofocus"]
    lock_controls(driver)
    value = {number: row[3] for number, row in driver.controls.items()}
    assert value[AUTO_EXPOSURE] == 1  # V4L2_EXPOSURE_MANUAL (linux/v4l2-controls.h)
    assert value[v4l2_driver.AUTO_WB] == value[v4l2_driver.AUTO_FOCUS] == value[PRIORITY] == 0
    assert (value[EXPOSURE], value[GAIN], value[WB], value[FOCUS]) == (250, 64, 4650, 30)
    assert value[MAINS] == value[SHARP] == value[BACKLIGHT] == 0
    signed, *_ = webcams()["board camera, with signed sharpness"]
    lock_controls(signed)
    assert signed.controls[SHARP][3] == 0


def test_a_camera_that_does_not_answer_is_not_locked():
    class Dumb(FakeDriver):
        def __call__(self, request, data):
            if request & 0xFF != 36:  # it names its controls and no more
                raise OSError(5, "input/output error")
            super().__call__(request, data)

    states = lock_controls(Dumb({GAIN: ["Gain", 0, 255, 64], AUTO_EXPOSURE: ["Auto Exposure", 0, 3, 3]}))
    assert unlocked_of(states) == ("exposure", "gain")
    assert advice_of(states, "/dev/video0") == "v4l2-ctl -d /dev/video0 -c auto_exposure=1"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Video for Linux")
def test_what_is_no_video_device_has_no_controls(tmp_path):
    """The kernel itself refuses the requests of something else."""
    path = tmp_path / "video0"
    path.write_bytes(b"")
    before = os.listdir("/proc/self/fd")
    with device_controls(path) as ioctl:
        assert lock_controls(ioctl) == ()
    assert os.listdir("/proc/self/fd") == before  # the handle is given back
    assert control_advice(str(path)) == ""
    assert control_advice("http://127.0.0.1:9/x") == ""


LOCKED = {"auto_exposure": 1, "exposure_time_absolute": 156, "exposure_dynamic_framerate": 0}
LIT = {"white_balance_automatic": 0, "white_balance_temperature": 4230}
PLAIN = {"power_line_frequency": 0, "sharpness": 0, "backlight_compensation": 0}
FOCUSED = {"focus_automatic_continuous": 0, "focus_absolute": 30}
# what each camera holds afterwards, and what is still left to itself; brightness and the like stay as they are
EXPECTED = {
    "desktop camera with autofocus": ({**LOCKED, **LIT, **PLAIN, **FOCUSED, "gain": 64}, ()),
    "desktop camera with fixed focus": ({**LOCKED, **LIT, **PLAIN, "gain": 64}, ()),
    "a notebook's own": ({**LIT, **PLAIN}, ("exposure", "gain")),
    "a cheap one, exposure on automatic alone": (
        {**LIT, **PLAIN, "auto_exposure": 3, "exposure_time_absolute": 157}, ("exposure", "gain")),
    "for conferences, with motors": (
        {**LOCKED, **LIT, **FOCUSED, "gain": 64, "power_line_frequency": 0, "sharpness": 1, "wide_dynamic_range": 0,
         "pan_absolute": 7200, "tilt_absolute": 0, "zoom_absolute": 120}, ()),
    "an endoscope, with mains light that cannot be switched off": (
        {**LIT, "auto_exposure": 1, "exposure_time_absolute": 312, "power_line_frequency": 1}, ("gain",)),
    "an old one without the class driver": ({"exposure": 75, "gain_automatic": 0, "gain": 31, "sharpness": 0}, ()),
    "a board computer's, by its firmware": (
        {"auto_exposure": 1, "exposure_time_absolute": 1000, "exposure_dynamic_framerate": 0, "sharpness": 0,
         "white_balance_auto_preset": 0, "red_balance": 1400, "blue_balance": 1300, "iso_sensitivity_auto": 0,
         "iso_sensitivity": 1, "image_stabilization": 0, "power_line_frequency": 0}, ()),
    "a bare sensor on a board": ({"exposure": 1600, "analogue_gain": 100}, ()),
    "a stick that takes in another camera's picture": ({}, ("exposure", "gain")),
}  # fmt: skip
UNTOUCHED = {"brightness": 128, "contrast": 128, "saturation": 128}


@pytest.mark.parametrize("name", TABLES)
def test_what_ten_kinds_of_cameras_hold_and_what_they_cannot(name):
    driver = TableDriver(TABLES[name])
    states = lock_controls(driver)
    held, unlocked = EXPECTED[name]
    assert {key: value for key, value in driver.values.items() if key not in UNTOUCHED} == held
    assert {**driver.values, **UNTOUCHED} == driver.values or "brightness" not in driver.values
    assert unlocked_of(states) == unlocked
    read_back = {state.name: state.found for state in states}
    assert read_back == held
    # no tool sets what a camera does not have; then the camera's own buttons or another camera are left
    assert advice_of(states, "/dev/video0") == ""


def test_the_tool_is_named_with_what_another_program_holds():
    """A control that is grabbed refuses now, and may be set once the other program has ended."""

    class Held(TableDriver):
        def _set(self, name, *rest):
            if name in ("auto_exposure", "gain"):
                raise OSError(16, "device or resource busy")
            super()._set(name, *rest)

    states = lock_controls(Held(TABLES["desktop camera with autofocus"]))
    assert unlocked_of(states) == ("exposure",)  # the gain is as it was, which is what was wanted
    assert advice_of(states, "/dev/video0") == "v4l2-ctl -d /dev/video0 -c auto_exposure=1"


def test_a_webcam_is_one_line_with_what_to_do(monkeypatch):
    def line(driver):
        states = lock_controls(driver)
        monkeypatch.setattr(bench_state, "control_advice", lambda device: advice_of(states, device))
        camera = SimpleNamespace(resolution=(640, 480), exposure_s=0.0156, unlocked=unlocked_of(states))
        return bench_state.camera_state(SynchronisedBench(display=None, camera=camera), "/dev/video0").line()

    whole = TABLES["desktop camera with autofocus"]
    assert line(TableDriver(whole)) == (
        "/dev/video0, 640 x 480; locked: exposure (15.6 ms), gain, white balance, focus. Next: nothing to be done"
    )
    assert line(TableDriver(TABLES["a notebook's own"])) == (
        "/dev/video0, 640 x 480; locked: white balance, focus. Next: fix exposure, gain at the camera; one that has no "
        "such setting measures less well"
    )
    refuses, *_ = webcams()["exposure that refuses"]
    assert line(refuses).endswith(
        "locked: gain, white balance, focus. Next: v4l2-ctl -d /dev/video0 -c auto_exposure=1"
    )
