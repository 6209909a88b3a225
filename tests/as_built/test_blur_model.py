"""What stripes lose, in closed form, and the light path behind it against rays that are simply traced."""

import numpy as np
import pytest
from as_built_rig import moved, scan, spline_of

from rigwarp.as_built.fine_ripple.blur_model import BlurRule, ripple_loss
from rigwarp.as_built.fine_ripple.blur_paths import blur_paths, map_slopes
from rigwarp.as_built.solve.ray_geometry import Deviation, zone_rays

PERIODS_PX = np.array([18.0, 22.75, 24.25, 25.25])
OTHER_PERIODS_PX = np.array([20.75, 24.75, 25.0, 26.0])
PIXELS = np.stack(np.meshgrid(np.arange(400.0, 881.0, 80.0), np.arange(200.0, 521.0, 80.0)), axis=-1).reshape(-1, 2)


@pytest.mark.parametrize("spread_px", [0.3, 2.0, 4.0])
def test_a_sinusoidal_ripple_leaves_what_its_phases_leave_on_average(spread_px):
    """Light at d sin(phase), all phases alike: the mean of cos(2 pi d sin(phase) / P). Up to 4 px a third is left."""
    phase = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)
    aside = np.sqrt(2.0) * spread_px * np.sin(phase)
    left = np.mean(np.cos(2.0 * np.pi * aside[:, None] / PERIODS_PX), axis=0)
    loss, by_square = ripple_loss(np.array([spread_px**2]), PERIODS_PX)
    np.testing.assert_allclose(np.exp(-loss[0]), left, rtol=1e-12)
    step = 1e-4
    ahead, behind = (ripple_loss(np.array([spread_px**2 + s]), PERIODS_PX)[0] for s in (step, -step))
    np.testing.assert_allclose(by_square, (ahead - behind) / (2.0 * step), rtol=1e-6)


def test_a_little_ripple_is_a_blur_of_the_same_variance():
    variance = np.array([0.0, 1e-4, 0.01])
    loss, by_square = ripple_loss(variance, PERIODS_PX)
    # the next term of -ln J0 is (pi d / P)^4 / 4: 0.03 % of the first for 0.01 px^2 at 18 px
    np.testing.assert_allclose(loss, 2.0 * np.pi**2 * variance[:, None] / PERIODS_PX**2, rtol=4e-4)
    np.testing.assert_allclose(by_square[0], 2.0 * np.pi**2 / PERIODS_PX**2, rtol=1e-12)


@pytest.mark.parametrize("other", [PERIODS_PX, OTHER_PERIODS_PX])
def test_blurs_are_told_whatever_is_lost_alike(other):
    """Variances of 3 and 1 px^2, and a tenth of all modulation lost to light from all around."""
    rule = BlurRule.of(PERIODS_PX, other)
    u, v = (0.9 * np.exp(-2.0 * np.pi**2 * c / p**2)[None] for c, p in ((3.0, PERIODS_PX), (1.0, other)))
    np.testing.assert_allclose(rule.blur(u, v), [[2.0, 2.0]], atol=1e-9)  # difference and mean


def paths_at(model, camera):
    surface = model.surfaces[0]
    slopes = np.stack([traced(model, PIXELS + s) - traced(model, PIXELS - s) for s in 0.5 * np.eye(2)], axis=-1)
    seen = camera.project(np.concatenate([traced(model, PIXELS), np.zeros((len(PIXELS), 1))], axis=-1))
    return blur_paths(model, surface, PIXELS, seen, camera, mm_per_px=slopes)


def traced(model, pixels):
    return model.trace(pixels, extended=True).table_mm


def test_light_from_beside_the_pupils_middle(model, camera):
    """A projector shifted sideways is a ray from there: 0.1 mm lands where it is traced to, in pixels of the map."""
    paths = paths_at(model, camera)
    for k in (0, 1):
        shift = np.zeros(12)
        shift[:3] = 0.1 * model.projector.placement.rotation[:, k]
        ahead, behind = (traced(moved(model, s), PIXELS) for s in (shift, -shift))
        aside = np.linalg.solve(paths.mm_per_px, ((ahead - behind) / 0.2)[..., None])[..., 0]
        np.testing.assert_allclose(paths.by_pupil[..., k], aside, atol=1e-4)  # px per mm of about 3


def test_light_turned_by_slopes(model, camera):
    """Against the derivatives that the figure's fit uses, which are tested by tracing."""
    rays = zone_rays(model, model.surfaces[0], PIXELS, Deviation.none(len(PIXELS)))
    paths = paths_at(model, camera)
    by_slope = np.linalg.solve(paths.mm_per_px, rays.by_height()[..., 1:])
    np.testing.assert_allclose(paths.by_slope, by_slope, rtol=1e-9, atol=1e-6)  # px per rad of about 1000


def test_the_maps_slope_is_that_of_the_mirror_as_built(model, camera):
    """200 um of astigmatism over 45 mm change the map's slope by 2.5 per cent; a cubic leaves a tenth of that."""
    built = model.with_figure({0: spline_of(lambda x, y: 0.2 * (x * x - y * y) / 45.0**2)})
    samples, *_ = scan(built, camera, step_px=12)
    found = map_slopes(model, model.surfaces[0], samples.pixels_px, samples.table_mm, PIXELS)
    wanted, design = (
        np.stack([traced(m, PIXELS + s) - traced(m, PIXELS - s) for s in 0.5 * np.eye(2)], axis=-1)
        for m in (built, model)
    )
    assert np.abs(wanted - design).max() > 0.018  # mm per px of about 0.75
    np.testing.assert_allclose(found, wanted, atol=0.002)
