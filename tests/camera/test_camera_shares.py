"""The camera's uncertainty by cause: adds up to the whole, and each part is what moving that one thing does."""

import numpy as np
import pytest

from rigwarp.camera import EXACT_PRINT, PLAIN_PRINT, CameraModel
from rigwarp.camera.table.shares import camera_shares, sheet_steps
from rigwarp.geometry import look_at

CENTRE_MM = np.array([30.0, -20.0])
TABLE_MM = 12.0
PLACES = np.stack(np.meshgrid([-150.0, 0.0, 140.0], [-120.0, 10.0, 130.0]), axis=-1).reshape(-1, 2)


def tilted_camera(covariance=None) -> CameraModel:
    position = np.array([-300.0, -150.0, 700.0])
    R = look_at(position, np.zeros(3), roll_rad=0.2).T
    return CameraModel(
        resolution=(1600, 1200),
        matrix=np.array([[1400.0, 0, 790.0], [0, 1395.0, 610.0], [0, 0, 1]]),
        distortion=np.array([-0.1, 0.02, 4e-4, -3e-4, 0.0]),
        R_camera_from_table=R,
        t_camera_from_table_mm=-R @ position,
        covariance=covariance,
    )


def some_covariance(rng: np.random.Generator, *, fixed: tuple[int, ...] = ()) -> np.ndarray:
    """Strongly correlated, in the usual sizes; `fixed` parameters have none."""
    scale = np.array([0.3, 0.3, 0.5, 0.5, 1e-3, 3e-3, 1e-4, 1e-4, 5e-3, 2e-4, 2e-4, 2e-4, 0.1, 0.1, 0.15])
    scale[list(fixed)] = 0.0
    root = rng.normal(size=(15, 15)) * scale[:, None]
    return root @ root.T / 15.0


@pytest.mark.parametrize("fixed", [(), (8,), tuple(range(9))], ids=["all", "k3 not estimated", "lens exact"])
def test_parts_add_up_to_the_whole(fixed: tuple[int, ...]) -> None:
    rng = np.random.default_rng(2)
    steps = sheet_steps(tilted_camera(), TABLE_MM, sheet=PLAIN_PRINT, centre_mm=CENTRE_MM)
    camera = tilted_camera(some_covariance(rng, fixed=fixed) + steps.T @ steps)
    shares = camera_shares(camera, PLACES, TABLE_MM, sheet=PLAIN_PRINT, centre_mm=CENTRE_MM)
    assert shares is not None
    pixels = camera.project(np.column_stack([PLACES, np.full(len(PLACES), TABLE_MM)]))
    whole = camera.plane_covariance(pixels, TABLE_MM)
    assert shares.combined_mm == pytest.approx(np.sqrt(np.trace(whole, axis1=1, axis2=2) / 2.0), rel=1e-6)
    if len(fixed) == 9:
        assert shares.lens_mm == pytest.approx(0.0, abs=1e-12)


def test_sheet_steps_are_what_a_wrong_sheet_does_to_the_pose() -> None:
    """A pose moved by a step sees the larger (or higher) sheet where the true pose saw the nominal one."""
    sheet = PLAIN_PRINT
    camera = tilted_camera()
    corners = np.column_stack([PLACES, np.full(len(PLACES), TABLE_MM)])
    seen = camera.project(corners)
    grown = corners.copy()
    grown[:, :2] = CENTRE_MM + (1.0 + sheet.mean_scale) * (corners[:, :2] - CENTRE_MM)
    lifted = corners + np.array([0.0, 0.0, sheet.height_mm])
    for step, print_mm in zip(
        sheet_steps(camera, TABLE_MM, sheet=sheet, centre_mm=CENTRE_MM), (grown, lifted), strict=True
    ):
        moved = CameraModel(
            resolution=camera.resolution,
            matrix=camera.matrix,
            distortion=camera.distortion,
            R_camera_from_table=camera.R_camera_from_table,
            t_camera_from_table_mm=camera.t_camera_from_table_mm + step[-3:],
        )
        assert moved.project(print_mm) == pytest.approx(seen, abs=1e-9)  # px; exact, so rounding alone


def test_print_scale_and_height_have_closed_forms() -> None:
    camera = tilted_camera(some_covariance(np.random.default_rng(3)))
    shares = camera_shares(camera, PLACES, TABLE_MM, sheet=PLAIN_PRINT, centre_mm=CENTRE_MM)
    assert shares is not None
    from_centre = np.linalg.norm(PLACES - CENTRE_MM, axis=-1)
    assert shares.print_scale_mm == pytest.approx(PLAIN_PRINT.mean_scale * from_centre / np.sqrt(2), rel=1e-6)
    away = np.linalg.norm(PLACES - camera.position_mm[:2], axis=-1)
    slope = away / (camera.position_mm[2] - TABLE_MM)
    assert shares.sheet_height_mm == pytest.approx(PLAIN_PRINT.height_mm * slope / np.sqrt(2), rel=1e-6)


def test_a_covariance_that_cannot_hold_the_sheet_gets_it_added() -> None:
    """A camera calibrated with an exact print: nothing is taken off what it states."""
    camera = tilted_camera(1e-6 * some_covariance(np.random.default_rng(4)))
    added = camera_shares(camera, PLACES, TABLE_MM, sheet=PLAIN_PRINT, centre_mm=CENTRE_MM)
    alone = camera_shares(camera, PLACES, TABLE_MM, sheet=EXACT_PRINT, centre_mm=CENTRE_MM)
    assert added is not None
    assert alone is not None
    assert added.lens_mm == pytest.approx(alone.lens_mm)
    assert added.pose_mm == pytest.approx(alone.pose_mm)
    assert alone.print_scale_mm == pytest.approx(0.0)


def test_no_covariance_no_shares() -> None:
    assert camera_shares(tilted_camera(), PLACES, TABLE_MM, sheet=PLAIN_PRINT, centre_mm=CENTRE_MM) is None
