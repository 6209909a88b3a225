"""The true lens against OpenCV's own projection."""

import cv2
import numpy as np

from rigwarp.geometry import Placement, look_at
from rigwarp.simulation.lens import TableView, true_lens
from rigwarp.simulation.table import TableForm
from rigwarp.simulation.truth import CameraTruth


def _camera():
    position = np.array([120.0, -480.0, 850.0])
    return CameraTruth(
        placement=Placement(position_mm=position, rotation=look_at(position, np.array([10.0, 20.0, 0.0]), 0.1)),
        focal_px=np.array([1500.0, 1495.0]),
        principal_px=np.array([965.0, 533.0]),
        distortion=np.array([-0.21, 0.09, 0.0008, -0.0005, -0.01]),
        thin_prism=np.array([4e-4, -1e-4, -3e-4, 2e-4]),
        blur_px=0.0,
        vignetting=0.0,
        response="srgb",
        exposure=None,
        full_well_e=1e4,
        read_noise_e=0.0,
    )


def test_projection_equals_opencv():
    camera = _camera()
    view = TableView(camera, true_lens(camera, (1920, 1080)), TableForm.flat(0.0))
    random = np.random.default_rng(1)
    x, y, z = random.uniform(-300, 300, 400), random.uniform(-200, 200, 400), random.uniform(-20, 60, 400)
    u, v = view.space_to_pixels(x, y, z)
    R = camera.placement.rotation.T
    matrix = np.array([[1500.0, 0, 965.0], [0, 1495.0, 533.0], [0, 0, 1]])
    coefficients = np.concatenate([camera.distortion, np.zeros(3), camera.thin_prism])
    expected, _ = cv2.projectPoints(
        np.stack([x, y, z], axis=1), cv2.Rodrigues(R)[0], -R @ camera.placement.position_mm, matrix, coefficients
    )
    np.testing.assert_allclose(np.stack([u, v], axis=1), expected.reshape(-1, 2), rtol=0, atol=1e-9)  # px, rounding


def test_pixels_to_table_and_back():
    camera = _camera()
    view = TableView(camera, true_lens(camera, (1920, 1080)), TableForm.flat(12.0))
    u, v = np.meshgrid(np.linspace(-0.5, 1919.5, 40), np.linspace(-0.5, 1079.5, 30))
    x, y = view.to_table(u, v)
    back_u, back_v = view.to_pixels(x.ravel(), y.ravel())
    np.testing.assert_allclose(back_u.reshape(u.shape), u, rtol=0, atol=1e-8)  # the inverse settles at 1e-10 px
    np.testing.assert_allclose(back_v.reshape(u.shape), v, rtol=0, atol=1e-8)


def test_light_from_far_outside_the_field_does_not_fold_back_into_the_picture():
    camera = _camera()
    lens = true_lens(camera, (1920, 1080))
    far = np.linspace(0.0, 50.0, 2000)
    u, _ = lens.project(far, np.zeros_like(far), np.ones_like(far))
    assert (np.diff(u) > 0).all()  # this polynomial alone turns round at about X/Z = 1.3


def test_behind_the_camera_is_no_pixel():
    u, v = true_lens(_camera(), (1920, 1080)).project(np.zeros(1), np.zeros(1), np.array([-1.0]))
    assert np.isnan(u[0])
    assert np.isnan(v[0])
