"""Which part moved, from dots on the table: the light path itself, with noise, says where they go."""

import numpy as np
import pytest
from small_rig_optics import mirror_rig

from rigwarp.table_map.registration import apply_shifts, trace_zones
from rigwarp.verification.drift.motion import LightShift, explain_shift

SIGMA_MM = 0.01


@pytest.fixture(scope="module")
def rig():
    return mirror_rig()


def shifted(rig, shifts, *, camera=None, seed=0, extra=0.0):
    """The dots' shifts by a known motion, with photo noise, and a camera known to 0.02 mm."""
    model, pixels, zone = rig
    start = trace_zones(model, pixels, zone)
    moved = trace_zones(apply_shifts(model, np.asarray(shifts)), pixels, zone) - start
    by_camera = np.zeros((len(pixels), 2, 6))
    by_camera[:, 0, 3] = by_camera[:, 1, 4] = -1.0
    by_camera[:, 0, 2], by_camera[:, 1, 2] = start[:, 1], -start[:, 0]
    by_camera[:, 0, 5], by_camera[:, 1, 5] = 1e-3 * start.T
    by_camera[:, 0, 0], by_camera[:, 1, 1] = 900.0, 900.0
    covariance = np.diag(np.repeat([1e-5, 0.02], 3) ** 2)
    if camera is not None:
        moved = moved + by_camera @ camera
    noise = SIGMA_MM * np.random.default_rng(seed).normal(size=moved.shape)
    return LightShift(
        pixels_px=pixels,
        zone=zone,
        moved_mm=moved + noise + extra,
        sigma_mm=np.full(len(pixels), SIGMA_MM),
        by_camera=by_camera,
        camera_covariance=covariance,
    )


def test_nothing(rig):
    found = explain_shift(rig[0], shifted(rig, np.zeros(12)))
    assert found.moved == "nothing"
    assert found.motions == ()
    assert found.rigid
    np.testing.assert_array_equal(found.shifts, np.zeros(12))


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_shifted_projector_is_measured(rig, axis):
    """Within five sigmas of what was done; a pure shift is reported as one."""
    shifts = np.zeros(12)
    shifts[axis] = 1.0
    found = explain_shift(rig[0], shifted(rig, shifts, seed=axis))
    assert found.moved in ("projector", "projector or mirror")
    motion = next(m for m in found.motions if m.part == "projector")
    assert np.all(np.abs(motion.shift_mm - shifts[:3]) < 5.0 * motion.shift_sigma_mm + 1e-3)
    assert not motion.turn_sigma_rad.any()
    assert found.left_rms_mm < 3.0 * SIGMA_MM


@pytest.mark.parametrize("axis", [9, 10])
def test_a_tilted_mirror_is_measured(rig, axis):
    shifts = np.zeros(12)
    shifts[axis] = np.radians(0.2)
    found = explain_shift(rig[0], shifted(rig, shifts, seed=axis))
    assert found.moved == "mirror"
    (motion,) = found.motions
    assert np.degrees(np.linalg.norm(motion.turn_rad)) == pytest.approx(0.2, abs=0.01)  # five sigmas of the tilt
    assert found.rms_mm > 1.0


def test_a_camera_known_badly_explains_its_own_share(rig):
    """A shift of the measurement within what is not known of the camera is nobody's motion."""
    found = explain_shift(rig[0], shifted(rig, np.zeros(12), camera=np.array([0, 0, 0, 0.03, -0.02, 0.0])))
    assert found.moved == "nothing"
    np.testing.assert_allclose(found.camera_pose[3:5], [0.03, -0.02], atol=0.02)


def test_what_is_no_rigid_motion_is_called_so(rig):
    model, pixels, zone = rig
    spots = trace_zones(model, pixels, zone)
    wild = 0.5 * np.column_stack([np.sin(spots[:, 1] / 15.0), np.sin(spots[:, 0] / 11.0)])
    assert not explain_shift(model, shifted(rig, np.zeros(12), extra=wild)).rigid


def test_single_wrong_dots_do_not_matter(rig):
    shifts = np.zeros(12)
    shifts[9] = np.radians(0.2)
    light = shifted(rig, shifts)
    light.moved_mm[::25] += 5.0
    found = explain_shift(rig[0], light)
    assert found.moved == "mirror"
    assert np.degrees(np.linalg.norm(found.motions[0].turn_rad)) == pytest.approx(0.2, abs=0.02)


def dented(spots, middle, *, width, by):
    """(K, 2) by what dots are off where the light meets a dent: as much together as some of them lie alike."""
    off = (spots - spots.mean(axis=0)) / np.ptp(spots, axis=0) - middle
    return by * off * np.exp(-np.sum(off**2, axis=-1, keepdims=True) / (2.0 * width**2))


def test_a_dent_that_the_light_meets_elsewhere_is_no_second_motion(rig):
    """Some dots are off together by what the model does not know: that tells nothing about the mirror."""
    model, pixels, zone = rig
    shifts = np.zeros(12)
    shifts[0] = 1.0
    spots = trace_zones(model, pixels, zone)
    dent = dented(spots, [0.15, 0.1], width=0.1, by=10.0)  # 0.6 mm, a third of the dots
    found = explain_shift(model, shifted(rig, shifts, extra=dent))
    assert found.moved in ("projector", "projector or mirror")
    motion = found.motions[0]
    assert motion.part == "projector"
    np.testing.assert_array_less(np.abs(motion.shift_mm - shifts[:3]), 3.3 * motion.shift_sigma_mm + 1e-3)


def test_whether_it_was_a_turn_or_a_shift_is_left_open_where_a_dent_hides_it(rig):
    """A turn beside a dent, which a shift explains as well: told as a pure shift it was 16 sigmas off."""
    model, pixels, zone = rig
    random = np.random.default_rng(22)
    shifts = np.zeros(12)
    shifts[9:11] = np.radians(0.15) * random.normal(size=3)[:2]
    spots = trace_zones(model, pixels, zone)
    dent = dented(spots, random.uniform(-0.35, 0.35, 2), width=random.uniform(0.06, 0.15), by=random.uniform(2, 12))
    found = explain_shift(model, shifted(rig, shifts, seed=22, extra=dent))
    (motion,) = (one for one in found.motions if one.part == "mirror")
    off = np.concatenate([motion.shift_mm, motion.turn_rad - shifts[9:]])
    sigma = np.concatenate([motion.shift_sigma_mm, motion.turn_sigma_rad])
    assert np.all(np.abs(off) < 3.3 * sigma + 1e-3)
    assert np.all(sigma > 0.0)
