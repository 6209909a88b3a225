"""A print's scale by lengths read off a rule, against SciPy's least squares on the exact geometry."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from rigwarp.camera.boards.board_shape import sheet_sigma_of
from rigwarp.rig.model import Target
from rigwarp.rig.print_lengths import READ_MM, SQUARENESS_RAD, printed_scale

SIZE = (375.0, 225.0)
GROWN, SLANT = np.array([1.0011, 0.9994]), 4e-4


def lengths(grown=GROWN, slant=SLANT):
    """Width, height, falling and rising diagonal of a print whose axes miss a right angle by twice the slant."""
    x, y = grown * SIZE
    along_x, along_y = x * np.array([1.0, slant]), y * np.array([slant, 1.0])
    return x, y, float(np.linalg.norm(along_x + along_y)), float(np.linalg.norm(along_x - along_y))


def test_exact_lengths_tell_the_scale_whatever_the_angle():
    x, y, one, other = lengths()
    told = printed_scale(SIZE, [x], [y], [one, other])
    assert told.scale == pytest.approx(GROWN, abs=2e-6), "linear in thousandths"
    assert told.misread is None


def test_scale_and_covariance_are_those_of_a_general_least_squares():
    rng = np.random.default_rng(3)
    x, y, one, other = lengths()
    read = np.array([x, x, y, y, one, other, one, other]) + READ_MM * rng.normal(size=8)

    def off(unknowns):
        x, y, one, other = lengths(unknowns[:2], unknowns[2])
        return np.append((read - [x, x, y, y, one, other, one, other]) / READ_MM, unknowns[2] / SQUARENESS_RAD)

    found = least_squares(off, [1.0, 1.0, 0.0], x_scale=1e-3, xtol=1e-14, ftol=1e-14, gtol=1e-14)
    told = printed_scale(SIZE, read[:2], read[2:4], read[4:])
    assert told.scale == pytest.approx(found.x[:2], abs=2e-6)
    by_reading = told.covariance - 5e-5**2
    assert by_reading == pytest.approx(np.linalg.inv(found.jac.T @ found.jac)[:2, :2], rel=2e-3)


def test_twelve_readings_tell_the_size_three_times_as_well_as_two():
    """Of the mean scale, weighed as it is known best: 0.1 mm over the root of the squared lengths together."""

    def best(covariance):
        return float(1.0 / np.sqrt(np.linalg.inv(covariance).sum()))

    once, often = (printed_scale(SIZE, [375.0] * n, [225.0] * n, [437.32] * k).covariance for n, k in ((1, 0), (4, 4)))
    assert best(once) == pytest.approx(np.hypot(0.1 / np.hypot(375.0, 225.0), 5e-5), rel=1e-6)
    assert best(often) < 0.45 * best(once)


def test_a_length_that_was_misread_is_found():
    x, y, one, other = lengths()
    for number in range(6):
        read = [x, x, y, y, one, other]
        read[number] += 1.0
        assert printed_scale(SIZE, read[:2], read[2:4], read[4:]).misread == number


def test_a_target_of_lengths_is_known_as_they_tell():
    target = Target(
        squares=(15, 9),
        square_mm=25.0,
        marker_mm=18.75,
        dictionary="DICT_5X5_250",
        along_x_mm=(375.1, 375.2),
        along_y_mm=(225.0,),
        diagonals_mm=(437.3, 437.4),
    )
    known, told = sheet_sigma_of(target), printed_scale(SIZE, [375.1, 375.2], [225.0], [437.3, 437.4])
    assert (known.printed @ known.printed.T)[:2, :2] == pytest.approx(told.covariance, rel=1e-12)
    mean = np.array([0.5, 0.5])
    assert known.mean_scale == pytest.approx(np.sqrt(mean @ told.covariance @ mean), rel=1e-9)
    assert known.shape[0] == pytest.approx(np.sqrt((mean * [1, -1]) @ told.covariance @ (mean * [1, -1])), rel=1e-9)
