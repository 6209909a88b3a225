"""Dents on synthetic height maps, findings in words, and the corrected mould on a design known in closed form."""

import numpy as np
import pytest
from as_built_rig import findings_told, make_model

from rigwarp.as_built.describe.defects import find_defects, local_form
from rigwarp.as_built.describe.form import ZernikeTerm
from rigwarp.as_built.describe.mould import corrected_mesh, correction_of
from rigwarp.as_built.describe.mould_solid import mould_solid
from rigwarp.as_built.describe.ripple import Ripple, find_ripple
from rigwarp.errors import MeasurementError
from rigwarp.geometry import TriangleMesh

X, Y = np.arange(-40.0, 41.0), np.arange(-30.0, 31.0)
GRID = np.meshgrid(X, Y)


def bowl(x, y):
    """Power and astigmatism of a hundred micrometres over the map, um."""
    return 0.05 * (x**2 + y**2) + 0.02 * (x**2 - y**2)


def dent(x, y, *, depth=12.0, sigma=3.4):
    return -depth * np.exp(-((x - 11.0) ** 2 + (y + 6.0) ** 2) / (2.0 * sigma**2))


def test_a_local_form_keeps_every_quadratic():
    z = bowl(*GRID) + 3.0 * GRID[0] - GRID[1]
    assert np.abs(local_form(z, 6.0) - z).max() < 1e-5  # um of 300: rounding of fourth moments, and the ridge


def test_a_dent_is_found_with_place_width_and_depth():
    noise = 0.05 * np.random.default_rng(0).normal(size=GRID[0].shape)
    (found,) = find_defects(X, Y, bowl(*GRID) + dent(*GRID) + noise, np.full(GRID[0].shape, 0.1))
    assert (found.x_mm, found.y_mm) == pytest.approx((11.0, -6.0), abs=0.5)  # mm: half a grid cell
    assert found.depth_um == pytest.approx(-12.0, rel=0.1)
    assert found.width_mm == pytest.approx(2.3548 * 3.4, rel=0.15)  # full width at half depth of a Gaussian


def test_a_smooth_map_has_no_defects():
    noise = 0.05 * np.random.default_rng(1).normal(size=GRID[0].shape)
    assert find_defects(X, Y, bowl(*GRID) + noise, np.full(GRID[0].shape, 0.1)) == ()


def test_a_ripple_below_what_decoding_leaves_is_not_reported():
    xy = np.stack([g.ravel() for g in GRID], axis=-1)
    slope = np.zeros_like(xy)
    slope[:, 0] = 0.002 * np.cos(2.0 * np.pi * xy[:, 0] / 8.0)  # mrad: 3 nm of height
    slope += 1e-5 * np.random.default_rng(2).normal(size=slope.shape)
    ripple, search = find_ripple(xy, slope)
    assert ripple is None
    assert search.least_amplitude_um >= 0.01


def test_findings_are_sorted_by_how_far_they_move_the_picture():
    """A ripple of 0.8 um every 8 mm has slopes of 0.63 mrad: twice that over 400 mm is 0.5 mm."""
    ripple = Ripple(period_mm=8.0, amplitude_um=0.8, direction_deg=90.0, over_noise=100.0)
    terms = [
        ZernikeTerm(n=2, m=2, um=30.0, sigma_um=0.5),
        ZernikeTerm(n=3, m=3, um=0.1, sigma_um=0.4),
        ZernikeTerm(n=2, m=0, um=50.0, sigma_um=1.0),
    ]
    found = findings_told(zernike=terms, ripple=ripple)
    assert [f.what.split(":")[0].split(" of")[0] for f in found] == ["astigmatism", "ripple"]
    assert found[1].moves_mm == pytest.approx(0.503, abs=0.002)


def test_a_term_larger_than_the_whole_deviation_is_no_finding():
    """On a strip of light astigmatism of 56 um undoes a power of 45 um: what is there is 20 um in all."""
    terms = [ZernikeTerm(n=2, m=2, um=56.0, sigma_um=0.5), ZernikeTerm(n=3, m=3, um=12.0, sigma_um=0.4)]
    found = findings_told(zernike=terms, power_determined=True, rms_um=20.0)
    assert [f.what.split(":")[0] for f in found] == ["trefoil"]


def correction(height, *, share=0.8, sigma=1.0, **options):
    return correction_of(
        x_mm=X,
        y_mm=Y,
        height_um=height,
        sigma_um=np.full(height.shape, sigma),
        zone=np.zeros(height.shape, np.int16),
        reflecting_side=1,
        share=share,
        **{"power_determined": True, **options},
    )


def test_the_correction_is_the_share_of_the_smooth_deviation_with_the_other_sign():
    height = bowl(*GRID)
    found = correction(height, share=0.5)
    assert np.abs(found.dz_mm + 0.5e-3 * height).max() < 1e-7  # mm; the form is quadratic: nothing is smoothed away


def test_a_mirror_formed_again_with_the_same_springback_is_more_than_twice_as_good():
    """Springback adds the same deviation to any mould that is close: built = mould + bowl + dent of the sheet."""
    built = bowl(*GRID) + dent(*GRID, depth=1.0)
    again = built + 1e3 * correction(built).dz_mm
    assert np.std(again) < 0.5 * np.std(built)


def test_power_that_only_tolerances_tell_is_refused():
    with pytest.raises(MeasurementError, match="--without-power"):
        correction(bowl(*GRID), power_determined=False)


def test_without_power_the_rest_is_corrected():
    found = correction(bowl(*GRID), power_determined=False, without_power=True, share=1.0)
    astigmatism = 0.02 * (GRID[0] ** 2 - GRID[1] ** 2)
    terms = np.stack([np.ones_like(GRID[0]), GRID[0] ** 2 + GRID[1] ** 2], axis=-1).reshape(-1, 2)
    flat = astigmatism.ravel()
    expected = flat - terms @ np.linalg.lstsq(terms, flat, rcond=None)[0]
    assert np.abs(found.dz_mm.ravel() + 1e-3 * expected).max() < 1e-6


def test_a_deviation_below_its_uncertainty_is_refused():
    with pytest.raises(MeasurementError, match="do not correct the mould"):
        correction(0.01 * bowl(*GRID), sigma=5.0)


def test_only_the_reflecting_side_of_a_mesh_is_moved():
    model = make_model()
    found = correction(np.full(GRID[0].shape, 100.0) + bowl(*GRID))
    x, y = np.array([0.0, 10.0]), np.array([5.0, -5.0])
    front = np.stack([x, y, model.surfaces[0].sag(x, y)], axis=-1)
    back = front - [0.0, 0.0, 4.0]
    mesh = TriangleMesh(vertices_mm=np.concatenate([front, back]), faces=np.array([[0, 1, 2], [1, 3, 2]]))
    moved = corrected_mesh(mesh, model, found).vertices_mm - mesh.vertices_mm
    assert moved[:2, 2] == pytest.approx(-0.8e-3 * (100.0 + bowl(x, y)), abs=1e-6)
    assert np.abs(moved[2:]).max() == 0.0
    assert np.abs(moved[:, :2]).max() == 0.0


def test_a_mirror_in_closed_form_becomes_a_solid_with_the_correction_in_it():
    model = make_model()
    x, y, z = mould_solid(model.surfaces, correction(bowl(*GRID)), side=1, thickness_mm=6.0).vertices_mm.T
    top = z > model.surfaces[0].sag(x, y) - 0.5  # not the plate, 1 mm and more below it
    inner = top & (np.abs(x) < 39.0) & (np.abs(y) < 29.0)
    assert inner.sum() > 1000
    x, y, z = x[inner], y[inner], z[inner]
    expected = model.surfaces[0].sag(x, y) - 0.8e-3 * bowl(x, y)
    assert np.abs(z - expected).max() < 1e-3  # mm; the map's grid of 1 mm, averaged over four neighbours
