"""Quicker ways to a spline's values, against the plain one and SciPy's linear interpolation; and two threads."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from rigwarp.geometry.height_spline import HeightSpline, values_together
from rigwarp.geometry.threads import in_two_threads


def test_values_on_a_grid_and_of_two_splines_together_are_those_of_each_point() -> None:
    rng = np.random.default_rng(3)
    blank = HeightSpline.over(((-2.0, 9.0), (1.0, 6.0)), cells=(7, 4), degree=3)
    pair = [blank.with_coefficients(rng.normal(size=blank.coefficients_mm.shape)) for _ in range(2)]
    x, y = np.linspace(-3.0, 10.0, 23), np.linspace(0.5, 6.5, 17)  # past the domain, too
    at = np.meshgrid(x, y)
    for spline, together in zip(pair, np.moveaxis(values_together(pair, *at), -1, 0), strict=True):
        plain = spline.value(*at)
        assert np.abs(spline.on_grid(x, y) - plain).max() < 1e-12
        assert np.abs(together - plain).max() < 1e-12


def test_a_spline_of_first_degree_is_linear_interpolation() -> None:
    nodes = np.random.default_rng(4).normal(size=(6, 5))
    spline = HeightSpline(start_mm=np.zeros(2), cell_mm=np.full(2, 8.0), coefficients_mm=nodes, degree=1)
    u, v = np.arange(0.0, 40.0, 3.0), np.arange(0.0, 32.0, 5.0)
    outside = map_coordinates(nodes, np.meshgrid(u / 8.0, v / 8.0), order=1)
    assert np.abs(spline.on_grid(u, v) - outside).max() < 1e-12


def test_two_threads_keep_the_order_and_hand_on_what_went_wrong() -> None:
    assert in_two_threads(lambda n: n * n, range(7)) == [n * n for n in range(7)]
    with pytest.raises(ZeroDivisionError):
        in_two_threads(lambda n: 1 // n, [2, 1, 0, 3])
