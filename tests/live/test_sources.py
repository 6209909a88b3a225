"""Sources: what they show when, what they do when something is missing, and that none of them waits."""

import threading
import time

import coded_video as coded
import cv2
import numpy as np
import pytest

from rigwarp.errors import InputError, UsageError
from rigwarp.files import read_colour
from rigwarp.live.operate.check_pictures import PICTURES, check_picture
from rigwarp.live.operate.table_drawing import TableDrawing
from rigwarp.live.render.picture import cross_fade, fitted, reduced
from rigwarp.live.run.statistics import Counts
from rigwarp.live.sources.opening import open_source
from rigwarp.live.sources.source import FolderSource, SceneSource, load_scene
from rigwarp.live.sources.stream import StreamSource
from rigwarp.live.sources.video import VideoSource
from rigwarp.rig import Content
from rigwarp.rig.canvas import content_to_table

CONTENT = Content(
    shape="rectangle", size_mm=(200.0, 100.0), centre_mm=np.array([5.0, -5.0]), rotation_rad=0.5, pixels=(400, 200)
)
DECODERS = ["cv2", "av"]


def until(found, seconds=5.0):
    """Ask again and again until it is true: background threads take their time."""
    deadline = time.monotonic() + seconds
    while not (result := found()) and time.monotonic() < deadline:
        time.sleep(0.005)
    return result


def test_a_folder_shows_each_picture_and_fades_in_linear_light(tmp_path):
    files = []
    for name, code in (("a", 0), ("b", 255), ("c", 100)):
        files.append(tmp_path / f"{name}.png")
        cv2.imwrite(str(files[-1]), np.full((20, 40, 3), code, np.uint8))
    (tmp_path / "bad.png").write_bytes(b"no picture")
    source = FolderSource([files[0], files[1], tmp_path / "bad.png"], read_colour, (40, 20), dwell_s=10.0, fade_s=2.0)
    try:
        assert source.at(0.0).max() == 0
        assert source.at(7.0) is source.at(7.9)  # nothing changes: the same object
        # half the light of white is code 187.5 in sRGB
        assert until(lambda: abs(int(source.at(9.0)[0, 0, 0]) - 188) <= 1)
        assert until(lambda: source.at(10.5).min() == 255)
        assert source.at(25.0).min() == 255  # the unreadable one: what was there stays
        assert until(lambda: source.at(30.5).max() == 0)  # and round again
    finally:
        source.close()
    with pytest.raises(InputError, match="none of the 1"):
        FolderSource([tmp_path / "bad.png"], read_colour, (40, 20))


def test_cross_fade_ends_are_the_pictures_themselves():
    rng = np.random.default_rng(1)
    first, second = rng.integers(0, 256, (2, 30, 30, 3), dtype=np.uint8)
    np.testing.assert_array_equal(cross_fade(first, second, 0.0), first)
    np.testing.assert_array_equal(cross_fade(first, second, 1.0), second)


def test_fitting_keeps_the_aspect():
    canvas = fitted(np.full((50, 50, 3), 255, np.uint8), (40, 20))
    assert canvas.shape == (20, 40, 3)
    assert np.all(canvas[:, 10:30] == 255)
    assert not canvas[:, :9].any()


def test_resizing_keeps_the_light():
    """Lines of one pixel, black and white, have half of white's light: code 188 in sRGB, not 128."""
    lines = np.zeros((400, 400, 3), np.uint8)
    lines[:, ::2] = 255
    for small in (fitted(lines, (100, 100)), reduced(lines, 200), reduced(lines, 131)):
        assert abs(float(small[2:-2, 2:-2].mean()) - 187.5) < 1.0
    assert reduced(lines, 400) is lines
    assert reduced(lines, 131).shape == (100, 100, 3)
    thin = np.full((1, 900, 3), 77, np.uint8)
    assert np.all(reduced(thin, 100) == 77)
    rng = np.random.default_rng(2)
    tall = rng.integers(0, 256, (517, 90, 3), dtype=np.uint8)
    assert reduced(tall, 173).shape == (172, 30, 3)


def test_what_is_transparent_is_black(tmp_path):
    picture = np.full((4, 6, 4), 200, np.uint8)
    picture[:, :2, 3], picture[:, 2:4, 3], picture[:, 4:, 3] = 0, 128, 255
    cv2.imwrite(str(tmp_path / "logo.png"), picture)
    np.testing.assert_array_equal(read_colour(tmp_path / "logo.png")[0, :, 1], [0, 0, 100, 100, 200, 200])


@pytest.mark.parametrize("decoder", DECODERS)
def test_a_video_loops_without_losing_or_repeating_a_frame(tmp_path, decoder):
    """Frame numbers seen at 60 per second of the source's own time: 0 .. 29, 0 .. 29, 0 .. 29."""
    path = tmp_path / "coded.mp4"
    coded.write_video(path, 30, (160, 64))
    counts = Counts()
    source = VideoSource(path, decoder=decoder, counts=counts)
    try:
        seen = []
        for tick in range(90):
            assert source.ready(5.0)
            seen.append(coded.number_in(source.at((tick + 0.5) / coded.RATE_HZ)))
        assert seen == [tick % 30 for tick in range(90)]
        assert counts.dropped == 0
        source.at(10.25)  # a jump: frame 15 of the 21st time round
        assert until(lambda: source.ready(1.0) and coded.number_in(source.at(10.2501)) == 15)
        source.at(0.1)  # and back
        assert until(lambda: source.ready(1.0) and coded.number_in(source.at(0.1001)) == 6)
        assert source.at(0.3001) is not None
    finally:
        source.close()
    assert not any(t.name == "rigwarp-video" and t.is_alive() for t in threading.enumerate())


@pytest.mark.parametrize("decoder", DECODERS)
def test_a_starved_video_holds_its_frame_and_drops_when_late(tmp_path, decoder, monkeypatch):
    path = tmp_path / "coded.mp4"
    coded.write_video(path, 60, (160, 64))
    counts, pictures = Counts(), []
    monkeypatch.setattr(VideoSource, "_reduced", lambda _, picture: pictures.append(picture) or picture)
    source = VideoSource(path, decoder=decoder, counts=counts)
    try:
        assert source.ready(5.0)
        until(lambda: len(source._queue) == 8)
        time.sleep(0.05)
        assert len(source._queue) == 8  # bounded: no further ahead
        assert len(pictures) == 9  # the next frame is decoded, and no picture yet
        late = source.at(0.06)  # three frames are due at once
        assert coded.number_in(late) == 3
        assert counts.dropped >= 2
    finally:
        source.close()


def test_a_decoder_that_is_too_slow_leaves_frames_out_instead_of_falling_behind(tmp_path, monkeypatch):
    """60 ms a frame for a video of 60 per second, over 5 s: left alone it would be 3.6 s behind at the end."""
    path = tmp_path / "coded.mp4"
    coded.write_video(path, 600, (160, 64))
    source = VideoSource(path, decoder="cv2")
    run_through = type(source._open()).frames

    def slowly(self, from_s=0.0, **options):
        for at_s, picture in run_through(self, from_s, **options):
            time.sleep(0.06)
            yield at_s, picture

    source.close()
    monkeypatch.setattr(type(source._open()), "frames", slowly)
    source = VideoSource(path, decoder="cv2")
    try:
        start, lag = time.monotonic(), []
        while (now := time.monotonic() - start) < 5.0:
            lag.append(now - coded.number_in(source.at(now)) / coded.RATE_HZ)
            time.sleep(0.01)
        assert max(lag) > 1.5  # it does fall behind at first
        assert max(lag) < 3.0
        assert min(lag[len(lag) // 2 :]) < 1.0  # and catches up
    finally:
        source.close()


def test_a_video_that_is_none(tmp_path):
    path = tmp_path / "text.mp4"
    path.write_text("no video")
    with pytest.raises(InputError, match="cannot be read as a video"):
        VideoSource(path, decoder="cv2")
    with pytest.raises(InputError, match="no such file"):
        VideoSource(tmp_path / "none.mp4")


class FakeCamera:
    """Gives two frames, then dies; the next one opened gives brighter ones."""

    opened = 0

    def __init__(self, address):
        FakeCamera.opened += 1
        self.left, self.level = 2, 40 * FakeCamera.opened

    def isOpened(self):
        return True

    def read(self):
        self.left -= 1
        return self.left >= 0, np.full((10, 10, 3), self.level, np.uint8)

    def release(self):
        pass


def test_a_dead_stream_is_opened_again_and_its_last_frame_stays():
    counts = Counts()
    source = StreamSource("fake://", counts=counts, open_stream=FakeCamera, first_wait_s=0.01)
    try:
        assert until(lambda: source.at(0.0).max() >= 120)  # the third one
        assert counts.restarts >= 2
    finally:
        source.close()


def test_a_scene_draws_in_millimetres_and_may_fail(tmp_path, monkeypatch, caplog):
    (tmp_path / "own_scene.py").write_text(
        "def draw(time_s, table):\n"
        "    if time_s > 1:\n        raise ValueError('out of ideas')\n"
        "    table.circle((25.0, 10.0), 3.0, width_mm=None)\n"
    )
    monkeypatch.chdir(tmp_path)
    source = SceneSource(load_scene("own_scene:draw"), CONTENT)
    picture = source.at(0.5)
    v, u = np.nonzero(picture[..., 0] > 127)
    # the middle of the dot, back through the canvas: within a tenth of a pixel of 0.5 mm
    np.testing.assert_allclose(content_to_table(CONTENT, np.array([u.mean(), v.mean()])), [25.0, 10.0], atol=0.05)
    assert source.at(1.5) is picture
    assert source.at(1.6) is picture
    assert caplog.text.count("out of ideas") == 1
    with pytest.raises(UsageError, match="module:function"):
        load_scene("own_scene")
    with pytest.raises(InputError, match="own_scene:other"):
        load_scene("own_scene:other")


def test_the_grids_lines_lie_on_their_millimetres():
    """On an upright canvas with whole pixels per millimetre: bright at every 50 mm, dim at 10 mm, black between."""
    content = Content(
        shape="rectangle", size_mm=(200.0, 200.0), centre_mm=np.zeros(2), rotation_rad=0.0, pixels=(800, 800)
    )
    grid = check_picture("grid", content)
    row = grid[800 // 2 - 4 * 65, :, 2].astype(int)  # along y = 65 mm, off every circle of 50 and line of 10 mm
    to_px = lambda x: round((x / 200 + 0.5) * 800 - 0.5)  # noqa: E731
    assert all(row[to_px(x) - 1 : to_px(x) + 2].max() == 255 for x in (-50, 0, 50))
    assert all(row[to_px(x) - 1 : to_px(x) + 2].max() == 90 for x in (-30, -10, 10, 20))
    assert all(row[to_px(x)] == 0 for x in (-45, -5, 5, 15))


@pytest.mark.parametrize("name", list(PICTURES))
def test_check_pictures_fill_any_canvas(name):
    assert check_picture(name, CONTENT).shape == (200, 400, 3)
    assert check_picture(name, CONTENT).max() == 255


def test_drawing_over_a_letterboxed_picture_lands_in_the_same_place():
    """The same dot on the canvas itself and on a picture of another aspect that is fitted to it."""
    picture = np.zeros((300, 300, 3), np.uint8)
    over = TableDrawing.over(CONTENT, picture)
    spot = np.array([12.0, -8.0])
    np.testing.assert_allclose(over.to_table(over.to_pixels(spot)), spot, atol=1e-9)
    # scale 200/300 canvas pixels per picture pixel, centred: canvas (u, v) -> picture
    canvas = TableDrawing(CONTENT).to_pixels(spot)
    expected = ((canvas + 0.5) - [100.0, 0.0]) * 1.5 - 0.5
    np.testing.assert_allclose(over.to_pixels(spot), expected, atol=1e-9)


@pytest.mark.parametrize(
    ("name", "error"),
    [("check:nothing", UsageError), ("missing.png", InputError), ("missing.mp4", InputError), ("a.txt", InputError)],
)
def test_names_that_lead_nowhere(tmp_path, monkeypatch, name, error):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.txt").write_text("text")
    with pytest.raises(error):
        open_source(name, CONTENT)
