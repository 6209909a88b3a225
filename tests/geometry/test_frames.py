"""Rotations, against SciPy's."""

import numpy as np
from scipy.spatial.transform import Rotation

from rigwarp.geometry.frames import rotation_from_degrees, rotation_from_vector


def test_three_angles_in_degrees():
    for angles in np.random.default_rng(1).uniform(-200, 200, (50, 3)):
        expected = Rotation.from_euler("xyz", angles, degrees=True).as_matrix()
        np.testing.assert_allclose(rotation_from_degrees(angles), expected, atol=1e-14)


def test_rotation_vectors_one_and_many_of_no_angle_and_of_several_turns():
    rng = np.random.default_rng(2)
    vectors = np.concatenate([np.zeros((1, 3)), 1e-9 * rng.normal(size=(5, 3)), 4.0 * rng.normal(size=(50, 3))])
    expected = Rotation.from_rotvec(vectors).as_matrix()
    np.testing.assert_allclose(rotation_from_vector(vectors), expected, atol=1e-14)
    np.testing.assert_allclose(rotation_from_vector(vectors[7]), expected[7], atol=1e-14)
