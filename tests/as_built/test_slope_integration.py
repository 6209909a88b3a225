"""Heights from slopes with the same splines that carry the figure, on a published kind of check surface."""

import numpy as np
import pytest

from rigwarp.geometry.height_spline import HeightSpline

SLOPE_NOISE_RAD = 60e-6  # what 0.05 mm on the table means at 400 mm


def check_surface():
    """Power, coma, a ripple of 8 mm and a dent on an 81 x 81 grid of 1 mm: x, y, height mm, slopes."""
    x, y = (a.ravel() for a in np.meshgrid(np.arange(-40.0, 41.0), np.arange(-40.0, 41.0)))
    rho2 = (x**2 + y**2) / 1600.0
    dent = -0.02 * np.exp(-((x - 10.0) ** 2 + (y + 8.0) ** 2) / 50.0)
    coma = 0.02 * np.sqrt(8.0)
    z = 0.05 * np.sqrt(3.0) * (2.0 * rho2 - 1.0) + coma * (3.0 * rho2 - 2.0) * x / 40.0
    z += 0.001 * np.sin(2.0 * np.pi * x / 8.0) + dent
    zx = 0.1 * np.sqrt(3.0) * x / 800.0 + coma * ((3.0 * rho2 - 2.0) / 40.0 + 6.0 * x * x / 64000.0)
    zx += 0.001 * 2.0 * np.pi / 8.0 * np.cos(2.0 * np.pi * x / 8.0) - dent * (x - 10.0) / 25.0
    zy = 0.1 * np.sqrt(3.0) * y / 800.0 + coma * 6.0 * x * y / 64000.0 - dent * (y + 8.0) / 25.0
    return x, y, z, zx, zy


@pytest.mark.parametrize(("noise_rad", "limit_um"), [(0.0, 0.1), (SLOPE_NOISE_RAD, 0.2)])
def test_check_surface(noise_rad, limit_um):
    x, y, z, zx, zy = check_surface()
    rng = np.random.default_rng(0)
    zx, zy = (s + noise_rad * rng.normal(size=len(s)) for s in (zx, zy))
    blank = HeightSpline.over(((-40.0, 40.0), (-40.0, 40.0)), cells=(40, 40), degree=5)
    rows = [blank.design_matrix(x, y, nux=nux, nuy=nuy) for nux, nuy in ((1, 0), (0, 1), (0, 0))]
    level = np.asarray(rows[2].sum(axis=0))  # the mean height is free: hold it at zero
    matrix = (rows[0].T @ rows[0] + rows[1].T @ rows[1]).toarray() + 1e-6 * level.T @ level
    solved = np.linalg.solve(matrix + 1e-12 * np.eye(len(matrix)), rows[0].T @ zx + rows[1].T @ zy)
    error = rows[2] @ solved - z
    assert 1000.0 * np.std(error) < limit_um
