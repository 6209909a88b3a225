"""From rendered photographs to a camera: the whole room, on pictures made by OpenCV's warps."""

import numpy as np
import pytest

from rigwarp.camera import board_to_table, calibrate_lens_from_views, detect_board, locate_table_from_view
from rigwarp.errors import InputError, MeasurementError

TABLE_MM = 0.05  # a tenth of a camera pixel on the table


@pytest.fixture(scope="module")
def photos(photograph, exposed, board_poses):
    rng = np.random.default_rng(50)
    return [exposed(photograph(*pose), rng) for pose in board_poses[:10]]


@pytest.fixture(scope="module")
def table_photo(photograph, exposed, table_pose, target):
    """The sheet on the table: its pose in the camera's frame follows from three of its points on the table."""
    R, t = table_pose
    origin, right, down = board_to_table(np.array([[0.0, 0, 0], [1.0, 0, 0], [0, 1.0, 0]]), target, height_mm=0.0)
    axes = np.stack([right - origin, down - origin, np.cross(right - origin, down - origin)], axis=-1)
    return exposed(photograph(R @ axes, R @ origin + t), np.random.default_rng(51))


@pytest.fixture(scope="module")
def lens(photos, target):
    return calibrate_lens_from_views([detect_board(photo, target) for photo in photos])


def test_lens_within_its_own_sigma(lens, true_lens):
    assert lens.rejected == ()
    assert lens.rms_px < 0.07
    assert np.abs((lens.lens - true_lens)[:4] / lens.sigmas[:4]).max() < 4.0
    assert lens.sigmas[0] < 0.5  # px: ten photos of 54 corners at 0.03 px


def test_positions_on_the_table(lens, table_photo, target, table_pose, seen_by_opencv):
    camera = locate_table_from_view(detect_board(table_photo, target), lens, target, height_mm=0.0).camera
    grid = np.stack(np.meshgrid(np.linspace(-150, 150, 5), np.linspace(-100, 100, 5), [0.0]), axis=-1).reshape(-1, 3)
    off = camera.to_plane(seen_by_opencv(grid, *table_pose), 0.0) - grid[:, :2]
    assert np.linalg.norm(off, axis=-1).max() < TABLE_MM


def test_a_photo_without_a_board_is_named(photos, target):
    shown = [*photos[:4], np.full_like(photos[0], 90)]
    lens = calibrate_lens_from_views([detect_board(photo, target) for photo in shown])
    assert lens.used == (0, 1, 2, 3)
    assert lens.rejected == ((4, "0 corners of the board found, 6 needed"),)


def test_a_table_without_a_sheet(photos, lens, target):
    with pytest.raises(MeasurementError, match="0 corners of the sheet"):
        locate_table_from_view(detect_board(np.full_like(photos[0], 90), target), lens, target, height_mm=0.0)


def test_a_photo_of_another_size(table_photo, lens, target):
    with pytest.raises(InputError, match="1280 x 700"):
        locate_table_from_view(detect_board(table_photo[:700], target), lens, target, height_mm=0.0)
