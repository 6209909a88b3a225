"""A smooth mirror patch as a least-squares B-spline height field."""

from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.arrays import GOLDEN
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.geometry.knot_spline import KnotSpline
from rigwarp.tracing.cad.fit_uncertainty import SlopeUncertainty, noise_uncertainty, slope_uncertainty
from rigwarp.tracing.surfaces.drawn_spline import drawn_spline
from rigwarp.tracing.surfaces.outline import Outlined
from rigwarp.tracing.surfaces.polyharmonic import FEWEST, MOST, fit_scattered
from rigwarp.tracing.surfaces.spline_solve import BOW, DEGREE, KERNEL_MM, solve_spline


@dataclass(frozen=True, kw_only=True)
class PatchFit:
    """A fitted spline and what it takes to judge it.

    Attributes
    ----------
    spline : the height field, patch frame, mm.
    residual_rms_mm : of the points about the spline, corrected for the degrees of freedom spent.
    uncertainty : of its slopes.
    too_few_points : whether more cells than the points can carry would have been worth while.
    out_of_cells : the same, or more than there may be.
    """

    spline: HeightSpline | KnotSpline
    residual_rms_mm: float
    uncertainty: SlopeUncertainty
    too_few_points: bool = False
    out_of_cells: bool = False

    @property
    def sure_enough(self) -> bool:
        """Whether nothing else is worth a try."""
        return not self.out_of_cells or self.uncertainty.usual <= _SURE


@dataclass(frozen=True, kw_only=True)
class SplineSurface(Outlined):
    """A height field within an outline, both in the patch's own frame."""

    fit: PatchFit

    sag = property(attrgetter("fit.spline.value"))
    gradient = property(attrgetter("fit.spline.gradient"))
    sag_and_gradient = property(attrgetter("fit.spline.value_and_gradient"))

    def slope_sigma(self, x_mm: Array, y_mm: Array) -> Array:
        """1-sigma of a slope component, from the vertices' scatter about the spline and its misfit."""
        x, y = np.broadcast_arrays(x_mm, y_mm)
        known = np.isfinite(x) & np.isfinite(y)
        sigma = np.full(x.shape, np.nan)
        sigma[known] = self.fit.uncertainty.at(x[known], y[known])
        return sigma


_CELLS = (1, 2, 4, 7, 10, 14, 19, 25, 32, 40)  # per longer side, tried in turn
_FINER, _COARSER = 1.25, 1.4  # the fits that the chosen one is compared with, in numbers of cells
_SAMPLE = 12_000  # points that decide the number of cells
_MORE = ((1, 0), (0, 1), (2, 0), (0, 2))  # cells that fits through rulings are compared with, across or along them
_POINTS_PER_COEFFICIENT = 2.2  # fewer and nothing is left to judge the fit by
_SURE = 1e-6  # of a slope: 0.001 mm on a table a metre away
_TOGETHER = 3  # that count, for each coefficient
_ONE_OFF = 10.0  # times what is allowed rms: a CAD kernel's edges lie on their faces to its tolerance
_WORTH = 0.97  # more cells must lower the predicted error to this share


def fit_height(points_mm: Array, *, rulings: int | None = None) -> PatchFit:
    """Least-squares spline through (N, 3) points of a patch frame, with as many cells as the points call for.

    The number of cells is the one after which generalised cross-validation (Craven and Wahba 1979, Numer. Math. 31,
    377) predicts no clear gain any more. `rulings` says that the points lie on so many straight lines, each of which
    two points have measured.
    """
    sample = points_mm[spread_sample(len(points_mm), _SAMPLE)]
    best, best_score = _CELLS[0], np.inf
    failures, starved = 0, False
    for along in _CELLS:
        cells = _square_cells(points_mm, along)
        spent = _coefficients(cells)
        if along > 1 and spent * _POINTS_PER_COEFFICIENT > _spread_over(sample, cells):
            starved = failures == 0
            break
        spline, _ = solve_spline(sample, cells)
        residual = sample[:, 2] - spline.value(sample[:, 0], sample[:, 1])
        freedom = max(1.0 - spent / len(sample), 0.05)
        score = float(np.sqrt(np.mean(residual**2))) / freedom
        failures = 0 if score < _WORTH * best_score else failures + 1
        if score < _WORTH * best_score:
            best, best_score = along, score
        if failures == 2:  # one step without gain may be the surface's own symmetry
            break
    fit = fit_height_on(points_mm, cells=_square_cells(points_mm, best), rulings=rulings)
    return replace(fit, too_few_points=starved, out_of_cells=rulings is None and (starved or best == _CELLS[-1]))


def or_smoothest(fit: PatchFit, points_mm: Array) -> PatchFit:
    """The surer of a spline and the smoothest interpolant, where the spline wants more cells than it may have."""
    if fit.sure_enough or not FEWEST <= len(points_mm) <= MOST:
        return fit
    with suppress(np.linalg.LinAlgError):  # rows so far apart that a tile has two: the spline and its doubt stay
        found = fit_scattered(points_mm)  # for points that bend more than cells with several of them can follow
        x, y = found.nodes_mm
        smoothest = PatchFit(
            spline=found.spline,
            residual_rms_mm=float(np.std(points_mm[:, 2] - found.spline.value(points_mm[:, 0], points_mm[:, 1]))),
            uncertainty=SlopeUncertainty(
                start_mm=np.array([x[0], y[0]]), step_mm=np.array([x[1] - x[0], y[1] - y[0]]), sigma=found.slope_sigma
            ),
        )
        surer = smoothest.uncertainty.rms < fit.uncertainty.rms
        if not fit.too_few_points:  # a spline whose cells hold enough points may be in doubt at the rim alone
            surer &= smoothest.uncertainty.usual < fit.uncertainty.usual
        return replace(smoothest, too_few_points=fit.too_few_points) if surer else fit
    return fit


def drawn_fit(points_mm: Array, rim: BoolArray, *, within_mm: float, rounding_mm: float) -> PatchFit | None:
    """The bicubic spline that (N, 3) points were drawn with over x and y; None where none passes them within so much.

    `rim` says which of them (N,) lie on the face's rim, `rounding_mm` how far their file's rounding moved them, rms.
    """
    if not FEWEST <= len(points_mm) <= MOST:
        return None
    drawn = drawn_spline(points_mm, rim, rounding_mm=max(rounding_mm, KERNEL_MM))
    if (
        drawn is None
        or (scatter := drawn.solved.scatter_mm) > within_mm
        or np.abs(drawn.left_mm).max() > _ONE_OFF * within_mm
    ):
        return None
    x, y = drawn.solved.knots
    uncertainty = noise_uncertainty(
        partial(drawn.slope_variance, least_mm=KERNEL_MM),
        points_mm,
        drawn.left_mm,
        cells=(len(x) + 1, len(y) + 1),
        bow_mm=BOW * KERNEL_MM,
        strays=drawn.strays,
    )
    return PatchFit(spline=drawn.spline, residual_rms_mm=scatter, uncertainty=uncertainty)


def spread_sample(count: int, most: int) -> NDArray[np.int64]:
    """Numbers of about `most` of `count` things that stand in some order of space; of all if they are fewer than twice.

    One of every so many, by steps of the golden section, not every k-th: k may divide the rows of a grid.
    """
    step = max(count // most, 1)
    block = np.arange(count // step)
    return np.asarray(block * step + (np.mod(block * GOLDEN, 1.0) * step).astype(np.int64))


def _spread_over(points_mm: Array, cells: tuple[int, int]) -> int:
    """How many points count if those that crowd (along a rounding) count as a few for each coefficient."""
    bins = np.array(cells) + DEGREE
    low, size = points_mm[:, :2].min(axis=0), np.ptp(points_mm[:, :2], axis=0) / bins
    at = np.minimum((points_mm[:, :2] - low) / np.maximum(size, 1e-300), bins - 1).astype(int)
    return int(np.minimum(np.bincount(at[:, 0] * bins[1] + at[:, 1]), _TOGETHER).sum())


def spline_by_density(points_mm: Array) -> HeightSpline:
    """Least-squares spline with cells that hold about 25 points: the finest surface that they can carry safely."""
    sample = points_mm[spread_sample(len(points_mm), _SAMPLE)]
    along = int(np.clip(np.sqrt(len(sample)) / 5.0, 1, 16))
    return solve_spline(sample, _square_cells(points_mm, along))[0]


def fit_height_on(
    points_mm: Array,
    *,
    cells: tuple[int, int],
    rulings: int | None = None,
) -> PatchFit:
    """Least-squares spline through (N, 3) points on so many cells, with its uncertainty."""
    spline, factor = solve_spline(points_mm, cells)
    residual = points_mm[:, 2] - spline.value(points_mm[:, 0], points_mm[:, 1])
    scatter = float(np.sqrt(residual @ residual / max(len(residual) - _coefficients(cells), 1)))
    compared = _compared_cells(cells) if rulings is None else [(cells[0] + i, cells[1] + k) for i, k in _MORE]
    others = [solve_spline(points_mm, c)[0] for c in compared]
    noise = scatter
    if rulings is not None:  # n points that err together weigh n times as much in each sum over points
        noise = float(np.sqrt(residual @ residual / max(2 * (rulings - max(cells) - DEGREE), 1)))
    uncertainty = slope_uncertainty(
        spline, others, points_mm, factor=factor, scatter_mm=noise, on_lines=rulings is not None
    )
    return PatchFit(spline=spline, residual_rms_mm=scatter, uncertainty=uncertainty)


def _compared_cells(cells: tuple[int, int]) -> list[tuple[int, int]]:
    """Finer and, where there is such a thing, coarser cells."""
    finer, coarser = ((max(1, round(cells[0] * by)), max(1, round(cells[1] * by))) for by in (_FINER, 1.0 / _COARSER))
    if finer == cells:
        finer = (cells[0] + 1, cells[1] + 1)
    return [finer] if coarser == cells else [finer, coarser]


def _coefficients(cells: tuple[int, int]) -> int:
    """Number of those that points can decide: the ones beyond the rim do not count."""
    return (cells[0] + DEGREE) * (cells[1] + DEGREE)


def _square_cells(points_mm: Array, along: int) -> tuple[int, int]:
    """Numbers of about square cells, `along` of them on the longer side of the bounding box."""
    size = np.ptp(points_mm[:, :2], axis=0)
    nx, ny = np.maximum(1, np.rint(along * size / size.max())).astype(int)
    return int(nx), int(ny)
