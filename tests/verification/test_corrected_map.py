"""Maps moved with their parts, against tracing the moved parts themselves."""

import numpy as np
import pytest
from bench_rigs import built_convex, convex_rig

from rigwarp.geometry import PixelMap
from rigwarp.table_map.registration import apply_shifts
from rigwarp.tracing import trace_map
from rigwarp.verification import map_mounting, moved_map, shifted_map

TOLERANCES = np.repeat([3.0, np.radians(1.0), 1.0, np.radians(0.5)], 3)


@pytest.fixture(scope="module")
def model():
    return built_convex(convex_rig())


@pytest.fixture(scope="module")
def traced(model):
    """The model's own map, as if it had been measured."""
    traced = trace_map(model)
    return PixelMap(
        x_mm=traced.x_mm, y_mm=traced.y_mm, sigma_mm=traced.sigma_mm, zone=traced.zone, measured=traced.answered
    )


def test_a_moved_map_is_the_map_of_the_moved_parts(model, traced):
    """Differences of traces, interpolated over 4 pixels, against tracing every pixel: a micrometre."""
    shifts = np.zeros(12)
    shifts[[0, 4, 8, 9]] = 1.0, np.radians(0.1), 0.5, np.radians(0.2)
    moved, truth = moved_map(traced, model, shifts), trace_map(apply_shifts(model, shifts))
    both = moved.answered & truth.answered
    error = np.linalg.norm(moved.table_mm[both] - truth.table_mm[both], axis=-1)
    size = np.linalg.norm(moved.table_mm[both] - traced.table_mm[both], axis=-1)
    assert np.median(size) > 2.0
    assert np.percentile(error, 99) < 0.001
    np.testing.assert_array_equal(moved.answered, traced.answered)


def test_nothing_moved_changes_nothing(model, traced):
    np.testing.assert_array_equal(moved_map(traced, model, np.zeros(12)).x_mm, traced.x_mm)


def test_the_mounting_is_found_from_a_map(model, traced):
    """The map of a moved model, registered by the unmoved one, is followed to a few hundredths of a millimetre."""
    shifts = np.zeros(12)
    shifts[[1, 9]] = 1.0, np.radians(0.2)
    moved = moved_map(traced, model, shifts)
    found = trace_map(apply_shifts(model, map_mounting(model, moved, TOLERANCES)))
    both = moved.answered & found.answered
    assert np.percentile(np.linalg.norm(moved.table_mm[both] - found.table_mm[both], axis=-1), 95) < 0.05


def test_a_shift_is_added_at_each_place_with_its_sigma(traced):
    shifted = shifted_map(traced, lambda spot: 0.01 * spot, lambda spot: np.full(spot.shape[:-1], 0.3))
    known = traced.answered
    np.testing.assert_allclose(shifted.table_mm[known], 1.01 * traced.table_mm[known])
    np.testing.assert_allclose(shifted.sigma_mm[known], np.hypot(traced.sigma_mm[known], 0.3))
    np.testing.assert_array_equal(shifted.answered, known)
