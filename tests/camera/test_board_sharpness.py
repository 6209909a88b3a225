"""The blur of a photographed board against the blur that was put into the photograph."""

import cv2
import numpy as np
import pytest

from rigwarp.camera import detect_board
from rigwarp.camera.boards.board_sharpness import board_blur_px


@pytest.fixture(scope="module")
def photo(photograph, board_poses):
    """A nearly sharp photo: 0.7 px of blur by itself."""
    return photograph(*board_poses[3])


@pytest.mark.parametrize("more_px", [0.0, 1.0, 2.0])
def test_blur_adds_up_in_squares(photo, target, more_px):
    """Gaussians convolve: sqrt(0.7^2 + more^2), and about 0.5 px for pixels and slopes from neighbours."""
    grey = np.rint(cv2.GaussianBlur(photo, (0, 0), more_px) if more_px else photo).clip(0, 255).astype(np.uint8)
    found = board_blur_px(grey, detect_board(grey, target))
    assert found == pytest.approx(np.sqrt(0.7**2 + more_px**2 + 0.5**2), rel=0.15)


def test_motion_along_one_direction_counts(photo, target):
    """Edges along the motion stay sharp; a box of 9 px along the rows makes upright ones 9 / sqrt(2 pi) = 3.6 px."""
    grey = cv2.blur(photo, (9, 1)).clip(0, 255).astype(np.uint8)
    view = detect_board(photo.clip(0, 255).astype(np.uint8), target)
    assert 2.0 < board_blur_px(grey, view) < 4.2


def test_contrast_does_not_matter(photo, target):
    bright = photo.clip(0, 255).astype(np.uint8)
    dim = (photo * 0.3 + 20).clip(0, 255).astype(np.uint16) * 100
    view = detect_board(bright, target)
    assert board_blur_px(dim, view) == pytest.approx(board_blur_px(bright, view), rel=0.05)


def test_no_board_no_blur(target):
    blank = np.full((720, 1280), 90, np.uint8)
    assert np.isnan(board_blur_px(blank, detect_board(blank, target)))
