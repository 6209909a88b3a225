"""Dots photographed by an independent renderer, found on the table."""

import importlib.util
from pathlib import Path

import cv2
import numpy as np
import pytest

from rigwarp.camera import CameraModel
from rigwarp.errors import MeasurementError
from rigwarp.rig import Content
from rigwarp.verification import judge_dots, locate_dots, plan_dots

_spec = importlib.util.spec_from_file_location("dot_photos", Path(__file__).with_name("dot_photos.py"))
dot_photos = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(dot_photos)


def oblique_camera(size=(720, 600), tilt_deg=28.0):
    """About 0.5 mm per pixel, barrel distortion, looking down at a slant."""
    turn = cv2.Rodrigues(np.deg2rad([180.0 - tilt_deg, 0.0, 0.0]))[0] @ cv2.Rodrigues(np.array([0.0, 0.0, 0.1]))[0]
    return CameraModel(
        resolution=size,
        matrix=np.array([[1300.0, 0, size[0] / 2 - 3], [0, 1302.0, size[1] / 2 + 5], [0, 0, 1]]),
        distortion=np.array([-0.12, 0.05, 5e-4, -3e-4, 0.0]),
        R_camera_from_table=turn,
        t_camera_from_table_mm=np.array([5.0, -4.0, 650.0]),
    )


CONTENT = Content(
    shape="circle", size_mm=(200.0, 200.0), centre_mm=np.array([3.0, -2.0]), rotation_rad=0.2, pixels=(600, 600)
)


@pytest.fixture(scope="module")
def plan():
    return plan_dots(CONTENT, spacing_mm=24.0)


@pytest.fixture(scope="module")
def camera():
    return oblique_camera()


def test_centres_are_good_to_five_hundredths(plan, camera):
    """0.05 mm is the aim at 0.5 mm per camera pixel; no dot may be off by more, whatever the slant and the lens."""
    rng = np.random.default_rng(1)
    scene = dot_photos.Scene(
        camera, [(*xy, i, 1.0) for i, xy in zip(plan.ids, plan.table_mm, strict=True)], plan.diameter_mm
    )
    result = judge_dots(locate_dots(scene.photos(plan, rng), plan, camera, 0.0), plan)
    assert result.n == len(plan.ids)
    assert not result.missing
    assert not result.doubled
    assert result.unreadable == 0
    assert result.max_mm <= 0.05
    assert np.linalg.norm(result.vectors_mm.mean(axis=0)) <= 0.01  # no bias of the whole picture
    assert result.similarity.scale == pytest.approx(1.0, abs=1e-4)


def test_sigma_says_how_large_the_scatter_is(plan, camera):
    """Normalised residuals have unit variance; 20 % is twice the sampling error of 100 numbers plus a model error."""
    rng = np.random.default_rng(2)
    scene = dot_photos.Scene(
        camera, [(*xy, i, 1.0) for i, xy in zip(plan.ids, plan.table_mm, strict=True)], plan.diameter_mm
    )
    first, second = (
        locate_dots(scene.photos(plan, rng, noise=0.02, exposure=0.25), plan, camera, 0.0) for _ in range(2)
    )
    z = (first.table_mm - second.table_mm) / np.hypot(first.sigma_mm, second.sigma_mm)[:, None]
    assert np.sqrt(np.mean(z**2)) == pytest.approx(1.0, abs=0.2)


def test_dots_displaced_by_more_than_their_spacing(plan, camera):
    """A 1.5-fold zoom-out about a corner moves dots by up to 40 mm; each is still known by its word."""
    rng = np.random.default_rng(3)
    landed = (plan.table_mm - [80.0, 40.0]) * 0.72 + [70.0, 30.0]
    stretch = np.array([[1.3, 0.2], [0.0, 0.8]])
    scene = dot_photos.Scene(
        camera, [(*xy, i, 1.0) for i, xy in zip(plan.ids, landed, strict=True)], plan.diameter_mm * 0.8, stretch=stretch
    )
    found = locate_dots(scene.photos(plan, rng), plan, camera, 0.0)
    result = judge_dots(found, plan)
    assert result.max_mm > 1.4 * plan.spacing_mm
    assert result.n == len(plan.ids)
    assert np.linalg.norm(found.table_mm - landed[found.ids], axis=1).max() <= 0.05
    assert result.similarity.scale == pytest.approx(0.72, abs=1e-3)
    assert result.after_similarity.max_mm <= 0.06


def test_missing_doubled_and_overlapping_dots_are_told_apart(plan, camera):
    rng = np.random.default_rng(4)
    discs = [(*xy, i, 1.0) for i, xy in zip(plan.ids, plan.table_mm, strict=True) if i not in (7, 20, 21)]
    discs.append((*(plan.table_mm[30] + [11.0, 12.0]), 30, 0.6))  # a second image of dot 30
    discs.append((*(plan.table_mm[12] + [11.0, -12.0]), 12, 0.03))  # a ghost far below the doubling threshold
    discs.append((*plan.table_mm[20], 20, 1.0))  # two dots on one spot
    discs.append((*plan.table_mm[20], 21, 1.0))
    scene = dot_photos.Scene(camera, discs, plan.diameter_mm)
    found = locate_dots(scene.photos(plan, rng), plan, camera, 0.0)
    assert set(found.missing) == {7, 20, 21}
    assert set(found.doubled) == {30}
    np.testing.assert_allclose(found.doubled[30][1], plan.table_mm[30] + [11.0, 12.0], atol=0.1)
    mixed = [blob for blob in found.unreadable if blob.reason == "two dots on one spot"]
    assert len(mixed) == 1
    np.testing.assert_allclose(mixed[0].table_mm, plan.table_mm[20], atol=0.5)
    result = judge_dots(found, plan)
    assert result.max_mm <= 0.05


def test_dim_photos_with_strong_ambient_light_and_16_bit(plan, camera):
    rng = np.random.default_rng(5)
    scene = dot_photos.Scene(
        camera, [(*xy, i, 1.0) for i, xy in zip(plan.ids, plan.table_mm, strict=True)], plan.diameter_mm
    )
    photos = scene.photos(plan, rng, noise=0.01, ambient=0.3, exposure=0.08, bits=16)
    result = judge_dots(locate_dots(photos, plan, camera, 0.0), plan)
    assert result.n == len(plan.ids)
    assert result.rms_mm <= 0.1


def test_photos_that_show_nothing(plan, camera):
    rng = np.random.default_rng(6)
    photos = [rng.integers(20, 24, (600, 720)).astype(np.uint8) for _ in range(plan.n_pictures)]
    with pytest.raises(MeasurementError, match="none of the"):
        locate_dots(photos, plan, camera, 0.0)
    with pytest.raises(MeasurementError, match="check pictures"):
        locate_dots(photos[:-1], plan, camera, 0.0)


def test_a_dot_cut_by_an_edge_is_one_dot(plan, camera):
    """A bar 4 mm wide across some dots leaves two pieces of each; neither is a second image.

    Without haze: stray light in the bar blinks as the dot does and would join the pieces.
    """
    rng = np.random.default_rng(7)
    scene = dot_photos.Scene(
        camera, [(*xy, i, 1.0) for i, xy in zip(plan.ids, plan.table_mm, strict=True)], plan.diameter_mm
    )
    corners = dot_photos.corner_points(camera)[:-1, :-1]
    bar = np.abs((corners[..., 0] - CONTENT.centre_mm[0] + 12.0) % 24.0 - 12.0) < 2.0
    scene.cover(bar)
    found = locate_dots(scene.photos(plan, rng, haze=0.0, noise=0.01), plan, camera, 0.0)
    assert not found.doubled
    assert len(found.ids) == len(plan.ids)
