"""Least squares in which single wrong values pull less (Huber 1964), and what medians and chi-squared say of noise."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry.arrays import Array

HUBER = 2.5
"""Sigmas beyond which a value counts less."""
HUBER_CLOSE = 2.0
"""The same where a simple model leaves much besides noise,"""
HUBER_WIDE = 3.0
"""and where nearly all that is far off means something."""
SIGMA_PER_MEDIAN = 1.482602218505602
"""Of deviations: half of all normal values lie within 0.6745 sigma."""
MEDIAN_LENGTH = float(np.sqrt(2.0 * np.log(2.0)))
"""Of two-dimensional normal vectors, in sigmas per axis: 1.1774."""
MEDIAN_PAIR = float(np.sqrt(np.log(2.0)))
"""Of the root mean square of two normal values, in sigmas: 0.8326."""
_NO_WORSE = 1.001  # spread of the residuals after a damped step over that before it
_STILL_SEEN = 0.9  # share of the residuals that must be finite after a damped step

_State = tuple[Array, Callable[[], Array]]
Model = Callable[[Array], _State]
"""From unknowns (n,) to residuals (N, m), measured minus predicted, and to a function that works out the derivatives
(N, m, n) of what is predicted. NaN in either: the sample does not count."""
Prior = Callable[[Array], tuple[Array, Array]]
"""From unknowns (n,) to the precision (n, n) of what else is known about them, and to the pull (n,) of that."""


def chi_squared_limit(freedom: int, chance: float) -> float:
    """What a sum of `freedom` squared unit normals exceeds with this chance, 0..1."""
    from scipy.special import chdtri  # not for the player, see decode/signal/noise.py

    return float(chdtri(freedom, chance))


def robust_sigma(values: Array) -> float:
    """1-sigma of (n,) values by their median absolute deviation; n >= 1, NaN left out."""
    return float(SIGMA_PER_MEDIAN * np.nanmedian(np.abs(values - np.nanmedian(values))))


def sigma_per_axis(vectors: Array) -> float:
    """1-sigma per axis of (n, 2) errors by their median length; n >= 1, NaN left out."""
    return float(np.nanmedian(np.linalg.norm(vectors, axis=-1))) / MEDIAN_LENGTH


def parts_of(places: Array, across: int) -> NDArray[np.int64]:
    """(n,) numbers 0 .. across^2 - 1 of the parts of a picture that (n, 2) places are in, by their ranks each way."""
    rank = np.argsort(np.argsort(places, axis=0), axis=0) * across // len(places)
    return np.asarray(rank[:, 0] * across + rank[:, 1], np.int64)


def independent_errors(covariance: Array) -> Array:
    """(n, n) one sigma of each independent error, column by column, of a covariance (n, n) of whatever units."""
    size = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    value, vector = np.linalg.eigh(covariance / size / size[:, None])
    return np.asarray(size[:, None] * vector * np.sqrt(np.maximum(value, 0.0)))


def huber_weights(sigmas: Array, limit: float = HUBER) -> Array:
    """(...,) 0..1 for misfits (...,) in sigmas, 0 or more: 1 up to the limit, falling as 1 / misfit beyond."""
    return np.minimum(1.0, limit / np.maximum(sigmas, 1e-12))


def huber_cost(sigmas: Array, limit: float = HUBER) -> float:
    """Twice the sum of Huber's rho: the sum of squares for misfits up to the limit."""
    return float(np.sum(np.where(sigmas < limit, sigmas**2, 2.0 * limit * sigmas - limit**2)))


def normal_prior(precision: Array) -> Prior:
    """Unknowns that are 0 to within a given precision (n, n)."""
    return lambda unknowns: (precision, -precision @ unknowns)


@dataclass(frozen=True, kw_only=True)
class RobustSolution:
    """Where the passes ended.

    Attributes
    ----------
    unknowns : (n,)
    normal : (n, n) J^T W J of the samples in the last pass.
    precision : (n, n) of the prior.
    sigma : (N,) of each sample in the last pass.
    """

    unknowns: Array
    normal: Array
    precision: Array
    sigma: Array

    @property
    def covariance(self) -> Array:
        """(n, n) of the unknowns."""
        return np.asarray(np.linalg.inv(self.normal + self.precision), float)


def robust_least_squares(
    model: Model,
    start: Array,
    *,
    prior: Prior,
    sigma: Callable[[Array], float | Array],
    limit: float,
    passes: int,
    settled: Callable[[Array], bool] = lambda _: False,
    worth: float = np.inf,
    fewest: int = 1,
    tries: int = 0,
) -> RobustSolution:
    """Most probable unknowns by Gauss-Newton with Huber's weights, found anew at every pass.

    Parameters
    ----------
    model : see `Model`.
    start : (n,) unknowns to begin with.
    prior : see `Prior`.
    sigma : from residuals (N, m) to the 1-sigma of a sample per axis, one for all or (N,).
    limit : residuals of so many sigmas, by their length, begin to count less.
    passes : at most.
    settled : from a step (n,) to whether it was small enough to be the last.
    worth : all samples together count as so many at most: neighbours may share what the model cannot explain.
    fewest : samples without which no step is made.
    tries : so often at most a step is halved until the residuals do not spread more than before; 0: steps are taken
        as they come.
    """
    unknowns = start
    state: _State | None = None
    precision, _ = prior(start)
    normal, spread = np.zeros_like(precision), np.zeros(0)
    for _ in range(passes):
        residual, jacobian = state or model(unknowns)
        spread = np.broadcast_to(np.asarray(sigma(residual), float), len(residual))
        rows = jacobian()
        good = np.isfinite(residual).all(axis=-1) & np.isfinite(rows).all(axis=(1, 2))
        if np.count_nonzero(good) < fewest:
            break
        normal, right = _normal_equations(residual[good], rows[good], spread[good], limit, worth)
        precision, pull = prior(unknowns)
        step = np.asarray(np.linalg.solve(normal + precision, right + pull), float)
        share, state = _bearable_share(model, unknowns, step, sigma, residual, tries) if tries else (1.0, None)
        unknowns = unknowns + share * step
        if share == 0.0 or settled(step):
            break
    return RobustSolution(unknowns=unknowns, normal=normal, precision=precision, sigma=spread)


def _bearable_share(
    model: Model, unknowns: Array, step: Array, sigma: Callable[[Array], float | Array], residual: Array, tries: int
) -> tuple[float, _State | None]:
    """Which part of a step does not spread the residuals, 0 for none, and the model after it."""
    most = _NO_WORSE * np.asarray(sigma(residual), float)
    for share in 0.5 ** np.arange(tries):
        state = model(unknowns + share * step)
        if np.all(sigma(state[0]) <= most) and np.isfinite(state[0]).mean() > _STILL_SEEN:
            return float(share), state
    return 0.0, None


def _normal_equations(residual: Array, rows: Array, sigma: Array, limit: float, worth: float) -> tuple[Array, Array]:
    """J^T W J (n, n) and J^T W r (n,)."""
    weight = huber_weights(np.linalg.norm(residual, axis=-1) / sigma, limit) / sigma**2
    each = np.repeat(weight * min(1.0, worth / len(weight)), residual.shape[-1])
    flat = rows.reshape(len(each), -1)
    weighted = flat * each[:, None]
    return weighted.T @ flat, weighted.T @ residual.ravel()
