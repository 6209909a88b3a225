"""Measured maps, corrected: for parts that have moved, and by a smooth field, no larger than the dots' noise allows.

Both components of residual vectors on a grid of dots are draws of one Gaussian process: a smooth part with some
amplitude and reach, plus independent noise per dot. Amplitude, reach and noise are those that make the vectors most
probable (empirical Bayes); the correction is the smooth part's mean given the vectors, so that it shrinks to nothing
where noise explains them as well.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.ndimage import distance_transform_edt, map_coordinates
from scipy.optimize import Bounds, minimize
from scipy.spatial.distance import cdist

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, PixelMap
from rigwarp.geometry.pixel_map import zones_lit
from rigwarp.geometry.robust import chi_squared_limit
from rigwarp.table_map.registration import apply_shifts
from rigwarp.tracing import OpticalModel

_STEP_PX = 4  # differences between two traces vary slowly, but for dents
_MARGIN = 4  # nodes around the picture, so that the interpolation's border lies outside it


def moved_map(table_map: PixelMap, model: OpticalModel, shifts: Array) -> PixelMap:
    """The map after rigid motions of projector and mirror.

    Parameters
    ----------
    table_map : as measured before.
    model : the light path that goes with it, see `light_model`.
    shifts : (12,) projector shift, turn, mirror shift, turn.

    Notes
    -----
    The difference of the two traced light paths is added to the measurement, which keeps what the model does not know.
    """
    height, width = table_map.x_mm.shape
    rows, columns = (_STEP_PX * np.arange(-_MARGIN, n // _STEP_PX + _MARGIN + 1.0) for n in (height, width))
    nodes = np.stack(np.meshgrid(columns, rows), axis=-1)
    moved = apply_shifts(model, shifts)
    spots = table_map.table_mm.copy()
    for zone in zones_lit(table_map.zone):
        there, here = (m.trace(nodes, zone=zone, extended=True).table_mm for m in (moved, model))
        difference = _filled(there - here)
        v, u = np.nonzero(table_map.zone == zone)
        at = np.stack([v, u]) / _STEP_PX + _MARGIN
        for axis in (0, 1):
            spots[v, u, axis] += map_coordinates(difference[..., axis], at, order=3, mode="nearest")
    return replace(table_map, x_mm=spots[..., 0], y_mm=spots[..., 1])


def shifted_map(
    table_map: PixelMap, correction: Callable[[Array], Array], sigma_mm: Callable[[Array], Array] | None = None
) -> PixelMap:
    """The map with a correction (..., 2) -> (..., 2) mm added at its own places.

    `sigma_mm` (..., 2) -> (...,) is the correction's own uncertainty; it is added to the map's.
    """
    spots = table_map.table_mm
    moved = spots + correction(spots)
    sigma = table_map.sigma_mm if sigma_mm is None else np.hypot(table_map.sigma_mm, sigma_mm(spots))
    return replace(table_map, x_mm=moved[..., 0], y_mm=moved[..., 1], sigma_mm=sigma)


def _filled(values: Array) -> Array:
    """(h, w, 2) with NaN replaced by the nearest known value; zero where nothing is known."""
    known: BoolArray = np.asarray(np.isfinite(values).all(axis=-1))
    if not known.any():
        return np.zeros_like(values)
    row, column = distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(values[row, column])


_FEWEST = 20
_CHUNK = 20_000
_SMALLEST_NOISE_MM = 1e-3
_SIGNIFICANT = chi_squared_limit(3, 0.01)  # twice the log-likelihood gained by the three numbers of a smooth part
_TRUSTED = 2.0
"""A smooth part is fed back when its amplitude is this many times what the dots' own common errors may be."""
_SHORTEST_REACH = 1.0  # of the dots' spacing: finer structure cannot be told from noise


@dataclass(frozen=True, kw_only=True)
class ResidualField:
    """The smooth part of residual vectors.

    Attributes
    ----------
    points_mm, weights : (n, 2), (n, 2) kernel centres and coefficients.
    reach_mm : correlation length (Gaussian kernel).
    amplitude_mm, noise_mm : 1-sigma per axis of the smooth part and of the noise per dot.
    bias_mm : 1-sigma of errors that neighbouring dots have in common; the correction is shrunk by what they may be.
    evidence : twice the log-likelihood ratio of smooth part plus noise over noise alone.
    rms_mm : of the correction at the dots.
    """

    points_mm: Array
    weights: Array
    reach_mm: float
    amplitude_mm: float
    noise_mm: float
    bias_mm: float
    evidence: float
    rms_mm: float
    _precision: Array

    @property
    def significant(self) -> bool:
        """Whether neither the dots' noise (in fewer than one rig of a hundred) nor their bias makes such vectors."""
        return self.evidence > _SIGNIFICANT and self.amplitude_mm > _TRUSTED * self.bias_mm

    def at(self, table_mm: Array) -> Array:
        """(..., 2) correction at (..., 2) places; NaN stays NaN. Fades to nothing some reaches from the dots."""
        return self._in_chunks(table_mm, 2, lambda kernel: kernel @ self.weights)

    def sigma_mm(self, table_mm: Array) -> Array:
        """(...,) 1-sigma per axis of the correction at (..., 2) places."""

        def spread(kernel: Array) -> Array:
            variance = self.amplitude_mm**2 - np.einsum("ij,jk,ik->i", kernel, self._precision, kernel)
            return np.sqrt(np.maximum(variance, 0.0) + self.bias_mm**2)[:, None]

        return self._in_chunks(table_mm, 1, spread)[..., 0]

    def _in_chunks(self, table_mm: Array, width: int, apply) -> Array:  # type: ignore[no-untyped-def]
        flat = np.asarray(table_mm, float).reshape(-1, 2)
        found = np.full((len(flat), width), np.nan)
        known = np.flatnonzero(np.isfinite(flat).all(axis=1))
        for start in range(0, len(known), _CHUNK):
            rows = known[start : start + _CHUNK]
            squares = cdist(flat[rows], self.points_mm, "sqeuclidean")
            found[rows] = apply(self.amplitude_mm**2 * np.exp(-0.5 * squares / self.reach_mm**2))
        return found.reshape(*np.shape(table_mm)[:-1], width)


def fit_residual_field(
    points_mm: Array, vectors_mm: Array, sigma_mm: Array, *, spacing_mm: float, bias_mm: float = 0.0
) -> ResidualField:
    """Fit the smooth part of residual vectors.

    Parameters
    ----------
    points_mm, vectors_mm : (n, 2) places and residuals there.
    sigma_mm : (n,) 1-sigma per axis that is known of each; more noise is allowed for and estimated.
    spacing_mm : of the dots: the field is no finer.
    bias_mm : 1-sigma per axis of errors of the dots' places that neighbours have in common (light, lens, smear): they
        look like a smooth part and are none.

    Raises
    ------
    MeasurementError
        When there are fewer than twenty points.

    Notes
    -----
    Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), chapters 2 and 5.
    """
    if len(points_mm) < _FEWEST:
        raise MeasurementError(f"{len(points_mm)} dots are too few to correct by, at least {_FEWEST} needed")
    known = np.maximum(sigma_mm, _SMALLEST_NOISE_MM) ** 2
    distance = cdist(points_mm, points_mm)
    size = max(float(np.sqrt(np.mean(vectors_mm**2))), _SMALLEST_NOISE_MM)
    longest = float(distance.max())

    def cost(logs: Array) -> tuple[float, Array]:
        """Minus the log-likelihood, and its derivatives by the logarithms of amplitude, reach and noise."""
        amplitude, reach, noise = np.exp(logs)
        smooth = amplitude**2 * np.exp(-0.5 * (distance / reach) ** 2)
        factor = cho_factor(smooth + np.diag(known + noise**2), lower=True, check_finite=False)
        weights = cho_solve(factor, vectors_mm, check_finite=False)
        inverse = cho_solve(factor, np.eye(len(points_mm)), check_finite=False)
        # d(cost) = tr((K^-1 - w w^T / 2) dK) for two columns of vectors
        slope = inverse - 0.5 * weights @ weights.T
        by = [2.0 * smooth, smooth * (distance / reach) ** 2]
        value = 0.5 * float(np.sum(vectors_mm * weights)) + 2.0 * float(np.sum(np.log(np.diag(factor[0]))))
        return value, np.array([*(np.sum(slope * d) for d in by), 2.0 * noise**2 * np.trace(slope)])

    least = np.log([1e-3 * size, _SHORTEST_REACH * spacing_mm, 1e-3 * size])
    most = np.log([10.0 * size, max(longest, 2.0 * spacing_mm), 3.0 * size])
    bounds = Bounds(least, most)
    starts = [np.log([0.7 * size, reach, 0.5 * size]) for reach in (1.5 * spacing_mm, 0.3 * longest)]
    found = [minimize(cost, np.clip(s, least, most), jac=True, method="L-BFGS-B", bounds=bounds) for s in starts]
    best = min(found, key=lambda one: one.fun)
    amplitude, reach, noise = (float(v) for v in np.exp(best.x))
    alone = min(_noise_alone(known + n**2, vectors_mm) for n in size * np.linspace(0.0, 1.5, 301))
    kernel = amplitude**2 * np.exp(-0.5 * (distance / reach) ** 2)
    factor = cho_factor(kernel + np.diag(known + noise**2), lower=True)
    # of a smooth part with this variance, so much is not the dots' own bias
    share = max(0.0, 1.0 - (bias_mm / amplitude) ** 2)
    weights = share * cho_solve(factor, vectors_mm)
    return ResidualField(
        points_mm=points_mm,
        weights=weights,
        reach_mm=reach,
        amplitude_mm=amplitude,
        noise_mm=noise,
        bias_mm=bias_mm,
        evidence=float(2.0 * (alone - best.fun)),
        rms_mm=float(np.sqrt(np.mean(np.sum((kernel @ weights) ** 2, axis=1)))),
        _precision=cho_solve(factor, np.eye(len(points_mm))),
    )


def _noise_alone(variance: Array, vectors_mm: Array) -> float:
    """Minus the log-likelihood of (n, 2) vectors that are independent noise of variances (n,), without constants."""
    return float(np.sum(0.5 * np.sum(vectors_mm**2, axis=1) / variance + np.log(variance)))
