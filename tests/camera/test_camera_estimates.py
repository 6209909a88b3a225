"""Lens and pose from corners with known noise: against OpenCV's calibration, dense algebra, and statistics."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rigwarp.camera import (
    EXACT_PRINT,
    PLAIN_PRINT,
    CameraModel,
    board_corners_mm,
    board_to_table,
    calibrate_lens_from_views,
)
from rigwarp.camera.lens.bundle import normal_equations, observe
from rigwarp.camera.lens.calibrate import board_corners, free_terms, shape_prior
from rigwarp.camera.table.table_pose import locate_table_from_view
from rigwarp.errors import InputError, MeasurementError

NOISE_PX = 0.05
HEIGHT_MM = 2.0


FLAT = np.zeros(5)


def _printed(board, shape):
    """Corners of a print that is wider, skewed and bowed: written out independently of the code under test."""
    aspect, skew, bow_x, bow_y, bow_xy = shape
    x, y = board[:, 0] - 180.0 * 0.998, board[:, 1] - 126.0 * 1.001
    half_diagonal = np.hypot(180.0 * 0.998, 126.0 * 1.001)
    bow = (bow_x * x**2 + bow_y * y**2 + bow_xy * x * y) / half_diagonal**2
    return board + np.stack([aspect * x + skew * y, skew * x - aspect * y, bow], axis=-1)


@pytest.fixture(scope="module")
def make_views(target, board_poses, table_pose, seen_by_opencv, view_of):
    """A function that draws noisy corners: (rng, noise, shape) -> board views, view of the sheet on the table."""
    board = board_corners_mm(target)

    def make(rng, noise=NOISE_PX, shape=FLAT):
        held, lying = _printed(board, shape), _printed(board, np.where([1, 1, 0, 0, 0], shape, 0.0))
        exact = [seen_by_opencv(held, *pose) for pose in board_poses]
        exact_sheet = seen_by_opencv(board_to_table(lying, target, height_mm=HEIGHT_MM), *table_pose)
        views = [view_of(board, image + rng.normal(0.0, noise, image.shape)) for image in exact]
        return views, view_of(board, exact_sheet + rng.normal(0.0, noise, exact_sheet.shape))

    return make


@pytest.fixture(scope="module")
def noisy(make_views):
    views, sheet = make_views(np.random.default_rng(30))
    return views, sheet, calibrate_lens_from_views(views)


def test_exact_corners_give_the_exact_camera(make_views, true_lens, table_pose, target):
    views, sheet = make_views(np.random.default_rng(31), 0.0)
    lens = calibrate_lens_from_views(views)
    np.testing.assert_allclose(lens.lens[:4], true_lens[:4], atol=1e-3)  # px; noise is floored at 1e-4 px
    camera = locate_table_from_view(sheet, lens, target, height_mm=HEIGHT_MM).camera
    np.testing.assert_allclose(camera.R_camera_from_table, table_pose[0], atol=1e-6)
    np.testing.assert_allclose(camera.t_camera_from_table_mm, table_pose[1], atol=1e-3)


def test_same_least_squares_answer_as_opencv(noisy):
    """cv2.calibrateCamera minimises the same sum when every corner has the same weight."""
    views, _, _ = noisy
    lens = calibrate_lens_from_views(views, sheet_sigma=EXACT_PRINT)
    if lens.terms[-1] == "k3":
        pytest.fail("this draw is meant to need no k3")
    result = cv2.calibrateCamera(
        [view.object_mm.astype(np.float32) for view in views],
        [view.image_px.astype(np.float32) for view in views],
        views[0].resolution,
        None,
        None,
        flags=cv2.CALIB_FIX_K3,
    )
    theirs = np.array([result[1][0, 0], result[1][1, 1], result[1][0, 2], result[1][1, 2], *result[2].ravel()])
    # ours weighs each photo by its own noise, good to 7 %: the two answers differ by a fraction of a sigma
    apart = (lens.lens - theirs)[:8] / lens.sigmas[:8]
    assert np.abs(apart).max() < 0.3
    assert lens.rms_px == pytest.approx(result[0], rel=0.01)


def test_schur_covariance_is_the_corner_of_the_dense_inverse(noisy, target):
    """The whole 14 + 6 V normal matrix, built and inverted densely, must hold our blocks."""
    _, _, lens = noisy
    free, prior = free_terms(lens.terms, lens.sheet_sigma), shape_prior(lens.sheet_sigma)
    seen = observe(
        [board_corners(view) for view in lens.views],
        [kept / noise**2 for kept, noise in zip(lens.fit.kept, lens.fit.noise_px, strict=True)],
    )
    equations = normal_equations(lens.fit.bundle, seen, free=free, prior=prior)
    n, v = int(free.sum()), len(seen)
    dense = np.zeros((n + 6 * v, n + 6 * v))
    dense[:n, :n] = equations.shared
    for i in range(v):
        at = slice(n + 6 * i, n + 6 * i + 6)
        dense[:n, at], dense[at, :n], dense[at, at] = equations.cross[i], equations.cross[i].T, equations.pose[i]
    scale = 1.0 / np.sqrt(np.diag(dense))
    inverse = np.linalg.inv(dense * np.outer(scale, scale)) * np.outer(scale, scale)
    for photo in (0, v - 1):
        index = np.r_[0:n, n + 6 * photo : n + 6 * photo + 6]
        expected = inverse[np.ix_(index, index)]
        sigma = np.sqrt(np.diag(expected))
        ours = equations.covariance(photo)
        np.testing.assert_allclose(ours / np.outer(sigma, sigma), expected / np.outer(sigma, sigma), atol=1e-8)


def test_claimed_covariance_is_that_of_repeated_measurements(make_views, true_lens, table_pose, target):
    """Sixteen noisy jobs, each with another crooked print: squared Mahalanobis distance per degree of freedom."""
    rng = np.random.default_rng(32)
    distances, pulls = [], []
    for _ in range(16):
        views, sheet = make_views(rng, shape=rng.normal(size=5) * PLAIN_PRINT.shape)
        lens = calibrate_lens_from_views(views)
        camera = locate_table_from_view(sheet, lens, target, height_mm=HEIGHT_MM, sheet_sigma=EXACT_PRINT).camera
        turn = cv2.Rodrigues(camera.R_camera_from_table @ table_pose[0].T)[0].ravel()
        off = np.concatenate([camera.lens - true_lens, turn, camera.t_camera_from_table_mm - table_pose[1]])
        known = np.diag(camera.covariance) > 0.0
        sigma = np.sqrt(np.diag(camera.covariance)[known])
        correlation = camera.covariance[np.ix_(known, known)] / np.outer(sigma, sigma)
        distances.append(off[known] / sigma @ np.linalg.solve(correlation, off[known] / sigma) / known.sum())
        pulls.append((off / np.sqrt(np.where(known, np.diag(camera.covariance), np.inf)))[[0, 1, 2, 3, *range(9, 15)]])
    assert 0.85 < np.sqrt(np.mean(distances)) < 1.15  # 1 +- 0.05 over 16 x 14 numbers
    spread = np.sqrt(np.mean(np.square(pulls), axis=0))
    assert np.all((spread > 0.45) & (spread < 1.6))  # each from 16 draws: 1 +- 0.18, three sigma


def test_table_positions_are_as_good_as_claimed(make_views, target, table_pose, seen_by_opencv):
    rng = np.random.default_rng(33)
    grid = np.stack(np.meshgrid(np.linspace(-150, 150, 4), np.linspace(-100, 100, 3), [HEIGHT_MM]), -1).reshape(-1, 3)
    pixels = seen_by_opencv(grid, *table_pose)
    pulls = []
    for _ in range(5):
        views, sheet = make_views(rng, shape=rng.normal(size=5) * PLAIN_PRINT.shape)
        lens = calibrate_lens_from_views(views)
        camera = locate_table_from_view(sheet, lens, target, height_mm=HEIGHT_MM, sheet_sigma=EXACT_PRINT).camera
        off = camera.to_plane(pixels, HEIGHT_MM) - grid[:, :2]
        covariance = camera.plane_covariance(pixels, HEIGHT_MM)
        pulls.append(np.einsum("ni,nij,nj->n", off, np.linalg.inv(covariance), off) / 2.0)
        assert np.sqrt(covariance[:, [0, 1], [0, 1]]).max() < 0.05  # mm: what 0.05 px at 0.6 mm per px should allow
    assert 0.7 < np.sqrt(np.mean(pulls)) < 1.3  # neighbours move together, so 5 draws are worth about 25 numbers


def test_a_bowed_and_skewed_board_is_measured_not_believed(make_views, true_lens):
    """0.8 mm of bow: nine claimed sigmas of focal length when the board is taken for flat (structured-light notes)."""
    bent = np.array([3e-4, -2e-4, 0.8, -0.3, 0.2])
    views, _ = make_views(np.random.default_rng(42), shape=bent)
    lens = calibrate_lens_from_views(views)
    assert np.abs((lens.shape - bent) / lens.shape_sigmas).max() < 4.0
    assert lens.shape_sigmas[0] < 1e-4
    assert lens.shape_sigmas[2:].max() < 0.1  # mm
    assert np.abs((lens.lens - true_lens)[:2] / lens.sigmas[:2]).max() < 4.0
    believed_flat = calibrate_lens_from_views(views, sheet_sigma=EXACT_PRINT)
    assert np.abs((believed_flat.lens - true_lens)[:2] / believed_flat.sigmas[:2]).max() > 4.0


def test_a_scale_that_nobody_entered_is_noticed(make_views):
    """A print 0.2 % too wide and 0.2 % too low, described as perfect."""
    views, _ = make_views(np.random.default_rng(43), shape=np.array([2e-3, 0.0, 0.0, 0.0, 0.0]))
    lens = calibrate_lens_from_views(views)
    assert lens.shape[0] == pytest.approx(2e-3, abs=2e-4)
    assert any("% wider" in warning and "target.scale" in warning for warning in lens.warnings)


def test_gross_errors_are_left_out(make_views, true_lens, target):
    views, _ = make_views(np.random.default_rng(34))
    spoilt = views[2].image_px.copy()
    spoilt[[3, 17]] += [[4.0, -3.0], [-25.0, 9.0]]
    views[2] = replace(views[2], image_px=spoilt)
    scattered = views[5].image_px + np.random.default_rng(35).normal(0.0, 1.5, views[5].image_px.shape)
    views[5] = replace(views[5], image_px=scattered)
    lens = calibrate_lens_from_views(views)
    assert [index for index, _ in lens.rejected] == [5]
    assert "px" in lens.rejected[0][1]
    place = lens.used.index(2)
    assert not lens.fit.kept[place][[3, 17]].any()
    assert lens.fit.kept[place].sum() >= views[2].n - 3
    assert np.abs((lens.lens - true_lens)[:4] / lens.sigmas[:4]).max() < 4.0


def test_k3_only_when_the_data_ask_for_it(target, board_poses, view_of, true_lens):
    rng = np.random.default_rng(36)
    board = board_corners_mm(target)
    matrix = np.array([[true_lens[0], 0, true_lens[2]], [0, true_lens[1], true_lens[3]], [0, 0, 1]])
    kept = {}
    for k3 in (0.0, -0.15):
        distortion = np.array([-0.11, 0.06, 0.0, 0.0, k3])
        views = []
        for R, t in board_poses:
            image = cv2.projectPoints(board, cv2.Rodrigues(R)[0], t, matrix, distortion)[0].reshape(-1, 2)
            views.append(view_of(board, image + rng.normal(0.0, 0.02, image.shape)))
        kept[k3] = calibrate_lens_from_views(views)
    assert "k3" in kept[-0.15].terms
    assert kept[-0.15].distortion[4] == pytest.approx(-0.15, abs=4 * kept[-0.15].sigmas[8])
    assert "k3" not in kept[0.0].terms
    assert kept[0.0].distortion[4] == 0.0


def test_a_camera_made_elsewhere_keeps_its_lens(noisy, target, table_pose, true_lens):
    _, sheet, lens = noisy
    elsewhere = CameraModel(
        resolution=lens.resolution,
        matrix=lens.matrix,
        distortion=lens.distortion,
        R_camera_from_table=np.diag([1.0, -1.0, -1.0]),
        t_camera_from_table_mm=np.array([0.0, 0.0, 100.0]),
    )
    found = locate_table_from_view(sheet, elsewhere, target, height_mm=HEIGHT_MM)
    np.testing.assert_array_equal(found.camera.lens, elsewhere.lens)
    assert found.camera.covariance is None
    np.testing.assert_allclose(found.camera.t_camera_from_table_mm, table_pose[1], atol=2.0)


def test_lens_as_prior_knowledge_agrees_with_the_joint_adjustment(noisy, target):
    """Two roads to one answer: all corners at once, or first the lens and then the sheet with the lens's covariance."""
    views, sheet, _ = noisy
    lens = calibrate_lens_from_views(views, sheet_sigma=EXACT_PRINT)
    options = {"height_mm": HEIGHT_MM, "sheet_sigma": EXACT_PRINT}
    joint = locate_table_from_view(sheet, lens, target, **options).camera
    prior = replace(joint, matrix=lens.matrix, distortion=lens.distortion, covariance=np.zeros((15, 15)))
    prior.covariance[:9, :9] = lens.covariance_lens
    stepwise = locate_table_from_view(sheet, prior, target, **options).camera
    sigma = np.sqrt(np.diag(joint.covariance))
    known = sigma > 0.0
    apart = np.concatenate([stepwise.lens - joint.lens, stepwise.t_camera_from_table_mm - joint.t_camera_from_table_mm])
    assert np.abs(apart / np.where(sigma > 0, sigma, 1.0)[[*range(9), 12, 13, 14]]).max() < 0.2
    ratio = np.sqrt(np.diag(stepwise.covariance))[known] / sigma[known]
    np.testing.assert_allclose(ratio, 1.0, atol=0.2)  # the two estimate the sheet's noise from different shares of data


def test_a_wrong_print_moves_the_camera_as_its_covariance_says(noisy, target):
    """The whole job once more with the print 0.1 % larger or the sheet 0.2 mm higher, against the linear forecast."""
    views, sheet, lens = noisy
    exact = locate_table_from_view(sheet, lens, target, height_mm=HEIGHT_MM, sheet_sigma=EXACT_PRINT).camera
    sigma = replace(EXACT_PRINT, scale=1e-3 * np.sqrt(2.0), height_mm=0.2)  # of the mean scale: 1e-3
    claimed = locate_table_from_view(sheet, lens, target, height_mm=HEIGHT_MM, sheet_sigma=sigma).camera.covariance
    larger = replace(target, scale=(target.scale[0] * 1.001, target.scale[1] * 1.001))
    wider = calibrate_lens_from_views([replace(view, object_mm=view.object_mm * 1.001) for view in views])
    lying = replace(sheet, object_mm=sheet.object_mm * 1.001)
    steps = [
        _step(exact, locate_table_from_view(lying, wider, larger, height_mm=HEIGHT_MM).camera),
        _step(exact, locate_table_from_view(sheet, lens, target, height_mm=HEIGHT_MM + 0.2).camera),
    ]
    expected = np.sqrt(np.sum(np.square(steps), axis=0))
    sheet_share = np.sqrt(np.abs(np.diag(claimed - exact.covariance)))
    own = np.sqrt(np.diag(exact.covariance))
    assert np.all(np.abs(sheet_share - expected) <= 0.02 * expected + 0.02 * own)
    assert np.all((sheet_share <= 0.02 * own)[:9])  # a larger print is a board further away: the lens cannot tell


def _step(before, after):
    turn = cv2.Rodrigues(after.R_camera_from_table @ before.R_camera_from_table.T)[0].ravel()
    return np.concatenate(
        [after.lens - before.lens, turn, after.t_camera_from_table_mm - before.t_camera_from_table_mm]
    )


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_few_photos(make_views, n):
    views, _ = make_views(np.random.default_rng(37))
    with pytest.raises(MeasurementError, match="photos of the board"):
        calibrate_lens_from_views(views[:n])


def test_a_board_that_always_faces_the_camera_is_refused(target, seen_by_opencv, view_of):
    board = board_corners_mm(target)
    rng = np.random.default_rng(38)
    views = []
    for i in range(8):
        image = seen_by_opencv(board, np.eye(3), np.array([-180.0 + 20 * i - 70, -126.0, 550.0]))
        views.append(view_of(board, image + rng.normal(0.0, 0.1, image.shape)))
    with pytest.raises(MeasurementError, match="tilted"):
        calibrate_lens_from_views(views)


def test_photos_of_two_sizes(make_views, target):
    views, sheet = make_views(np.random.default_rng(39))
    with pytest.raises(InputError, match=r"photo 2 .* 640 x 480"):
        calibrate_lens_from_views([views[0], replace(views[1], resolution=(640, 480)), *views[2:]])
    lens = calibrate_lens_from_views(views)
    with pytest.raises(InputError, match="640 x 480"):
        locate_table_from_view(replace(sheet, resolution=(640, 480)), lens, target, height_mm=0.0)


def test_few_photos_are_warned_of(make_views):
    views, _ = make_views(np.random.default_rng(40))
    assert any("only 4 photos" in warning for warning in calibrate_lens_from_views(views[:4]).warnings)


def test_a_speck_of_a_sheet_has_two_poses(noisy, target, seen_by_opencv, view_of):
    """Nearly no perspective across the sheet: both tilts explain it, and neither may be picked."""
    _, _, lens = noisy
    board = board_corners_mm(target)
    small = board_to_table(board, target, height_mm=0.0)
    R = cv2.Rodrigues(np.array([np.pi - 0.35, 0.0, 0.0]))[0]
    image = seen_by_opencv(small, R, np.array([0.0, 0.0, 30000.0]))
    view = view_of(board, image + np.random.default_rng(41).normal(0.0, 0.1, image.shape))
    with pytest.raises(MeasurementError, match="two positions"):
        locate_table_from_view(view, lens, target, height_mm=0.0)
