"""A smooth surface through scattered residuals, with its own uncertainty.

Penalised tensor-product cubic B-splines (Eilers and Marx 1996, P-splines), the smoothness chosen by what predicts
held-out tiles best, outliers weighted down by iteration (Huber 1964). A first fit shows where the surface bends more
than usual (a dent in the mirror); there the penalty is relaxed, so that detail survives and noise does not. The
posterior variance comes from the entries of the inverse normal matrix within its band (Takahashi, Fagan and Chen 1973).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.linalg import LinAlgError
from scipy.ndimage import gaussian_filter

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, banded
from rigwarp.geometry.arrays import IntArray
from rigwarp.geometry.height_spline import HeightSpline, values_together
from rigwarp.geometry.robust import MEDIAN_PAIR, huber_weights
from rigwarp.geometry.threads import in_two_threads
from rigwarp.table_map.misfit import HeldSamples

_DEGREE = 3
_SMOOTHNESS = 10.0 ** np.arange(-3.0, 2.1, 1.0)  # penalty relative to the mean data weight per coefficient
_RIDGES = (1e-9, 1e-8, 1e-7, 1e-6, 1e-5)  # the same, on the coefficients themselves, as much as it takes to decide all
_ROBUST_PASSES = 3
_AS_GOOD = (
    1.02  # the least smooth surface that predicts so nearly as well as the best: noise is owned up to, bias is not
)
_ROUNDS = 2  # of relaxing the penalty where the fit so far bends
_NEARBY = np.array([0.1, 1.0, 10.0])
_PILOT = 0.1  # the first fit that shows where the surface bends is this much less smooth than predicts best
_BENDING_BLUR = 1.0  # cells
_USUAL = 0.5  # times the median bending still counts as usual
_SOFTEST = 1e-4
_GROSS = 400.0  # times the median squared misfit: beyond is no detail but an outlier


@dataclass(frozen=True, kw_only=True)
class SmoothSurface:
    """Two values (x and y residual, mm) as smooth functions of projector position.

    Attributes
    ----------
    x, y : splines over projector pixels (their lengths along u and v are pixels, their heights mm).
    smoothness : the chosen penalty, relative.
    held : the held-out samples, whole tiles predicted without them.
    """

    x: HeightSpline
    y: HeightSpline
    smoothness: float
    held: HeldSamples
    _inverse: Array
    _offsets: IntArray

    def value(self, pixels_px: Array) -> Array:
        """(..., 2) residual, mm, at (..., 2) pixels."""
        return values_together((self.x, self.y), pixels_px[..., 0], pixels_px[..., 1])

    def on_pixels(self, shape: tuple[int, ...]) -> Callable[[slice], list[Array]]:
        """For some rows (h, W) of a picture the residuals of x and of y, mm, at the pixel centres."""
        u, v = np.arange(float(shape[1])), np.arange(float(shape[0]))
        both = [spline.by_rows(u, v) for spline in (self.x, self.y)]
        return lambda rows: [one(rows) for one in both]

    def sigma(self, pixels_px: Array) -> Array:
        """(N,) 1-sigma of either value at (N, 2) pixels, mm."""
        basis = self.x.design_matrix(pixels_px[:, 0], pixels_px[:, 1])
        return np.sqrt(np.maximum(_quadratic_form(basis, self._inverse, self._offsets), 0.0))


def smooth_surface(
    pixels_px: Array, values_mm: Array, sigma_mm: Array, *, cell_px: float, reach_px: Array | None = None
) -> SmoothSurface:
    """Fit a surface to scattered values.

    Parameters
    ----------
    pixels_px : (N, 2) positions.
    values_mm : (N, 2) values.
    sigma_mm : (N,) 1-sigma of each, per axis.
    cell_px : knot spacing.
    reach_px : (M, 2), optional positions beyond the values for which the surface will be asked, too.
    """
    asked = pixels_px if reach_px is None else np.concatenate([pixels_px, reach_px])
    blank = _blank_spline(asked, cell_px)
    basis = blank.design_matrix(pixels_px[:, 0], pixels_px[:, 1])
    weight = 1.0 / sigma_mm**2
    held = _held_out_tiles(pixels_px, cell_px)
    even = np.ones(blank.coefficients_mm.shape)
    offsets = _band_offsets(blank.coefficients_mm.shape[1])
    penalty = _penalty(blank, even, offsets)
    without = _Equations.of(basis[~held], values_mm[~held], weight[~held], offsets)
    everything = without.with_more(basis, values_mm, weight, held)
    held_basis = basis[held]
    best = _predicts_best(without, penalty, held_basis, values_mm[held], weight[held], _SMOOTHNESS)
    for _ in range(_ROUNDS):
        first, _ = _robust_solve(everything, penalty, best * _PILOT)
        penalty = _penalty(blank, _stiffness(first.reshape(*even.shape, 2)), offsets)
        best = _predicts_best(without, penalty, held_basis, values_mm[held], weight[held], best * _NEARBY)

    def solved(equations: _Equations) -> tuple[Array, Array]:
        coefficients, band = _robust_solve(equations, penalty, best)
        return coefficients, banded.inverse_entries(band, offsets)

    (kept, inverse_without), (coefficients, inverse) = in_two_threads(solved, (without, everything))
    fit_mm2 = np.maximum(_quadratic_form(held_basis, inverse_without, offsets), 0.0)
    judged = HeldSamples(
        pixels_px=pixels_px[held],
        residual_mm=values_mm[held] - held_basis @ kept,
        sigma_mm=np.sqrt(sigma_mm[held] ** 2 + fit_mm2),
        fit_mm=np.sqrt(fit_mm2),
    )
    return SmoothSurface(
        x=blank.with_coefficients(coefficients[:, 0]),
        y=blank.with_coefficients(coefficients[:, 1]),
        smoothness=float(best),
        held=judged,
        _inverse=inverse,
        _offsets=offsets,
    )


def _blank_spline(pixels_px: Array, cell_px: float) -> HeightSpline:
    low, high = pixels_px.min(axis=0) - 0.5, pixels_px.max(axis=0) + 0.5
    cells = np.maximum(np.ceil((high - low) / cell_px), 1).astype(int)
    bounds = ((float(low[0]), float(high[0])), (float(low[1]), float(high[1])))
    return HeightSpline.over(bounds, cells=(int(cells[0]), int(cells[1])), degree=_DEGREE)


def _held_out_tiles(pixels_px: Array, cell_px: float) -> BoolArray:
    """One knot cell in eight, spread like a knight's moves."""
    column, row = np.floor(pixels_px / cell_px).astype(int).T
    return (3 * column + row) % 8 == 0


def _stiffness(coefficients: Array) -> Array:
    """(nx, ny) relative penalty: 1 where the surface (nx, ny, 2) bends as usual, less where it bends more."""
    padded = np.pad(coefficients, ((1, 1), (1, 1), (0, 0)), mode="reflect", reflect_type="odd")
    along_x, along_y = (np.diff(padded, n=2, axis=axis) for axis in (0, 1))
    bending = np.sum(along_x[:, 1:-1] ** 2, axis=-1) + np.sum(along_y[1:-1] ** 2, axis=-1)
    bending = gaussian_filter(bending, _BENDING_BLUR, mode="nearest")
    usual = _USUAL * float(np.median(bending)) + 1e-300
    return np.maximum(usual / (usual + bending), _SOFTEST)


def _penalty(spline: HeightSpline, stiffness: Array, offsets: IntArray) -> Array:
    """Summed squared second differences of the coefficients, along both axes and across, each times its stiffness.

    (n, k) as `_entries` has them.
    """
    nx, ny = spline.coefficients_mm.shape
    root = np.sqrt(stiffness)

    def difference(n: int, order: int) -> sparse.csr_matrix:
        return sparse.csr_matrix(np.diff(np.eye(n), n=order, axis=0)) if n > order else sparse.csr_matrix((0, n))

    def weighted(along_u: sparse.csr_matrix, along_v: sparse.csr_matrix, root: Array) -> sparse.coo_matrix:
        return sparse.coo_matrix(sparse.kron(along_u, along_v).multiply(root.reshape(-1, 1)))

    rows = sparse.vstack(
        [
            weighted(difference(nx, 2), difference(ny, 0), root[1:-1]),
            weighted(difference(nx, 0), difference(ny, 2), root[:, 1:-1]),
            weighted(difference(nx, 1), difference(ny, 1), np.sqrt(2.0) * root[1:, 1:]),
        ]
    )
    return _entries(rows.T @ rows, offsets)


@dataclass(frozen=True, kw_only=True)
class _Equations:
    """Weighted least squares: N values (N, 2), their basis and weights, normal matrix and right-hand side.

    `normal` (n, k) holds the matrix as `_entries` does.
    """

    basis: sparse.csr_matrix
    values: Array
    weight: Array
    offsets: IntArray
    normal: Array
    right: Array

    @classmethod
    def of(cls, basis: sparse.csr_matrix, values: Array, weight: Array, offsets: IntArray) -> "_Equations":
        normal, right = _sums(basis, values, weight, offsets)
        return cls(basis=basis, values=values, weight=weight, offsets=offsets, normal=normal, right=right)

    def with_more(self, basis: sparse.csr_matrix, values: Array, weight: Array, order: BoolArray) -> "_Equations":
        """With further values, which stand where `order` is True."""
        normal, right = _sums(basis[order], values[order], weight[order], self.offsets)
        return replace(
            self, basis=basis, values=values, weight=weight, normal=self.normal + normal, right=self.right + right
        )

    def times(self, share: Array) -> "_Equations":
        """With weights (N,) times as large; few of them are not 1."""
        some = np.flatnonzero(share != 1.0)
        more = self.weight[some] * (share[some] - 1.0)
        normal, right = _sums(self.basis[some], self.values[some], more, self.offsets)
        return replace(self, weight=self.weight * share, normal=self.normal + normal, right=self.right + right)


def _sums(basis: sparse.csr_matrix, values: Array, weight: Array, offsets: IntArray) -> tuple[Array, Array]:
    """Normal matrix (n, k) and right-hand side (n, 2)."""
    turned = basis.T.tocsr()
    by_row = basis.data * np.repeat(weight, np.diff(basis.indptr))
    weighted = sparse.csr_matrix((by_row, basis.indices, basis.indptr), shape=basis.shape)
    return _entries(turned @ weighted, offsets), turned @ (weight[:, None] * values)


def _band_offsets(down: int) -> IntArray:
    """How far from the diagonal the lower triangle's entries lie where each of (across, down) has its coefficients."""
    reach = np.arange(-_DEGREE, _DEGREE + 1)
    offsets = np.unique(np.arange(_DEGREE + 1)[:, None] * down + reach)
    return np.asarray(offsets[offsets >= 0])


def _entries(matrix: sparse.csr_matrix, offsets: IntArray) -> Array:
    """(n, k) entries [j + offset, j] of a symmetric matrix, for offsets (k,)."""
    entries = matrix.tocoo()
    lower = entries.row >= entries.col
    row, column = entries.row[lower], entries.col[lower]
    found = np.zeros((matrix.shape[0], len(offsets)))
    found[column, np.searchsorted(offsets, row - column)] = entries.data[lower]
    return found


def _robust_solve(given: _Equations, penalty: Array, smoothness: float) -> tuple[Array, Array]:
    """Coefficients (n, 2) and the banded Cholesky factor of the normal matrix."""
    now = given
    for left in reversed(range(_ROBUST_PASSES)):
        coefficients, factor = _solve(now, penalty, smoothness)
        if left:
            misfit = np.sqrt(np.sum((given.values - given.basis @ coefficients) ** 2, axis=1) / 2.0 * given.weight)
            now = given.times(huber_weights(misfit / max(float(np.median(misfit)) / MEDIAN_PAIR, 1.0)))
    return coefficients, factor


def _solve(equations: _Equations, penalty: Array, smoothness: float) -> tuple[Array, Array]:
    """Coefficients of the penalised normal equations, and the banded Cholesky factor of their matrix."""
    diagonal = equations.normal[:, 0]
    size = float(diagonal.sum()) / np.count_nonzero(diagonal)
    entries = equations.normal + smoothness * size * penalty
    for ridge in _RIDGES:
        entries[:, 0] += ridge * size
        band = np.zeros((len(entries), int(equations.offsets[-1]) + 1))
        band[:, equations.offsets] = entries
        try:
            factor = banded.cholesky_in_place(band)
        except LinAlgError:  # samples of very unlike weight leave less than the digits of a float
            continue
        return banded.solve(factor, equations.right), factor
    raise MeasurementError(
        "the samples are too uneven to fit a smooth map: some parts of the picture are far better lit than others. "
        "Scan again with a longer exposure, or without the light that burns out one place"
    )


def _predicts_best(
    kept: _Equations, penalty: Array, basis: sparse.csr_matrix, values: Array, weight: Array, candidates: Array
) -> float:
    """The least smooth of the candidates that predict held-out values about as well as the best of them."""

    def score(smoothness: float) -> float:
        coefficients, _ = _solve(kept, penalty, smoothness)
        misfit = np.sum((values - basis @ coefficients) ** 2, axis=1) * weight
        return float(np.mean(np.minimum(misfit, _GROSS * np.median(misfit))))

    scores = np.array(in_two_threads(score, candidates))
    return float(candidates[int(np.argmax(scores <= _AS_GOOD * np.min(scores)))])


def _quadratic_form(basis: sparse.csr_matrix, inverse: Array, offsets: IntArray) -> Array:
    """b^T A^-1 b for each row b of `basis`, whose entries lie within the band of each other."""
    columns = basis.indices.reshape(-1, (_DEGREE + 1) ** 2)
    if not len(columns):
        return np.zeros(0)
    values = np.ascontiguousarray(basis.data.reshape(columns.shape).T)
    first, apart = columns[:, 0], columns[0] - columns[0, 0]
    by_offset = np.ascontiguousarray(inverse.T)
    total = np.zeros(len(columns))
    for a in range(len(apart)):
        low = first + apart[a]
        along = values[a] * by_offset[0].take(low)
        for b in range(a + 1, len(apart)):
            slot = int(np.searchsorted(offsets, apart[b] - apart[a]))
            along += 2.0 * values[b] * by_offset[slot].take(low)
        total += values[a] * along
    return total
