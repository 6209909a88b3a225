"""A smooth mirror patch as a least-squares B-spline height field."""

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.tracing.outline import Outline
from rigwarp.tracing.surfaces import Bounds


@dataclass(frozen=True, kw_only=True)
class HeightFit:
    """A fitted spline and what it takes to judge it.

    Attributes
    ----------
    spline : the height field, patch frame, mm.
    residual_rms_mm : of the points about the spline, corrected for the degrees of freedom spent.
    half_covariance : (M, M) matrix L with covariance of the coefficients = L L^T, mm^2.
    """

    spline: HeightSpline
    residual_rms_mm: float
    half_covariance: Array


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
        """1-sigma of a slope component, from the scatter of the vertices about the spline."""
        x, y = np.broadcast_arrays(x_mm, y_mm)
        known = np.isfinite(x) & np.isfinite(y)
        sigma = np.full(x.shape, np.nan)
        variance = np.zeros(int(known.sum()))
        for nux, nuy in ((1, 0), (0, 1)):
            rows = self.fit.spline.design_matrix(x[known], y[known], nux=nux, nuy=nuy) @ self.fit.half_covariance
            variance += np.sum(rows * rows, axis=1)
        sigma[known] = np.sqrt(variance / 2.0)
        return sigma

    def first_guesses(self, origins_mm: Array, directions: Array) -> tuple[Array, ...]:
        """Where the rays meet the patch's mean plane."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return (-origins_mm[..., 2] / directions[..., 2],)


_SMOOTHING = 1e-9  # share of the data's weight: decides coefficients that no point supports, moves others by < 1e-6 mm
_POINTS_PER_CELL = 4.0  # fewer and the fit follows the noise of the vertices


def fit_height(points_mm: Array, *, cells: tuple[int, int], degree: int = 5) -> HeightFit:
    """Least-squares spline through (N, 3) points of a patch frame.

    Third differences of the coefficients are weighed in very slightly, so that cells without points (corners of the
    bounding box, holes) continue their neighbours' curvature.
    """
    x, y, z = points_mm.T
    margin = 1e-3 * max(float(np.ptp(x)), float(np.ptp(y)))
    bounds = ((x.min() - margin, x.max() + margin), (y.min() - margin, y.max() + margin))
    flat = HeightSpline.over(bounds, cells=cells, degree=degree)
    design = flat.design_matrix(x, y)
    normal = (design.T @ design).toarray()
    penalty = _third_differences(flat.coefficients_mm.shape)
    normal += penalty * (_SMOOTHING * np.trace(normal) / np.trace(penalty))
    factor = linalg.cho_factor(normal, lower=True)
    coefficients = linalg.cho_solve(factor, design.T @ z)
    for _ in range(2):  # iterative refinement: the normal equations square the condition number
        coefficients += linalg.cho_solve(factor, design.T @ (z - design @ coefficients))
    residual = z - design @ coefficients
    freedom = max(len(z) - coefficients.size, 1)
    scatter = float(np.sqrt(residual @ residual / freedom))
    lower = np.tril(factor[0])
    half = linalg.solve_triangular(lower, np.eye(len(lower)), lower=True).T * scatter
    return HeightFit(spline=flat.with_coefficients(coefficients), residual_rms_mm=scatter, half_covariance=half)


def _third_differences(shape: tuple[int, int]) -> Array:
    """(M, M) quadratic form of the coefficients' third differences along both axes."""
    dx, dy = (np.diff(np.eye(n), n=3, axis=0) for n in shape)
    return np.kron(dx.T @ dx, np.eye(shape[1])) + np.kron(np.eye(shape[0]), dy.T @ dy)
