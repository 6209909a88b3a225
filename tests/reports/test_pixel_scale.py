"""Derivatives of a map and what a pixel's light is, against closed forms and NumPy's SVD."""

import numpy as np
import pytest

from rigwarp.reports.measures.pixel_scale import determinant, pixel_light, singular_values, table_jacobian


def test_jacobian_of_an_affine_map_is_its_matrix(map_of, pixels_of):
    A = np.array([[0.5, 0.2], [-0.1, 0.8]])
    u, v = pixels_of(30, 20)
    jacobian = table_jacobian(map_of(A[0, 0] * u + A[0, 1] * v, A[1, 0] * u + A[1, 1] * v))
    assert np.abs(jacobian - A).max() < 1e-12  # differences of a linear map are exact but for rounding


def test_central_differences_are_exact_for_a_quadratic(map_of, pixels_of):
    u, v = pixels_of(30, 20)
    jacobian = table_jacobian(map_of(0.01 * u**2, v))
    assert np.abs(jacobian[:, 1:-1, 0, 0] - 0.02 * u[:, 1:-1]).max() < 1e-12


def test_neighbours_of_another_zone_are_not_used(map_of, pixels_of):
    u, v = pixels_of(30, 20)
    right = u > 0
    jacobian = table_jacobian(map_of(u + np.where(right, 100.0, 0.0), v, zone=right.astype(int)))
    assert np.abs(jacobian[..., 0, 0] - 1.0).max() < 1e-12


def test_a_lone_pixel_has_no_derivative(map_of, pixels_of):
    u, v = pixels_of(5, 5)
    lone = np.zeros((5, 5), bool)
    lone[2, 2] = True
    assert np.isnan(table_jacobian(map_of(u, v, lit=lone))).all()


def test_singular_values_agree_with_numpy(rng):
    matrices = rng.normal(size=(500, 2, 2))
    large, small = singular_values(matrices)
    expected = np.linalg.svd(matrices, compute_uv=False)
    assert np.abs(large - expected[:, 0]).max() < 1e-12
    assert np.abs(small - expected[:, 1]).max() < 1e-12
    assert np.abs(determinant(matrices) - np.linalg.det(matrices)).max() < 1e-12


def test_light_adds_up_and_falls_with_the_cube_of_the_cosine(rig_of):
    projector = rig_of(width=201, height=101, throw=1.0).projector
    light = pixel_light(projector)
    assert light.sum() == pytest.approx(1.0, abs=1e-12)
    cosine = projector.focal_px / np.hypot(projector.focal_px, 100.0)
    assert light[50, 0] / light[50, 100] == pytest.approx(cosine**3, rel=1e-12)


def test_the_middle_pixel_has_its_share_of_the_pyramids_solid_angle(rig_of):
    """Solid angle of a rectangular pyramid: 4 atan(a b / (d sqrt(a^2 + b^2 + d^2))), a and b half sides."""
    projector = rig_of(width=201, height=101, throw=1.0).projector
    d, a, b = projector.focal_px, 201 / 2, 101 / 2
    whole = 4 * np.arctan(a * b / (d * np.sqrt(a**2 + b**2 + d**2)))
    # Pixels are counted with the solid angle of their centre: the error falls with the pixel's size, here (1/201)^2.
    assert pixel_light(projector)[50, 100] == pytest.approx(1 / d**2 / whole, rel=1e-4)
