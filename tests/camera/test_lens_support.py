"""Residuals over the frame and the uncertainty of a direction: closed forms, and repeated measurements."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rigwarp.camera import CameraModel
from rigwarp.camera.lens.support import direction_sigma_px, lens_support
from rigwarp.geometry import rotation_from_vector

RESOLUTION = (1280, 720)
PLAIN = np.array([1000.0, 1000.0, 639.5, 359.5, 0.0, 0.0, 0.0, 0.0, 0.0])
NOISE_PX = 0.05


def support(vectors_at, *, count=4000, kept=None, covariance=None):
    """Judge residuals given as a function of the place, plus noise."""
    rng = np.random.default_rng(6)
    places = rng.uniform([0, 0], np.array(RESOLUTION) - 1.0, (count, 2))
    vectors = vectors_at(places) + rng.normal(0.0, NOISE_PX, places.shape)
    chosen = np.ones(count, bool) if kept is None else kept(places)
    covariance = np.zeros((9, 9)) if covariance is None else covariance
    return lens_support([places], [vectors], [chosen], np.array([NOISE_PX]), PLAIN, covariance, RESOLUTION)


def test_noise_has_no_structure():
    found = support(np.zeros_like)
    assert found.structure == pytest.approx(1.0, abs=0.2)  # mean of 48 cells' chi-squared of 2: 1 +- 0.07 in the root
    assert found.structure_px < 0.005
    assert found.warnings == ()
    # 2 axes of 0.05 px
    np.testing.assert_allclose(np.nanmean(found.rms_px), NOISE_PX * np.sqrt(2), rtol=0.03)


def test_a_pattern_has_its_size():
    """A pincushion of 0.2 px rms that the model left behind."""

    def pincushion(places):
        out = (places - np.array(RESOLUTION) / 2) / 640.0
        push = out * np.sum(out**2, axis=-1, keepdims=True)
        return 0.2 * push / np.sqrt(np.mean(np.sum(push**2, axis=-1)))

    found = support(pincushion)
    assert found.structure_px == pytest.approx(0.2, rel=0.1)  # means over cells smooth it a little
    assert any("pattern of 0.2" in warning for warning in found.warnings)
    assert found.mean_px[0, 0] @ [-1.0, -1.0] > 0.2  # outwards in the top left cell


def test_empty_cells_are_empty():
    found = support(np.zeros_like, kept=lambda places: places[:, 0] > 320.0)
    assert found.corners[:, :2].sum() == 0
    assert np.isnan(found.rms_px[:, :2]).all()
    assert np.isfinite(found.rms_px[:, 2:]).all()


def test_a_principal_point_is_taken_up_by_a_turn_where_the_field_is_narrow():
    """Shift cx by 1 px: a turn by 1 / f undoes all of it but 1 px x^2, which is 0.004 px at f = 16 widths."""
    narrow = PLAIN.copy()
    narrow[:2] = 16.0 * RESOLUTION[0]
    only_cx = np.diag([0.0, 0, 1.0, 0, 0, 0, 0, 0, 0])
    corner = np.array([[0.0, 0.0], [639.5, 359.5]])
    assert direction_sigma_px(narrow, only_cx, corner, RESOLUTION).max() < 0.002
    wide = direction_sigma_px(PLAIN, only_cx, corner, RESOLUTION)
    assert wide[0] > 0.1


def test_focal_length_grows_from_the_middle():
    """d(px)/d(fx) = x: 0 in the middle; no turn can take it up."""
    both = np.zeros((9, 9))
    both[:2, :2] = 4.0  # fx and fy together, 2 px
    places = np.array([[639.5, 359.5], [1139.5, 359.5], [0.0, 0.0]])
    expected = 2.0 * np.hypot(*((places - PLAIN[2:4]) / PLAIN[:2]).T)
    np.testing.assert_allclose(direction_sigma_px(PLAIN, both, places, RESOLUTION), expected, atol=1e-9)


def test_a_corner_that_no_photo_supports_is_named():
    k2 = np.diag([0.0, 0, 0, 0, 0, 0.1**2, 0, 0, 0])
    found = support(np.zeros_like, covariance=k2)
    assert any("top left" in warning and "corners" in warning for warning in found.warnings)


def test_position_sigma_is_that_of_repeated_poses():
    """Many poses drawn from the covariance, their positions by the definition -R^T t."""
    rng = np.random.default_rng(8)
    R = rotation_from_vector(np.array([2.6, 0.3, -0.2]))
    t = np.array([30.0, -40.0, 900.0])
    root = rng.normal(size=(6, 6)) * [[1e-4]] * 3 + np.diag([2e-4, 1e-4, 3e-4, 0.2, 0.1, 0.3])
    covariance = np.zeros((15, 15))
    covariance[9:, 9:] = root @ root.T
    camera = CameraModel(
        resolution=RESOLUTION,
        matrix=np.array([[1000.0, 0, 639.5], [0, 1000.0, 359.5], [0, 0, 1]]),
        distortion=np.zeros(5),
        R_camera_from_table=R,
        t_camera_from_table_mm=t,
        covariance=covariance,
    )
    draws = rng.normal(size=(20000, 6)) @ root.T
    positions = np.array([-(cv2.Rodrigues(d[:3])[0] @ R).T @ (t + d[3:]) for d in draws])
    np.testing.assert_allclose(camera.position_sigma_mm, positions.std(axis=0), rtol=0.03)  # 20,000 draws: 0.5 %
    np.testing.assert_allclose(camera.turn_sigma_rad, np.sqrt(np.diag(root @ root.T))[:3])
    assert replace(camera, covariance=None).position_sigma_mm is None
