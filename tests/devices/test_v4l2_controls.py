"""Linux's camera controls by name: typical webcams at the level of ioctl requests, each value read back."""

import os
import sys

import pytest
import v4l2_driver
from v4l2_driver import AUTO_EXPOSURE, BACKLIGHT, EXPOSURE, FOCUS, GAIN, MAINS, PRIORITY, SHARP, WB, FakeDriver, webcams

from rigwarp.devices.v4l2_controls import advice_of, device_controls, lock_controls, unlocked_of
from rigwarp.devices.video_camera import control_advice


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
