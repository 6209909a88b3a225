"""A bowed table from the corners of the sheet on it: corners projected by OpenCV, heights in closed form."""

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from rigwarp.camera import CameraModel
from rigwarp.camera.boards.board import board_corners_mm, board_to_table
from rigwarp.camera.boards.detection import BoardView
from rigwarp.errors import InputError, MeasurementError
from rigwarp.files.table_shape_file import read_table_shape, write_table_shape
from rigwarp.rig import Table
from rigwarp.sheets.pdf import STANDARD_TARGET
from rigwarp.verification.quality.table_shape import TERMS, fit_table_shape, powers

TABLE = Table(shape="circle", size_mm=(500.0, 500.0), height_mm=5.0)


def camera(covariance=None):
    turn = cv2.Rodrigues(np.deg2rad([180.0 - 30.0, 0.0, 0.0]))[0] @ cv2.Rodrigues(np.array([0.0, 0.0, 0.5]))[0]
    return CameraModel(
        resolution=(1920, 1080),
        matrix=np.array([[1880.0, 0, 965.0], [0, 1882.0, 535.0], [0, 0, 1]]),
        distortion=np.array([-0.08, 0.03, 4e-4, -3e-4, 0.0]),
        R_camera_from_table=turn,
        t_camera_from_table_mm=np.array([5.0, 20.0, 950.0]),
        covariance=covariance,
    )


def lens_known():
    """A lens known to a third of a pixel and 0.001, as fourteen photos of a board tell it; the pose likewise."""
    sigma = np.array([0.35, 0.35, 0.4, 0.4, 1e-3, 3e-3, 5e-5, 5e-5, 0.0, 2e-4, 2e-4, 2e-4, 0.1, 0.1, 0.2])
    return np.diag(sigma**2)


def project(eye, points):
    rotation, _ = cv2.Rodrigues(eye.R_camera_from_table)
    pixels, _ = cv2.projectPoints(points, rotation, eye.t_camera_from_table_mm, eye.matrix, eye.distortion)
    return pixels.reshape(-1, 2)


def bow(spots, height):
    """A paraboloid, `height` in the middle and 0 at the rim of the table."""
    return height * (1.0 - np.sum((spots[..., :2] / 250.0) ** 2, axis=-1))


def view(eye, height, noise_px=0.02, seed=0):
    """The sheet's corners on a table bowed by `height`, as the camera sees them."""
    corners = board_corners_mm(STANDARD_TARGET)
    points = board_to_table(corners, STANDARD_TARGET, height_mm=TABLE.height_mm)
    points[:, 2] += bow(points, height)
    seen = project(eye, points) + noise_px * np.random.default_rng(seed).normal(size=(len(points), 2))
    return BoardView(
        resolution=eye.resolution,
        ids=np.arange(len(corners)),
        object_mm=corners,
        image_px=seen,
        size_mm=(360.0, 252.0),
        square_px=np.full(len(corners), 60.0),
        legacy=False,
        mirrored=False,
    )


def flat_fit(eye, found):
    """The camera as a calibration with that sheet, taken for flat, would have it (OpenCV's pose)."""
    points = board_to_table(found.object_mm, STANDARD_TARGET, height_mm=TABLE.height_mm)
    _, turn, shift = cv2.solvePnP(points, found.image_px, eye.matrix, eye.distortion)
    return replace(eye, R_camera_from_table=cv2.Rodrigues(turn)[0], t_camera_from_table_mm=shift.ravel())


def true_spots():
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(-230, 230, 15), np.linspace(-230, 230, 15)))
    inside = np.hypot(x, y) < 235.0
    return np.column_stack([x, y])[inside]


@pytest.mark.parametrize("height", [0.5, -0.5, 1.5])
def test_a_bow_is_found_and_positions_put_right(height):
    """Positions by the flat camera are off by the bow times the slant; afterwards a fourth of that is left at most."""
    truth = camera(lens_known())
    found = view(truth, height)
    flat = flat_fit(truth, found)
    shape = fit_table_shape(found, flat, STANDARD_TARGET, TABLE)
    assert shape.significant
    spots = true_spots()
    raised = np.column_stack([spots, TABLE.height_mm + bow(spots, height)])
    by_flat = flat.to_plane(project(truth, raised), TABLE.height_mm)
    before = np.linalg.norm(by_flat - spots, axis=1)
    after = np.linalg.norm(by_flat + shape.correction().at(by_flat) - spots, axis=1)
    assert np.percentile(after, 95) < 0.25 * np.percentile(before, 95) + 0.02  # mm; corners known to 0.01 mm each
    assert np.percentile(before, 95) > 0.25 * abs(height)


def test_a_flat_table_is_called_flat():
    """Four sheets with corner noise of 0.02 px, no bow: none significant."""
    truth = camera(lens_known())
    for seed in range(4):
        found = view(truth, 0.0, seed=seed)
        shape = fit_table_shape(found, flat_fit(truth, found), STANDARD_TARGET, TABLE)
        assert not shape.significant
        assert shape.astray_px < 0.05


def test_a_sheet_that_lies_elsewhere_is_noticed():
    truth = camera(lens_known())
    moved = replace(truth, t_camera_from_table_mm=truth.t_camera_from_table_mm + np.array([0.5, 0.0, 0.0]))
    shape = fit_table_shape(view(truth, 0.0), moved, STANDARD_TARGET, TABLE)
    assert shape.astray_px == pytest.approx(0.5 * 1880.0 / 950.0, rel=0.15)  # px; the table is 850 to 1050 mm away
    assert not shape.significant


def test_terms_start_with_the_second_order():
    """Plane and tilt belong to the camera's pose."""
    assert {i + j for i, j in TERMS} == {2, 3, 4}
    np.testing.assert_allclose(powers(np.array([125.0, 250.0]), (250.0, 250.0))[:3], [0.25, 0.5, 1.0])


def test_too_few_corners():
    found = view(camera(), 0.0)
    few = replace(found, ids=found.ids[:12], object_mm=found.object_mm[:12], image_px=found.image_px[:12])
    with pytest.raises(MeasurementError, match="at least 20"):
        fit_table_shape(few, camera(), STANDARD_TARGET, TABLE)


def test_the_file_holds_it_all(tmp_path):
    truth = camera(lens_known())
    found = view(truth, 0.5)
    shape = fit_table_shape(found, flat_fit(truth, found), STANDARD_TARGET, TABLE)
    write_table_shape(tmp_path / "table_shape.json", shape)
    back = read_table_shape(tmp_path / "table_shape.json")
    spots = true_spots()
    np.testing.assert_array_equal(back.correction().at(spots), shape.correction().at(spots))
    np.testing.assert_allclose(back.heights_mm(spots), shape.heights_mm(spots))


@pytest.mark.parametrize(
    ("key", "value"),
    [("coefficients_mm", [1, 2]), ("half_mm", [0, 250]), ("terms", [[2, 0]]), ("camera", 3), ("rms_mm", None),
     ("format", "something else"), ("version", 7), ("covariance", "no")],
)  # fmt: skip
def test_a_damaged_file_is_refused(tmp_path, key, value):
    found = view(camera(), 0.5)
    path = tmp_path / "table_shape.json"
    write_table_shape(path, fit_table_shape(found, flat_fit(camera(), found), STANDARD_TARGET, TABLE))
    path.write_text(json.dumps(json.loads(path.read_text()) | {key: value}))
    with pytest.raises(InputError, match=r"table_shape\.json"):
        read_table_shape(path)
