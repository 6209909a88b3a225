"""Pictures, videos and streams far larger than the canvas: reduced beside the frame loop, the largest elsewhere."""

import os
import resource
import threading
import time

import coded_video
import cv2
import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.live.render.picture import within
from rigwarp.live.sources import content_picture as module
from rigwarp.live.sources.content_picture import content_picture
from rigwarp.live.sources.stream import StreamSource
from rigwarp.live.sources.video import VideoSource

CANVAS = (160, 120)


@pytest.fixture
def large(tmp_path):
    """A file of 2000 x 1600 pixels, and the picture in it."""
    small = np.random.default_rng(1).integers(0, 255, (40, 50, 3)).astype(np.uint8)
    picture = cv2.resize(small, (2000, 1600), interpolation=cv2.INTER_NEAREST)
    cv2.imwrite(str(tmp_path / "large.png"), picture)
    return tmp_path / "large.png", picture[..., ::-1]


def test_what_is_twice_as_large_stays_and_what_is_larger_is_reduced_in_linear_light():
    lines = np.zeros((244, 322, 3), np.uint8)
    lines[:, ::2] = 255
    assert within(lines[:, :320], CANVAS).shape == (120, 157, 3)  # 2.03 times as high
    assert within(lines[:240, :320], CANVAS).shape == (240, 320, 3)
    # half of white's light is code 188 in sRGB (IEC 61966-2-1), not 128
    assert abs(float(within(lines, CANVAS)[2:-2, 2:-2].mean()) - 187.5) < 1.5


def test_a_large_picture_is_decoded_by_a_process_as_it_would_be_here(large, monkeypatch):
    path, picture = large
    np.testing.assert_array_equal(content_picture(path, CANVAS), within(picture, CANVAS))
    began = []
    popen = module.subprocess.Popen
    monkeypatch.setattr(module.subprocess, "Popen", lambda *a, **k: began.append(popen(*a, **k)) or began[-1])
    assert content_picture(path, CANVAS).shape == (120, 150, 3)
    assert began[0].returncode is not None  # nothing is left behind
    monkeypatch.setattr(module, "_HERE_PIXELS", 4_000_000)
    content_picture(path, CANVAS)
    assert len(began) == 1


def test_the_process_stands_back_and_is_bounded(monkeypatch):
    done = []
    monkeypatch.setattr(os, "nice", done.append)
    monkeypatch.setattr(resource, "setrlimit", lambda what, limits: done.append((what, limits)))
    module._step_back()
    assert done == [10, (resource.RLIMIT_CPU, (60, 60)), (resource.RLIMIT_DATA, (4 << 30, 4 << 30))]


@pytest.mark.parametrize(("spoil", "said"), [("cut", "may be cut off"), ("slow", "within 0.01 s"), ("many", "million")])
def test_what_the_process_refuses_is_said_here(large, monkeypatch, spoil, said):
    path, _ = large
    if spoil == "cut":
        path.write_bytes(path.read_bytes()[:3000])
    if spoil == "slow":
        monkeypatch.setattr(module, "_MOST_S", 0.01)
    if spoil == "many":
        cv2.imwrite(str(path), np.zeros((10_100, 10_000), np.uint8))
    before = set(threading.enumerate())
    with pytest.raises(InputError, match=said):
        content_picture(path, CANVAS)
    left = [one for one in set(threading.enumerate()) - before if isinstance(one, threading.Timer)]
    assert all(one.finished.is_set() for one in left)  # the thread of one that is called off ends a moment later


def test_frames_of_videos_and_streams_reach_the_loop_no_larger_than_the_canvas_needs(tmp_path):
    coded_video.write_video(tmp_path / "video.mp4", 3, (480, 192))
    video = VideoSource(tmp_path / "video.mp4", most_px=CANVAS)
    assert video.at(0.0).shape == (64, 160, 3)
    assert video.ready(10.0)
    assert video.at(0.02).shape == (64, 160, 3)
    video.close()

    class Camera:
        """Wide white frames."""

        def __init__(self, _):
            """Any address."""

        def isOpened(self):
            return True

        def read(self):
            time.sleep(0.01)
            return True, np.full((300, 800), 255, np.uint8)

        def release(self):
            """Nothing to free."""

    stream = StreamSource("wide", open_stream=Camera, most_px=CANVAS)
    assert stream.ready(10.0)
    assert stream.at(0.0).shape == (60, 160, 3)
    stream.close()


def test_the_loop_does_not_wait_for_a_decoder_that_holds_the_lock(tmp_path):
    coded_video.write_video(tmp_path / "video.mp4", 3, (160, 64))
    video = VideoSource(tmp_path / "video.mp4")
    shown, seen = video.at(0.0), []
    with video._changed:  # as a thread that lost the processor just then
        looker = threading.Thread(target=lambda: seen.append(video.at(0.03)))
        looker.start()
        looker.join(10.0)
        assert seen[0] is shown
    video.close()
