"""Errors that samples have in common: the warp's size, the pupil's smear, and what neighbours are worth."""

from dataclasses import replace

import numpy as np
import pytest
from two_wings import make_rig

from rigwarp.as_built.solve.fit_data import Data, Spots, join_data
from rigwarp.as_built.solve.shared_errors import (
    BEAM_MM2,
    SHARED_MM,
    beside_own_noise,
    lens_errors,
    plane_warp,
    with_shared_errors,
)
from rigwarp.files import open_rig
from rigwarp.geometry.robust import independent_errors
from rigwarp.jobs.view.trace import parts_of
from rigwarp.rig import Lens

LINE = np.arange(-20.0, 20.1, 0.5)
PLACE = np.stack(np.meshgrid(LINE, LINE), axis=-1).reshape(-1, 2)
INSIDE = (np.abs(PLACE) < 17.0).all(axis=-1)
NEIGHBOURS = 21  # of a square lattice of 0.5 mm, within 1.25 mm: i^2 + j^2 <= 6.25
SIGMA_MM = 0.006
PERIOD_MM, WAVE_MM = 6.0, 0.1


def data_of(table_mm, height_mm=0.0):
    n = len(table_mm)
    return Data(
        pixels_px=np.zeros((n, 2)),
        table_mm=table_mm,
        sigma_mm=np.full(n, SIGMA_MM),
        zone=np.zeros(n, np.int64),
        camera=np.zeros((n, 2, 1)),
        information_weight=np.ones(n),
        height_mm=np.broadcast_to(height_mm, n),
        scan=np.zeros(n, np.int64),
        ripple_mm=np.zeros((n, 2)),
    )


def spots_of(place_mm):
    mirror = np.column_stack([place_mm, np.zeros(len(place_mm))])
    return Spots(local_mm=place_mm, mirror_mm=mirror, normal=np.broadcast_to([0.0, 0.0, 1.0], mirror.shape))


def smooth_mirror(place_mm):
    """Landing points by a mirror whose magnification grows across it: a smear that is smooth, 1.5 um per mm."""
    x, y = place_mm.T
    return np.stack([8.0 * x + 0.02 * x * x + 0.001 * x**3, 8.0 * y + 0.03 * x * y + 0.001 * y**3], axis=-1)


def test_the_warp_moves_places_by_its_sigma_all_terms_together():
    """Legendre polynomials of unit rms are orthonormal over the square: the variances of an axis's ten terms add up."""
    line = np.linspace(-250.0, 250.0, 201)
    functions = plane_warp(np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2), 0.01)
    assert functions.shape == (len(line) ** 2, 2, 20)
    rms = np.sqrt(np.mean(np.sum(functions**2, axis=-1), axis=0))
    np.testing.assert_allclose(rms, 0.01, rtol=0.03)  # the rim's samples count in full, where cubics are largest


def test_a_smooth_smear_is_no_error_of_neighbours():
    """What the warp of the plane holds is not counted again as noise that neighbours share."""
    data = with_shared_errors(data_of(smooth_mirror(PLACE)), spots_of(PLACE))
    smear = data.camera[:, :, -1]
    assert np.sqrt(np.mean(smear**2)) > 0.004  # mm: it is there, as an unknown of all samples
    np.testing.assert_allclose(data.sigma_mm, SIGMA_MM, rtol=0.01)
    alone = SIGMA_MM**2 / (SIGMA_MM**2 + (NEIGHBOURS - 1) * SHARED_MM**2)
    np.testing.assert_allclose(data.information_weight[INSIDE], alone, rtol=0.05)  # 0.3 um of the smear are not cubic


def test_the_smear_of_a_ripple_is_an_error_of_neighbours():
    """A wave a sin(k x) is smeared by a k^2 s^2 / 2 sin(k x); nine tenths of it stay, on both axes alike."""
    k = 2.0 * np.pi / PERIOD_MM
    table = smooth_mirror(PLACE)
    table[:, 0] += WAVE_MM * np.sin(k * PLACE[:, 0])
    data = with_shared_errors(data_of(table), spots_of(PLACE))
    smear = 0.5 * BEAM_MM2 * k**2 * WAVE_MM * np.sin(k * PLACE[:, 0])
    left = np.sqrt(np.mean(data.sigma_mm[INSIDE] ** 2) - SIGMA_MM**2)
    # quadratics over 3 mm flatten the curvature of a wave of 6 mm by a quarter
    assert left == pytest.approx(0.9 * np.sqrt(np.mean(smear[INSIDE] ** 2) / 2.0), rel=0.35)
    crest = INSIDE & (np.abs(np.sin(k * PLACE[:, 0])) > 0.9)
    assert np.median(data.information_weight[crest]) < 0.2


def test_samples_of_a_tilted_board_are_one_scan():
    """Every sample has its own height there; the smear is told from all of them."""
    table = smooth_mirror(PLACE)
    board = data_of(1.1 * table, height_mm=60.0 + 0.01 * table[:, 0])
    joined = join_data(data_of(table), [board])
    np.testing.assert_array_equal(joined.scan, np.repeat([0, 1], len(PLACE)))
    both = with_shared_errors(joined, spots_of(np.concatenate([PLACE, PLACE])))
    first, second = both.camera[: len(PLACE), :, -1], both.camera[len(PLACE) :, :, -1]
    np.testing.assert_allclose(second, 1.1 * first, atol=1e-6)  # mm; derivatives are linear in the landing points


def test_a_common_scale_gains_nothing_by_shrinking_the_noise():
    """Closed form: a scale's column at the measured places, s (P + noise), goes with the noise itself: their product
    over sigma^2 is 2 N s in the mean, 8 here, however small the noise. Beside its own noise there is nothing of it."""
    random, sigma_mm, scale = np.random.default_rng(4), 0.01, 5e-4
    pixels = np.stack(np.meshgrid(np.arange(100.0), np.arange(80.0)), axis=-1).reshape(-1, 2)
    exact = 3.0 * pixels - [150.0, 120.0] + 1e-3 * pixels**2
    noise = sigma_mm * random.normal(size=exact.shape)
    zone = (pixels[:, 0] > 50.0).astype(np.int64)
    beside = beside_own_noise(exact + noise, pixels, zone)
    assert np.abs(beside - exact).max() < 0.05
    measured, now = (scale * float(np.sum(off * noise)) / sigma_mm**2 for off in (noise, beside - exact))
    assert measured == pytest.approx(2 * len(exact) * scale, rel=0.03)
    assert abs(now) < 0.05 * measured
    alone = beside_own_noise(exact[:3], pixels[:3], zone[:3])
    np.testing.assert_array_equal(alone, exact[:3])


@pytest.fixture(scope="module")
def wing(tmp_path_factory):
    """Light path of a view's first wing, seen with a calibrated lens, and pixels that look into it."""
    folder = open_rig(make_rig(tmp_path_factory.mktemp("lens") / "rig", scale=2), without_projector=True)
    part = parts_of(folder)[0]
    camera = part.model.projector
    (u, v), focal_px = camera.principal_px, camera.focal_px
    matrix = np.array([[focal_px, 0.0, u], [0.0, focal_px, v], [0.0, 0.0, 1.0]])
    lens = Lens(matrix=matrix, distortion=np.array([-0.05, 0.01, 2e-4, -3e-4, 0.0]), sigma_px=0.07)
    pixels = np.stack(np.meshgrid(np.linspace(u + 60.0, u + 320.0, 9), np.linspace(v - 200.0, v + 200.0, 7)), axis=-1)
    return replace(part.model, projector=replace(camera, lens=lens)), pixels.reshape(-1, 2)


@pytest.mark.parametrize(("term", "sigma"), list(enumerate([0.3, 0.3, 0.2, 0.2, 1e-3, 2e-3, 1e-4, 1e-4, 1e-3])))
def test_an_error_of_the_lens_moves_places_as_tracing_with_that_lens_does(wing, term, sigma):
    model, pixels = wing
    lens, zone = model.projector.lens, np.zeros(len(pixels), np.int64)
    error = np.zeros(9)
    error[term] = sigma
    matrix = lens.matrix.copy()
    matrix[[0, 1, 0, 1], [0, 1, 2, 2]] += error[:4]
    other = replace(lens, matrix=matrix, distortion=lens.distortion + error[4:])
    wrong = replace(model, projector=replace(model.projector, lens=other))
    moved = wrong.trace(pixels, zone=0, extended=True).table_mm - model.trace(pixels, zone=0, extended=True).table_mm
    told = lens_errors(model, replace(lens, covariance=np.diag(error**2)), pixels, zone).sum(axis=-1)
    sign = -np.sign(np.sum(told * moved))  # of an eigenvector: either
    np.testing.assert_allclose(-sign * told, moved, atol=0.02 * np.abs(moved).max())


def test_a_lens_without_covariance_is_off_by_its_sigma(wing):
    """Polynomials over the picture of 0.07 px per axis, times what a pixel is on the table."""
    model, pixels = wing
    told = lens_errors(model, model.projector.lens, pixels, np.zeros(len(pixels), np.int64))
    step = model.trace(pixels + np.array([1.0, 0.0]), zone=0, extended=True).table_mm
    step = np.linalg.norm(step - model.trace(pixels, zone=0, extended=True).table_mm, axis=-1)
    rms_mm = np.sqrt(np.mean(np.sum(told**2, axis=-1)))
    assert rms_mm == pytest.approx(0.07 * np.sqrt(np.mean(step**2)), rel=0.35)  # cubics are largest at the rim


def test_independent_errors_are_those_of_the_covariance():
    raw = np.random.default_rng(3).normal(size=(9, 9)) * 10.0 ** -np.arange(9.0)[:, None]
    half = independent_errors(raw @ raw.T)
    size = np.sqrt(np.diag(raw @ raw.T))
    np.testing.assert_allclose(half @ half.T / np.outer(size, size), raw @ raw.T / np.outer(size, size), atol=1e-9)
