"""The figure as heights along mirror z over the lit part, aligned to the design, with what is known of their errors."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from rigwarp.as_built.describe.alignment import RigidMotions
from rigwarp.as_built.describe.footprint import SurfacePoints, zone_points
from rigwarp.as_built.describe.ripple import TakenRipple
from rigwarp.as_built.solve.linearised import hits
from rigwarp.as_built.solve.map_fit import MapFit
from rigwarp.as_built.solve.ray_geometry import spot_polynomials
from rigwarp.geometry import Array
from rigwarp.tracing import OpticalModel

_SLOPE_STEP_MM = 0.05  # central differences of a spline with cells of 2 mm or more: error < 0.1 %
_MOVE_STEP = 0.02  # share of each tolerance for the hits' moves: they are smooth and nearly linear
_MOVE_RAYS = 600  # per zone: a cubic has ten coefficients


@dataclass(frozen=True, kw_only=True)
class Heights:
    """Heights over the footprint's n points along mirror z, mm, after alignment.

    Attributes
    ----------
    value, sigma : (n,)
    slope : (n, 2) mm per mm.
    by_mounting : (n, 15) change per whitened unit of mounting and optics: features lie elsewhere on the mirror then.
    by_figure : (n, K) sparse, per coefficient.
    motions, covariance : see `MapFit`.
    taken : ripple that they do not hold, which sigmas and covariances of sums count; None where there is none.
    """

    value: Array
    sigma: Array
    slope: Array
    by_mounting: Array
    by_figure: sparse.csr_matrix
    motions: RigidMotions
    covariance: Array
    taken: TakenRipple | None = None

    def linear(self, weights: Array) -> tuple[Array, Array]:
        """Sums (k,) of the aligned heights with weights (k, n), and their covariance (k, k)."""
        rows = self.derivative(weights)
        covariance = rows @ self.covariance @ rows.T
        if self.taken is not None:
            covariance = covariance + self.taken.covariance_mm2(self.motions.aligned(weights))
        return weights @ self.value, covariance

    def derivative(self, weights: Array) -> Array:
        """(k, P) of such sums by the fit's unknowns."""
        aligned = self.motions.aligned(weights)
        rows = np.zeros((len(weights), len(self.covariance)))
        rows[:, : self.by_mounting.shape[1]] = aligned @ self.by_mounting
        rows[:, len(self.covariance) - self.by_figure.shape[1] :] = np.asarray((self.by_figure.T @ aligned.T).T)
        return rows


def heights_of(model: OpticalModel, fit: MapFit, taken: TakenRipple | None = None) -> Heights:
    """The aligned heights of a fit; `model` is the design, `taken` a ripple that the fit was spared."""
    grid, motions, c = fit.problem.grid, fit.problem.motions, fit.coefficients_mm
    zone = grid.zone[grid.lit]
    rows = height_rows(fit, grid.points, zone)
    value, motion = motions.remove(rows @ c)
    by_mounting = _by_mounting(model, fit, zone)
    sigma = _sigma(motions, by_mounting, rows, fit.covariance)
    return Heights(
        value=value,
        sigma=sigma if taken is None else np.sqrt(sigma**2 + taken.mean_square_mm2.sum()),
        slope=_slopes(model, fit, zone, motion),
        by_mounting=by_mounting,
        by_figure=rows,
        motions=motions,
        covariance=fit.covariance,
        taken=taken,
    )


def height_rows(fit: MapFit, points: SurfacePoints, zone: NDArray[np.int16]) -> sparse.csr_matrix:
    """(n, K) sparse: heights along mirror z per coefficient."""
    rows = fit.figure_rows(points.local_mm, zone)
    return sparse.csr_matrix(sparse.diags(points.per_height) @ rows)


def _sigma(motions: RigidMotions, dense: Array, rows: sparse.csr_matrix, covariance: Array) -> Array:
    """(n,) square root of the diagonal of A C A^T with A = aligned [dense, 0, rows], without forming A."""
    n_mount, n_figure = dense.shape[1], rows.shape[1]
    shown = motions.shown
    start = len(covariance) - n_figure
    spread = dense @ covariance[:n_mount] + rows @ covariance[start:]
    rigid = np.zeros((shown.shape[1], len(covariance)))
    rigid[:, :n_mount] = shown.T @ dense
    rigid[:, start:] = np.asarray(rows.T @ shown).T
    spread -= shown @ (rigid @ covariance)
    variance = np.asarray(rows.multiply(spread[:, start:]).sum(axis=1)).ravel()
    variance += np.sum(dense * spread[:, :n_mount], axis=1)
    variance -= np.sum((spread @ rigid.T) * shown, axis=1)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)), float)


def _slopes(model: OpticalModel, fit: MapFit, zone: NDArray[np.int16], motion: Array) -> Array:
    """(n, 2) slopes of the heights along mirror x and y, alignment taken out."""
    grid, slope = fit.problem.grid, []
    for axis in (0, 1):
        shift = _SLOPE_STEP_MM * np.eye(2)[axis]
        ends = []
        for sign in (1.0, -1.0):
            points = zone_points(model.surfaces, (grid.points.point_mm[:, :2] + sign * shift)[None], zone[None])
            # dh = (t + w x P) . (-dz/dx, -dz/dy, 1) per mm of shift and rad of turn about the mirror's origin
            fields = np.concatenate([points.upward, np.cross(points.point_mm, points.upward)], axis=-1)
            ends.append(height_rows(fit, points, zone) @ fit.coefficients_mm - fields @ motion)
        slope.append((ends[0] - ends[1]) / (2.0 * _SLOPE_STEP_MM))
    return np.stack(slope, axis=-1)


def _by_mounting(model: OpticalModel, fit: MapFit, zone: NDArray[np.int16]) -> Array:
    """(n, 15) change of the heights at fixed places of the mirror when the mounting changes by one tolerance.

    The figure belongs to the rays: with another mounting the same bump would lie elsewhere, -slope . move.
    """
    grid, data = fit.problem.grid, fit.problem.data
    result = np.zeros((len(zone), len(fit.problem.scale)))
    local = grid.points.local_mm
    for surface in model.surfaces:
        here = zone == surface.zone
        rays = np.flatnonzero((data.zone == surface.zone) & np.isfinite(fit.linearised.local_mm).all(axis=-1))
        if not here.any() or len(rays) < _MOVE_RAYS // 10:
            continue
        rays = rays[:: max(1, len(rays) // _MOVE_RAYS)]
        pixels = data.pixels_px[rays]
        spot = hits(model, fit.mounting, surface, pixels)
        slopes = [fit.figure_rows(local[here], zone[here], nux=a, nuy=1 - a) @ fit.coefficients_mm for a in (1, 0)]
        for k, scale in enumerate(fit.problem.scale):
            step = np.zeros(len(fit.problem.scale))
            step[k] = _MOVE_STEP * scale
            move = (hits(model, fit.mounting + step, surface, pixels) - spot) / _MOVE_STEP
            good = np.isfinite(move).all(axis=-1)
            gain = np.linalg.lstsq(spot_polynomials(spot[good], spot[good])[0], move[good], rcond=None)[0]
            there = spot_polynomials(local[here], spot[good])[0] @ gain
            result[here, k] = -(slopes[0] * there[:, 0] + slopes[1] * there[:, 1])
    return result * grid.points.per_height[:, None]
