"""Corners found in photographs of a board, against OpenCV's projection of where they are."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rigwarp.camera import board_corners_mm, detect_board
from rigwarp.errors import InputError

CORNER_RMS_PX = 0.05  # per axis; structured_light.md reports 0.02 px for clean and 0.04 px for unrefined corners


@pytest.fixture(scope="module")
def sharp(photograph, board_poses):
    return photograph(*board_poses[1])


def _error_px(view, target, seen_by_opencv, pose):
    expected = seen_by_opencv(board_corners_mm(target)[view.ids], *pose)
    return np.sqrt(np.mean((view.image_px - expected) ** 2))


def test_corners_to_hundredths_of_a_pixel(sharp, exposed, target, seen_by_opencv, board_poses):
    view = detect_board(exposed(sharp, np.random.default_rng(1)), target)
    assert view.n >= 50
    assert view.resolution == (1280, 720)
    assert _error_px(view, target, seen_by_opencv, board_poses[1]) < CORNER_RMS_PX
    np.testing.assert_allclose(view.object_mm, board_corners_mm(target)[view.ids])


def test_a_dark_16_bit_photo_of_low_contrast(sharp, target, seen_by_opencv, board_poses):
    """Codes 512 + 4 x, noise 12 codes: an eighth-bit photo would have 3 levels between black and white."""
    noise = np.random.default_rng(2).normal(0.0, 12.0, sharp.shape)
    photo = (512.0 + 4.0 * sharp + noise).round().astype(np.uint16)
    view = detect_board(photo, target)
    assert view.n >= 50
    assert _error_px(view, target, seen_by_opencv, board_poses[1]) < CORNER_RMS_PX


def test_a_blurred_photo(photograph, exposed, target, seen_by_opencv, board_poses):
    photo = exposed(photograph(*board_poses[1], blur_px=2.5), np.random.default_rng(3))
    view = detect_board(photo, target)
    assert view.n >= 30
    assert _error_px(view, target, seen_by_opencv, board_poses[1]) < 2 * CORNER_RMS_PX


def test_a_board_small_in_the_picture(photograph, exposed, target, seen_by_opencv):
    """Squares of 19 px: a marker's cell is 2 px wide."""
    pose = (np.eye(3), np.array([-180.0, -126.0, 2000.0]))
    view = detect_board(exposed(photograph(*pose), np.random.default_rng(4)), target)
    assert view.n >= 40
    assert _error_px(view, target, seen_by_opencv, pose) < 2 * CORNER_RMS_PX


def test_uneven_light(sharp, exposed, target, seen_by_opencv, board_poses):
    shade = np.linspace(0.12, 1.1, sharp.shape[1])
    view = detect_board(exposed(sharp * shade, np.random.default_rng(5)), target)
    assert view.n >= 45
    assert _error_px(view, target, seen_by_opencv, board_poses[1]) < 2 * CORNER_RMS_PX


def test_gamma_coding_does_not_move_corners(sharp, exposed, target, seen_by_opencv, board_poses):
    """Where two black and two white squares meet, growing all the white ones moves nothing: a symmetry."""
    coded = 255.0 * (sharp / 255.0) ** (1.0 / 2.2)
    view = detect_board(exposed(coded, np.random.default_rng(6)), target)
    assert _error_px(view, target, seen_by_opencv, board_poses[1]) < CORNER_RMS_PX


def test_a_board_cut_by_the_picture_s_edge(photograph, exposed, target, seen_by_opencv):
    pose = (np.eye(3), np.array([-20.0, -126.0, 500.0]))
    view = detect_board(exposed(photograph(*pose), np.random.default_rng(7)), target)
    assert 20 <= view.n < 54
    assert _error_px(view, target, seen_by_opencv, pose) < CORNER_RMS_PX


def test_both_layouts(photograph, exposed, board_poses, target, seen_by_opencv):
    """An even number of rows tells the two layouts apart; ours has 7, so the corner set must not depend on it."""
    old = detect_board(exposed(photograph(*board_poses[1], legacy=True), np.random.default_rng(8)), target)
    assert old.n >= 50
    assert _error_px(old, target, seen_by_opencv, board_poses[1]) < CORNER_RMS_PX


def test_an_old_print_with_an_even_number_of_rows(target):
    even = replace(target, squares=(9, 6))
    board = cv2.aruco.CharucoBoard((9, 6), 36.0, 27.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250))
    board.setLegacyPattern(True)
    photo = cv2.GaussianBlur(board.generateImage((1000, 680), marginSize=40), (0, 0), 0.8)
    view = detect_board(photo, even)
    assert view.n == 40
    assert view.legacy


def test_nothing_there(target):
    view = detect_board(np.random.default_rng(9).integers(0, 255, (300, 400)).astype(np.uint8), target)
    assert view.n == 0
    assert not view.mirrored
    assert detect_board(np.full((300, 400), 7, np.uint8), target).n == 0


def test_a_mirrored_photo_is_named_as_such(sharp, exposed, target):
    view = detect_board(exposed(sharp, np.random.default_rng(10))[:, ::-1], target)
    assert view.n == 0
    assert view.mirrored


def test_only_grey_photos(target):
    with pytest.raises(InputError, match="grey"):
        detect_board(np.zeros((10, 10, 3), np.uint8), target)
    with pytest.raises(InputError, match="grey"):
        detect_board(np.zeros((10, 10)), target)
