"""More sheets on a table that is, or is not, flat: positions by OpenCV's projection, heights and tilts known."""

from dataclasses import replace

import numpy as np
import pytest

from rigwarp.camera import board_corners_mm, board_to_table
from rigwarp.camera.table.table_flatness import flatness_warnings, further_sheet
from rigwarp.geometry import rotation_from_vector

HEIGHT_MM = 0.1


@pytest.fixture(scope="module")
def laid(target, table_pose, seen_by_opencv, view_of):
    """A function: the view of a sheet at a place (mm), turned in the table's plane, lifted and tilted."""
    board = board_corners_mm(target)

    def view(place, *, spin_deg=0.0, rise_mm=0.0, slopes=(0.0, 0.0), noise_px=0.03):
        here = replace(target, centre_mm=np.array(place), rotation_rad=np.radians(spin_deg))
        points = board_to_table(board, here, height_mm=HEIGHT_MM)
        middle = np.array([*place, HEIGHT_MM])
        tilt = rotation_from_vector(np.array([slopes[1], -slopes[0], 0.0]))  # z = slope_x x + slope_y y
        points = (points - middle) @ tilt.T + middle + [0.0, 0.0, rise_mm]
        image = seen_by_opencv(points, *table_pose)
        rng = np.random.default_rng(60)
        return view_of(board, image + rng.normal(0.0, noise_px, image.shape))

    return view


def test_a_level_table(camera, laid, target):
    for place, spin in (((-40.0, 30.0), 25.0), ((45.0, -20.0), 180.0)):
        found = further_sheet(laid(place, spin_deg=spin), camera, target, sheet_height_mm=HEIGHT_MM)
        np.testing.assert_allclose(found.middle_mm, place, atol=0.2)
        assert abs(found.rise_mm) < 4.0 * found.rise_sigma_mm
        assert np.all(np.abs(found.tilt_mrad) < 4.0 * found.tilt_sigma_mrad)
        assert not found.odd


def test_rise_and_slope_have_their_size(camera, laid, target):
    view = laid((30.0, 20.0), spin_deg=10.0, rise_mm=1.2, slopes=(0.008, -0.005))
    found = further_sheet(view, camera, target, sheet_height_mm=HEIGHT_MM)
    assert found.rise_mm == pytest.approx(1.2, abs=4.0 * found.rise_sigma_mm)
    np.testing.assert_allclose(found.tilt_mrad, [8.0, -5.0], atol=4.0 * found.tilt_sigma_mrad.max())
    assert found.rise_sigma_mm < 0.3
    assert found.odd
    (warning,) = flatness_warnings([found])
    assert "sheet 2" in warning
    assert "not flat" in warning


def test_a_sheet_that_is_not_there(camera, target, view_of):
    nothing = view_of(board_corners_mm(target), np.full((54, 2), -100.0))
    assert further_sheet(nothing, camera, target, sheet_height_mm=HEIGHT_MM) is None
    assert "not seen" in flatness_warnings([None])[0]
