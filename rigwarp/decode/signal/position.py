"""From light to a place in the projector picture: the phase of each sinusoid, and which of its periods it is.

Of four phases the differences form a point in a cube with opposite faces joined; the projector's positions are a curve
that winds through it. A table over the cube holds, for each small cell, the position whose point is nearest in the
least-squares sense (with the phases' common error taken out), so that unwrapping is one look-up per pixel. Of fewer
phases a Gray code tells the cell, from the signs of bit minus inverse.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.geometry import Array

TURN = 2 * np.pi
CELLS = 64
"""Cells per turn of phase difference."""
BYTE_TURN = 256
"""Phases are compared as bytes, so that their differences wrap by themselves; four byte values are a cell."""
_CELL_MIDDLE = 1.5 / 4.0  # a cell holds the differences 0, 1, 2, 3 of rounded bytes
_REACH = 10.0  # cells around the curve that still belong to it: 0.16 turns, five sigma even in dim light
_STEP_PX = 0.5
_MARGIN_PX = 2.0  # positions just outside the projector, so that noise at its rim is not folded to the other side


@dataclass(frozen=True, kw_only=True)
class Phase:
    """One sinusoid seen by N pixels: phase in turns (0..1), its sigma in turns, amplitude in linear light."""

    turns: Array
    sigma_turns: Array
    amplitude: Array


def phase_of_steps(light: Array, light_variance: Array) -> Phase:
    """Least-squares phase of `light[n] = mean + amplitude cos(2 pi (turns - n / steps))`.

    Parameters
    ----------
    light : (steps, N) linear light of the photographs in step order.
    light_variance : (steps, N) variance of each of these values.

    Notes
    -----
    The standard N-step formula; the variance is its first-order propagation with each step's own noise.
    """
    steps = light.shape[0]
    angle = TURN * np.arange(steps) / steps
    cosines, sines = np.cos(angle), np.sin(angle)
    cosine, sine = 2.0 / steps * (cosines @ light), 2.0 / steps * (sines @ light)
    amplitude = np.hypot(cosine, sine)
    # sin(angle - phase), the phase's derivative by each value
    along = np.divide(cosine, amplitude, out=np.ones_like(amplitude), where=amplitude > 0.0)
    across = np.divide(sine, amplitude, out=np.zeros_like(amplitude), where=amplitude > 0.0)
    weight = sines[:, None] * along - cosines[:, None] * across
    variance = np.sum(weight**2 * light_variance, axis=0)
    with np.errstate(divide="ignore"):
        sigma = 2.0 / steps * np.sqrt(variance) / amplitude / TURN
    turns = np.arctan2(sine, cosine) / TURN % 1.0
    return Phase(turns=turns, sigma_turns=sigma, amplitude=amplitude)


def cell_position(codes: NDArray[np.unsignedinteger], axis: AxisLayout) -> Array:
    """Middle of the cell that each pixel sees.

    Parameters
    ----------
    codes : (F, N) photographs of all frames.
    axis : with a Gray code.

    Returns
    -------
    (N,) projector position, pixels; right to half a cell, a little more where a bar's edge is blurred.
    """
    binary = np.zeros(codes.shape[1], bool)
    cell = np.zeros(codes.shape[1])
    for plain, inverted in axis.bits:
        binary = binary ^ (codes[plain] > codes[inverted])
        cell = 2 * cell + binary
    return np.asarray((cell + 0.5) * axis.cell_px - 0.5)


@lru_cache(maxsize=8)
def position_table(periods_px: tuple[float, ...], extent_px: int) -> NDArray[np.float32]:
    """(64, 64, 64) nearest position, pixels, over the phase differences of four periods; NaN far from every position.

    The first period is the reference: the axes are the differences of the second, third and fourth phase to it.
    Nearest in the metric of independent phases, e.e - (e.1)^2 / 4 for the differences' errors e; its square root is a
    linear map to a space where a k-d tree finds neighbours.
    """
    from scipy.spatial import cKDTree  # not for the player, see decode/signal/noise.py

    rates = 1.0 / np.asarray(periods_px)
    position = np.arange(-_MARGIN_PX, extent_px + _MARGIN_PX, _STEP_PX)
    points = (position[:, None] * (rates[1:] - rates[0])) % 1.0 * CELLS
    wraps = np.stack(np.meshgrid(*[(-CELLS, 0, CELLS)] * 3, indexing="ij"), axis=-1).reshape(-1, 1, 3)
    copies = (points + wraps).reshape(-1, 3)
    near = np.all((copies > -_REACH) & (copies < CELLS + _REACH), axis=1)
    metric = np.eye(3) - (1 - np.sqrt(1 / len(periods_px))) / 3  # squared: 1 - 1/4 of the ones matrix
    tree = cKDTree(copies[near] @ metric)
    middles = np.stack(np.meshgrid(*[np.arange(CELLS) + _CELL_MIDDLE] * 3, indexing="ij"), axis=-1)
    _, index = tree.query(middles.reshape(-1, 3) @ metric, distance_upper_bound=_REACH)
    owner = np.append(np.tile(position, len(wraps))[near], np.nan)  # the index past the end: nothing near
    return owner[index].reshape((CELLS,) * 3).astype(np.float32)


def rough_position(turns: Array, periods_px: tuple[float, ...], extent_px: int) -> Array:
    """(N,) position to within a fraction of a period, from (4, N) phases; NaN where they fit no position."""
    byte = np.minimum(np.rint(turns % 1.0 * BYTE_TURN), BYTE_TURN - 1).astype(np.uint8)
    cell = ((byte[1:] - byte[0]) >> 2).astype(np.intp)
    return position_table(periods_px, extent_px)[cell[0], cell[1], cell[2]].astype(float)


def refine(rough_px: Array, turns: Array, periods_px: tuple[float, ...]) -> Array:
    """(K, N) positions that have the phases `turns` (K, N) and are nearest to `rough_px` (N,)."""
    periods = np.asarray(periods_px)[:, None]
    return periods * (turns + np.round(rough_px / periods - turns))
