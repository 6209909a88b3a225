"""The camera as a feed of newest pictures: its size, its age, and what happens when it goes away."""

import time

import numpy as np
import pytest

from rigwarp.devices.newest_frame import NewestFrames
from rigwarp.errors import DeviceError
from rigwarp.live.view.player import CameraFeed

SIZE = (8, 6)


class Stub:
    """A camera that has so many pictures, then is gone."""

    frame_s = 0.04

    def __init__(self, count, size=SIZE, dtype=np.uint8):
        self.left, self.size, self.dtype, self.closed = count, size, dtype, False

    def after(self, moment_s, *, newest=False):
        assert newest
        if not self.left:
            raise DeviceError("camera 0 has stopped")
        self.left -= 1
        arrived_s = max(moment_s, 0.0) + 1.0
        return np.full((self.size[1], self.size[0]), arrived_s, self.dtype), arrived_s

    def close(self):
        self.closed = True


def test_a_camera_that_goes_away_is_opened_again_with_growing_pauses():
    cameras, pauses = [Stub(2), None, None, Stub(1), Stub(9)], []

    def opened():
        camera = cameras.pop(0)
        if camera is None:
            raise DeviceError("there is no camera 0")
        return camera

    feed = CameraFeed(opened, SIZE, first_wait_s=0.5, sleep=pauses.append)
    moments = [None if shot is None else shot.captured_s for shot in (feed.next() for _ in range(8))]
    assert moments == [1.0, 2.0, None, None, None, 3.0, None, 4.0]
    assert pauses == [0.5, 1.0, 2.0, 0.5], "a picture makes the pause short again"
    assert feed.reopened == 2
    feed.close()
    assert np.isnan(feed.frame_s)


@pytest.mark.parametrize(("camera", "words"), [(Stub(0), "has stopped"), (Stub(1, size=(4, 3)), "4 x 3.*8, 6")])
def test_what_is_wrong_at_the_start_is_told_not_tried_again(camera, words):
    with pytest.raises(DeviceError, match=words):
        CameraFeed(lambda: camera, SIZE)
    assert camera.closed


def test_sixteen_bits_become_eight():
    camera = Stub(1, dtype=np.uint16)
    camera.after = lambda moment_s, newest: (np.full((6, 8, 1), 0x8001, np.uint16), 1.0)
    assert CameraFeed(lambda: camera, SIZE).next().picture.tolist() == np.full((6, 8), 0x80).tolist()


def test_newest_of_several_waiting_pictures_is_taken():
    class Burst:
        def __init__(self):
            self.number = 0

        def grab(self):
            self.number += 1
            if self.number > 3:
                time.sleep(0.01)
            return self.number < 60

        def retrieve(self):
            return True, np.full((6, 8), min(self.number, 255), np.uint8)

        def release(self):
            pass

    frames = NewestFrames(Burst(), "camera", timeout_s=2.0)
    feed = CameraFeed(lambda: frames, SIZE)
    feed.next()
    time.sleep(0.1)
    before = time.monotonic()
    shot = feed.next()
    assert shot.captured_s > before - 0.05 or shot.picture[0, 0] > 5, "not one of those that waited"
    feed.close()
