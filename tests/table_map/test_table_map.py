"""The table map: right within its own uncertainty, bridged where unseen, silent outside the light."""

from dataclasses import replace

import numpy as np
import pytest
from bench_rigs import built_convex, convex_rig, flat_rig, overhead_camera, scan_of

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, PixelMap
from rigwarp.rig import Rig, inside_table
from rigwarp.table_map import Samples, TableMapFit, fit_table_map, mounting_tolerances
from rigwarp.tracing import build_model, trace_map

TOLERANCES = mounting_tolerances(3.0, np.radians(1.0), 1.0, np.radians(0.5))


def on_table(truth: PixelMap, rig: Rig) -> Array:
    inside = truth.answered.copy()
    inside[inside] = inside_table(rig.table, truth.table_mm[inside])
    return inside


@pytest.fixture(scope="module")
def fitted() -> tuple[TableMapFit, PixelMap, Rig]:
    rig = convex_rig()
    truth_model = built_convex(rig)
    fit = fit_table_map(build_model(rig, meshes={}), scan_of(truth_model, rig), overhead_camera(), TOLERANCES)
    return fit, trace_map(truth_model, step_px=1), rig


def test_the_map_is_right_within_its_own_uncertainty(fitted: tuple[TableMapFit, PixelMap, Rig]) -> None:
    fit, truth, rig = fitted
    inside = on_table(truth, rig)
    inside &= fit.table_map.measured
    error = (fit.table_map.table_mm - truth.table_mm)[inside]
    assert np.sqrt(np.mean(np.sum(error**2, axis=1))) < 0.02  # mm; one sample is 0.04 mm, hundreds share a knot cell
    z = error / fit.random_mm[inside][:, None]  # this camera has no errors of its own
    assert 0.7 < z.std() < 1.3  # neighbouring pixels share a few thousand independent coefficients
    assert 0.9 < fit.held_out.z_spread < 1.1


def test_all_of_the_lit_table_is_covered_and_nothing_beyond(fitted: tuple[TableMapFit, PixelMap, Rig]) -> None:
    fit, truth, rig = fitted
    inside = on_table(truth, rig)
    assert fit.table_map.measured[inside].mean() > 0.999
    radius = np.hypot(fit.table_map.x_mm, fit.table_map.y_mm)
    assert np.nanmax(radius) < 250 + 6  # mm: a sample's reach is 2.5 pixels of up to 2 mm


def test_the_coarser_cells_and_knots_of_a_finer_picture_tell_the_same_mirror(
    fitted: tuple[TableMapFit, PixelMap, Rig], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A picture twice as fine is fitted by cells of 8 pixels and knots of 24, as those of 4K are."""
    usual, truth, rig = fitted
    width, height = rig.projector.resolution
    finer = replace(rig, projector=replace(rig.projector, resolution=(2 * width, 2 * height)))
    monkeypatch.setattr("rigwarp.tracing.scan_grid._FINE_PICTURE_PX", width)
    samples = scan_of(built_convex(finer), finer)
    fit = fit_table_map(build_model(finer, meshes={}), samples, overhead_camera(), TOLERANCES)
    assert len(fit.cells) == pytest.approx(len(usual.cells), rel=0.02)
    of_four = fit.table_map.table_mm.reshape(height, 2, width, 2, 2).mean(
        axis=(1, 3)
    )  # in the middle of the coarse one
    inside = on_table(truth, rig) & usual.table_map.measured & np.isfinite(of_four[..., 0])
    error, sigma = (of_four - truth.table_mm)[inside], fit.random_mm[::2, ::2][inside]
    assert np.sqrt(np.mean(np.sum(error**2, axis=1))) < 0.02  # mm, as of the usual one
    assert 0.7 < (error / sigma[:, None]).std() < 1.3
    assert 0.9 < fit.held_out.z_spread < 1.1


def test_registration_explains_the_mounting(fitted: tuple[TableMapFit, PixelMap, Rig]) -> None:
    registration = fitted[0].registration
    assert registration.rms_before_mm > 5.0
    assert registration.rms_after_mm < 2.5  # mm: what a rigid move cannot explain of a 60 um bump


def test_uncertainty_of_the_camera_is_kept_apart() -> None:
    rig = convex_rig()
    model = build_model(rig, meshes={})
    covariance = np.zeros((15, 15))
    covariance[12, 12] = covariance[13, 13] = 0.2**2  # the camera's place is known to 0.2 mm along x and y
    fit = fit_table_map(model, scan_of(model, rig), overhead_camera(covariance), TOLERANCES)
    measured = fit.table_map.measured
    lens_mm = 0.01 * 1000 / 950  # a hundredth of a pixel of 1.05 mm, which no lens model gets right
    assert fit.common_mm[measured] == pytest.approx(np.hypot(0.2, lens_mm), rel=1e-6)
    assert fit.random_mm[measured].max() < 0.05
    assert np.allclose(fit.table_map.sigma_mm[measured], np.hypot(fit.common_mm, fit.random_mm)[measured])


def test_wrong_samples_do_no_harm_and_what_neighbours_share_counts_once(
    fitted: tuple[TableMapFit, PixelMap, Rig],
) -> None:
    good, truth, rig = fitted
    samples = scan_of(built_convex(rig), rig)
    rng = np.random.default_rng(8)
    wrong = rng.choice(len(samples), len(samples) // 100, replace=False)
    pixels = samples.pixels_px.copy()
    pixels[wrong] = pixels[rng.permutation(wrong)]
    spoilt = Samples(**{**samples.__dict__, "pixels_px": pixels})
    fit = fit_table_map(
        build_model(rig, meshes={}), spoilt, overhead_camera(), TOLERANCES, light_px=0.03, bands_px=0.04, curve_px=0.12
    )
    inside = on_table(truth, rig) & fit.table_map.measured
    error = np.linalg.norm((fit.table_map.table_mm - truth.table_mm)[inside], axis=1)
    assert np.sqrt(np.mean(error**2)) < 0.03  # mm, against 0.02 without
    light, bands = fit.light_change_mm[inside], fit.bands_mm[inside]
    assert light / bands == pytest.approx(0.75)
    curve = fit.curve_mm[inside]
    assert curve / bands == pytest.approx(3.0)  # as the pixels it was told in
    own = np.sqrt(fit.random_mm[inside] ** 2 - light**2 - bands**2 - curve**2)
    assert np.median(own) == pytest.approx(np.median(good.random_mm[inside]), rel=0.05)


def test_a_hole_is_bridged_and_flagged(fitted: tuple[TableMapFit, PixelMap, Rig]) -> None:
    _, truth, rig = fitted
    samples = scan_of(built_convex(rig), rig)
    hole = np.hypot(*(samples.table_mm - [60.0, -30.0]).T) < 25.0
    fit = fit_table_map(build_model(rig, meshes={}), samples.only(~hole), overhead_camera(), TOLERANCES)
    inside = np.hypot(truth.x_mm - 60.0, truth.y_mm + 30.0) < 15.0
    assert fit.table_map.answered[inside].all()
    assert not fit.table_map.measured[inside].any()
    error = np.linalg.norm((fit.table_map.table_mm - truth.table_mm)[inside], axis=1)
    sigma = fit.table_map.sigma_mm
    assert error.max() < 0.3  # mm: bridged from the rim, the bump's curvature continues
    assert np.mean(error < 3 * np.sqrt(2) * sigma[inside]) > 0.9
    assert np.median(sigma[inside]) > 1.5 * np.median(sigma[fit.table_map.measured])


def test_a_flat_mirror_gives_a_homography() -> None:
    """Closed form: a plane mirror is a second projector behind it, and its picture on the table a homography."""
    rig = flat_rig()
    model = build_model(rig, meshes={}).moved(
        np.array([1.0, 0.5, -1.0]), np.radians([0.2, 0.1, -0.3]), np.zeros(3), np.radians([0.1, -0.2, 0.0])
    )
    placement = model.projector.placement
    normal = model.mirror.rotation[:, 2]
    flip = np.eye(3) - 2 * np.outer(normal, normal)
    centre = model.mirror.position_mm + flip @ (placement.position_mm - model.mirror.position_mm)
    f, (cx, cy) = rig.projector.focal_px, rig.projector.principal_px
    rays = flip @ placement.rotation @ np.array([[1 / f, 0, -cx / f], [0, 1 / f, -cy / f], [0, 0, 1]])
    fit = fit_table_map(build_model(rig, meshes={}), scan_of(model, rig), overhead_camera(), TOLERANCES)
    v, u = np.nonzero(fit.table_map.measured)
    direction = rays @ np.stack([u, v, np.ones(len(u))])
    wanted = (centre[:, None] - centre[2] * direction / direction[2])[:2].T
    error = np.linalg.norm(fit.table_map.table_mm[v, u] - wanted, axis=1)
    assert len(u) > 10_000
    assert np.sqrt(np.mean(error**2)) < 0.02  # mm


def test_too_few_samples_are_refused() -> None:
    rig = convex_rig()
    model = build_model(rig, meshes={})
    samples = scan_of(model, rig)
    with pytest.raises(MeasurementError, match="samples"):
        fit_table_map(model, samples.only(np.arange(30)), overhead_camera(), TOLERANCES)


def test_positions_at_the_border_of_the_picture_bend_nothing() -> None:
    """Blur mixes the outermost stripes with darkness, which draws them inwards; they count as light, not as places."""
    rig = flat_rig()
    model = build_model(rig, meshes={})
    samples = scan_of(model, rig)
    width, height = rig.projector.resolution
    inwards = np.zeros(samples.pixels_px.shape)
    for axis, last in enumerate((width - 1.0, height - 1.0)):
        at = samples.pixels_px[:, axis]
        inwards[:, axis] = 0.3 * np.exp(-((at / 1.5) ** 2)) - 0.3 * np.exp(-(((last - at) / 1.5) ** 2))
    drawn = Samples(**{**samples.__dict__, "pixels_px": samples.pixels_px + inwards})
    fit = fit_table_map(model, drawn, overhead_camera(), TOLERANCES)
    truth = trace_map(model, step_px=1)
    rim = on_table(truth, rig)
    rim[2:-2, 2:-2] = False
    assert rim.any()
    assert fit.table_map.measured[rim].mean() > 0.95
    error = np.linalg.norm((fit.table_map.table_mm - truth.table_mm)[rim & fit.table_map.measured], axis=1)
    assert np.sqrt(np.mean(error**2)) < 0.05  # mm; 0.3 px are 0.3 mm here, and pull the border by half of that
