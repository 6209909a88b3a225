"""OpenCV's two layouts of boards with an even number of rows, drawn by OpenCV itself; and other boards than said."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rigwarp.camera import charuco_board, detect_board
from rigwarp.camera.boards.layout import decide_layout

SQUARE_PX, MARGIN_PX = 60, 30


@pytest.fixture(scope="module")
def odd_by_even(target):
    """9 columns, 6 rows: the old layout is the new one moved by a square, but for the rows' ends."""
    return replace(target, squares=(9, 6))


def _photo(target, *, layout, columns=None):
    """The board seen from above, its last columns cut away."""
    width, height = (n * SQUARE_PX for n in target.squares)
    board = charuco_board(replace(target, layout=layout))
    photo = board.generateImage((width + 2 * MARGIN_PX, height + 2 * MARGIN_PX), marginSize=MARGIN_PX)
    photo = cv2.GaussianBlur(photo, (0, 0), 0.8)
    return photo if columns is None else photo[:, : MARGIN_PX + int(columns * SQUARE_PX)]


def _corner_off_px(view):
    """Where corners are, against where they were drawn."""
    inner = round(view.size_mm[0] / 36.0 / 0.998) - 1
    drawn = MARGIN_PX - 0.5 + SQUARE_PX * (np.stack([view.ids % inner, view.ids // inner], axis=-1) + 1.0)
    return np.abs(view.image_px - drawn).max()


@pytest.mark.parametrize("layout", ["new", "old"])
def test_a_whole_board_tells_its_layout(odd_by_even, layout):
    view = detect_board(_photo(odd_by_even, layout=layout), odd_by_even)
    assert (view.n, view.legacy) == (40, layout == "old")
    assert _corner_off_px(view) < 0.5
    assert decide_layout([view.layout_votes]) == layout


@pytest.mark.parametrize("layout", ["new", "old"])
def test_all_corners_of_boards_with_even_columns(target, layout):
    even = replace(target, squares=(10, 6))
    view = detect_board(_photo(even, layout=layout), even)
    assert view.n == 45
    assert _corner_off_px(view) < 0.5


def test_without_the_last_column_only_the_other_photographs_tell(odd_by_even):
    """Read by itself the old board's part would be a square off; asked for the old layout it is not."""
    part = _photo(odd_by_even, layout="old", columns=7.6)
    alone = detect_board(part, odd_by_even)
    assert alone.layout_votes[0] == alone.layout_votes[1] > 10
    assert decide_layout([alone.layout_votes]) is None
    whole = detect_board(_photo(odd_by_even, layout="old"), odd_by_even)
    assert decide_layout([alone.layout_votes, whole.layout_votes]) == "old"
    told = detect_board(part, replace(odd_by_even, layout="old"))
    assert told.n > 25
    assert _corner_off_px(told) < 0.5
    assert _corner_off_px(alone) == pytest.approx(SQUARE_PX, abs=0.5)


@pytest.mark.parametrize("layout", ["new", "old"])
def test_mirrored_and_negative_photographs_of_both_layouts(odd_by_even, layout):
    photo = _photo(odd_by_even, layout=layout)
    mirrored = detect_board(photo[:, ::-1], odd_by_even)
    assert mirrored.mirrored
    negative = detect_board(255 - photo, odd_by_even)
    assert (mirrored.n, negative.n) == (0, 0)
    assert "in negative" in negative.oddity


def test_exchanged_rows_and_columns(target):
    view = detect_board(_photo(target, layout="new"), replace(target, squares=(7, 10)))
    assert view.n == 0
    assert "squares = [10, 7]" in view.oddity


@pytest.mark.parametrize(("layout", "said"), [("new", "old"), ("old", "new")])
def test_a_board_in_the_other_layout_than_said(odd_by_even, layout, said):
    view = detect_board(_photo(odd_by_even, layout=layout), replace(odd_by_even, layout=said))
    assert view.n == 0
    assert f'layout = "{layout}"' in view.oddity
