"""Photographs of two lens settings, and the same photograph again, against OpenCV's projection."""

import cv2
import numpy as np
import pytest

from rigwarp.camera import board_corners_mm, calibrate_lens_from_views
from rigwarp.camera.lens.calibrate import board_corners
from rigwarp.camera.lens.settings import focal_length_of_each, settings_warnings
from rigwarp.errors import MeasurementError

NOISE_PX = 0.05


@pytest.fixture(scope="module")
def views_at(target, board_poses, view_of):
    """Views of the twelve poses at focal lengths given for each, in shares of 1050 px."""

    def views(shares):
        noise = np.random.default_rng(7)
        corners = board_corners_mm(target)
        found = []
        for share, (R, t) in zip(shares, board_poses, strict=True):
            matrix = np.array([[1050.0 * share, 0.0, 652.3], [0.0, 1052.0 * share, 348.1], [0.0, 0.0, 1.0]])
            there = cv2.projectPoints(corners, cv2.Rodrigues(R)[0], t, matrix, np.array([-0.11, 0.06, 0, 0, 0.0]))[0]
            found.append(view_of(corners, there.reshape(-1, 2) + noise.normal(0.0, NOISE_PX, (len(corners), 2))))
        return found

    return views


def test_one_setting_is_one_focal_length(views_at):
    lens = calibrate_lens_from_views(views_at(np.ones(12)))
    found = focal_length_of_each(lens.fit, [board_corners(view) for view in lens.views])
    assert 0.3 < found.apart < 3.0  # a chi-squared of 11 degrees of freedom over 11: 0.24 to 2.5 in 99.8 %
    assert not any("disagree" in warning for warning in lens.warnings)


def test_a_focus_that_moved_is_noticed(views_at):
    lens = calibrate_lens_from_views(views_at(np.where(np.arange(12) % 2, 1.0, 1.01)))
    (said,) = settings_warnings(lens.fit, [board_corners(view) for view in lens.views], list(lens.used))
    assert "photos 2, 4, 6, 8, 10, 12 say 10" in said
    assert said in lens.warnings


def test_two_zooms_are_no_lens(views_at):
    with pytest.raises(MeasurementError, match="zoom or focus changed"):
        calibrate_lens_from_views(views_at(np.where(np.arange(12) % 2, 1.0, 1.04)))


def test_the_same_photograph_counts_once(views_at):
    views = views_at(np.ones(12))[:6]
    once, again = calibrate_lens_from_views(views), calibrate_lens_from_views([*views, views[1], views[4]])
    reason = "almost the same as photo {}, and counted once"
    assert again.rejected == ((6, reason.format(2)), (7, reason.format(5)))
    np.testing.assert_array_equal(again.sigmas, once.sigmas)
