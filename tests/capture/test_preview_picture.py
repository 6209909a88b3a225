"""The preview as a picture: what is drawn where, judged by its pixels."""

from dataclasses import replace

import numpy as np
import pytest

from rigwarp.camera import BoardView
from rigwarp.capture.preview.drawing import hatch, text_width, wrapped, write
from rigwarp.capture.preview.picture import (
    BOARD,
    BURNT,
    CAUTION,
    CONTENT,
    GOOD,
    SIZE,
    PreviewState,
    burnt_pixels,
    compose,
    picture_place,
)

PLAIN = PreviewState(title="Camera", prompt="Aim")
GREY = np.full((540, 960), 100, np.uint8)


def near(picture, colour, tolerance=25):
    """(H, W) where the picture has a colour, nearly."""
    return np.abs(picture.astype(int) - colour).max(axis=-1) <= tolerance


def camera_part(picture, shape=(540, 960)):
    left, top, scale = picture_place(shape)
    return picture[top : top + round(shape[0] * scale), left : left + round(shape[1] * scale)]


def test_the_camera_picture_is_there_and_undistorted():
    """A bright square of 200 camera pixels at a known place."""
    photo = GREY.copy()
    photo[100:300, 400:600] = 200
    shown = camera_part(compose(photo, PLAIN))
    rows, columns = np.nonzero(shown[..., 0] > 150)
    scale = picture_place(photo.shape)[2]
    assert rows.min() == pytest.approx(100 * scale, abs=1)
    assert rows.max() == pytest.approx(300 * scale, abs=1)
    assert columns.min() == pytest.approx(400 * scale, abs=1)
    assert columns.max() == pytest.approx(600 * scale, abs=1)
    assert compose(photo, PLAIN).shape == (SIZE[1], SIZE[0], 3)


@pytest.mark.parametrize("shape", [(1080, 1920), (480, 640), (1200, 900)])
def test_any_aspect_fits(shape):
    left, top, scale = picture_place(shape)
    assert left >= 0
    assert top + shape[0] * scale <= 620
    assert left + shape[1] * scale <= 962
    assert compose(np.zeros(shape, np.uint16), PLAIN).shape == (720, 1280, 3)


def test_burnt_places_are_hatched_and_nothing_else():
    photo = GREY.copy()
    photo[200:300, 200:400] = 255
    shown = camera_part(compose(photo, PLAIN))
    scale = picture_place(photo.shape)[2]
    inside = near(shown, BURNT)[round(202 * scale) : round(298 * scale), round(202 * scale) : round(398 * scale)]
    assert inside.mean() == pytest.approx(0.4, abs=0.03)  # four tenths of each period
    outside = near(shown, BURNT)
    outside[round(198 * scale) : round(302 * scale), round(198 * scale) : round(402 * scale)] = False
    assert not outside.any()


def test_a_single_burnt_pixel_is_not_lost():
    photo = np.zeros((1080, 1920), np.uint8)
    photo[501, 703] = 255
    assert burnt_pixels(photo, (944, 531)).sum() >= 1
    deep = np.zeros((1080, 1920), np.uint16)
    deep[501, 703] = 65535
    assert burnt_pixels(deep, (944, 531)).sum() >= 1


def test_board_and_outline_are_drawn_where_they_are():
    corners = np.array([[300.0, 200.0], [500.0, 200.0], [500.0, 350.0], [300.0, 350.0]])
    view = BoardView(
        resolution=(960, 540),
        ids=np.arange(4),
        object_mm=np.zeros((4, 3)),
        image_px=corners,
        size_mm=(1.0, 1.0),
        square_px=np.full(4, 50.0),
        legacy=False,
        mirrored=False,
    )
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    outline = np.column_stack([480 + 200 * np.cos(angle), 270 + 200 * np.sin(angle)])
    outline[5] = np.nan  # a place the camera cannot see parts the line
    shown = camera_part(compose(GREY, replace(PLAIN, view=view, outline_px=outline)))
    scale = picture_place(GREY.shape)[2]
    for u, v in corners:
        around = near(shown, BOARD, 60)[round(v * scale) - 6 : round(v * scale) + 7, round(u * scale) - 6 :][:, :13]
        assert around.sum() >= 4
    rows, columns = np.nonzero(near(shown, CONTENT, 40))
    radius = np.hypot(columns / scale - 480, rows / scale - 270)
    assert radius.size > 500
    assert np.abs(radius - 200).max() < 4.0


def test_cells_without_a_shot_are_hatched():
    cells = np.ones((6, 8), int)
    cells[0, 0] = cells[5, 7] = 0
    shown = camera_part(compose(GREY, replace(PLAIN, cells=cells))).astype(int)
    yellow = shown[..., 0] - shown[..., 2] > 20
    height, width = yellow.shape
    assert yellow[5 : height // 6 - 5, 5 : width // 8 - 5].mean() > 0.25
    assert yellow[-height // 6 + 5 : -5, -width // 8 + 5 : -5].mean() > 0.25
    assert yellow[height // 6 + 5 : -height // 6 - 5].sum() == 0


def test_the_count_down_fills_its_ring():
    def green(left_s):
        return near(compose(GREY, replace(PLAIN, left_s=left_s, hold_s=1.5)), GOOD, 30)[:, 830:960].sum()

    assert green(1.4) < green(0.8) < green(0.1)
    full = green(0.0)
    assert green(0.75) == pytest.approx(full / 2, rel=0.1)


def test_the_meter_shows_the_brightest():
    """The bar's upper end: 260 px stand for full scale."""

    def bar_top(level):
        photo = np.full((540, 960), level, np.uint8)
        photo[:270] = 20
        column = compose(photo, PLAIN)[84:344, 976 + 22]
        return np.flatnonzero(near(column[None], (232, 226, 214))[0])[0]

    assert bar_top(204) == pytest.approx(0.2 * 260, abs=2)
    assert bar_top(102) == pytest.approx(0.6 * 260, abs=2)


def test_a_warning_has_another_colour():
    edge = slice(640, 700), slice(16, 22)
    assert near(compose(GREY, PLAIN)[edge], GOOD).all()
    assert near(compose(GREY, replace(PLAIN, urgent=True))[edge], CAUTION).all()


def test_words_stay_in_their_column():
    state = replace(PLAIN, lines=("a line that is much too long for the column at the right of the picture " * 3,))
    picture = compose(GREY, state)
    assert near(picture[:, -10:], (24, 26, 30), 3)[:620].all()
    assert all(text_width(line, 24) <= 280 for line in wrapped("words " * 60, 24, 280))


def test_text_is_cut_at_the_rim():
    picture = np.zeros((20, 30, 3), np.uint8)
    write(picture, (-5, -4), "wide words", size=30, colour=(255, 255, 255))
    write(picture, (25, 15), "wide words", size=30, colour=(255, 255, 255))
    write(picture, (400, 400), "gone", size=30, colour=(255, 255, 255))
    assert picture.any()


def test_hatching_leans_as_told():
    rising = np.zeros((40, 40, 3), np.uint8)
    hatch(rising, np.ones((40, 40), bool), (255, 255, 255), rising=True)
    falling = np.zeros((40, 40, 3), np.uint8)
    hatch(falling, np.ones((40, 40), bool), (255, 255, 255), rising=False)
    assert (rising[1:, :-1] == rising[:-1, 1:]).all()  # constant along u + v
    assert (falling[1:, 1:] == falling[:-1, :-1]).all()  # constant along u - v
