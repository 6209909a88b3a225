"""The maximum-a-posteriori fit of mounting, projector optics, camera errors and figure, by Gauss-Newton.

Unknowns are whitened where a prior sigma exists: mounting (12), projector optics (3), camera errors (c), then the
figure's spline coefficients in mm. Outliers are weighted down (Huber 1964), the roughness prior is chosen by what
predicts held-out tiles best, and the noise is what the residuals of whole tiles say it is, if that is more than the
samples' own sigma.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse

from rigwarp.as_built.alignment import RigidMotions, rigid_motions
from rigwarp.as_built.figure_basis import CELL_MM, FigureBasis, figure_basis
from rigwarp.as_built.footprint import Footprint, footprint
from rigwarp.as_built.linearised import FigureRows, Linearised, linearise, moved_model, trace_samples
from rigwarp.as_built.ray_geometry import spot_polynomials
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray
from rigwarp.tracing import OpticalModel

OPTICS_SIGMA = np.array([0.005, 0.004, 0.004])
"""Throw ratio as a share and lens shift as a share of width and height: how far data sheets are usually off."""

_POSE_PASSES = 6
_THIN_SAMPLES = 5000  # find the way with so many, then use them all
_THIN_ROUNDS = 2  # where rays meet the mirror must be known well before the figure is tied to those spots:
_FULL_ROUNDS = 1  # each round ties it to where the round before says they do
_COARSE_CELL_MM = 8.0  # of the thin rounds: a stiff figure does not run away while the mounting is still wrong
_MOST_PASSES = 8
_PLAIN_PASSES = 3  # Gauss-Newton is quadratic here: the third pass moves the mounting by 1 % of its tolerance
_DONE = 0.02  # a step below this share of every tolerance ends the fit
_FIRST_SMOOTHNESS = 1e-3
_AS_GOOD = 1.01  # of equally good smoothnesses the smallest: a stiff figure pushes its misfit into the mounting
_HUBER = 2.5
_MISFIT_FLOOR_MM = 0.3  # how well a mere move of the design explains the samples before the figure is let in
_WORTH_SAMPLES = 200.0  # neighbours share that misfit: all samples together count as so many
_GAUGE_MM = 1e-5  # 1-sigma to which the figure is kept free of rigid motions: these belong to the mounting
_SMOOTHNESS = 10.0 ** np.arange(-7.0, -3.4, 0.5)  # roughness precision over data precision, both per coefficient
_MEDIAN_PAIR = 0.83  # median of the root mean square of two unit normals
_TILE_MM = 2.0  # side of the tiles that are held out, and over which noise is averaged
_FEWEST_PER_TILE = 4


@dataclass(frozen=True, kw_only=True)
class Data:
    """N samples as the fit needs them; `camera` (N, 2, c) are derivatives by whitened camera errors."""

    pixels_px: Array
    table_mm: Array
    sigma_mm: Array
    zone: NDArray[np.int64]
    camera: Array

    def every(self, step: int) -> "Data":
        """Every step-th sample."""
        return Data(**{name: getattr(self, name)[::step] for name in self.__dataclass_fields__})


@dataclass(frozen=True, kw_only=True)
class MapFit:
    """The solution and its posterior.

    Attributes
    ----------
    mounting : (15,) twelve shifts and turns (mm, rad, table axes), throw share, lens shifts.
    scale : (15,) prior sigmas of these.
    coefficients_mm : (K,) of the figure.
    covariance : (15 + c + K, 15 + c + K) posterior of the whitened unknowns and the coefficients.
    prior : the same size, the precision of the prior.
    residual_mm : (N, 2) of the samples, camera errors taken off.
    weight : (N,) robust share of each sample, 0..1.
    noise_scale : what the samples' sigma had to be multiplied with.
    smoothness : the chosen roughness precision, relative.
    held_out_rms_mm : of tiles predicted without their own samples.
    """

    mounting: Array
    scale: Array
    coefficients_mm: Array
    covariance: Array
    prior: Array
    residual_mm: Array
    weight: Array
    noise_scale: float
    smoothness: float
    held_out_rms_mm: float
    passes: int
    zone_of_rays: NDArray[np.int64]
    basis: FigureBasis
    footprint: Footprint
    motions: RigidMotions
    linearised: Linearised
    rows: FigureRows

    def figure_rows(self, local_mm: Array, zone: NDArray[np.integer]) -> sparse.csr_matrix:
        """(n, K) height of the figure along the surfaces' z per coefficient, at points (n, 2) of the surface frames.

        The figure is tied to spots that belong to the rays; a cubic map per zone says which spot a point is now.
        """
        spots = np.array(local_mm)
        for number in np.unique(zone):
            rays, here = self.zone_of_rays == number, zone == number
            now, then = self.linearised.local_mm[rays], self.rows.spot_mm[rays]
            good = np.isfinite(now).all(axis=-1) & np.isfinite(then).all(axis=-1)
            known = spot_polynomials(now[good], now[good])[0]
            shift = np.linalg.lstsq(known, then[good] - now[good], rcond=None)[0]
            spots[here] += spot_polynomials(local_mm[here], now[good])[0] @ shift
        return self.basis.rows(spots, zone)

    @property
    def n_dense(self) -> int:
        """How many unknowns come before the coefficients."""
        return self.linearised.dense.shape[-1]


def fit_map(design: OpticalModel, data: Data, tolerances: Array) -> MapFit:
    """Fit; `tolerances` (12,) are the mounting's prior sigmas.

    Raises
    ------
    MeasurementError
        Where the design, moved within its tolerances, does not send light where it was measured.
    """
    scale = np.concatenate([tolerances, OPTICS_SIGMA])
    start, seen = _pose_only(design, data, scale)
    _check_seen(seen)
    spots = _spots(seen)
    every = max(1, len(data.zone) // _THIN_SAMPLES)
    for stride, cell_mm in (*(_THIN_ROUNDS * ((every, _COARSE_CELL_MM),)), *(_FULL_ROUNDS * ((1, CELL_MM),))):
        fit = _Fit(design, data.every(stride), scale, spots.every(stride), cell_mm=cell_mm)
        unknown = fit.approach(fit.begin(start))
        start = unknown[: len(scale)]
        spots = _spots(fit.all_rays(data, unknown) if stride > 1 else fit.linearise(unknown))
    fit = _Fit(design, data, scale, spots)
    return _finish(fit, fit.solve(fit.begin(start)))


def _finish(fit: "_Fit", solution: tuple[Array, Linearised, float]) -> MapFit:
    """The solution with its posterior."""
    unknown, state, inflation = solution
    residual = fit.residual(state.table_mm, unknown)
    robust = fit.robust(residual, inflation)
    noise = max(inflation, fit.tile_scale(state, residual, robust))
    weight = robust / (noise * fit.data.sigma_mm) ** 2
    prior = fit.prior(state, weight)
    covariance = _inverse(state.normal_matrix(weight, fit.size) + prior)
    return MapFit(
        mounting=unknown[: len(fit.scale)] * fit.scale,
        scale=fit.scale,
        coefficients_mm=unknown[fit.n_dense :],
        covariance=covariance,
        prior=prior,
        residual_mm=residual,
        weight=robust,
        noise_scale=noise,
        smoothness=fit.smoothness,
        held_out_rms_mm=fit.held_rms_mm,
        passes=fit.passes,
        basis=fit.basis,
        footprint=fit.grid,
        motions=fit.motions,
        linearised=state,
        rows=fit.rows,
        zone_of_rays=fit.data.zone,
    )


class _Fit:
    """One maximum-a-posteriori problem: data, priors, and Levenberg-Marquardt steps towards its solution."""

    def __init__(
        self, design: OpticalModel, data: Data, scale: Array, spots: "_Spots", *, cell_mm: float = CELL_MM
    ) -> None:
        self.design, self.data, self.scale = design, data, scale
        known = np.isfinite(spots.mirror_mm[:, 0])
        self.grid = footprint(design, spots.mirror_mm[known], data.zone[known], spots.normal[known])
        self.motions = rigid_motions(self.grid.points)
        self.basis = figure_basis(spots.local_mm[known], data.zone[known], cell_mm=cell_mm)
        self.rows = FigureRows.at(self.basis, spots.local_mm, data.zone)
        self.n_dense = len(scale) + data.camera.shape[-1]
        self.size = self.n_dense + self.basis.size
        self.fixed_prior = self._fixed_prior()
        self.roughness = self.basis.roughness().toarray()
        self.smoothness = _FIRST_SMOOTHNESS
        self.stiffness = 0.0  # absolute weight of the roughness, 1/mm^2
        self.held_rms_mm = np.nan
        self.passes = 0

    def begin(self, start: Array) -> Array:
        """Unknowns with the first ones given."""
        unknown = np.zeros(self.size)
        unknown[: len(start)] = start
        return unknown

    def all_rays(self, data: Data, unknown: Array) -> Linearised:
        """The rays of more samples than the fit used, by its solution."""
        n = len(self.scale)
        bare = FigureRows.none(len(data.zone))
        return linearise(
            self.design,
            unknown[:n] * self.scale,
            bare,
            np.zeros(0),
            pixels_px=data.pixels_px,
            zone=data.zone,
            camera=np.zeros((len(data.zone), 2, 0)),
        )

    def approach(self, unknown: Array) -> Array:
        """Plain Gauss-Newton passes: far from the solution every sample looks like an outlier."""
        for _ in range(_PLAIN_PASSES):
            self.passes += 1
            state = self.linearise(unknown)
            residual = self.residual(state.table_mm, unknown)
            inflation = self.inflation(residual)
            weight = np.where(np.isfinite(residual[:, 0]), 1.0 / (inflation * self.data.sigma_mm) ** 2, 0.0)
            unknown = unknown + self.step(state, np.nan_to_num(residual), weight, unknown)
        return unknown

    def solve(self, unknown: Array) -> tuple[Array, Linearised, float]:
        """Unknowns, derivatives there, and the factor by which samples scatter more than their sigma says."""
        unknown = self.approach(unknown)
        for passes in range(_MOST_PASSES):
            self.passes += 1
            state = self.linearise(unknown)
            residual = self.residual(state.table_mm, unknown)
            inflation = self.inflation(residual)
            weight = self.robust(residual, inflation) / (inflation * self.data.sigma_mm) ** 2
            if passes == 0:
                self.choose_smoothness(state, np.nan_to_num(residual), weight, unknown)
            step = self.step(state, np.nan_to_num(residual), weight, unknown)
            unknown = unknown + step
            if passes > 0 and np.abs(step[: len(self.scale)]).max() < _DONE:
                break
        return unknown, self.linearise(unknown), inflation

    def step(self, state: Linearised, residual: Array, weight: Array, unknown: Array) -> Array:
        """One Gauss-Newton step."""
        prior = self.prior(state, weight)
        matrix = state.normal_matrix(weight, self.size) + prior
        right = state.gradient(weight, residual, self.size) - prior @ unknown
        return np.asarray(linalg.cho_solve(linalg.cho_factor(matrix), right), float)

    def linearise(self, unknown: Array) -> Linearised:
        n = len(self.scale)
        state = linearise(
            self.design,
            unknown[:n] * self.scale,
            self.rows,
            unknown[self.n_dense :],
            pixels_px=self.data.pixels_px,
            zone=self.data.zone,
            camera=self.data.camera,
        )
        state.dense[..., :n] *= self.scale
        for array in (state.dense, state.figure):
            array[~np.isfinite(array)] = 0.0
        return state

    def landing(self, unknown: Array) -> Array:
        """(N, 2) landing points, without derivatives."""
        model = moved_model(self.design, unknown[: len(self.scale)] * self.scale)
        table = np.full((len(self.data.pixels_px), 2), np.nan)
        traced = trace_samples(
            model, self.rows, unknown[self.n_dense :], pixels_px=self.data.pixels_px, zone=self.data.zone
        )
        for here, rays in traced:
            table[here] = rays.table_mm
        return table

    def residual(self, table_mm: Array, unknown: Array) -> Array:
        """(N, 2) measured minus landing points (N, 2) minus camera errors."""
        camera = self.data.camera @ unknown[len(self.scale) : self.n_dense]
        return np.asarray(self.data.table_mm - table_mm - camera, float)

    def inflation(self, residual: Array) -> float:
        """How many times more than their sigma the samples scatter, at least 1."""
        misfit = np.sqrt(np.sum(residual**2, axis=-1) / 2.0) / self.data.sigma_mm
        return max(float(np.nanmedian(misfit)) / _MEDIAN_PAIR, 1.0)

    def robust(self, residual: Array, inflation: float) -> Array:
        """Huber shares (N,), zero for missing samples."""
        z = np.sqrt(np.sum(residual**2, axis=-1) / 2.0) / (inflation * self.data.sigma_mm)
        return np.where(np.isfinite(z), np.minimum(1.0, _HUBER / np.maximum(z, 1e-12)), 0.0)

    def prior(self, state: Linearised, weight: Array) -> Array:
        """Precision of the prior; the roughness relative to what the samples say about a coefficient on average."""
        if self.stiffness == 0.0:
            self.stiffness = self.smoothness * self.roughness_unit(state, weight)
        prior = self.fixed_prior.copy()
        prior[self.n_dense :, self.n_dense :] += self.stiffness * self.roughness
        return prior

    def roughness_unit(self, state: Linearised, weight: Array) -> float:
        """Mean data precision of a coefficient over its mean roughness."""
        precision = float(np.sum(weight[:, None, None] * state.figure**2))
        return precision / float(np.trace(self.roughness))

    def choose_smoothness(self, state: Linearised, known: Array, weight: Array, unknown: Array) -> None:
        """Set the roughness precision to what predicts held-out tiles best, from residuals (N, 2)."""
        held = self.held_tiles(state)
        kept_weight = np.where(held, 0.0, weight)
        matrix = state.normal_matrix(kept_weight, self.size)
        right = state.gradient(kept_weight, known, self.size)
        unit = self.roughness_unit(state, weight)
        judged = state.only(held)
        candidates = []
        for smoothness in _SMOOTHNESS:
            self.stiffness = float(smoothness * unit)
            prior = self.prior(state, weight)
            step = linalg.cho_solve(linalg.cho_factor(matrix + prior), right - prior @ unknown)
            misfit = np.sum((known[held] - judged.apply(step)) ** 2, axis=1)
            z = misfit * weight[held]
            score = float(np.mean(np.minimum(z, 10.0 * np.median(z))))
            candidates.append((score, float(smoothness), self.stiffness, float(np.sqrt(np.mean(misfit)))))
        good = min(candidates)[0] * _AS_GOOD
        _, self.smoothness, self.stiffness, self.held_rms_mm = next(c for c in candidates if c[0] <= good)

    def held_tiles(self, state: Linearised) -> BoolArray:
        """One spline cell in eight, spread like a knight's moves."""
        column, row = self.tiles(state)
        return (3 * column + row) % 8 == 0

    def tiles(self, state: Linearised) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        column, row = np.floor(np.nan_to_num(state.local_mm) / _TILE_MM).astype(np.int64).T
        return column, row

    def tile_scale(self, state: Linearised, residual: Array, robust: Array) -> float:
        """The factor by which means over tiles scatter more than independent noise would let them.

        Decoding errors of neighbours are alike (blur, harmonics), and the samples' own sigma does not know it.
        """
        column, row = self.tiles(state)
        _, tile = np.unique(np.stack([self.data.zone, column, row]), axis=1, return_inverse=True)
        tile = tile.reshape(-1)
        weight = np.where(np.isfinite(residual[:, 0]), robust / self.data.sigma_mm**2, 0.0)
        total = np.bincount(tile, weight)
        many = np.bincount(tile, weight > 0.0) >= _FEWEST_PER_TILE
        if not many.any():
            return 1.0
        mean = [np.bincount(tile, weight * np.nan_to_num(residual[:, i])) / np.sqrt(total + 1e-300) for i in (0, 1)]
        misfit = np.sqrt((mean[0] ** 2 + mean[1] ** 2) / 2.0)[many]
        spent = 1.0 - min(self.size / (2.0 * np.count_nonzero(many)), 0.5)  # the fit takes part of the tiles' noise
        return float(np.median(misfit)) / _MEDIAN_PAIR / float(np.sqrt(spent))

    def _fixed_prior(self) -> Array:
        prior = np.eye(self.size)
        n = self.n_dense
        prior[n:, n:] *= self.basis.amplitude_precision()
        grid_zone = self.grid.zone[self.grid.lit]
        rows = self.basis.rows(self.grid.points.local_mm, grid_zone)
        patterns = self.motions.shown * self.grid.points.per_height[:, None] / np.sqrt(len(grid_zone))
        rigid = rows.T @ patterns
        prior[n:, n:] += rigid @ rigid.T / _GAUGE_MM**2
        return prior


def _pose_only(design: OpticalModel, data: Data, scale: Array) -> tuple[Array, Linearised]:
    """Whitened mounting (15,) that brings the bare design close to the samples, and the rays there."""
    every = max(1, len(data.pixels_px) // 3000)
    thin = slice(None, None, every)
    blank = np.zeros((len(data.pixels_px[thin]), 2, 0))
    unknown = np.zeros(len(scale))
    for _ in range(_POSE_PASSES):
        state = linearise(
            design,
            unknown * scale,
            FigureRows.none(len(blank)),
            np.zeros(0),
            pixels_px=data.pixels_px[thin],
            zone=data.zone[thin],
            camera=blank,
        )
        residual = data.table_mm[thin] - state.table_mm
        good = np.isfinite(residual).all(axis=-1) & np.isfinite(state.dense).all(axis=(1, 2))
        if np.count_nonzero(good) < len(scale):
            break
        distance = np.linalg.norm(residual[good], axis=-1)
        sigma = max(float(np.median(distance)) / 1.177, _MISFIT_FLOOR_MM)
        weight = np.minimum(1.0, _HUBER * sigma / np.maximum(distance, 1e-12)) / sigma**2
        weight *= min(1.0, _WORTH_SAMPLES / len(weight))
        flat = state.dense[good].reshape(-1, len(scale)) * scale
        both = np.repeat(weight, 2)
        matrix = flat.T @ (both[:, None] * flat) + np.eye(len(scale))
        step = np.linalg.solve(matrix, flat.T @ (both * residual[good].ravel()) - unknown)
        unknown = unknown + step
        if np.abs(step).max() < 1e-3:
            break
    full = linearise(
        design,
        unknown * scale,
        FigureRows.none(len(data.pixels_px)),
        np.zeros(0),
        pixels_px=data.pixels_px,
        zone=data.zone,
        camera=np.zeros((len(data.pixels_px), 2, 0)),
    )
    return unknown, full


@dataclass(frozen=True, kw_only=True)
class _Spots:
    """Where N samples meet the mirror: surface frames (N, 2), mirror frame and normal (N, 3)."""

    local_mm: Array
    mirror_mm: Array
    normal: Array

    def every(self, step: int) -> "_Spots":
        return _Spots(local_mm=self.local_mm[::step], mirror_mm=self.mirror_mm[::step], normal=self.normal[::step])


def _spots(rays: Linearised) -> _Spots:
    return _Spots(local_mm=rays.local_mm, mirror_mm=rays.mirror_mm, normal=rays.normal)


def _check_seen(seen: Linearised) -> None:
    share = float(np.isfinite(seen.table_mm).all(axis=-1).mean()) if len(seen.table_mm) else 0.0
    if share < 0.5:
        raise MeasurementError(
            f"as built: by the design only {100 * share:.0f} % of {len(seen.table_mm)} measured pixels reach the table "
            "(50 % are needed) even after moving projector and mirror within their tolerances. Check position_mm, "
            "rotation_deg and the tolerances of [projector] and [mirror] in rig.toml."
        )


def _inverse(matrix: Array) -> Array:
    """Inverse of a symmetric positive definite matrix, balanced first: unknowns differ by many powers of ten."""
    size = 1.0 / np.sqrt(np.diag(matrix))
    inverse = linalg.inv(matrix * size * size[:, None])
    return 0.5 * (inverse + inverse.T) * size * size[:, None]
