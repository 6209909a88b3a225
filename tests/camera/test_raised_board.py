"""A board over the table, located by the sheet on it: corners by OpenCV's projection, errors by similar triangles."""

from dataclasses import replace

import numpy as np
import pytest

from rigwarp.camera import board_corners_mm, board_to_table
from rigwarp.camera.table.raised_board import locate_board
from rigwarp.errors import MeasurementError

HEIGHT_MM, NOISE_PX = 0.1, 0.03


@pytest.fixture(scope="module")
def on_board(target, table_pose, seen_by_opencv, view_of):
    """A function: the view of the sheet lying anywhere on a board z = rise + slope . (x, y)."""
    board = board_corners_mm(target)

    def view(rise_mm, slope=(0.0, 0.0), place=(20.0, -15.0)):
        here = replace(target, centre_mm=np.array(place), rotation_rad=0.4)
        points = board_to_table(board, here, height_mm=HEIGHT_MM)
        # slopes of a hundredth shorten lengths by 1 / 20 000: 0.01 mm over the sheet
        points = points + np.outer(rise_mm + points[:, :2] @ np.array(slope), [0.0, 0.0, 1.0])
        image = seen_by_opencv(points, *table_pose)
        noise = np.random.default_rng(7).normal(0.0, NOISE_PX, image.shape)
        return view_of(board, image + noise)

    return view


def test_height_and_slope_of_a_board(camera, on_board, target):
    exact = replace(camera, covariance=None)
    found = locate_board(on_board(60.0, (0.006, -0.004)), exact, target, sheet_height_mm=HEIGHT_MM)
    assert found.rise_sigma_mm < 0.15
    assert float(found.rise_at(np.zeros(2))) == pytest.approx(60.0, abs=3.0 * found.rise_sigma_mm)
    np.testing.assert_allclose(found.slope, [0.006, -0.004], atol=4.0 * found.slope_sigma.max())
    np.testing.assert_allclose(found.middle_mm, [20.0, -15.0], atol=0.2)


def test_the_camera_over_the_board_sees_the_same(camera, on_board, target):
    """Places on the board by its own camera, taken to the table, are where the table's camera meets the board."""
    board = locate_board(on_board(60.0, (0.01, 0.02)), camera, target, sheet_height_mm=HEIGHT_MM)
    pixels = np.array([[500.0, 300.0], [800.0, 500.0]])
    over = board.camera_over(camera, height_mm=5.0)
    xy = board.to_table(over.to_plane(pixels, 0.0), height_mm=5.0)
    spots = np.column_stack([xy, 5.0 + board.rise_at(xy)])
    np.testing.assert_allclose(camera.project(spots), pixels, atol=1e-6)  # px


def test_a_wrong_focal_length_counts_by_the_rise_alone(camera, on_board, target):
    """Similar triangles: a focal length 0.2 % too long makes all distances 0.2 % longer, the rise of 60 mm by 0.12."""
    view, share = on_board(60.0), 0.002
    exact = replace(camera, covariance=None)
    alone = locate_board(view, exact, target, sheet_height_mm=HEIGHT_MM)
    error = np.zeros(15)
    error[:2] = share * camera.lens[:2]
    unsure = replace(camera, covariance=np.outer(error, error))
    with_it = locate_board(view, unsure, target, sheet_height_mm=HEIGHT_MM)
    grown = np.sqrt(with_it.rise_sigma_mm**2 - alone.rise_sigma_mm**2)
    # the sheet lies askew to the camera, and the lens is distorted: a quarter of it
    assert grown == pytest.approx(share * 60.0, rel=0.25)


def test_a_shifted_camera_moves_both_sheets(camera, on_board, target):
    """A camera 1 mm from where it is thought to be is as far from the table as from the board."""
    error = np.zeros(15)
    error[14] = 1.0
    view = on_board(60.0)
    alone = locate_board(view, replace(camera, covariance=None), target, sheet_height_mm=HEIGHT_MM)
    with_it = locate_board(view, replace(camera, covariance=np.outer(error, error)), target, sheet_height_mm=HEIGHT_MM)
    assert with_it.rise_sigma_mm == pytest.approx(alone.rise_sigma_mm, abs=0.01)


def test_boards_that_cannot_be_used(camera, on_board, target, view_of):
    with pytest.raises(MeasurementError, match="Level the board"):
        locate_board(on_board(60.0, (0.1, 0.0)), camera, target, sheet_height_mm=HEIGHT_MM)
    hardly = view_of(board_corners_mm(target)[:8], np.zeros((8, 2)))
    with pytest.raises(MeasurementError, match="corners found"):
        locate_board(hardly, camera, target, sheet_height_mm=HEIGHT_MM)
