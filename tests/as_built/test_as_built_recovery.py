"""The whole estimate on synthetic scans of known mirrors, traced exactly."""

import numpy as np
import pytest
from as_built_rig import RADIUS_MM, TOLERANCES, make_camera, make_model, moved, scan, spline_of, with_throw

from rigwarp.as_built import estimate_as_built, remove_rigid
from rigwarp.as_built.describe.form import fit_matrix
from rigwarp.errors import MeasurementError
from rigwarp.geometry.zernike import Disk

UNIT = np.repeat([1.0, 1000.0, 1.0, 1000.0], 3)  # mm stay, rad become mrad
SEAT = np.array([0, 0, 0, 0, 0, 0, 0.25, -0.2, 0.25, *np.deg2rad([0.25, 0.2, 0.25])])
EVERYTHING = np.array([1.4, -1.1, 1.6, *np.deg2rad([-0.3, 0.25, 0.4]), 0.3, -0.35, 0.4, *np.deg2rad([0.3, 0.25, 0.3])])


def wrong_shape(x, y):
    """Astigmatism 30 um, trefoil 10 um, power 20 um (rms over 45 mm radius) and a dent of 12 um, mm."""
    p, q = x / RADIUS_MM, y / RADIUS_MM
    h = 0.03 * np.sqrt(6.0) * (p * p - q * q) + 0.01 * np.sqrt(8.0) * (p**3 - 3.0 * p * q * q)
    h = h + 0.02 * np.sqrt(3.0) * (2.0 * (p * p + q * q) - 1.0)
    return h - 0.012 * np.exp(-((x - 12.0) ** 2 + (y + 6.0) ** 2) / (2.0 * 4.0**2))


def truth_on(result, figure, model):
    """True heights, um, after the same alignment, on the result's grid."""
    X, Y = np.meshgrid(result.x_mm, result.y_mm)
    height = 1000.0 * result.reflecting_side * figure.value(X, Y)
    return remove_rigid(np.where(np.isfinite(result.height_um), height, np.nan), result.x_mm, result.y_mm, model)


def errors(result, figure, model):
    """rms error of the heights, um: with everything, and with power (and what goes with it) taken out."""
    truth = truth_on(result, figure, model)
    lit = np.isfinite(truth)
    X, Y = np.meshgrid(result.x_mm, result.y_mm)
    off = (result.height_um - truth)[lit]
    terms = np.column_stack([np.ones(off.size), X[lit], Y[lit], X[lit] ** 2 + Y[lit] ** 2])
    left = off - terms @ np.linalg.lstsq(terms, off, rcond=None)[0]
    return float(np.sqrt(np.mean(off**2))), float(np.std(left))


def estimate(model, camera, built, *, seed=0, step_px=10):
    return estimate_as_built(model, scan(built, camera, seed=seed, step_px=step_px), TOLERANCES, camera)


@pytest.fixture(scope="module")
def seated_wrong(model, camera):
    return estimate(model, camera, moved(model, SEAT))


@pytest.fixture(scope="module")
def shaped_wrong(model, camera):
    figure = spline_of(wrong_shape)
    return estimate(model, camera, model.with_figure({0: figure})), figure


def test_a_perfect_mirror_seated_wrong_has_no_figure(seated_wrong):
    """Seated 0.4 mm and 0.4 deg off: irregularity stays far below 2 um, and the pose explains it."""
    assert seated_wrong.figures.rms_without_power_um < 1.0
    power = next(t for t in seated_wrong.zernike if (t.n, t.m) == (2, 0))
    assert seated_wrong.figures.rms_um < 3.0 * power.sigma_um  # the radius is not told by one table height
    told = seated_wrong.pose.determined
    z = ((seated_wrong.pose.values - SEAT * UNIT) / seated_wrong.pose.sigma)[told]
    assert np.abs(z).max() < 3.0
    assert seated_wrong.residual_mm < 0.03


def test_a_wrong_mirror_seated_well_keeps_its_figure(shaped_wrong, model):
    result, figure = shaped_wrong
    total, irregular = errors(result, figure, model)
    assert np.nanstd(truth_on(result, figure, model)) > 8.0
    assert irregular < 2.0  # um; the camera's and the table's smooth errors alone give each form term 0.7
    power = next(t for t in result.zernike if (t.n, t.m) == (2, 0))
    assert total < 3.0 * power.sigma_um
    z = result.pose.values / result.pose.sigma
    assert np.abs(z).max() < 3.0


def test_everything_wrong_at_once(model, camera):
    figure = spline_of(lambda x, y: wrong_shape(x, y) + 0.012 * np.exp(-((x - 12.0) ** 2 + (y + 6.0) ** 2) / 32.0))
    built = with_throw(moved(model, EVERYTHING), 0.003).with_figure({0: figure})
    result = estimate(model, camera, built, seed=4)
    _, irregular = errors(result, figure, model)
    assert irregular < 2.0
    X, Y = np.meshgrid(result.x_mm, result.y_mm)
    truth = truth_on(result, figure, model)
    lit = np.isfinite(truth)
    disk = Disk(centre_mm=result.aperture_centre_mm, radius_mm=result.aperture_radius_mm)
    terms, to_terms = fit_matrix(disk, np.stack([X[lit], Y[lit]], axis=-1))
    assert terms == tuple((t.n, t.m) for t in result.zernike)
    z = (np.array([t.um for t in result.zernike]) - to_terms @ truth[lit]) / [t.sigma_um for t in result.zernike]
    shape = np.array([n >= 2 for n, _ in terms])  # piston and tilt are what alignment leaves, not measurements
    assert np.sqrt(np.mean(z[shape] ** 2)) < 2.0
    assert abs(z[4]) < 3.0
    slope_true = 1000.0 * result.reflecting_side * figure.gradient(X, Y)
    off = np.stack([result.slope_x_mrad, result.slope_y_mrad], axis=-1) - slope_true
    off = off[lit] - off[lit].mean(axis=0)
    arm = np.column_stack([X[lit], Y[lit]])
    arm = arm - arm.mean(axis=0)
    off = off - arm * np.sum(arm * off) / np.sum(arm**2)  # power
    assert np.sqrt(np.mean(np.sum(off**2, axis=-1))) < 0.3


def test_spin_of_a_surface_of_revolution_is_named_not_numbered(seated_wrong):
    assert "spin of the mirror about its axis of revolution" in seated_wrong.unobservable
    told = seated_wrong.to_dict()["pose"]
    turn = told["mirror_turn_mrad_z"]
    assert turn["value"] is None
    assert turn["sigma"] is None
    assert turn["tolerance"] == pytest.approx(np.deg2rad(0.5) * 1000.0)


def test_both_ways_of_decentring_a_paraboloid_have_the_same_name(seated_wrong):
    """Shifted by s and turned back by s / R, a paraboloid of R = 250 mm differs by 0.1 um of coma per mm."""
    name = "decentring of the mirror with the tilt that undoes it"
    assert f"{name} (two directions)" in seated_wrong.unobservable


def test_turns_about_the_centre_of_a_sphere_are_named(camera):
    sphere = make_model(conic_constant=0.0)
    result = estimate(sphere, camera, sphere, step_px=10)
    assert any("centre of its sphere" in name for name in result.unobservable)
    assert result.figures.rms_without_power_um < 2.0


def test_the_radius_is_left_to_the_tolerances_when_only_they_know_it(seated_wrong):
    """One table height, poses to 3 mm: the radius trades against the distance."""
    assert not seated_wrong.power_determined
    contents = seated_wrong.to_dict()
    power = next(t for t in contents["zernike"]["terms"] if (t["n"], t["m"]) == (2, 0))
    assert power["um"] is None
    assert power["sigma_um"] is None
    assert contents["figures"]["power_pv_um"] is None


def test_too_few_samples_are_refused(model, camera):
    table = scan(model, camera, step_px=60)
    with pytest.raises(MeasurementError, match="averaged samples can be used"):
        estimate_as_built(model, table, TOLERANCES, camera)


def test_a_camera_without_covariance_widens_the_sigmas(model):
    known, unknown = make_camera(), make_camera(covariance=False)
    results = [estimate(model, c, moved(model, SEAT), step_px=14) for c in (known, unknown)]
    assert not results[1].camera_known
    assert results[1].figures.noise_rms_um > results[0].figures.noise_rms_um
