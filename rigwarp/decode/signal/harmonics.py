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
    periods_px : (K,) periods; empty in scans decoded before these were noted.
    """

    order: int
    coefficients_turns: Array
    periods_px: tuple[float, ...] = ()

    def correct(self, turns: Array) -> Array:
        """Phases without the error; (K, N) turns in, (K, N) turns 0..1 out."""
        if not self.coefficients_turns.any():
            return turns % 1.0
        basis = _basis(turns, self.order)
        return (turns - np.einsum("kjn,kj->kn", basis, self.coefficients_turns)) % 1.0

    def fade(self, turns: Array) -> Array:
        """(K, N) factor that takes the same harmonics out of the amplitudes; phases as measured in.

        With N steps the harmonic N - 1 adds h exp(-i N phi) to 1, whose angle is the phase error and whose length is
        the amplitude error. For N = 3 that is the second harmonic, by far the strongest of a gamma error.
        """
        if not self.coefficients_turns.any():
            return np.ones_like(turns)
        cosine, sine = np.moveaxis(_basis(turns, self.order), 1, 0)
        a, b = self.coefficients_turns.T[:, :, None]
        return 1.0 - 2 * np.pi * (a * sine - b * cosine)


def no_error(periods_px: tuple[float, ...], order: int) -> HarmonicError:
    """The error of a chain that is linear already."""
    return HarmonicError(order=order, coefficients_turns=np.zeros((len(periods_px), 2)), periods_px=periods_px)


def _basis(turns: Array, order: int) -> Array:
    angle = 2 * np.pi * order * turns
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def estimate_harmonics(
    turns: Array, positions_px: Array, sigma_px: Array, periods_px: tuple[float, ...], order: int
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
    count, pixels = disagreement.shape
    # d(disagreement of period k) / d(coefficient of period m) = (k = m) effect - share_m effect_m
    design = np.broadcast_to(-effect * share[:, None], (count, count, 2, pixels)).copy()
    design[range(count), range(count)] += effect
    design = (design / sigma_px[:, None, None]).reshape(count, 2 * count, pixels)
    target = disagreement / sigma_px
    kept = np.flatnonzero(np.isfinite(target).all(axis=0))
    solution = np.zeros(2 * count)
    for _ in range(_PASSES):
        rows = design[:, :, kept].transpose(1, 0, 2).reshape(2 * count, -1)
        values = target[:, kept].ravel()
        solution = np.linalg.lstsq(rows @ rows.T, rows @ values, rcond=1e-9)[0]
        misfit = np.abs(values - solution @ rows).reshape(count, -1).max(axis=0)
        kept = kept[misfit <= _ROBUST_SIGMAS * max(float(np.median(misfit)), 1.0)]
    return HarmonicError(order=order, coefficients_turns=solution.reshape(count, 2), periods_px=periods_px)
