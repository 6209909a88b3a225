"""CameraModel against OpenCV's projection, closed forms, and central differences."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rigwarp.camera import CameraModel
from rigwarp.camera.projection import project_with_jacobians
from rigwarp.errors import InputError
from rigwarp.geometry import rotation_from_vector
from rigwarp.geometry.lens_distortion import distort, fold_radius, undistort

MATRIX = np.array([[1500.0, 0.0, 970.0], [0.0, 1504.0, 530.0], [0.0, 0.0, 1.0]])
DISTORTION = np.array([-0.21, 0.09, 8e-4, -5e-4, -0.01])
HEIGHT_MM = 12.5


@pytest.fixture
def camera(table_pose):
    R, t = table_pose
    return CameraModel(
        resolution=(1920, 1080), matrix=MATRIX, distortion=DISTORTION, R_camera_from_table=R, t_camera_from_table_mm=t
    )


@pytest.fixture
def pixels():
    u, v = np.meshgrid(np.linspace(-0.5, 1919.5, 23), np.linspace(-0.5, 1079.5, 17))
    return np.stack([u, v], axis=-1)


def test_projects_as_opencv_does(camera):
    points = np.random.default_rng(1).uniform([-300, -200, -5], [300, 200, 60], (200, 3))
    rotation = cv2.Rodrigues(camera.R_camera_from_table)[0]
    expected, _ = cv2.projectPoints(points, rotation, camera.t_camera_from_table_mm, MATRIX, DISTORTION)
    np.testing.assert_allclose(camera.project(points), expected.reshape(-1, 2), rtol=0, atol=1e-9)


def test_derivatives_agree_with_opencv(camera):
    points = np.random.default_rng(2).uniform([-300, -200, -5], [300, 200, 60], (50, 3))
    R, t = camera.R_camera_from_table, camera.t_camera_from_table_mm
    _, by_lens, by_pose = project_with_jacobians(points, camera.lens, R, t)
    _, theirs = cv2.projectPoints(points, cv2.Rodrigues(R)[0], t, MATRIX, DISTORTION)
    theirs = theirs.reshape(-1, 2, theirs.shape[1])  # rotation vector, translation, fx, fy, cx, cy, k1, k2, p1, p2, k3
    np.testing.assert_allclose(by_lens, theirs[..., 6:15], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(by_pose[..., 3:], theirs[..., 3:6], rtol=1e-9, atol=1e-9)


def test_turn_derivative_is_that_of_a_turn_in_the_camera_frame(camera):
    points = np.random.default_rng(3).uniform([-300, -200, 0], [300, 200, 60], (20, 3))
    R, t = camera.R_camera_from_table, camera.t_camera_from_table_mm
    by_pose = project_with_jacobians(points, camera.lens, R, t)[2]
    step = 1e-6  # rad: rounding and curvature both stay below 1e-6 of the derivative
    for axis in range(3):
        turn = step * np.eye(3)[axis]
        after, before = (
            project_with_jacobians(points, camera.lens, rotation_from_vector(sign * turn) @ R, t)[0] for sign in (1, -1)
        )
        np.testing.assert_allclose((after - before) / (2 * step), by_pose[..., axis], rtol=1e-6, atol=1e-3)


def test_pixel_to_plane_and_back(camera, pixels):
    table = camera.to_plane(pixels, HEIGHT_MM)
    points = np.concatenate([table, np.full((*table.shape[:-1], 1), HEIGHT_MM)], axis=-1)
    np.testing.assert_allclose(camera.project(points), pixels, rtol=0, atol=1e-9)
    np.testing.assert_allclose(camera.to_plane(camera.project(points), HEIGHT_MM), table, rtol=0, atol=1e-9)


def test_straight_down_pinhole_is_a_scale():
    """Closed form: from 500 mm above the table, X = 500 (u - cx) / f and Y = -500 (v - cy) / f."""
    camera = CameraModel(
        resolution=(640, 480),
        matrix=np.array([[800.0, 0, 319.5], [0, 800.0, 239.5], [0, 0, 1]]),
        distortion=np.zeros(5),
        R_camera_from_table=np.diag([1.0, -1.0, -1.0]),
        t_camera_from_table_mm=np.array([0.0, 0.0, 500.0]),
    )
    np.testing.assert_allclose(camera.position_mm, [0, 0, 500])
    np.testing.assert_allclose(camera.to_plane(np.array([399.5, 239.5]), 0.0), [50.0, 0.0], atol=1e-12)
    np.testing.assert_allclose(camera.to_plane(np.array([319.5, 159.5]), 100.0), [0.0, 40.0], atol=1e-12)
    np.testing.assert_allclose(
        camera.plane_jacobian(np.array([10.0, 20.0]), 0.0), [[0.625, 0], [0, -0.625]], atol=1e-12
    )


def test_plane_jacobian_is_the_derivative_of_to_plane(camera, pixels):
    jacobian = camera.plane_jacobian(pixels, HEIGHT_MM)
    step = 1e-3  # px
    for axis in range(2):
        shift = step * np.eye(2)[axis]
        difference = camera.to_plane(pixels + shift, HEIGHT_MM) - camera.to_plane(pixels - shift, HEIGHT_MM)
        np.testing.assert_allclose(difference / (2 * step), jacobian[..., axis], rtol=1e-7, atol=1e-8)


def test_plane_sensitivity_is_the_derivative_by_every_parameter(camera, pixels):
    sensitivity = camera.plane_sensitivity(pixels, HEIGHT_MM)
    steps = np.array([1e-3] * 4 + [1e-6] * 5 + [1e-6] * 3 + [1e-3] * 3)
    for k, step in enumerate(steps):
        after, before = (_changed(camera, k, sign * step).to_plane(pixels, HEIGHT_MM) for sign in (1, -1))
        np.testing.assert_allclose((after - before) / (2 * step), sensitivity[..., k], rtol=1e-5, atol=1e-5)


def _changed(camera, parameter, step):
    """The camera with one of its 15 parameters changed, written out independently of the code under test."""
    matrix, distortion = camera.matrix.copy(), camera.distortion.copy()
    R, t = camera.R_camera_from_table, camera.t_camera_from_table_mm.copy()
    if parameter < 4:
        matrix[[0, 1, 0, 1][parameter], [0, 1, 2, 2][parameter]] += step
    elif parameter < 9:
        distortion[parameter - 4] += step
    elif parameter < 12:
        R = cv2.Rodrigues(step * np.eye(3)[parameter - 9])[0] @ R
    else:
        t[parameter - 12] += step
    return replace(camera, matrix=matrix, distortion=distortion, R_camera_from_table=R, t_camera_from_table_mm=t)


def test_plane_covariance_is_that_of_random_cameras(camera):
    sigmas = np.array([0.5, 0.5, 0.4, 0.4, 1e-3, 2e-3, 1e-4, 1e-4, 1e-3, 3e-4, 3e-4, 2e-4, 0.2, 0.2, 0.3])
    mixing = np.random.default_rng(4).normal(size=(15, 15)) * sigmas[:, None] / 4.0
    pixels = np.array([[100.0, 80.0], [1800.0, 1000.0], [960.0, 540.0]])
    predicted = replace(camera, covariance=mixing @ mixing.T).plane_covariance(pixels, HEIGHT_MM)
    draws = np.random.default_rng(5).normal(size=(400, 15)) @ mixing.T
    landed = []
    for draw in draws:
        changed = camera
        for k, step in enumerate(draw):
            changed = _changed(changed, k, step)
        landed.append(changed.to_plane(pixels, HEIGHT_MM))
    measured = np.array([np.cov(np.array(landed)[:, i].T) for i in range(len(pixels))])
    # a variance from 400 draws is good to 7 %: 3 sigma and a little for curvature
    np.testing.assert_allclose(np.trace(predicted, axis1=1, axis2=2), np.trace(measured, axis1=1, axis2=2), rtol=0.25)


def test_unknown_covariance_claims_nothing(camera, pixels):
    np.testing.assert_array_equal(camera.plane_covariance(pixels, HEIGHT_MM), np.zeros((17, 23, 2, 2)))


def test_nothing_is_seen_behind_the_camera_or_above_the_horizon(camera):
    behind = camera.position_mm - 50.0 * camera.R_camera_from_table[2]
    assert np.isnan(camera.project(behind)).all()
    R = np.diag([1.0, -1.0, -1.0]) @ rotation_from_vector(np.array([2.0, 0.0, 0.0]))  # 115 degrees from straight down
    upwards = replace(camera, R_camera_from_table=R, t_camera_from_table_mm=-R @ camera.position_mm)
    assert np.isnan(upwards.to_plane(np.array([970.0, 530.0]), 0.0)).all()
    assert np.isnan(camera.to_plane(np.array([np.nan, 3.0]), 0.0)).all()


def test_a_folding_lens_answers_only_up_to_its_fold():
    """k1 = -0.5 alone: r(1 - r^2/2) peaks at r = sqrt(2/3), where it is (2/3) sqrt(2/3) = 0.54433."""
    lens = np.array([-0.5, 0.0, 0.0, 0.0, 0.0])
    assert fold_radius(lens) == pytest.approx(np.sqrt(2 / 3), abs=1e-12)
    peak = (2 / 3) * np.sqrt(2 / 3)
    distorted = np.array([[0.3, 0.0], [0.0, peak - 1e-6], [peak + 1e-6, 0.0], [2.0, 2.0]])
    ideal = undistort(distorted, lens, tolerance=1e-13)
    np.testing.assert_array_equal(np.isnan(ideal[:, 0]), [False, False, True, True])
    np.testing.assert_allclose(distort(ideal[:2], lens), distorted[:2], atol=1e-12)
    assert np.all(np.hypot(*ideal[:2].T) < np.sqrt(2 / 3))


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("matrix", np.eye(2), "shape"),
        ("matrix", np.array([[1500.0, 0.1, 970], [0, 1500, 530], [0, 0, 1]]), "skew"),
        ("matrix", np.diag([-1.0, 1.0, 1.0]), "focal"),
        ("distortion", np.zeros(8), "shape"),
        ("distortion", np.array([0, 0, 0, 0, np.nan]), "finite"),
        ("R_camera_from_table", np.diag([1.0, 1.0, -1.0]), "rotation"),
        ("R_camera_from_table", 1.01 * np.eye(3), "rotation"),
        ("covariance", -np.eye(15), "eigenvalue"),
        ("resolution", (0, 10), "resolution"),
    ],
)
def test_nonsense_is_refused(camera, key, value, words):
    with pytest.raises(InputError, match=words):
        replace(camera, **{key: value})
