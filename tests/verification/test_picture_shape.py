"""Scale, stretch, skew, turn and straightness against closed forms; the figures of check_values.md 5.2."""

import numpy as np
import pytest

from rigwarp.errors import MeasurementError
from rigwarp.verification import fit_affine_shape, straightness, worst_line
from rigwarp.verification.dots.judge import error_figures

GRID = np.stack(np.meshgrid(np.arange(-4, 5), np.arange(-3, 4)), axis=-1).reshape(-1, 2).astype(np.int32)
WANTED = 24.0 * GRID + [7.0, -3.0]


def turned(angle):
    return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])


def test_an_affine_map_is_taken_apart_exactly():
    """R(0.01) stretched by 1.02 along 30 degrees and 0.99 across: singular values and polar rotation, to float64."""
    along = turned(np.radians(30.0))
    A = turned(0.01) @ along @ np.diag([1.02, 0.99]) @ along.T
    shape = fit_affine_shape(WANTED, (WANTED - 5.0) @ A.T + [9.0, 2.0])
    assert shape.scale == pytest.approx(np.sqrt(1.02 * 0.99), abs=1e-12)
    assert shape.anisotropy == pytest.approx(1.02 / 0.99 - 1.0, abs=1e-12)
    assert shape.rotation_rad == pytest.approx(0.01, abs=1e-12)
    assert shape.stretch_rad == pytest.approx(np.radians(30.0) + 0.01, abs=1e-9)
    middle = WANTED.mean(axis=0)
    np.testing.assert_allclose(shape.shift_mm, (middle - 5.0) @ A.T + [9.0, 2.0] - middle, atol=1e-12)


@pytest.mark.parametrize("shear", [-0.003, 0.0, 0.02])
def test_shear_is_what_the_right_angle_lacks(shear):
    """x stays, y leans by `shear`: the angle between the pictures of x and y is pi / 2 - shear."""
    lean = np.array([[1.0, np.sin(shear)], [0.0, np.cos(shear)]])
    assert fit_affine_shape(WANTED, WANTED @ lean.T).shear_rad == pytest.approx(shear, abs=1e-12)


def test_dots_on_one_line_tell_no_affine_map():
    line = np.column_stack([np.arange(6.0), 2.0 * np.arange(6.0)])
    with pytest.raises(MeasurementError, match="one line"):
        fit_affine_shape(line, line)


def test_straight_lines_stay_straight_under_any_affine_map():
    lines = straightness(GRID, WANTED @ np.array([[1.1, 0.2], [-0.3, 0.9]]).T)
    assert {line.family for line in lines} == {"rows", "columns", "diagonals up", "diagonals down"}
    assert max(line.off_mm for line in lines) < 1e-12  # mm; float64
    assert sum(line.family == "rows" for line in lines) == 7
    assert sum(line.family == "columns" for line in lines) == 9


def test_a_bowed_row_is_off_by_what_least_squares_say():
    """y = s (i^2 - mean i^2) on a symmetric row: the line is level through the mean; the ends are off most."""
    sag = 0.05
    measured = WANTED + np.where(GRID[:, 1:] == 2, [0.0, 1.0], 0.0) * sag * GRID[:, :1] ** 2
    row = next(line for line in straightness(GRID, measured) if line.family == "rows" and line.off_mm > 0.01)
    mean = np.mean(np.arange(-4, 5) ** 2)
    assert row.off_mm == pytest.approx(sag * (16 - mean), abs=1e-9)
    assert row.length_mm == pytest.approx(8 * 24.0, abs=1e-9)
    assert row.off_percent == pytest.approx(100 * row.off_mm / 192.0)
    assert worst_line(straightness(GRID, measured)).off_mm >= row.off_mm


def test_short_lines_are_left_out():
    assert straightness(GRID[:3], WANTED[:3]) == []
    assert worst_line([]) is None


def test_figures_of_gaussian_vectors():
    """check_values.md 5.2, per-axis sigma 1: rms 1.414214, P95 2.447747, ratio 1.730818; sampled 400 000 times.

    Sampling errors: rms 0.001, P95 0.004; three of them are allowed.
    """
    figures = error_figures(np.random.default_rng(5).normal(size=(400_000, 2)))
    assert figures.rms_mm == pytest.approx(1.414214, abs=0.0035)
    assert figures.p95_mm == pytest.approx(2.447747, abs=0.013)
    assert figures.p95_mm / figures.rms_mm == pytest.approx(1.730818, abs=0.01)
