"""A smooth mirror patch as a least-squares B-spline height field."""

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.tracing.fit_misfit import SlopeMisfit, slope_misfit
from rigwarp.tracing.outline import Outline
from rigwarp.tracing.surfaces import Bounds

_DEGREE = 5


@dataclass(frozen=True, kw_only=True)
class HeightFit:
    """A fitted spline and what it takes to judge it.

    Attributes
    ----------
    spline : the height field, patch frame, mm.
    residual_rms_mm : of the points about the spline, corrected for the degrees of freedom spent.
    half_covariance : (M, M) matrix L with covariance of the coefficients = L L^T, mm^2.
    misfit : slope error from what the spline's cells cannot follow.
    """

    spline: HeightSpline
    residual_rms_mm: float
    half_covariance: Array
    misfit: SlopeMisfit


@dataclass(frozen=True, kw_only=True)
class SplineSurface:
    """A height field within an outline, both in the patch's own frame."""

    zone: int
    name: str
    T_mirror_from_surface: Array
    fit: HeightFit
    outline: Outline

    @property
    def bounds_mm(self) -> Bounds:
        """The outline's bounding box."""
        return self.outline.bounds_mm

    def sag(self, x_mm: Array, y_mm: Array) -> Array:
        """Height of the spline, mm."""
        return self.fit.spline.value(x_mm, y_mm)

    def gradient(self, x_mm: Array, y_mm: Array) -> Array:
        """(..., 2) slopes of the spline."""
        return self.fit.spline.gradient(x_mm, y_mm)

    def inside(self, x_mm: Array, y_mm: Array) -> BoolArray:
        """Within the outline."""
        return self.outline.inside(x_mm, y_mm)

    def outside_mm(self, x_mm: Array, y_mm: Array) -> Array:
        """Distance from the outline."""
        return self.outline.outside_mm(x_mm, y_mm)

    def slope_sigma(self, x_mm: Array, y_mm: Array) -> Array:
        """1-sigma of a slope component, from the vertices' scatter about the spline and its misfit."""
        x, y = np.broadcast_arrays(x_mm, y_mm)
        known = np.isfinite(x) & np.isfinite(y)
        sigma = np.full(x.shape, np.nan)
        variance = np.zeros(int(known.sum()))
        for nux, nuy in ((1, 0), (0, 1)):
            rows = self.fit.spline.design_matrix(x[known], y[known], nux=nux, nuy=nuy) @ self.fit.half_covariance
            variance += np.sum(rows * rows, axis=1)
        sigma[known] = np.sqrt(variance / 2.0 + self.fit.misfit.at(x[known], y[known]) ** 2)
        return sigma

    def rim_points(self, spacing_mm: float) -> Array:
        """(N, 2) points along the outline."""
        return self.outline.rim_points(spacing_mm)

    def first_guesses(self, origins_mm: Array, directions: Array) -> tuple[Array, ...]:
        """Where the rays meet the patch's mean plane."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return (-origins_mm[..., 2] / directions[..., 2],)


_SMOOTHING = 1e-9  # share of the data's weight: decides coefficients that no point supports, moves others by < 1e-6 mm
_STIFFNESS = 1e-12  # the same for second differences, which the few vertices of a coarse strip leave open
_CELLS = (1, 2, 4, 7, 10, 14, 19, 25)  # per longer side, tried in turn
_RIM_CELLS = 1  # added all around, so that interpolation next to the rim sees a surface that goes on smoothly
_FINER, _COARSER = 1.25, 1.4  # the fits that the chosen one is compared with, in numbers of cells
_SAMPLE = 4000  # points that decide the number of cells
_POINTS_PER_COEFFICIENT = 2.2  # fewer and nothing is left to judge the fit by
_WORTH = 0.97  # more cells must lower the predicted error to this share


def fit_height(points_mm: Array) -> HeightFit:
    """Least-squares spline through (N, 3) points of a patch frame, with as many cells as the points call for.

    The number of cells is the one after which generalised cross-validation (Craven and Wahba 1979, Numer. Math. 31,
    377) predicts no clear gain any more.
    """
    sample = points_mm[:: max(1, len(points_mm) // _SAMPLE)]
    best, best_score = _CELLS[0], np.inf
    failures = 0
    for along in _CELLS:
        cells = _square_cells(points_mm, along)
        spent = _coefficients(cells)
        if along > 1 and spent * _POINTS_PER_COEFFICIENT > len(sample):
            break
        spline, _ = _solve(sample, cells)
        residual = sample[:, 2] - spline.value(sample[:, 0], sample[:, 1])
        freedom = max(1.0 - spent / len(sample), 0.05)
        score = float(np.sqrt(np.mean(residual**2))) / freedom
        failures = 0 if score < _WORTH * best_score else failures + 1
        if score < _WORTH * best_score:
            best, best_score = along, score
        if failures == 2:  # one step without gain may be the surface's own symmetry
            break
    return fit_height_on(points_mm, cells=_square_cells(points_mm, best))


def spline_by_density(points_mm: Array) -> HeightSpline:
    """Least-squares spline with cells that hold about 25 points: the finest surface that they can carry safely."""
    sample = points_mm[:: max(1, len(points_mm) // _SAMPLE)]
    along = int(np.clip(np.sqrt(len(sample)) / 5.0, 1, 16))
    return _solve(sample, _square_cells(points_mm, along))[0]


def fit_height_on(points_mm: Array, *, cells: tuple[int, int]) -> HeightFit:
    """Least-squares spline through (N, 3) points on so many cells, with its uncertainty."""
    spline, factor = _solve(points_mm, cells)
    residual = points_mm[:, 2] - spline.value(points_mm[:, 0], points_mm[:, 1])
    scatter = float(np.sqrt(residual @ residual / max(len(residual) - _coefficients(cells), 1)))
    half = linalg.solve_triangular(np.tril(factor), np.eye(len(factor)), lower=True).T * scatter
    others = [_solve(points_mm, c)[0] for c in _compared_cells(cells)]
    return HeightFit(
        spline=spline,
        residual_rms_mm=scatter,
        half_covariance=half,
        misfit=slope_misfit(spline, others, points_mm),
    )


def _compared_cells(cells: tuple[int, int]) -> list[tuple[int, int]]:
    """Finer and, where there is such a thing, coarser cells."""
    finer, coarser = ((max(1, round(cells[0] * by)), max(1, round(cells[1] * by))) for by in (_FINER, 1.0 / _COARSER))
    if finer == cells:
        finer = (cells[0] + 1, cells[1] + 1)
    return [finer] if coarser == cells else [finer, coarser]


def _coefficients(cells: tuple[int, int]) -> int:
    """Number of those that points can decide: the ones beyond the rim do not count."""
    return (cells[0] + _DEGREE) * (cells[1] + _DEGREE)


def _solve(points_mm: Array, cells: tuple[int, int]) -> tuple[HeightSpline, Array]:
    """Spline and the lower Cholesky factor of its normal equations.

    Third differences of the coefficients are weighed in very slightly, so that cells without points (corners of the
    bounding box, holes) continue their neighbours' curvature.
    """
    x, y, z = points_mm.T
    low, high = points_mm[:, :2].min(axis=0), points_mm[:, :2].max(axis=0)
    cell = np.maximum((high - low) / cells, 1e-3 * float((high - low).max()))
    low, high = low - _RIM_CELLS * cell, high + _RIM_CELLS * cell
    wider = (cells[0] + 2 * _RIM_CELLS, cells[1] + 2 * _RIM_CELLS)
    flat = HeightSpline.over(((low[0], high[0]), (low[1], high[1])), cells=wider, degree=_DEGREE)
    normal, right = flat.normal_equations(x, y, z)
    weight = np.trace(normal) / len(normal)
    for order, share in ((3, _SMOOTHING), (2, _STIFFNESS)):
        normal += share * weight * _differences(flat.coefficients_mm.shape, order)
    factor = linalg.cholesky(normal, lower=True)
    spline = flat.with_coefficients(linalg.cho_solve((factor, True), right))
    # iterative refinement: the normal equations square the condition number
    more = linalg.cho_solve((factor, True), flat.right_hand_side(x, y, z - spline.value(x, y)))
    return spline.with_coefficients(spline.coefficients_mm.ravel() + more), factor


def _square_cells(points_mm: Array, along: int) -> tuple[int, int]:
    """Numbers of about square cells, `along` of them on the longer side of the bounding box."""
    size = np.ptp(points_mm[:, :2], axis=0)
    nx, ny = np.maximum(1, np.rint(along * size / size.max())).astype(int)
    return int(nx), int(ny)


def _differences(shape: tuple[int, int], order: int) -> Array:
    """(M, M) quadratic form of the coefficients' differences along both axes."""
    dx, dy = (np.diff(np.eye(n), n=order, axis=0) for n in shape)
    return np.kron(dx.T @ dx, np.eye(shape[1])) + np.kron(np.eye(shape[0]), dy.T @ dy)
