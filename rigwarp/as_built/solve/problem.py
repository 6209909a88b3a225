"""One maximum-a-posteriori problem: samples, priors, and Gauss-Newton passes towards its solution."""

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from rigwarp.as_built.describe.alignment import rigid_motions
from rigwarp.as_built.describe.footprint import footprint
from rigwarp.as_built.solve.correlation import SharedNoise, Vortices
from rigwarp.as_built.solve.figure_basis import CELL_MM, figure_basis
from rigwarp.as_built.solve.fit_data import Data, Spots
from rigwarp.as_built.solve.linearised import FigureRows, Linearised, landing, linearise
from rigwarp.as_built.solve.measured import Lengths
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array
from rigwarp.geometry.robust import MEDIAN_PAIR, huber_weights
from rigwarp.tracing import OpticalModel

_MOST_PASSES = 20
_PLAIN_PASSES = 3  # the way there is quadratic: the third pass moves the mounting by 1 % of its tolerance
_DONE = 0.05  # a step below this share of every tolerance ends the fit,
_NEAR = 0.01  # and so does a gain in chi square below this: everything is within a tenth of its own sigma
_SETTLED = 0.5  # a last step above this share, with a gain above the next number, means that there is no answer
_SETTLED_GAIN = 1.0
_PROBE = 0.25  # share of a step at which the bend of its way is felt
_LEAST_DAMPING, _MOST_DAMPING = 1.0, 1e7  # precision per squared tolerance that holds the mounting back in a step
_CORRECTIONS = 3  # each leaves about a tenth; ...
_CORRECTED = 1e-3  # ... at most until one gains less than this in chi square
_MORE_DAMPING, _LESS_DAMPING = 10.0, 10.0
_STILL_SEEN = 0.3  # share of the samples that must reach the table at every pass
_LOST = 100.0  # what a sample that no longer reaches the table costs, in chi square
_FIRST_SMOOTHNESS = 1e-3
_AS_GOOD = 1.01  # of equally good smoothnesses the smallest: a stiff figure pushes its misfit into the mounting
_GAUGE_MM = 1e-5  # 1-sigma to which the figure is kept free of rigid motions: these belong to the mounting
_FORM_MM = 0.03  # rms of any one form error that equals a motion of the mirror, 1-sigma; see `_seat_precision`
_SMOOTHNESS = 10.0 ** np.arange(-7.0, -3.4, 0.5)  # roughness precision over data precision, both per coefficient
_TILE_MM = 2.0  # side of the tiles that are held out, and over which noise is averaged
_FEWEST_PER_TILE = 4
_USUAL = 0.5  # robust share from which a sample is no outlier
_SEAT = slice(6, 12)  # the mirror's shifts and turns among the unknowns


class Problem:
    """One maximum-a-posteriori problem: data, priors, and Levenberg-Marquardt steps towards its solution."""

    def __init__(
        self, design: OpticalModel, data: Data, lengths: Lengths, spots: Spots, *, cell_mm: float = CELL_MM
    ) -> None:
        self.design, self.data, self.lengths = design, data, lengths
        self.scale = scale = lengths.scale
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
        self.damping = 0.0
        self.least_inflation = np.inf  # never grows: else a pass that overshoots hands everything back to the priors

    def approach(self, start: Array) -> Array:
        """Plain Gauss-Newton passes from first unknowns: far from the solution every sample looks like an outlier."""
        unknown = np.zeros(self.size)
        unknown[: len(start)] = start
        for _ in range(_PLAIN_PASSES):
            state, residual, inflation = self.look(unknown)
            precision = self.data.information_weight / (inflation * self.data.sigma_mm) ** 2
            weight = np.where(np.isfinite(residual[:, 0]), precision, 0.0)
            unknown = unknown + self.step(state, np.nan_to_num(residual), weight, unknown)[0]
        return unknown

    def solve(self, unknown: Array) -> tuple[Array, Linearised, float]:
        """Unknowns, derivatives there, and the factor by which samples scatter more than their sigma says.

        Raises
        ------
        MeasurementError
            Where the passes do not come to rest.
        """
        least_noise = np.inf
        for passes in range(_MOST_PASSES):
            state, residual, inflation = self.look(unknown)
            robust = self.robust(residual, inflation)
            least_noise = min(least_noise, max(inflation, self.tile_scale(state, residual, robust)))
            weight = robust * self.data.information_weight / (least_noise * self.data.sigma_mm) ** 2
            if passes == 0:
                self.choose_smoothness(state, np.nan_to_num(residual), weight, unknown)
            step, gain = self.step(state, np.nan_to_num(residual), weight, unknown)
            unknown = unknown + step
            size = float(np.abs(step[: len(self.scale)]).max())
            if passes > 0 and ((size < _DONE and self.damping == 0.0) or gain < _NEAR):
                break
        if not ((size < _SETTLED and self.damping == 0.0) or gain < _SETTLED_GAIN):
            raise not_settled()
        return unknown, self.linearise(unknown), inflation

    def step(self, state: Linearised, residual: Array, weight: Array, unknown: Array) -> tuple[Array, float]:
        """One Gauss-Newton step along its bent way, no longer than it is good for, and the gain it promised.

        Notes
        -----
        Mounting and figure trade against each other along curved valleys of chi square; a straight step of some
        tolerances leaves them. So a step a + b / 2 follows the bend b (geodesic acceleration: Transtrum and Sethna
        2012, arXiv 1201.5885), and then the figure alone takes up what that leaves (variable projection: Golub and
        Pereyra 1973). Where chi square grows all the same, the mounting is damped (Levenberg 1944) until it does not.
        """
        prior = self.prior(state, weight)
        matrix = state.normal_matrix(weight, self.size) + prior
        right = state.gradient(weight, residual, self.size) - prior @ unknown
        self.add_lengths(unknown, matrix, right)
        before = self.chi_square(residual, weight, prior, unknown)
        gain = None
        while True:
            held_back, mounting = matrix.copy(), range(len(self.scale))
            held_back[mounting, mounting] += self.damping
            solve = Balanced(held_back, aside=len(self.scale))
            ahead = solve(right)
            gain = float(right @ ahead) if gain is None else gain
            curved = -2.0 / _PROBE**2 * (self.misfit(unknown + _PROBE * ahead) - residual + _PROBE * state.apply(ahead))
            reached = np.isfinite(curved).all(axis=-1)
            bend = -solve(state.gradient(np.where(reached, weight, 0.0), np.nan_to_num(curved), self.size))
            there = unknown + ahead + 0.5 * bend
            for _ in range(_CORRECTIONS):
                left = self.misfit(there)
                reached = np.isfinite(left).all(axis=-1)
                pull = state.gradient(np.where(reached, weight, 0.0), np.nan_to_num(left), self.size) - prior @ there
                correction = solve(pull, rest_alone=True)
                there = there + correction
                if pull @ correction < _CORRECTED:
                    break
            if self.chi_square(self.misfit(there), weight, prior, there) <= before:
                self.damping = self.damping / _LESS_DAMPING if self.damping > _LEAST_DAMPING else 0.0
                return there - unknown, gain
            if self.damping > _MOST_DAMPING:
                return np.zeros_like(there), gain
            self.damping = max(self.damping * _MORE_DAMPING, _LEAST_DAMPING)

    def add_lengths(self, unknown: Array, matrix: Array, right: Array) -> None:
        """Add measured lengths to the normal equations in place."""
        n = len(self.scale)
        jacobian = self.lengths.jacobian(unknown[:n])
        matrix[:n, :n] += jacobian.T @ jacobian
        right[:n] += jacobian.T @ self.lengths.residual(unknown[:n])

    def misfit(self, unknown: Array) -> Array:
        """(N, 2) residuals by exact tracing, without derivatives."""
        mounting = unknown[: len(self.scale)] * self.scale
        table = landing(self.design, mounting, self.data, (self.rows, unknown[self.n_dense :]))
        return self.residual(table, unknown)

    def chi_square(self, residual: Array, weight: Array, prior: Array, unknown: Array) -> float:
        """Weighted squares of residuals (N, 2) and prior together."""
        lengths = self.lengths.residual(unknown[: len(self.scale)])
        squares = weight * np.sum(residual**2, axis=-1)
        return float(
            np.sum(np.where(np.isfinite(squares), squares, _LOST)) + unknown @ prior @ unknown + lengths @ lengths
        )

    def look(self, unknown: Array) -> tuple[Linearised, Array, float]:
        """Derivatives and residuals (N, 2), and the least factor yet by which samples scatter more than they say."""
        state = self.linearise(unknown)
        residual = self.residual(state.table_mm, unknown)
        self.least_inflation = min(self.least_inflation, self.inflation(residual))
        return state, residual, self.least_inflation

    def linearise(self, unknown: Array) -> Linearised:
        """Trace and differentiate by the whitened unknowns; samples that do not reach the table get zero rows."""
        n = len(self.scale)
        figure = self.rows, unknown[self.n_dense :]
        state = linearise(self.design, unknown[:n] * self.scale, self.data, figure, camera=self.data.camera)
        if np.isfinite(state.table_mm[:, 0]).mean() < _STILL_SEEN:
            raise not_settled()
        state.dense[..., :n] *= self.scale
        for array in (state.dense, state.figure):
            array[~np.isfinite(array)] = 0.0
        return state

    def residual(self, table_mm: Array, unknown: Array) -> Array:
        """(N, 2) measured minus landing points (N, 2) minus camera errors."""
        camera = self.data.camera @ unknown[len(self.scale) : self.n_dense]
        return np.asarray(self.data.table_mm - table_mm - camera, float)

    def inflation(self, residual: Array) -> float:
        """How many times more than their sigma the samples scatter, at least 1."""
        misfit = np.sqrt(np.sum(residual**2, axis=-1) / 2.0) / self.data.sigma_mm
        return max(float(np.nanmedian(misfit)) / MEDIAN_PAIR, 1.0)

    def robust(self, residual: Array, inflation: float) -> Array:
        """Huber shares (N,), zero for missing samples."""
        z = np.sqrt(np.sum(residual**2, axis=-1) / 2.0) / (inflation * self.data.sigma_mm)
        return np.where(np.isfinite(z), huber_weights(z), 0.0)

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
        column, row = self.tiles(state)
        held = (3 * column + row) % 8 == 0  # one tile in eight, spread like a knight's moves
        kept_weight = np.where(held, 0.0, weight)
        matrix = state.normal_matrix(kept_weight, self.size)
        right = state.gradient(kept_weight, known, self.size)
        self.add_lengths(unknown, matrix, right)
        unit = self.roughness_unit(state, weight)
        judged = state.only(held)
        candidates = []
        for smoothness in _SMOOTHNESS:
            self.stiffness = float(smoothness * unit)
            prior = self.prior(state, weight)
            step = Balanced(matrix + prior)(right - prior @ unknown)
            misfit = np.sum((known[held] - judged.apply(step)) ** 2, axis=1)
            z = misfit * weight[held]
            score = float(np.mean(np.minimum(z, 10.0 * np.median(z))))
            candidates.append((score, float(smoothness), self.stiffness, float(np.sqrt(np.mean(misfit)))))
        good = min(candidates)[0] * _AS_GOOD
        _, self.smoothness, self.stiffness, self.held_rms_mm = next(c for c in candidates if c[0] <= good)

    def shared_noise(self, state: Linearised, residual: Array, robust: Array) -> SharedNoise:
        """How far the samples share their errors, by what circles in the residuals."""
        group = np.unique(np.stack([self.data.zone, self.data.scan]), axis=1, return_inverse=True)[1].reshape(-1)
        usual = np.where((robust > _USUAL)[:, None], residual, np.nan)
        variance = self.data.sigma_mm**2 / self.data.information_weight
        return Vortices.over(state.local_mm, group).measure(state.by_height[:, :, 1:], usual, variance)

    def tiles(self, state: Linearised) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        column, row = np.floor(np.nan_to_num(state.local_mm) / _TILE_MM).astype(np.int64).T
        return column, row

    def tile_scale(self, state: Linearised, residual: Array, robust: Array) -> float:
        """The factor by which means over tiles scatter more than independent noise would let them."""
        column, row = self.tiles(state)
        _, tile = np.unique(np.stack([self.data.zone, column, row]), axis=1, return_inverse=True)
        tile = tile.reshape(-1)
        precision = robust * self.data.information_weight / self.data.sigma_mm**2
        weight = np.where(np.isfinite(residual[:, 0]), precision, 0.0)
        total = np.bincount(tile, weight)
        many = np.bincount(tile, weight > 0.0) >= _FEWEST_PER_TILE
        if not many.any():
            return 1.0
        mean = [np.bincount(tile, weight * np.nan_to_num(residual[:, i])) / np.sqrt(total + 1e-300) for i in (0, 1)]
        misfit = np.sqrt((mean[0] ** 2 + mean[1] ** 2) / 2.0)[many]
        spent = 1.0 - min(self.size / (2.0 * np.count_nonzero(many)), 0.5)  # the fit takes part of the tiles' noise
        return float(np.median(misfit)) / MEDIAN_PAIR / float(np.sqrt(spent))

    def _fixed_prior(self) -> Array:
        prior = np.eye(self.size)
        prior[_SEAT, _SEAT] = self._seat_precision()
        n = self.n_dense
        prior[n:, n:] *= self.basis.amplitude_precision()
        grid_zone = self.grid.zone[self.grid.lit]
        rows = self.basis.rows(self.grid.points.local_mm, grid_zone)
        patterns = self.motions.shown * self.grid.points.per_height[:, None] / np.sqrt(len(grid_zone))
        rigid = rows.T @ patterns
        prior[n:, n:] += rigid @ rigid.T / _GAUGE_MM**2
        return prior

    def _seat_precision(self) -> Array:
        """(6, 6) prior precision of the mirror's shifts and turns, in units of its tolerances.

        The pose asked for is where the built form fits the design best, not how its rim sits in the mount: a form error
        that equals a motion is part of that pose. On a freeform it takes 2 mm of decentring to make up for 20 um of
        form; tolerances of the seat alone would pull the fit away from there, by many sigmas of every other term.
        """
        patterns = self.motions.shown * np.sqrt(len(self.motions.shown))  # of unit rms
        motion = _FORM_MM * self.motions.inverse @ patterns
        R = self.design.mirror.rotation
        by_form = np.concatenate([R @ motion[:3], R @ motion[3:]]) / self.scale[_SEAT, None]
        return np.asarray(np.linalg.inv(np.eye(6) + by_form @ by_form.T), float)


class Balanced:
    """Solver of a symmetric positive definite system, balanced first: unknowns differ by powers of ten.

    The first `aside` unknowns come last in the Cholesky factor, whose leading part solves for the rest by itself.

    Raises
    ------
    MeasurementError
        Where the matrix is not positive definite: the passes have run away from every sensible mounting.
    """

    def __init__(self, matrix: Array, *, aside: int = 0) -> None:
        self._aside = aside
        matrix = np.roll(matrix, -aside, axis=(0, 1))
        self._size = 1.0 / np.sqrt(np.diag(matrix))
        try:
            self._factor = linalg.cholesky(matrix * self._size * self._size[:, None])
        except (linalg.LinAlgError, ValueError):
            raise not_settled() from None

    def __call__(self, right: Array, *, rest_alone: bool = False) -> Array:
        """Solution (n,); with `rest_alone` the first unknowns, those aside, stay zero."""
        half = linalg.solve_triangular(self._factor, self._size * np.roll(right, -self._aside), trans="T")
        if rest_alone:
            half[len(right) - self._aside :] = 0.0
        return np.roll(self._size * linalg.solve_triangular(self._factor, half), self._aside)


def inverse(matrix: Array) -> Array:
    """Inverse of a symmetric positive definite matrix, balanced first."""
    size = 1.0 / np.sqrt(np.diag(matrix))
    try:
        balanced = linalg.inv(matrix * size * size[:, None])
    except (linalg.LinAlgError, ValueError):
        raise not_settled() from None
    return 0.5 * (balanced + balanced.T) * size * size[:, None]


def not_settled() -> MeasurementError:
    """What to say when the passes do not come to rest."""
    return MeasurementError(
        "as built: the fit of mounting and mirror shape does not come to rest; it should within a dozen passes. The "
        "built rig is further from rig.toml than its tolerances say, or the scan is damaged. Measure position_mm and "
        "rotation_deg of [projector] and [mirror] again, or state wider tolerances, and repeat: rigwarp fit"
    )
