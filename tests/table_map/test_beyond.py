"""What a surface is off where it is only continued: against a wave that goes on as it does."""

import numpy as np
import pytest

from rigwarp.table_map.beyond import beyond_samples

_CELL_PX, _PERIOD_PX, _AMPLITUDE_MM = 4, 40.0, 1.4
_SHAPE = (160, 240)


def _wave(pixels_px: np.ndarray) -> np.ndarray:
    phase = 2.0 * np.pi * pixels_px[:, 0] / _PERIOD_PX
    return _AMPLITUDE_MM * np.stack([np.cos(phase), np.sin(phase)], axis=-1)


def _found(value, *, middle_px: float = 120.0, half_px: float = 20.0, shape=_SHAPE) -> np.ndarray:
    """(H, W) with a gap in the samples from u = 100 to 140."""
    u, v = np.meshgrid(np.arange(2, shape[1], _CELL_PX), np.arange(2, shape[0], _CELL_PX))
    cells = np.stack([u.ravel(), v.ravel()], axis=-1).astype(float)
    cells = cells[np.abs(cells[:, 0] - middle_px) > half_px]
    at, variance_mm2 = beyond_samples(value, cells, np.ones(shape, bool), _CELL_PX)
    found = np.zeros(shape)
    found.ravel()[at] = variance_mm2
    return found


def test_it_grows_as_the_wave_leaves_its_tangent_and_no_further_than_the_wave():
    """A wave's second derivative has a mean square of (a k^2)^2 / 2 along x or along y, and none across it."""
    found = _found(_wave)
    k = 2.0 * np.pi / _PERIOD_PX
    second = _AMPLITUDE_MM * (2.0 * np.sin(k * _CELL_PX / 2.0) / _CELL_PX) ** 2 * np.sqrt(0.5 * 0.5)
    beyond_px = 8.0
    at = int(98 + _CELL_PX + beyond_px)
    assert np.sqrt(found[80, at]) == pytest.approx(0.5 * second * beyond_px**2, rel=0.2)
    assert np.sqrt(found[80, 120]) == pytest.approx(_AMPLITUDE_MM / np.sqrt(2.0), rel=0.35)
    assert not found[:, :90].any()


def test_a_surface_that_does_not_bend_goes_on():
    found = _found(lambda pixels_px: 0.01 * pixels_px)
    assert np.sqrt(found.max()) < 1e-9


def test_in_the_middle_of_a_gap_wider_than_what_is_averaged_it_is_no_smaller():
    found = _found(_wave, middle_px=400.0, half_px=300.0, shape=(80, 800))
    assert np.sqrt(found[40, 120:680]) == pytest.approx(_AMPLITUDE_MM / np.sqrt(2.0), rel=0.15)
