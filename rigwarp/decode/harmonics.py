"""What is left of the chain's nonlinearity: phase errors that repeat three times a period, found from the data.

With N steps, harmonics of order mN +- 1 masquerade as the fundamental, and the phase error is a sum of sines and
cosines of multiples of N times the phase. At one pixel the periods disagree by the differences of their errors; over
many pixels this determines each period's error curve. The idea of correcting from several frequencies of one scan:
Xing and Guo, Optics Express 26, 16277 (2018).
"""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array

_ROBUST_SIGMAS = 4.0
_PASSES = 2


@dataclass(frozen=True, kw_only=True)
class HarmonicError:
    """Phase error curves of one axis.

    Attributes
    ----------
    order : steps per period; the error has this many waves per turn.
    coefficients_turns : (K, 2) cosine and sine of `order` times the phase, in turns, for each of K periods.
    """

    order: int
    coefficients_turns: Array

    def correct(self, turns: Array) -> Array:
        """Phases without the error; (K, N) turns in, (K, N) turns 0..1 out."""
        basis = _basis(turns, self.order)
        return (turns - np.einsum("kjn,kj->kn", basis, self.coefficients_turns)) % 1.0


def no_error(periods: int, order: int) -> HarmonicError:
    """The error of a chain that is linear already."""
    return HarmonicError(order=order, coefficients_turns=np.zeros((periods, 2)))


def _basis(turns: Array, order: int) -> Array:
    angle = 2 * np.pi * order * turns
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def estimate_harmonics(
    turns: Array, positions_px: Array, sigma_px: Array, periods_px: Array, order: int
) -> HarmonicError:
    """Fit the error curves of all periods together.

    Parameters
    ----------
    turns : (K, N) phases as measured.
    positions_px : (K, N) unwrapped positions of the same phases.
    sigma_px : (K, N) their noise.
    periods_px : (K,) periods.
    order : steps per period.

    Notes
    -----
    Linear least squares on each pixel's disagreement x_k - mean(x), whose model is e_k - mean(e) with the same weights.
    """
    weight = 1.0 / sigma_px**2
    share = weight / np.sum(weight, axis=0)
    disagreement = positions_px - np.sum(share * positions_px, axis=0)
    effect = _basis(turns, order) * np.asarray(periods_px)[:, None, None]  # (K, 2, N) px per turn of coefficient
    kept = np.isfinite(disagreement).all(axis=0)
    count = len(periods_px)
    solution = np.zeros(2 * count)
    for _ in range(_PASSES):
        rows, values = [], []
        for k in range(count):
            columns = -effect * share[:, None, :]
            columns[k] += effect[k]
            scale = 1.0 / sigma_px[k, kept]
            rows.append(columns[:, :, kept].reshape(2 * count, -1) * scale)
            values.append(disagreement[k, kept] * scale)
        design, target = np.concatenate(rows, axis=1), np.concatenate(values)
        solution = np.linalg.lstsq(design @ design.T, design @ target, rcond=1e-9)[0]
        misfit = np.abs(target - solution @ design).reshape(count, -1).max(axis=0)
        limit = _ROBUST_SIGMAS * max(float(np.median(misfit)), 1.0)
        kept = kept.copy()
        kept[np.flatnonzero(kept)[misfit > limit]] = False
    return HarmonicError(order=order, coefficients_turns=solution.reshape(count, 2))
