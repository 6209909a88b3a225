"""The board's corners and where they lie on the table."""

from dataclasses import replace

import numpy as np
import pytest

from rigwarp.camera import board_corners_mm, board_to_table, charuco_board
from rigwarp.errors import InputError


def test_corners_are_opencvs_times_the_printed_scale(target):
    expected = charuco_board(target).getChessboardCorners() * np.array([0.998, 1.001, 1.0])
    np.testing.assert_allclose(board_corners_mm(target), expected, rtol=1e-6)  # OpenCV keeps them as float32


def test_printed_top_edge_lies_towards_plus_y(target):
    straight = replace(target, rotation_rad=0.0, scale=(1.0, 1.0), centre_mm=np.array([10.0, 20.0]))
    top_left, bottom_right = np.array([[0.0, 0.0, 0.0], [360.0, 252.0, 0.0]])
    np.testing.assert_allclose(board_to_table(top_left, straight, height_mm=3.0), [10 - 180, 20 + 126, 3.0])
    np.testing.assert_allclose(board_to_table(bottom_right, straight, height_mm=3.0), [10 + 180, 20 - 126, 3.0])


def test_scale_grows_the_sheet_about_its_centre(target):
    middle = np.array([180.0 * 0.998, 126.0 * 1.001, 0.0])
    np.testing.assert_allclose(board_to_table(middle, target, height_mm=0.0), [12.0, -7.0, 0.0], atol=1e-12)


def test_rotation_is_counter_clockwise_seen_from_above(target):
    turned = replace(target, rotation_rad=np.pi / 2, scale=(1.0, 1.0), centre_mm=np.zeros(2))
    right_edge = np.array([360.0, 126.0, 0.0])
    np.testing.assert_allclose(board_to_table(right_edge, turned, height_mm=0.0), [0.0, 180.0, 0.0], atol=1e-12)


def test_sheet_to_table_is_a_rigid_motion(target):
    points = board_corners_mm(target)
    on_table = board_to_table(points, target, height_mm=4.0)
    distances = np.linalg.norm(points[:, None] - points[None], axis=-1)
    np.testing.assert_allclose(np.linalg.norm(on_table[:, None] - on_table[None], axis=-1), distances, atol=1e-9)


@pytest.mark.parametrize("name", ["DICT_9X9_50", "charuco", "CORNER_REFINE_NONE"])
def test_unknown_dictionary(target, name):
    with pytest.raises(InputError, match="dictionary"):
        charuco_board(replace(target, dictionary=name))


def test_dictionary_with_too_few_markers(target):
    with pytest.raises(InputError, match="larger dictionary"):
        charuco_board(replace(target, squares=(30, 20), dictionary="DICT_4X4_50"))
