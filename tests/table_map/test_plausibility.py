"""A map that is the design turned, mirrored or scaled is named so; one within the tolerances never is."""

import numpy as np
import pytest

from rigwarp.table_map.plausibility import design_agreement, mistake_in_words

TOLERANCES = np.repeat([3.0, np.radians(1.0), 1.0, np.radians(0.5)], 3)


def design(n=2000):
    """A lopsided picture on a 500 mm table: an off-axis rig lights it unevenly."""
    rng = np.random.default_rng(3)
    return rng.uniform([-240.0, -186.0], [240.0, 264.0], (n, 2))


def derivative(points):
    """(N, 2, 12) shifts, turns and scales of a few mm per tolerance, as a rig of 400 mm has them."""
    x, y = points.T / 250.0
    columns = [(1, 0), (0, 1), (x, y), (x * x, x * y), (x * y, y * y), (-y, x)] * 2
    return np.stack([np.stack(np.broadcast_arrays(a, b, x)[:2], axis=-1) * 3.0 for a, b in columns], axis=-1)


def agreement(table, shifts=None):
    points = design()
    return design_agreement(points, table, derivative(points), np.zeros(12) if shifts is None else shifts, TOLERANCES)


def test_rigs_within_their_tolerances_are_never_called_a_mistake():
    rng = np.random.default_rng(1)
    points = design()
    for _ in range(300):
        scaled = rng.normal(size=12)
        table = points + derivative(points) @ scaled + rng.normal(0.0, 0.05, points.shape)
        assert agreement(table, scaled * TOLERANCES).mistake == "none"


@pytest.mark.parametrize("quarter", [1, 2, 3])
def test_a_sheet_laid_the_wrong_way_round(quarter):
    angle = quarter * np.pi / 2.0
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    found = agreement(design() @ turn.T + [2.0, -3.0], np.full(12, 4.0) * TOLERANCES)
    assert (found.mistake, found.turn_deg) == ("turned", 90.0 * quarter)
    assert f"turned by {90 * quarter}°" in mistake_in_words(found, square_mm=36.0)


def test_mirrored_photographs():
    found = agreement(design() * [-1.0, 1.0] + [1.0, 1.0], np.full(12, 4.0) * TOLERANCES)
    assert found.mistake == "mirrored"
    assert "mirror images" in mistake_in_words(found, square_mm=36.0)


def test_the_wrong_board_sizes():
    """24 mm in rig.toml where the print has 36: camera and table are told at two thirds of their size."""
    found = agreement(design() * 24.0 / 36.0 + [1.0, 2.0], np.full(12, 4.0) * TOLERANCES)
    assert found.mistake == "scaled"
    assert found.scale == pytest.approx(24.0 / 36.0, rel=0.02)
    said = mistake_in_words(found, square_mm=24.0)
    assert "0.67 of its size" in said
    assert "24 mm squares in rig.toml, about 36 mm on the sheet" in said


def test_what_no_mistake_explains_is_called_so():
    points = design()
    rng = np.random.default_rng(5)
    found = agreement(rng.permutation(points), np.full(12, 9.0) * TOLERANCES)
    assert found.mistake == "unexplained"
    assert "mounting tolerances" in mistake_in_words(found, square_mm=36.0)
