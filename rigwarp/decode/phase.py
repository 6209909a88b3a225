"""Phase and amplitude of an N-step sinusoid, with their noise."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array

TURN = 2 * np.pi


@dataclass(frozen=True, kw_only=True)
class Phase:
    """One sinusoid seen by N pixels: phase in turns (0..1), its sigma in turns, amplitude and mean in linear light."""

    turns: Array
    sigma_turns: Array
    amplitude: Array
    mean: Array


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
    angle = TURN * np.arange(steps)[:, None] / steps
    cosine = 2.0 / steps * np.sum(light * np.cos(angle), axis=0)
    sine = 2.0 / steps * np.sum(light * np.sin(angle), axis=0)
    amplitude = np.hypot(cosine, sine)
    phase = np.arctan2(sine, cosine)
    weight = np.sin(angle - phase)
    variance = np.sum(weight**2 * light_variance, axis=0)
    with np.errstate(divide="ignore"):
        sigma = 2.0 / steps * np.sqrt(variance) / amplitude / TURN
    return Phase(turns=phase / TURN % 1.0, sigma_turns=sigma, amplitude=amplitude, mean=np.mean(light, axis=0))
