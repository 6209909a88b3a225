"""Zernike functions against the OSA/ANSI table, orthonormality, and an independent library."""

import numpy as np
import pytest
from prysm.polynomials import nm_to_ansi_j, zernike_nm

from rigwarp.as_built.describe.form import fit_matrix
from rigwarp.geometry.zernike import Disk, enclosing_disk, osa_terms, zernike

# value at rho 0.5, theta 30 deg; at (1, 0); at (1, 90 deg); at the centre: ANSI Z80.28 functions, computed by hand
TABLE = {
    (0, 0): (1.0, 1.0, 1.0, 1.0),
    (1, -1): (0.5, 0.0, 2.0, 0.0),
    (1, 1): (0.866025, 2.0, 0.0, 0.0),
    (2, -2): (0.530330, 0.0, 0.0, 0.0),
    (2, 0): (-0.866025, 1.732051, 1.732051, -1.732051),
    (2, 2): (0.306186, 2.449490, -2.449490, 0.0),
    (3, -3): (0.353553, 0.0, -2.828427, 0.0),
    (3, -1): (-0.883883, 0.0, 2.828427, 0.0),
    (3, 1): (-1.530931, 2.828427, 0.0, 0.0),
    (3, 3): (0.0, 2.828427, 0.0, 0.0),
    (4, -4): (0.171163, 0.0, 0.0, 0.0),
    (4, -2): (-1.369306, 0.0, 0.0, 0.0),
    (4, 0): (-0.279508, 2.236068, 2.236068, 2.236068),
    (4, 2): (-0.790569, 3.162278, -3.162278, 0.0),
    (4, 4): (-0.098821, 3.162278, 3.162278, 0.0),
}


@pytest.mark.parametrize(("n", "m"), TABLE)
def test_values_of_the_standard(n, m):
    rho, theta = np.array([0.5, 1.0, 1.0, 0.0]), np.deg2rad([30.0, 0.0, 90.0, 0.0])
    np.testing.assert_allclose(zernike(n, m, rho, theta), TABLE[n, m], atol=1e-6)  # digits of the table


def test_orthonormal_over_the_disk():
    node, weight = np.polynomial.legendre.leggauss(20)
    rho = np.sqrt(0.5 * (node + 1.0))  # uniform in area: Gauss-Legendre in rho^2 integrates order 12 exactly
    theta = 2.0 * np.pi * np.arange(64) / 64
    r, t = (a.ravel() for a in np.meshgrid(rho, theta))
    w = np.tile(0.5 * weight / 64, 64)
    values = np.stack([zernike(n, m, r, t) for n, m in osa_terms(6)])
    np.testing.assert_allclose((values * w) @ values.T, np.eye(28), atol=1e-12)  # rounding of 1280 terms


def test_order_and_values_agree_with_prysm():
    rng = np.random.default_rng(1)
    rho, theta = np.sqrt(rng.uniform(size=200)), rng.uniform(-np.pi, np.pi, 200)
    for j, (n, m) in enumerate(osa_terms(6)):
        assert nm_to_ansi_j(n, m) == j
        np.testing.assert_allclose(zernike(n, m, rho, theta), zernike_nm(n, m, rho, theta, norm=True), atol=1e-12)


def test_a_function_that_does_not_exist_is_refused():
    with pytest.raises(ValueError, match="no Zernike function"):
        zernike(2, 1, np.array(0.5), np.array(0.0))


def test_a_fit_on_a_cropped_footprint_returns_what_went_in():
    x, y = (a.ravel() for a in np.meshgrid(np.arange(-40.0, 41.0), np.arange(-25.0, 26.0)))
    xy = np.stack([x, y], axis=-1)
    disk = enclosing_disk(xy)
    assert disk.radius_mm == pytest.approx(np.hypot(40.0, 25.0), rel=3e-4)  # the iteration's stated accuracy
    np.testing.assert_allclose(disk.centre_mm, 0.0, atol=0.02)
    disk = Disk(centre_mm=np.array([3.0, -2.0]), radius_mm=55.0)
    terms, to_terms = fit_matrix(disk, xy)
    truth = np.random.default_rng(2).normal(size=len(terms))
    np.testing.assert_allclose(to_terms @ (disk.functions(xy, terms) @ truth), truth, atol=1e-9)  # conditioning < 300


def test_the_smallest_circle_touches_what_holds_it():
    """Of points in a triangle that is acute, its circumscribed circle; of two far points, the circle over them."""
    corners = np.array([[300.0, -50.0], [420.0, -40.0], [370.0, 60.0]])
    inside = corners.mean(axis=0) + 0.3 * (corners - corners.mean(axis=0))
    disk = enclosing_disk(np.concatenate([corners, inside]))
    np.testing.assert_allclose(np.linalg.norm(corners - disk.centre_mm, axis=1), disk.radius_mm, rtol=1e-5)
    line = enclosing_disk(np.array([[0.0, 0.0], [10.0, 1.0], [40.0, 0.0]]))
    np.testing.assert_allclose([*line.centre_mm, line.radius_mm], [20.0, 0.0, 20.0], atol=1e-4)
