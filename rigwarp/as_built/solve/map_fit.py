"""The maximum-a-posteriori fit of mounting, projector optics, camera errors and figure, by Gauss-Newton.

Unknowns are whitened where a prior sigma exists: mounting (12), projector optics (3), camera errors (c), then the
figure's spline coefficients in mm. Outliers are weighted down (Huber 1964), the roughness prior is chosen by what
predicts held-out tiles best, and the noise is what the residuals of whole tiles say it is, if that is more than the
samples' own sigma.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from rigwarp.as_built.solve.correlation import SharedNoise
from rigwarp.as_built.solve.figure_basis import CELL_MM
from rigwarp.as_built.solve.fit_data import Data, Spots
from rigwarp.as_built.solve.linearised import Linearised, linearise
from rigwarp.as_built.solve.measured import Lengths
from rigwarp.as_built.solve.problem import Problem, inverse
from rigwarp.as_built.solve.ray_geometry import spot_polynomials
from rigwarp.as_built.solve.shared_errors import with_shared_errors
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array
from rigwarp.geometry.robust import HUBER, robust_least_squares, sigma_per_axis
from rigwarp.rig import Measured
from rigwarp.tracing import OpticalModel

OPTICS_SIGMA = np.array([0.005, 0.004, 0.004])
"""Throw ratio as a share and lens shift as a share of width and height: how far data sheets are usually off."""

_POSE_PASSES = 6
_THIN_SAMPLES = 5000  # find the way with so many, then use them all
_THIN_ROUNDS = 2  # where rays meet the mirror must be known well before the figure is tied to those spots:
_FULL_ROUNDS = 1  # each round ties it to where the round before says they do
_COARSE_CELL_MM = 8.0  # of the thin rounds: a stiff figure does not run away while the mounting is still wrong
_MISFIT_FLOOR_MM = 0.3  # how well a mere move of the design explains the samples before the figure is let in
_SEAM_MM = 2.5  # half the pupil of a small projector on the mirror, and what the mounting's tolerances move the seam
FEWEST_SAMPLES = 400
_RIM_MM, _RIM_STEP_MM = 1.5, 0.5
_WORTH_SAMPLES = 200.0  # neighbours share that misfit: all samples together count as so many


@dataclass(frozen=True, kw_only=True)
class MapFit:
    """The solution and its posterior.

    Attributes
    ----------
    problem : what was solved: the samples that were used (`data`), the mounting's prior sigmas (`scale`), what the
        figure is made of (`basis`, `rows`), where it is reported (`grid`), how it is aligned (`motions`).
    mounting : (15,) twelve shifts and turns (mm, rad, table axes), throw share, lens shifts.
    coefficients_mm : (K,) of the figure.
    covariance : (15 + c + K, 15 + c + K) posterior of the whitened unknowns and the coefficients.
    narrow : the same, as if samples shared no errors but those of their neighbours within a tile.
    residual_mm : (N, 2) of the samples, camera errors taken off.
    weight : (N,) robust share of each sample, 0..1.
    noise_scale : what the samples' sigma had to be multiplied with; `tile_noise` the same by tiles alone, and `shared`
        how far neighbours share their errors.
    linearised : landing points and derivatives at the solution.
    """

    problem: Problem
    mounting: Array
    coefficients_mm: Array
    covariance: Array
    narrow: Array
    residual_mm: Array
    weight: Array
    noise_scale: float
    tile_noise: float
    shared: SharedNoise
    linearised: Linearised

    def figure_rows(
        self, local_mm: Array, zone: NDArray[np.integer], *, nux: int = 0, nuy: int = 0
    ) -> sparse.csr_matrix:
        """(n, K) height (or a derivative) along the surfaces' z per coefficient, at points (n, 2) of surface frames.

        The figure is tied to spots that belong to the rays; a cubic map per zone says which spot a point is now.
        """
        spots = np.array(local_mm)
        for number in np.unique(zone):
            rays, here = self.problem.data.zone == number, zone == number
            now, then = self.linearised.local_mm[rays], self.problem.rows.spot_mm[rays]
            good = np.isfinite(now).all(axis=-1) & np.isfinite(then).all(axis=-1)
            known = spot_polynomials(now[good], now[good])[0]
            shift = np.linalg.lstsq(known, then[good] - now[good], rcond=None)[0]
            spots[here] += spot_polynomials(local_mm[here], now[good])[0] @ shift
        return self.problem.basis.rows(spots, zone, nux=nux, nuy=nuy)

    @property
    def widened(self) -> float:
        """By what errors shared beyond a tile widen the noise's part of sigmas, at least 1."""
        return self.noise_scale / self.tile_noise

    @property
    def prior_precision(self) -> Array:
        """(15, 15) of the whitened mounting, before any sample."""
        n = len(self.mounting)
        return self.problem.fixed_prior[:n, :n]


def fit_map(design: OpticalModel, data: Data, tolerances: Array, measured: Sequence[Measured] = ()) -> MapFit:
    """Fit; `tolerances` (12,) are the mounting's prior sigmas, `measured` lengths of the built rig.

    Raises
    ------
    MeasurementError
        Where the design, moved within its tolerances, does not send light where it was measured.
    """
    scale = np.concatenate([tolerances, OPTICS_SIGMA])
    lengths = Lengths(design, measured, scale)
    start, seen = _pose_only(design, data, lengths)
    _check_seen(seen)
    data, spots = _away_from_rims(design, data, seen)
    check_enough(len(data.zone))
    data = with_shared_errors(data, spots)
    every = max(1, len(data.zone) // _THIN_SAMPLES)
    for stride, cell_mm in (*(_THIN_ROUNDS * ((every, _COARSE_CELL_MM),)), *(_FULL_ROUNDS * ((1, CELL_MM),))):
        part = slice(None, None, stride)
        fit = Problem(design, data.only(part), lengths, spots.only(part), cell_mm=cell_mm)
        unknown = fit.approach(start)
        start = unknown[: len(scale)]
        spots = linearise(design, start * scale, data) if stride > 1 else fit.linearise(unknown)
    fit = Problem(design, data, lengths, spots)
    return _finish(fit, fit.solve(fit.approach(start)))


def _finish(fit: Problem, solution: tuple[Array, Linearised, float]) -> MapFit:
    """The solution with its posterior."""
    unknown, state, inflation = solution
    residual = fit.residual(state.table_mm, unknown)
    robust = fit.robust(residual, inflation)
    noise = max(inflation, fit.tile_scale(state, residual, robust))
    weight = robust * fit.data.information_weight / (noise * fit.data.sigma_mm) ** 2
    prior = fit.prior(state, weight)
    matrix = state.normal_matrix(weight, fit.size) + prior
    fit.add_lengths(unknown, matrix, np.zeros(fit.size))
    narrow = covariance = inverse(matrix)
    shared = fit.shared_noise(state, residual, robust)
    if shared.scale > noise:
        # of the estimate H^-1 J^T W r, H = J^T W J + P, the noise's part H^-1 J^T W J H^-1 grows, the prior's does not
        data = narrow - narrow @ (prior @ narrow)
        covariance = narrow + ((shared.scale / noise) ** 2 - 1.0) * 0.5 * (data + data.T)
    return MapFit(
        problem=fit,
        mounting=unknown[: len(fit.scale)] * fit.scale,
        coefficients_mm=unknown[fit.n_dense :],
        covariance=covariance,
        narrow=narrow,
        residual_mm=residual,
        weight=robust,
        noise_scale=max(noise, shared.scale),
        tile_noise=noise,
        shared=shared,
        linearised=state,
    )


def _pose_only(design: OpticalModel, data: Data, lengths: Lengths) -> tuple[Array, Linearised]:
    """Whitened mounting (15,) that brings the bare design close to the samples, and the rays there."""
    scale = lengths.scale
    thin = data.only(slice(None, None, max(1, len(data.pixels_px) // 3000)))

    def linearised(unknown: Array) -> tuple[Array, Callable[[], Array]]:
        state = linearise(design, unknown * scale, thin)
        residual = thin.table_mm - state.table_mm
        residual[~np.isfinite(state.dense).all(axis=(1, 2))] = np.nan
        return residual, lambda: state.dense * scale

    def prior(unknown: Array) -> tuple[Array, Array]:
        known = lengths.jacobian(unknown)
        return np.eye(len(scale)) + known.T @ known, known.T @ lengths.residual(unknown) - unknown

    unknown = robust_least_squares(
        linearised,
        np.zeros(len(scale)),
        prior=prior,
        sigma=lambda residual: max(sigma_per_axis(residual), _MISFIT_FLOOR_MM),
        limit=HUBER,
        passes=_POSE_PASSES,
        settled=lambda step: bool(np.abs(step).max() < 1e-3),
        worth=_WORTH_SAMPLES,
        fewest=len(scale),
    ).unknowns
    return unknown, linearise(design, unknown * scale, data)


def _away_from_rims(design: OpticalModel, data: Data, spots: Spots) -> tuple[Data, Spots]:
    """Without samples whose light came only partly by way of their zone: the projector's pupil is some mm wide there.

    At a seam the rest comes by way of the neighbour and pulls the sample over; at a rim it is missing.
    """
    near = np.zeros(len(data.zone), bool)
    known = np.isfinite(spots.mirror_mm).all(axis=-1)
    for surface in design.surfaces:
        here, others = known & (data.zone == surface.zone), known & (data.zone != surface.zone)
        if not here.any():
            continue
        rim = cKDTree(surface.rim_points(_RIM_STEP_MM))
        near[here] = rim.query(spots.local_mm[here])[0] < _RIM_MM
        if others.any():
            near[here] |= cKDTree(spots.mirror_mm[others]).query(spots.mirror_mm[here])[0] < _SEAM_MM
    return data.only(~near), spots.only(~near)


def _check_seen(seen: Linearised) -> None:
    share = float(np.isfinite(seen.table_mm).all(axis=-1).mean()) if len(seen.table_mm) else 0.0
    if share < 0.5:
        raise MeasurementError(
            f"as built: by the design only {100 * share:.0f} % of {len(seen.table_mm)} measured pixels reach the table "
            "(50 % are needed) even after moving projector and mirror within their tolerances. Check position_mm, "
            "rotation_deg and the tolerances of [projector] and [mirror] in rig.toml."
        )


def check_enough(n: int) -> None:
    """Refuse a fit of too few samples.

    Raises
    ------
    MeasurementError
        n samples are too few to tell a shape.
    """
    if n < FEWEST_SAMPLES:
        raise MeasurementError(
            f"as built: {n} averaged samples can be used, {FEWEST_SAMPLES} are needed to tell the mirror's shape. Scan "
            "again with more of the lit table in the camera's view."
        )
