"""Errors that samples share: their correlation length against what was put in, and which forms are claimed beside."""

from dataclasses import replace

import numpy as np
import pytest
from as_built_rig import TOLERANCES, make_camera, make_model, scan

from rigwarp.as_built import estimate_as_built
from rigwarp.as_built.solve.correlation import Vortices
from rigwarp.geometry import Array

SPACING_MM = 1.3
BY_SLOPE = np.array([[800.0, 100.0], [0.0, 500.0]])  # table mm per slope


def shared(rng: np.random.Generator, at_mm: Array, length_mm: float) -> Array:
    """(N, 2) of unit variance and correlation exp(-d^2 / 2 l^2): waves whose spectrum is that of a Gaussian."""
    k = rng.normal(size=(400, 2)) / length_mm
    phase, size = rng.uniform(0.0, 2.0 * np.pi, (400, 2)), rng.normal(size=(400, 2))
    parts = [np.cos(at_mm @ k.T + phase[:, i]) @ size[:, i] for i in (0, 1)]
    return np.stack(parts, axis=-1) * np.sqrt(2.0 / 400)


def disk_of_samples(rng: np.random.Generator) -> Array:
    line = np.arange(-45.0, 45.0, SPACING_MM)
    at = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    at = at[np.hypot(*at.T) < 45.0]
    return at + rng.uniform(-0.3, 0.3, at.shape)


@pytest.mark.parametrize("length_mm", [2.0, 5.0])
def test_the_correlation_length_is_measured(length_mm: float) -> None:
    """Independent variance s^2 and a shared one a^2: the lowest forms see s^2 + a^2 2 pi l^2 / (area of a sample)."""
    rng = np.random.default_rng(3)
    at = disk_of_samples(rng)
    vortices = Vortices.over(at, np.zeros(len(at), int))
    by_slope = np.broadcast_to(BY_SLOPE, (len(at), 2, 2))
    found = []
    for _ in range(4):
        residual = 0.2 * rng.normal(size=at.shape) + shared(rng, at, length_mm)
        found.append(vortices.measure(by_slope, residual, np.ones(len(at))))
    wanted = np.sqrt(0.04 + 2.0 * np.pi * length_mm**2 / SPACING_MM**2)
    assert np.median([one.scale for one in found]) == pytest.approx(wanted, rel=0.25)
    assert np.median([one.reach_mm for one in found]) == pytest.approx(length_mm, rel=0.3)


def test_forms_and_independent_noise_share_nothing() -> None:
    """The slopes of a height have no curl, however steep."""
    rng = np.random.default_rng(4)
    at = disk_of_samples(rng)
    vortices = Vortices.over(at, np.zeros(len(at), int))
    by_slope = np.broadcast_to(BY_SLOPE, (len(at), 2, 2))
    slope = np.stack(
        [np.cos(at[:, 0] / 8.0) * np.cos(at[:, 1] / 6.0) / 8.0, -np.sin(at[:, 0] / 8.0) * np.sin(at[:, 1] / 6.0) / 6.0],
        axis=-1,
    )  # of sin(x / 8) cos(y / 6)
    for _ in range(4):
        residual = rng.normal(size=at.shape) + 0.05 * slope @ BY_SLOPE.T
        told = vortices.measure(by_slope, residual, np.ones(len(at)))
        assert told.scale < 1.2
    assert np.isnan(told.reach_mm)


def test_a_mirror_full_of_unevenness_gets_wide_sigmas_and_a_sentence() -> None:
    """Errors of 0.06 mm, alike within 2 mm, on a mirror as designed: no term is claimed that is not there."""
    rng = np.random.default_rng(0)
    model, camera = make_model(), make_camera()
    table = scan(model, camera, step_px=12)
    at = model.trace(table.cells.pixels_px).mirror_mm[:, :2]
    clean = estimate_as_built(model, table, TOLERANCES, camera)
    cells = replace(table.cells, table_mm=table.cells.table_mm + 0.06 * shared(rng, at, 2.0))
    built = estimate_as_built(model, table._replace(cells=cells), TOLERANCES, camera)
    z = np.array([term.um / term.sigma_um for term in built.zernike if term.n >= 2])
    assert np.abs(z).max() < 3.0
    assert np.mean(z**2) < 1.3
    assert built.shared_reach_mm == pytest.approx(2.0, rel=0.6)
    assert "unevenness that no form explains" in built.findings[0].what
    assert [f.what for f in built.findings[1:]] == []
    assert clean.noise_scale < 1.2
    assert not clean.findings
