"""Rotations, against SciPy's."""

import numpy as np
from scipy.spatial.transform import Rotation

from rigwarp.geometry.frames import plane_rotation, rigid_move, rotation_from_degrees, rotation_from_vector


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


def test_a_rigid_move_in_the_plane_is_found_again():
    """With noise, too, where nothing fits exactly: as SciPy aligns them."""
    rng = np.random.default_rng(3)
    for angle in rng.uniform(-np.pi, np.pi, 20):
        points, shift = rng.normal(size=(30, 2)) * [50.0, 20.0] + [7.0, -3.0], rng.normal(size=2) * 100.0
        onto = points @ plane_rotation(angle).T + shift
        np.testing.assert_allclose(rigid_move(points, onto)[0], shift, atol=1e-10)
        onto += rng.normal(size=onto.shape)
        about = [np.column_stack([one - one.mean(axis=0), np.zeros(30)]) for one in (onto, points)]
        best = Rotation.align_vectors(*about)[0].as_matrix()[:2, :2]
        found, turn = rigid_move(points, onto)
        np.testing.assert_allclose(plane_rotation(turn), best, atol=1e-7)
        np.testing.assert_allclose(found, onto.mean(axis=0) - best @ points.mean(axis=0), atol=1e-5)
