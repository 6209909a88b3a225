"""Phase and amplitude of an N-step sinusoid, with their noise."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array

TURN = 2 * np.pi


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
    light : (steps, N)
        Linear light of the photographs in step order.
    light_variance : (steps, N)
        Variance of each of these values.

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
