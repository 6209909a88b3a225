"""A crooked board: our bow against OpenCV's calibrateCameraRO, which lets every corner be anywhere."""

import numpy as np
import pytest

from rigwarp.camera import board_corners_mm, calibrate_lens_from_views
from rigwarp.camera.boards.released_board import released_board

NOISE_PX = 0.03


@pytest.fixture(scope="module")
def whole_views(target, board_poses, seen_by_opencv, view_of):
    """A function: views of a board with given heights (N,), each with all corners in it."""
    board = board_corners_mm(target)

    def make(height_mm):
        rng = np.random.default_rng(50)
        bent = board + np.column_stack([np.zeros((len(board), 2)), height_mm])
        views = []
        for R, t in board_poses:
            image = seen_by_opencv(bent, R, t + np.array([0.0, 0.0, 160.0]))  # farther away: all of it in the picture
            views.append(view_of(board, image + rng.normal(0.0, NOISE_PX, image.shape)))
        return views

    return make


def _bow(target):
    board = board_corners_mm(target)
    x, y = (board[:, :2] - board[:, :2].mean(axis=0)).T
    return 0.8 * (x**2 - 0.4 * y**2) / np.hypot(180.0, 126.0) ** 2


def test_both_ways_find_the_same_bow(whole_views, target, true_lens):
    height = _bow(target)
    views = whole_views(height)
    lens = calibrate_lens_from_views(views)
    found = released_board(views, lens.lens, lens.sigmas, corners=54)
    assert found.views == len(views)
    plane = np.column_stack([board_corners_mm(target)[:, :2], np.ones(54)])
    off = height - plane @ np.linalg.lstsq(plane, height, rcond=None)[0]
    assert found.bow_mm == pytest.approx(np.ptp(off), abs=0.1)  # each corner's height is good to 0.03 mm
    assert found.beyond_bow_mm < 0.06
    # the lens fit with five terms for the print agrees with 160 free coordinates
    assert found.focal_apart < 4.0
    np.testing.assert_allclose(found.focal_px, true_lens[:2], atol=3.0)
    assert found.warnings == ()


def test_a_lifted_corner_is_no_bow(whole_views, target):
    """A board whose corner is bent up by 4 mm behind a crease: neither bowl nor saddle."""
    board = board_corners_mm(target)
    beyond = np.maximum((board[:, 0] / 324.0 + board[:, 1] / 216.0) - 1.3, 0.0)
    height = 4.0 * beyond / beyond.max()
    views = whole_views(height)
    lens = calibrate_lens_from_views(views)
    found = released_board(views, lens.lens, lens.sigmas, corners=54)
    assert found.beyond_bow_mm > 0.15
    assert "crooked" in found.warnings[0]


def test_few_whole_photos_give_no_second_opinion(whole_views, target):
    views = whole_views(np.zeros(54))
    lens = calibrate_lens_from_views(views)
    assert released_board(views[:5], lens.lens, lens.sigmas, corners=54) is None
