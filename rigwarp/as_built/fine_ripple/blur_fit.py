"""How steep a ripple of each direction would have to be to explain the blur, everything else fitted beside it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.as_built.fine_ripple.blur_model import BlurCells
from rigwarp.geometry import Array
from rigwarp.geometry.polynomials import plane_powers
from rigwarp.geometry.robust import HUBER_WIDE, huber_weights, robust_sigma

_STEP_DEG = 5.0  # a steep ripple's chi-square rises by some units within it
_SKIP = 2  # while weights are being found, every second direction is enough
_PASSES = 30
_SETTLED = 1e-3  # of chi-square
_ROUNDS = 3
_FEWEST_IN_TILE = 4
_SMOOTH_ORDER = 4
_WEAK = 1e-9  # keeps the equations solvable for a direction of no effect


@dataclass(frozen=True, kw_only=True)
class SlopesTold:
    """What the blur says of slopes in a surface's own frame.

    Attributes
    ----------
    angle_deg : (d,) directions over half a turn.
    slope_mrad, sigma_mrad : (d,) most probable rms slope along each, and its sigma.
    chi2 : (d,) with that.
    chi2_without : with no ripple at all.
    """

    angle_deg: Array
    slope_mrad: Array
    sigma_mrad: Array
    chi2: Array
    chi2_without: float


def slopes_told(cells: BlurCells) -> SlopesTold:
    """Fit a ripple of each direction beside all that blurs otherwise."""
    noise = np.array([_scatter(cells.place, blur) for blur in cells.blur_px2.T])
    sigma = np.broadcast_to(noise, cells.blur_px2.shape)
    angles = np.arange(0.0, 180.0, _STEP_DEG)
    axes = np.stack([np.cos(np.deg2rad(angles)), np.sin(np.deg2rad(angles))], axis=-1)
    x = cells.prior[0]
    for _ in range(_ROUNDS):
        best = min((_solve(cells, sigma, axis, x) for axis in axes[::_SKIP]), key=lambda one: one.chi2)
        x = best.x
        # dents blur by themselves
        sigma = noise / np.sqrt(huber_weights(np.abs(best.residual_px2) / noise, HUBER_WIDE))
    sigma = sigma * _shared(best.residual_px2 / sigma, cells.tile)
    without = _solve(cells, sigma, np.zeros(2), x)
    found = [_solve(cells, sigma, axis, x) for axis in axes]
    slope = np.sqrt(np.maximum([one.x[0] for one in found], 0.0))
    sigma_square = np.sqrt([np.linalg.inv(one.normal)[0, 0] for one in found])
    return SlopesTold(
        angle_deg=angles,
        slope_mrad=slope,
        sigma_mrad=sigma_square / np.maximum(2.0 * slope, np.sqrt(sigma_square)),
        chi2=np.where(slope > 0.0, [one.chi2 for one in found], without.chi2),
        chi2_without=without.chi2,
    )


def _scatter(place: Array, values: Array) -> float:
    """What a quartic polynomial of the place leaves: noise."""
    powers = plane_powers(place, _SMOOTH_ORDER)
    left = values - powers @ np.linalg.lstsq(powers, values, rcond=None)[0]
    return max(robust_sigma(left), 1e-6)


def _shared(z: Array, tile: NDArray[np.int64]) -> Array:
    """(2,) by how much whole tiles of z (n, 2) scatter more than the noise of their cells says; 1 or more."""
    count = np.bincount(tile)
    used = count >= _FEWEST_IN_TILE
    if not used.any():
        return np.ones(2)
    sums = np.stack([np.bincount(tile, np.clip(one, -HUBER_WIDE, HUBER_WIDE))[used] for one in z.T], axis=-1)
    return np.asarray(np.sqrt(np.maximum(np.mean(sums**2 / count[used, None], axis=0), 1.0)))


@dataclass(frozen=True, kw_only=True)
class _State:
    """Unknowns, the normal equations and chi-square there, and what the model leaves."""

    x: Array
    normal: Array
    right: Array
    chi2: float
    residual_px2: Array

    @classmethod
    def at(cls, cells: BlurCells, sigma: Array, direction: Array, x: Array) -> "_State":
        residual, by = cells.at(x, direction)
        rows = (by / sigma[..., None]).reshape(-1, len(x))
        z = (residual / sigma).ravel()
        expected, tolerance = cells.prior
        pull = (expected - x) / tolerance
        normal = rows.T @ rows + np.diag(1.0 / tolerance**2)
        normal[0, 0] += _WEAK
        chi2 = float(z @ z + pull @ pull)
        return cls(x=x, normal=normal, right=rows.T @ z + pull / tolerance, chi2=chi2, residual_px2=residual)


def _solve(cells: BlurCells, sigma: Array, direction: Array, start: Array) -> _State:
    """The most probable unknowns for a ripple along one direction, by Levenberg and Marquardt's method."""
    state = _State.at(cells, sigma, direction, np.concatenate([[0.0], start[1:]]))
    damping = 1e-3
    for _ in range(_PASSES):
        step = np.linalg.solve(state.normal + damping * np.diag(np.diag(state.normal)), state.right)
        trial = _State.at(cells, sigma, direction, state.x + step)
        gain = state.chi2 - trial.chi2
        if gain > 0.0:
            state, damping = trial, damping / 10.0
            if gain < _SETTLED:
                break
        else:
            damping *= 10.0
            if damping > 1e6:
                break
    return state
