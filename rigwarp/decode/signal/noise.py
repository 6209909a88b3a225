"""Camera noise, estimated from the scan itself.

The steps of each sinusoid average to the same light whatever its period and axis, so the scatter of these averages at
one pixel is noise and nothing else. Over pixels of all brightnesses it gives the two parts of the noise: a constant one
(read noise and quantisation) and one that grows with light (shot noise). Frames that are shown twice tell more: they
cover all levels of light.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array
from rigwarp.geometry.arrays import GOLDEN

_BINS = 24
_BESIDE = 2  # bins on either side
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


@dataclass(frozen=True, kw_only=True)
class Scatter:
    """Squared deviations that noise alone explains, per photograph's variance: any shape, all the same.

    Attributes
    ----------
    light : linear light at which each was seen.
    square : squared deviation; its expectation is the variance of one photograph there.
    quantum_square : squared quantum there, times by how much more than once it has come in.
    """

    light: Array
    square: Array
    quantum_square: Array


def scatter_of_means(means: Array, quantum_squares: Array, steps: int) -> Scatter:
    """From the step averages of K sinusoids at N pixels, both (K, N), each over `steps` photographs."""
    half = means.shape[0] // 2 * 2
    one, other = means[0:half:2], means[1:half:2]
    return Scatter(
        light=0.5 * (one + other),
        square=(one - other) ** 2 * steps / 2.0,
        quantum_square=0.5 * (quantum_squares[0:half:2] + quantum_squares[1:half:2]),
    )


def scatter_of_repeats(first: Array, again: Array, quantum_square: Array) -> Scatter:
    """From photographs of a frame that was shown twice; they cover all levels of light, crests and troughs.

    A lamp that drifted meanwhile is allowed for by one factor. Differences of whole codes are few values, whose median
    square would jump; an even spread over one quantum makes them continuous, and adds half a quantum's rounding.
    """
    bright = first > np.median(first)
    gain = float(np.median(first[bright] / np.maximum(again[bright], 1e-6))) if bright.any() else 1.0
    spread = (np.arange(first.size) * GOLDEN) % 1.0 - 0.5
    difference = first - gain * again + spread * np.sqrt(quantum_square)
    return Scatter(
        light=0.5 * (first + again), square=difference**2 / (1 + gain**2), quantum_square=1.5 * quantum_square
    )


def estimate_noise(scatters: Sequence[Scatter]) -> Noise:
    """Noise that explains the scatters: the median square of bins of like light, against light."""
    level = np.concatenate([s.light.ravel() for s in scatters])
    square = np.concatenate([s.square.ravel() for s in scatters])
    quantum_square = np.concatenate([s.quantum_square.ravel() for s in scatters])
    edges = np.quantile(level[:: max(1, level.size // 4096)], np.linspace(0.0, 1.0, _BINS + 1))
    which = np.clip(np.searchsorted(edges, level, side="right") - 1, 0, _BINS - 1)
    used = [which == b for b in range(_BINS)]
    used = [here for here in used if here.any()]
    light = np.array([np.mean(level[here]) for here in used])
    total = np.array([np.median(square[here]) / _MEDIAN_OF_SQUARE for here in used])
    rounding = np.array([np.mean(quantum_square[here]) / 12.0 for here in used])
    # where all dark codes of a bin happen to agree its median is nothing: it is no surer than its neighbours for that
    usual = [np.median(total[max(0, b - _BESIDE) : b + _BESIDE + 1]) for b in range(len(total))]
    weight = np.sqrt([np.count_nonzero(here) for here in used]) / np.maximum(np.maximum(total, usual), 1e-12)
    from scipy.optimize import nnls  # here and elsewhere: SciPy takes 50 MB, and the player does without

    (floor, per_light), _ = nnls(np.stack([weight, weight * light], axis=1), weight * np.maximum(total - rounding, 0.0))
    return Noise(floor=max(float(floor), 1e-12), per_light=float(per_light))
