"""A camera that was nudged, a sheet that was slid: corners by OpenCV's projection, motions known."""

import cv2
import numpy as np
import pytest

from rigwarp.camera import board_corners_mm, board_to_table
from rigwarp.camera.table.field_of_view import content_in_view, content_outline_px, content_pixels
from rigwarp.camera.table.sheet_move import sheet_move
from rigwarp.geometry import rotation_from_vector
from rigwarp.rig.model import Content

HEIGHT_MM = 0.1
NOISE_PX = 0.04
STILL = np.zeros(6)
CONTENT = Content(shape="circle", size_mm=(400.0, 400.0), centre_mm=np.zeros(2), rotation_rad=0.0, pixels=(400, 400))


@pytest.fixture(scope="module")
def seen(target, table_pose, seen_by_opencv, view_of):
    """A function: the view of a sheet that moved by (shift mm, turn rad) about its middle, by a camera that did too."""
    board = board_corners_mm(target)
    lying = board_to_table(board, target, height_mm=HEIGHT_MM)
    middle = np.array([*target.centre_mm, HEIGHT_MM])
    R, t = table_pose

    def view(*, sheet=STILL, camera=STILL, rng=None):
        points = (lying - middle) @ rotation_from_vector(sheet[3:]).T + sheet[:3] + middle
        turned = rotation_from_vector(camera[3:]) @ R
        image = seen_by_opencv(points, turned, rotation_from_vector(camera[3:]) @ t + camera[:3])
        noise = 0.0 if rng is None else rng.normal(0.0, NOISE_PX, image.shape)
        return view_of(board, image + noise)

    return view


def moved(view, camera, target):
    return sheet_move(view, camera, target, CONTENT, sheet_height_mm=HEIGHT_MM, height_mm=0.0)


def test_a_sheet_that_slid_is_measured_in_the_tables_plane(camera, seen, target):
    motion = np.array([1.5, -2.0, 0.0, 0.0, 0.0, np.radians(0.4)])
    found = moved(seen(sheet=motion, rng=np.random.default_rng(1)), camera, target)
    pulls = (np.concatenate([found.shift_mm, found.turn_rad]) - motion) / np.concatenate(
        [found.shift_sigma_mm, found.turn_sigma_rad]
    )
    assert np.abs(pulls).max() < 4.0
    assert found.chi_squared > 1000.0
    assert found.lift_chi_squared < 30.0


def test_a_nudged_camera_lifts_and_tilts_the_sheet(camera, seen, target):
    """0.1 degrees about the camera's x axis at 720 mm: positions wrong by more than 720 tan(0.1 deg) = 1.26 mm."""
    nudge = np.array([0.0, 0.0, 0.0, np.radians(0.1), 0.0, 0.0])
    view = seen(camera=nudge, rng=np.random.default_rng(2))
    found = moved(view, camera, target)
    assert found.lift_chi_squared > 20.0
    assert 1.26 < found.off_mm < 2.5
    # the same by the whole chain: a place on the table, seen by the nudged camera, believed of the old one
    R, t = camera.R_camera_from_table, camera.t_camera_from_table_mm
    edge = np.array([[0.0, 200.0, 0.0], [0.0, -200.0, 0.0]])
    turn = rotation_from_vector(nudge[3:])
    pixel = cv2.projectPoints(edge, cv2.Rodrigues(turn @ R)[0], turn @ t, camera.matrix, camera.distortion)[0].reshape(
        -1, 2
    )
    off = np.linalg.norm(camera.to_plane(pixel, 0.0) - edge[:, :2], axis=-1)
    assert found.off_mm == pytest.approx(off.max(), abs=0.15)


def test_a_cropped_picture_is_told_from_a_motion(camera, seen, target, view_of):
    """A driver that shows a part of the sensor in as many pixels takes each corner from p to s p + c."""
    still, board = seen(rng=np.random.default_rng(5)), board_corners_mm(target)
    for factor in (1.25, 1.04, 0.9):
        found = moved(view_of(board, factor * still.image_px + [-150.0, -80.0]), camera, target)
        assert found.magnified == pytest.approx(factor, abs=1e-3)
        assert found.only_magnified
    nearer = np.array([0.0, 0.0, -60.0, 0.0, 0.0, 0.0])  # along its axis: a factor, but for the perspective
    for motion in ({"camera": nearer}, {"camera": -nearer}, {"sheet": np.array([20.0, 5.0, 0.0, 0.0, 0.0, 0.1])}):
        assert moved(seen(**motion, rng=np.random.default_rng(6)), camera, target).magnified is None


def test_chance_motions_have_the_chi_squared_they_should(camera, seen, target):
    """Mean 6, half of it for a pose without noise of its own; what light does to corners is part of the budget."""
    rng = np.random.default_rng(3)
    found = [moved(seen(rng=rng), camera, target) for _ in range(24)]
    mean = np.mean([f.chi_squared for f in found])
    # 54 corners with 0.005 px in common beside 0.04 px each: 6 / 2 / (1 + 54 / 64) = 1.6
    assert mean == pytest.approx(6 / 2 / (1 + 54 * (0.005 / NOISE_PX) ** 2), rel=0.3)
    assert max(f.chi_squared for f in found) < 60.0
    assert max(f.off_mm for f in found) < 0.1


def test_no_sheet_no_verdict(camera, seen, target, view_of):
    nothing = view_of(board_corners_mm(target), np.full((54, 2), -100.0))
    assert moved(nothing, camera, target) is None


def test_content_in_view_against_counting_pixels(camera):
    """All of a 400 mm circle 720 mm away is in the picture; of a 900 mm one, the part whose pixels can be counted."""
    assert content_in_view(camera, CONTENT, 0.0).share == 1.0
    assert content_in_view(camera, CONTENT, 0.0).margin_px > 0.0
    wide = Content(shape="rectangle", size_mm=(900.0, 900.0), centre_mm=np.zeros(2), rotation_rad=0.3, pixels=(9, 9))
    found = content_in_view(camera, wide, 0.0)
    rng = np.random.default_rng(4)
    points = rng.uniform(-450.0, 450.0, (40000, 2)) @ np.array(
        [[np.cos(0.3), np.sin(0.3)], [-np.sin(0.3), np.cos(0.3)]]
    )
    R, t = camera.R_camera_from_table, camera.t_camera_from_table_mm
    pixel = cv2.projectPoints(
        np.column_stack([points, np.zeros(len(points))]), cv2.Rodrigues(R)[0], t, camera.matrix, camera.distortion
    )[0].reshape(-1, 2)
    inside = np.all((pixel > -0.5) & (pixel < [1279.5, 719.5]), axis=-1).mean()
    assert found.share == pytest.approx(inside, abs=0.015)  # a grid of 81 points against random ones
    assert found.margin_px < 0.0


def test_content_pixels_fill_the_outline(camera):
    """Shoelace area of the outline against the pixels counted."""
    outline = content_outline_px(camera, CONTENT, 0.0)
    x, y = outline.T
    area = 0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    assert content_pixels(camera, CONTENT, 0.0).sum() == pytest.approx(area, rel=0.01)
