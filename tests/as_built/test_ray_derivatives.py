"""Analytic derivatives of landing points against central differences of exact traces."""

import numpy as np
import pytest
from as_built_rig import TOLERANCES, moved, spline_of

from rigwarp.as_built.solve.figure_basis import figure_basis
from rigwarp.as_built.solve.linearised import FigureRows, LitPixels, linearise
from rigwarp.as_built.solve.map_fit import OPTICS_SIGMA

N = 200
SCALE = np.concatenate([TOLERANCES, OPTICS_SIGMA])


@pytest.fixture(scope="module")
def case(model):
    rng = np.random.default_rng(0)
    pixels = rng.uniform([350.0, 150.0], [900.0, 550.0], (N, 2))
    zone = np.zeros(N, int)
    lit = LitPixels(pixels_px=pixels, zone=zone, height_mm=None)

    def at(mounting, rows, coefficients):
        return linearise(model, mounting, lit, (rows, coefficients))

    spots = at(np.zeros(15), FigureRows.none(N), np.zeros(0)).local_mm
    basis = figure_basis(spots, zone, cell_mm=6.0)
    smooth = spline_of(lambda x, y: 1e-4 * (x * x - y * y) + 2e-6 * x**3 - 0.02 * np.exp(-(x**2 + y**2) / 100.0))
    rows = FigureRows.at(basis, spots, zone)
    dense = basis.rows(spots, zone)
    coefficients = np.linalg.lstsq(dense.toarray(), smooth.value(*spots.T), rcond=1e-6)[0]
    return at, pixels, basis, rows, coefficients, 0.5 * SCALE * rng.normal(size=15)


def test_without_a_figure_the_trace_is_the_designs(case, model):
    at, pixels, _, _, _, mounting = case
    mounting = np.concatenate([mounting[:12], np.zeros(3)])
    expected = moved(model, mounting[:12]).trace(pixels, extended=True).table_mm
    np.testing.assert_allclose(at(mounting, FigureRows.none(N), np.zeros(0)).table_mm, expected, atol=1e-9)


@pytest.mark.parametrize("k", range(15))
def test_mounting_and_optics(case, k):
    at, _, _, rows, coefficients, mounting = case
    step = 1e-4 * SCALE[k]
    ahead, behind = (at(mounting + s * step * np.eye(15)[k], rows, coefficients).table_mm for s in (1.0, -1.0))
    numeric = (ahead - behind) / (2.0 * step)
    analytic = at(mounting, rows, coefficients).dense[..., k]
    # central differences: second-order error of 1e-8 and rounding of 1e-12 / step, relative to the largest
    np.testing.assert_allclose(analytic, numeric, atol=2e-6 * np.abs(numeric).max())


def test_figure(case):
    at, _, basis, rows, coefficients, mounting = case
    direction = np.random.default_rng(1).normal(size=basis.size)
    ahead, behind = (at(mounting, rows, coefficients + s * 1e-5 * direction).table_mm for s in (1.0, -1.0))
    numeric = (ahead - behind) / 2e-5
    analytic = at(mounting, rows, coefficients).apply(np.concatenate([np.zeros(15), direction]))
    # left out on purpose: a height moves the hit sideways, and the map from spots to hits with it (here 4e-4)
    np.testing.assert_allclose(analytic, numeric, atol=1e-3 * np.abs(numeric).max())


def test_normal_equations_are_those_of_the_dense_jacobian(case):
    at, _, basis, rows, coefficients, mounting = case
    state = at(mounting, rows, coefficients)
    size = 15 + basis.size
    jacobian = np.zeros((N, 2, size))
    jacobian[..., :15] = state.dense
    for i in range(N):
        jacobian[i][:, 15 + state.columns[i]] = state.figure[i]
    flat = jacobian.reshape(-1, size)
    rng = np.random.default_rng(2)
    weight, residual = rng.uniform(1.0, 2.0, N), rng.normal(size=(N, 2))
    full = flat.T @ (np.repeat(weight, 2)[:, None] * flat)
    np.testing.assert_allclose(state.normal_matrix(weight, size), full, atol=1e-12 * np.abs(full).max())
    right = flat.T @ (np.repeat(weight, 2) * residual.ravel())
    np.testing.assert_allclose(state.gradient(weight, residual, size), right, atol=1e-11 * np.abs(right).max())
