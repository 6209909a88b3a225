"""What held-out samples show beyond the noise: all of a misfit, nothing of chance, and honest about the rest."""

from dataclasses import replace

import numpy as np
import pytest
from bench_rigs import built_convex, convex_rig, overhead_camera, scan_of

from rigwarp.geometry import Array
from rigwarp.table_map import TableMapFit, fit_table_map, mounting_tolerances
from rigwarp.table_map.misfit import HeldSamples, find_misfit, judged_sigma
from rigwarp.tracing import build_model

TOLERANCES = mounting_tolerances(3.0, np.radians(1.0), 1.0, np.radians(0.5))
SHAPE, CELL_PX, SIGMA_MM = (360, 640), 4, 0.03


def held_samples(seed: int, *, true_sigma_mm: float = SIGMA_MM) -> HeldSamples:
    """Noise alone, on the cells of one tile in eight."""
    v, u = np.mgrid[0 : SHAPE[0] : CELL_PX, 0 : SHAPE[1] : CELL_PX]
    held = (3 * (u // 12) + v // 12) % 8 == 0
    pixels = np.stack([u[held], v[held]], axis=-1) + 1.5
    noise = true_sigma_mm * np.random.default_rng(seed).normal(size=pixels.shape)
    return HeldSamples(
        pixels_px=pixels,
        residual_mm=noise,
        sigma_mm=np.full(len(pixels), SIGMA_MM),
        fit_mm=np.zeros(len(pixels)),
    )


def waves(pixels_px: Array, *, period_px: float, direction_deg: float) -> Array:
    along = pixels_px @ np.array([np.cos(np.radians(direction_deg)), np.sin(np.radians(direction_deg))])
    return np.sin(2 * np.pi * along / period_px)[:, None] * np.array([1.0, 0.0])


@pytest.mark.parametrize("seed", range(3))
def test_chance_is_charged_nothing(seed: int) -> None:
    held = held_samples(seed)
    misfit = find_misfit(held, SHAPE, CELL_PX)
    assert np.sqrt(misfit.misfit_mm2.mean()) < 0.1 * SIGMA_MM
    assert np.median(misfit.noise_ratio) < 1.1


def test_noise_that_is_larger_than_stated_is_noise_and_no_misfit() -> None:
    misfit = find_misfit(held_samples(1, true_sigma_mm=1.5 * SIGMA_MM), SHAPE, CELL_PX)
    assert np.sqrt(misfit.misfit_mm2.mean()) < 0.2 * SIGMA_MM
    assert np.sqrt(np.median(misfit.noise_ratio)) == pytest.approx(1.5, rel=0.1)


@pytest.mark.parametrize("direction_deg", [0.0, 45.0, 120.0])
@pytest.mark.parametrize("period_px", [12.0, 20.0, 40.0])
def test_waves_of_any_direction_are_misfit(period_px: float, direction_deg: float) -> None:
    held = held_samples(2)
    wave_mm = 0.2 * waves(held.pixels_px, period_px=period_px, direction_deg=direction_deg)
    held = replace(held, residual_mm=held.residual_mm + wave_mm)
    misfit = find_misfit(held, SHAPE, CELL_PX)
    per_axis = np.sqrt(np.mean(wave_mm**2))
    assert np.sqrt(misfit.misfit_mm2.mean()) > 0.65 * per_axis  # what neighbours do not share counts as noise
    z = held.residual_mm / judged_sigma(held, SHAPE, CELL_PX)[:, None]
    assert 0.9 < z.std() < 1.1


def test_a_misfit_is_charged_where_it_is() -> None:
    held = held_samples(3)
    left = held.pixels_px[:, 0] < 200
    wave_mm = 0.2 * waves(held.pixels_px, period_px=20.0, direction_deg=30.0) * left[:, None]
    misfit = find_misfit(replace(held, residual_mm=held.residual_mm + wave_mm), SHAPE, CELL_PX)
    columns = np.array([100, 500]) // CELL_PX
    inside, outside = np.sqrt(misfit.misfit_mm2[20:70, columns].mean(axis=0))
    assert inside > 0.06
    assert outside < 0.25 * inside


def rippled(amplitude_mm: float, seed: int = 7) -> TableMapFit:
    rig = convex_rig()
    scan = scan_of(built_convex(rig), rig, seed=seed)
    wave_mm = amplitude_mm * waves(scan.pixels_px, period_px=20.0, direction_deg=20.0)
    scan = replace(scan, table_mm=scan.table_mm + wave_mm)
    return fit_table_map(build_model(rig, meshes={}), scan, overhead_camera(), TOLERANCES)


def test_sigma_of_a_map_covers_what_its_surface_does_not_follow() -> None:
    clean, spoilt = rippled(0.0), rippled(0.3)
    assert clean.not_proven == spoilt.not_proven == ""
    assert 0.9 < spoilt.held_out.z_spread < 1.1
    assert np.nanmedian(clean.random_mm) < 1.2 * np.nanmedian(clean.decode_mm)


def test_what_other_tiles_cannot_tell_is_said_with_its_place() -> None:
    """Every second column of tiles is wrong: the tiles between them know nothing of it."""
    rig = convex_rig()
    scan = scan_of(built_convex(rig), rig)
    odd = np.floor(scan.pixels_px[:, 0] / 12.0).astype(int) % 2 == 1
    noise = np.random.default_rng(1).normal(size=scan.table_mm.shape)
    scan = replace(scan, table_mm=scan.table_mm + 0.5 * noise * odd[:, None])
    fit = fit_table_map(build_model(rig, meshes={}), scan, overhead_camera(), TOLERANCES)
    assert not 0.9 < fit.held_out.z_spread < 1.1
    assert fit.not_proven.startswith("sigma not proven")
    assert "projector pixels" in fit.not_proven


def test_a_map_that_is_surer_than_it_says_blames_no_mirror() -> None:
    rig = convex_rig()
    scan = scan_of(built_convex(rig), rig)
    fit = fit_table_map(
        build_model(rig, meshes={}), replace(scan, sigma_px=2.0 * scan.sigma_px), overhead_camera(), TOLERANCES
    )
    assert fit.held_out.z_spread == pytest.approx(0.5, abs=0.05)
    assert "surer than it says" in fit.not_proven
    assert "mirror" not in fit.not_proven
