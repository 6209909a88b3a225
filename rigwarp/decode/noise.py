"""Camera noise, estimated from the scan itself.

The steps of each sinusoid average to the same light whatever its period and axis, so the scatter of these averages at
one pixel is noise and nothing else. Over pixels of all brightnesses it gives the two parts of the noise: a constant one
(read noise and quantisation) and one that grows with light (shot noise).
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from rigwarp.geometry import Array

_BINS = 24
_MEDIAN_OF_SQUARE = 0.4549  # median of chi-square with one degree of freedom, per unit variance


@dataclass(frozen=True, kw_only=True)
class Noise:
    """Variance of linear light (0..1 of full scale): floor + per_light * light + quantum^2 / 12.

    The quantum is the light between two neighbouring code values there; rounding to codes adds its square over twelve.
    """

    floor: float
    per_light: float

    def variance(self, light: Array, quantum: Array) -> Array:
        """Variance of one photograph's linear value; any shape."""
        return self.floor + self.per_light * np.maximum(light, 0.0) + quantum**2 / 12.0


def estimate_noise(means: Array, quantum_squares: Array, steps: int) -> Noise:
    """Noise from the step averages of several sinusoids.

    Parameters
    ----------
    means : (K, N)
        Average linear light over the `steps` photographs of each of K sinusoids at N camera pixels.
    quantum_squares : (K, N)
        Average squared quantum over the same photographs.
    steps : photographs per sinusoid.
    """
    level = np.median(means, axis=0)
    # differences of neighbouring sinusoids' averages: two averages of `steps` photographs each
    half = means.shape[0] // 2 * 2
    squares = (means[0:half:2] - means[1:half:2]) ** 2 * steps / 2.0
    edges = np.quantile(level, np.linspace(0.0, 1.0, _BINS + 1))
    which = np.clip(np.searchsorted(edges, level, side="right") - 1, 0, _BINS - 1)
    used = [b for b in range(_BINS) if np.any(which == b)]
    light = np.array([np.mean(level[which == b]) for b in used])
    total = np.array([np.median(squares[:, which == b]) / _MEDIAN_OF_SQUARE for b in used])
    rounding = np.array([np.mean(quantum_squares[:, which == b]) / 12.0 for b in used])
    weight = 1.0 / np.maximum(total, 1e-12)
    (floor, per_light), _ = nnls(np.stack([weight, weight * light], axis=1), weight * np.maximum(total - rounding, 0.0))
    return Noise(floor=max(float(floor), 1e-12), per_light=float(per_light))
