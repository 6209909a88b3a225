"""A camera that moved, told from pictures of a textured table by an independent warp (OpenCV) of one drawing."""

import cv2
import numpy as np
import pytest

from rigwarp.camera import CameraModel
from rigwarp.errors import MeasurementError
from rigwarp.rig import Table
from rigwarp.verification.drift.camera_motion import moved_camera, register_camera

SIZE = (480, 360)
MM_PER_PX = 0.5  # of the drawing


def camera():
    turn = cv2.Rodrigues(np.array([np.pi - 0.4, 0.0, 0.0]))[0] @ cv2.Rodrigues(np.array([0.0, 0.0, 0.2]))[0]
    return CameraModel(
        resolution=SIZE,
        matrix=np.array([[560.0, 0.0, 241.0], [0.0, 560.0, 178.0], [0.0, 0.0, 1.0]]),
        distortion=np.zeros(5),
        R_camera_from_table=turn,
        t_camera_from_table_mm=np.array([4.0, -6.0, 620.0]),
    )


TABLE = Table(shape="rectangle", size_mm=(300.0, 220.0), height_mm=0.0)


def drawing(seed=3):
    """A table of 320 x 240 mm with smooth grain of 5 %, dark around it; (960, 1200) pixels of half a millimetre."""
    random = np.random.default_rng(seed)
    grain = cv2.GaussianBlur(random.normal(size=(960, 1200)).astype(np.float32), (0, 0), 8.0)
    picture = np.zeros((960, 1200), np.float32)
    picture[240:720, 280:920] = (0.3 * (1.0 + 0.05 * grain / grain.std()))[240:720, 280:920]
    return cv2.GaussianBlur(picture, (0, 0), 1.0)


def photograph(eye, noise=0.003, seed=0, light=1.0):
    """The drawing seen by a pinhole, through the homography of the plane z = 0."""
    to_table = np.array([[MM_PER_PX, 0, -599.5 * MM_PER_PX], [0, -MM_PER_PX, 479.5 * MM_PER_PX], [0, 0, 1]])
    plane = np.column_stack([eye.R_camera_from_table[:, :2], eye.t_camera_from_table_mm])
    picture = cv2.warpPerspective(drawing(), eye.matrix @ plane @ to_table, SIZE, flags=cv2.INTER_LANCZOS4)
    return (light * picture + noise * np.random.default_rng(seed).normal(size=picture.shape)).astype(np.float32)


POSES = {
    "nudge": np.array([0.0, 0.0, 0.0, 1.5, -1.0, 0.7]),
    "turn": np.array([0.004, -0.003, 0.002, 0.0, 0.0, 0.0]),
    "knock": np.array([0.02, 0.01, -0.015, 8.0, 5.0, -6.0]),
}


@pytest.mark.parametrize("name", POSES)
def test_the_motion_is_found(name):
    """Errors are within four of the claimed sigmas (chi-squared of six numbers below 30: one in 25 000)."""
    before, after = camera(), moved_camera(camera(), POSES[name])
    motion = register_camera(photograph(before), photograph(after, seed=1), before, TABLE)
    error = np.concatenate([motion.turn_rad, motion.shift_mm]) - POSES[name]
    assert motion.known
    assert motion.seen_px > 5.0 * motion.sigma_px
    # the rotation vectors do not quite add: compare after the first is undone, which is below 1e-4 rad here
    assert error @ np.linalg.solve(4.0 * motion.covariance, error) < 30.0
    spots = np.array([[x, y, 0.0] for x in (-120.0, 0.0, 120.0) for y in (-90.0, 0.0, 90.0)])
    assert np.abs(motion.camera.project(spots) - after.project(spots)).max() < 0.15  # px; noise of 1 % of the light


def test_noise_is_no_motion():
    before = camera()
    motions = [register_camera(photograph(before), photograph(before, seed=s), before, TABLE) for s in (1, 2, 3)]
    for motion in motions:
        assert motion.seen_px < 4.0 * motion.sigma_px
        assert motion.light == pytest.approx(1.0, abs=0.01)


def test_less_room_light_is_no_motion_either():
    before = camera()
    motion = register_camera(photograph(before), photograph(before, seed=1, light=0.6), before, TABLE)
    assert motion.light == pytest.approx(0.6, abs=0.01)
    assert motion.seen_px < 4.0 * motion.sigma_px


def test_a_dark_room_tells_nothing():
    before = camera()
    dark = [0.001 * np.random.default_rng(s).normal(size=SIZE[::-1]).astype(np.float32) for s in (1, 2)]
    assert not register_camera(dark[0], dark[1], before, TABLE).known


def test_pictures_of_another_size_are_refused():
    small = np.zeros((100, 100), np.float32)
    with pytest.raises(MeasurementError, match="expected"):
        register_camera(small, small, camera(), TABLE)
