"""A regular ripple is found, followed and told: against what was put in, and SciPy's Lomb-Scargle periodogram."""

from dataclasses import replace

import numpy as np
import pytest
from bench_rigs import built_convex, convex_rig, overhead_camera, scan_of
from scipy.signal import lombscargle

from rigwarp.geometry import Array
from rigwarp.rig import inside_table
from rigwarp.table_map import fit_table_map, mounting_tolerances
from rigwarp.table_map.ripple_search import TILE, Lines, find_lines
from rigwarp.table_map.ripple_waves import fit_waves
from rigwarp.tracing import build_model, trace_map

TOLERANCES = mounting_tolerances(3.0, np.radians(1.0), 1.0, np.radians(0.5))
PICTURE = (360, 640)
NOISE_MM, AMPLITUDE_MM = 0.03, 0.2


def unit(direction_deg: float) -> Array:
    return np.array([np.cos(np.radians(direction_deg)), np.sin(np.radians(direction_deg))])


def waves(pixels_px: Array, *, period_px: float, direction_deg: float, amplitude_mm: float = AMPLITUDE_MM) -> Array:
    along = pixels_px @ unit(direction_deg)
    return amplitude_mm * np.sin(2 * np.pi * along / period_px + 0.3)[..., None] * np.array([0.8, 0.6])


def scattered(seed: int, count: int = 60_000) -> tuple[Array, Array, Array]:
    """Places within a disk of the picture, noise there, and the camera's pixels: a turned lattice would beat."""
    rng = np.random.default_rng(seed)
    pixels = rng.uniform([160, 20], [480, 340], (count, 2))
    pixels = pixels[np.hypot(*(pixels - [320, 180]).T) < 160]
    return pixels, NOISE_MM * rng.normal(size=pixels.shape), 0.8 * pixels


def lines_in(pixels: Array, residual: Array, camera: Array) -> Lines:
    return find_lines(pixels, residual, camera, 1.0, picture=PICTURE)


@pytest.mark.parametrize(("period_px", "direction_deg"), [(4.2, 30), (6, 0), (12, 70), (20, 90), (38, 20)])
def test_waves_of_any_direction_are_lines_and_followed(period_px: float, direction_deg: float) -> None:
    pixels, noise, camera = scattered(1)
    ripple = waves(pixels, period_px=period_px, direction_deg=direction_deg)
    lines = lines_in(pixels, noise + ripple, camera)
    assert lines.found.sum() >= 15
    seen = np.linalg.norm(lines.frequency[lines.found], axis=-1)
    # an outside answer from the same samples, along the direction that was put in
    trial = np.linspace(0.9, 1.1, 201) * 2 * np.pi / period_px
    some = slice(None, None, 20)
    power = lombscargle(pixels[some] @ unit(direction_deg), (noise + ripple)[some, 0], trial)
    outside = trial[np.argmax(power)] / (2 * np.pi)
    assert np.median(seen) == pytest.approx(outside, abs=0.15 / TILE)  # a share of what a tile resolves
    found = fit_waves(lines, pixels, noise + ripple, np.full(len(pixels), NOISE_MM), beside_form=False)
    assert found is not None
    left = found.value(pixels) - ripple
    assert np.sqrt(np.mean(left**2)) < 0.15 * NOISE_MM  # 24 unknowns from some thousand samples
    z = left / np.sqrt(found.variance(pixels))[:, None]
    assert 0.7 < z.std() < 1.3


def test_in_a_picture_twice_as_fine_the_same_ripple_is_twice_as_many_pixels_long() -> None:
    pixels, noise, camera = scattered(1)
    residual = noise + waves(pixels, period_px=12, direction_deg=70)
    usual = lines_in(pixels, residual, camera)
    shape = (2 * PICTURE[0], 2 * PICTURE[1])
    finer = find_lines(2 * pixels + 0.5, residual, 2 * camera + 0.5, 0.5, picture=shape, coarseness=2.0)
    assert np.array_equal(finer.found, usual.found)
    found = usual.found
    assert 2 * finer.frequency[found] == pytest.approx(usual.frequency[found], rel=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_noise_and_dents_are_no_ripple(seed: int) -> None:
    pixels, noise, camera = scattered(10 + seed)
    rng = np.random.default_rng(seed)
    width = rng.uniform(4.0, 15.0)
    off = pixels - rng.uniform([220, 80], [420, 280])
    dent = off * np.exp(-0.5 * np.sum(off**2, axis=1) / width**2)[:, None] * rng.uniform(0.1, 2.0) / width
    assert not lines_in(pixels, noise + dent, camera).found.any()


def test_the_beat_of_camera_and_projector_pixels_is_no_ripple() -> None:
    """Camera pixels 0.8 projector pixels apart: their lattice has 1.25 cycles per pixel, a quarter more than one."""
    v, u = np.mgrid[0:400, 0:400]
    camera = np.stack([u.ravel(), v.ravel()], axis=-1).astype(float)
    pixels = 0.8 * camera + [160.0, 20.0]
    noise = NOISE_MM * np.random.default_rng(3).normal(size=pixels.shape)
    beat = waves(pixels, period_px=4.01, direction_deg=0.0, amplitude_mm=0.1)
    assert not lines_in(pixels, noise + beat, camera).found.any()
    assert lines_in(pixels, noise + beat, 1.37 * camera).found.any()  # the same, if it is none of this camera


@pytest.mark.parametrize(("period_px", "direction_deg"), [(12.0, 20.0)])
def test_the_map_is_as_good_with_a_ripple_as_without(period_px: float, direction_deg: float) -> None:
    rig = convex_rig()
    built = built_convex(rig)
    scan, truth = scan_of(built, rig), trace_map(built, step_px=1)
    ripple = waves(scan.pixels_px, period_px=period_px, direction_deg=direction_deg, amplitude_mm=0.4)
    scan = replace(scan, table_mm=scan.table_mm + ripple)
    fit = fit_table_map(build_model(rig, meshes={}), scan, overhead_camera(), TOLERANCES)
    inside = truth.answered & fit.table_map.measured
    inside[inside] = inside_table(rig.table, truth.table_mm[inside])
    v, u = np.nonzero(inside)
    true = waves(np.stack([u, v], -1), period_px=period_px, direction_deg=direction_deg, amplitude_mm=0.4)
    error = (fit.table_map.table_mm - truth.table_mm)[inside] - true
    assert np.sqrt(np.mean(np.sum(error**2, axis=1))) < 0.009  # mm; 0.0047 without, 0.28 if not followed
    assert np.std(error / fit.random_mm[inside][:, None]) < 1.3
    assert not fit.not_proven
    (told,) = fit.ripples
    assert told.period_px == pytest.approx(period_px, rel=0.01)
    assert told.direction_deg == pytest.approx(direction_deg, abs=1.0)
    assert told.amplitude_mm == pytest.approx(0.4, rel=0.03)
    assert told.share > 0.9
    # tens of spots on the mirror, projector pixel by pixel, from the exact trace
    steps = np.array([320.0, 200.0]) + np.array([[0, 0], period_px * unit(direction_deg)])
    wave_mm = np.linalg.norm(np.diff(built.trace(steps).mirror_mm, axis=0))
    assert told.period_mm == pytest.approx(wave_mm, rel=0.3)  # it varies over the picture


def test_what_the_cameras_curve_leaves_of_a_single_period_is_no_ripple() -> None:
    """Positions err by A sin(3 phi) of stripes 18 px long: told as ripple of 6 px along u and along v."""
    rig = convex_rig()
    scan = scan_of(built_convex(rig), rig)
    spoilt = replace(scan, pixels_px=scan.pixels_px + 0.05 * np.sin(2.0 * np.pi * scan.pixels_px / 6.0))
    design, along = build_model(rig, meshes={}), (1.0 / 6.0,)
    blamed = fit_table_map(design, spoilt, overhead_camera(), TOLERANCES, curve_px=0.04)
    assert [round(one.period_px) for one in blamed.ripples] == [6, 6]
    fit = fit_table_map(design, spoilt, overhead_camera(), TOLERANCES, curve_px=0.04, curve_waves=(along, along))
    assert not fit.ripples
    assert not fit.not_proven
    inside = fit.table_map.measured
    assert np.median(fit.curve_mm[inside]) == pytest.approx(0.05 * np.median(blamed.curve_mm[inside]), rel=1e-3)
    good = fit_table_map(design, scan, overhead_camera(), TOLERANCES).table_map.table_mm
    assert np.nanmedian(np.linalg.norm(fit.table_map.table_mm - good, axis=-1)[inside]) < 0.003  # mm
    assert np.nanmedian(np.linalg.norm(blamed.table_map.table_mm - good, axis=-1)[inside]) > 0.02


def test_ripple_too_faint_to_follow_is_left_over_as_much_as_it_is() -> None:
    """A wave of length a has the variance a^2 / 4 along each axis; less than a hundredth of a pixel is not followed."""
    pixels, noise, camera = scattered(2)
    assert not lines_in(pixels, noise, camera).left_mm2.any()
    ripple = waves(pixels, period_px=8.0, direction_deg=20.0, amplitude_mm=0.008)
    lines = lines_in(pixels, noise + ripple, camera)
    assert not lines.found.any()
    inside = lines.grid.interpolated(lines.left_mm2, np.array([[320.0, 180.0], [280.0, 150.0]]))
    assert inside == pytest.approx(0.008**2 / 4, rel=0.3)
    clear = waves(pixels, period_px=8.0, direction_deg=20.0, amplitude_mm=0.015)
    assert lines_in(pixels, noise + clear, camera).found.any()


def test_sigma_covers_a_ripple_too_faint_to_follow() -> None:
    rig = convex_rig()
    built = built_convex(rig)
    scan, truth = scan_of(built, rig), trace_map(built, step_px=1)
    faint = {"period_px": 8.0, "direction_deg": 20.0, "amplitude_mm": 0.012}
    scan = replace(scan, table_mm=scan.table_mm + waves(scan.pixels_px, **faint))
    fit = fit_table_map(build_model(rig, meshes={}), scan, overhead_camera(), TOLERANCES)
    inside = truth.answered & fit.table_map.measured
    inside[inside] = inside_table(rig.table, truth.table_mm[inside])
    v, u = np.nonzero(inside)
    error = (fit.table_map.table_mm - truth.table_mm)[inside] - waves(np.stack([u, v], -1), **faint)
    assert not fit.ripples
    assert np.std(error / fit.random_mm[inside][:, None]) < 1.2
    assert np.median(fit.random_mm[inside]) < 0.009  # mm; the error is 0.007 per axis
