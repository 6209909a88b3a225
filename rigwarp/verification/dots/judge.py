"""How far the dots landed from where they should be, and what that amounts to in plain terms.

Scale, stretch, skew, turn, and how straight lines are.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, IntArray
from rigwarp.verification.dots.locate import DotsFound
from rigwarp.verification.dots.plan import DotPlan

_FEWEST_DOTS = 4
_FEWEST_POINTS = 3
_FEWEST_ON_LINE = 4  # two points are always straight and three hardly tell
_FAMILIES = ("rows", "columns", "diagonals up", "diagonals down")
_BETTER = 3.0  # sigmas by which the mean square error must fall to count as lower


@dataclass(frozen=True, kw_only=True)
class ErrorFigures:
    """Lengths of 2-D residual vectors: how many, root mean square, 95th percentile, largest; mm."""

    n: int
    rms_mm: float
    p95_mm: float
    max_mm: float


@dataclass(frozen=True, kw_only=True)
class Similarity:
    """measured = scale R(rotation) wanted + shift: the part of the error that a zoom, turn and move would take away."""

    scale: float
    rotation_rad: float
    shift_mm: Array


@dataclass(frozen=True, kw_only=True)
class AffineShape:
    """measured = A wanted + shift, A taken apart.

    Attributes
    ----------
    scale : geometric mean of the two stretches, 1 = right size.
    anisotropy : larger stretch over smaller one, minus 1.
    stretch_rad : direction of the larger stretch on the table, 0 .. pi from x; means nothing without anisotropy.
    shear_rad : by how much the angle between the pictures of x and y falls short of a right one.
    rotation_rad : of the rigid part, counter-clockwise.
    shift_mm : (2,) of the wanted points' middle.
    """

    scale: float
    anisotropy: float
    stretch_rad: float
    shear_rad: float
    rotation_rad: float
    shift_mm: Array


@dataclass(frozen=True, kw_only=True)
class LineFigure:
    """One line of dots: family, how many dots, length, and the largest distance of one to the least-squares line."""

    family: str
    n: int
    length_mm: float
    off_mm: float

    @property
    def off_percent(self) -> float:
        """The same as per cent of the length."""
        return 100.0 * self.off_mm / self.length_mm


@dataclass(frozen=True, kw_only=True)
class VerificationResult(ErrorFigures):
    """The residuals of a dot grid, nothing fitted.

    Attributes
    ----------
    ids : (n,) dots judged.
    table_mm : (n, 2) where they should be.
    grid : (n, 2) column and row of each in the plan.
    vectors_mm : (n, 2) measured minus wanted.
    sigma_mm : (n,) 1-sigma per axis from photo noise.
    missing : id -> reason.
    doubled : id -> (k, 2) table mm of all its images.
    unreadable : number of blobs of light that belong to no dot.
    similarity : best fit; `after_similarity` are the figures of what it leaves.
    affine : scale, anisotropy, shear, rotation and shift of the picture as a whole.
    lines : how straight the grid's lines are on the table.
    """

    ids: NDArray[np.int32]
    table_mm: Array
    grid: NDArray[np.int32]
    vectors_mm: Array
    sigma_mm: Array
    missing: dict[int, str]
    doubled: dict[int, Array]
    unreadable: int
    similarity: Similarity
    after_similarity: ErrorFigures
    affine: AffineShape
    lines: tuple[LineFigure, ...]


def judge_dots(found: DotsFound, plan: DotPlan) -> VerificationResult:
    """Compare dots found with the plan.

    Raises
    ------
    MeasurementError
        When fewer than four dots were found.
    """
    if len(found.ids) < _FEWEST_DOTS:
        raise MeasurementError(
            f"only {len(found.ids)} of {len(plan.ids)} dots were read, at least {_FEWEST_DOTS} needed"
        )
    return _judged(found, plan.table_mm[found.ids], plan.grid[found.ids])


def _judged(found: DotsFound, wanted_mm: Array, grid: NDArray[np.int32]) -> VerificationResult:
    return VerificationResult(
        ids=found.ids,
        table_mm=wanted_mm,
        grid=grid,
        sigma_mm=found.sigma_mm,
        missing=found.missing,
        doubled=found.doubled,
        unreadable=len(found.unreadable),
        **_figures_of(wanted_mm, found.table_mm, grid),
    )


def judged_anew(result: VerificationResult, seen_mm: Array) -> VerificationResult:
    """The same dots judged by other positions (n, 2) at which they are seen."""
    return replace(result, **_figures_of(result.table_mm, seen_mm, result.grid))


def _figures_of(wanted_mm: Array, seen_mm: Array, grid: NDArray[np.int32]) -> dict[str, Any]:
    """What follows from where the dots are."""
    similarity, left = fit_similarity(wanted_mm, seen_mm)
    return {
        **vars(error_figures(seen_mm - wanted_mm)),
        "vectors_mm": seen_mm - wanted_mm,
        "similarity": similarity,
        "after_similarity": error_figures(left),
        "affine": fit_affine_shape(wanted_mm, seen_mm),
        "lines": tuple(straightness(grid, seen_mm)),
    }


def error_figures(vectors_mm: Array) -> ErrorFigures:
    """Figures of (n, 2) residual vectors; of their lengths, not per axis."""
    length = np.linalg.norm(vectors_mm, axis=1)
    return ErrorFigures(
        n=len(length),
        rms_mm=float(np.sqrt(np.mean(length**2))),
        p95_mm=float(np.percentile(length, 95.0)),
        max_mm=float(length.max()),
    )


def nearer_now(ids_before: IntArray, before_mm: Array, ids: IntArray, now_mm: Array) -> bool:
    """Whether the dots that two looks share are nearer to their places in the second: a paired test.

    Parameters
    ----------
    ids_before, ids : (K,), (L,) which dots were seen.
    before_mm, now_mm : (K, 2), (L, 2) their errors.

    Notes
    -----
    The mean gain in squared error against its own standard error (paired Student test, any textbook on statistics).
    """
    _, first, second = np.intersect1d(ids_before, ids, return_indices=True)
    gain = np.sum(before_mm[first] ** 2, axis=1) - np.sum(now_mm[second] ** 2, axis=1)
    return bool(gain.mean() > _BETTER * gain.std(ddof=1) / np.sqrt(len(gain)))


def fit_similarity(wanted_mm: Array, measured_mm: Array) -> tuple[Similarity, Array]:
    """Least-squares similarity wanted -> measured, and the residuals (n, 2) it leaves.

    Notes
    -----
    In the complex plane the similarity is linear, z -> a z + b, so the fit is a linear one; a = scale exp(i rotation).
    """
    z, w = (points @ np.array([1.0, 1.0j]) for points in (wanted_mm, measured_mm))
    centred = z - z.mean()
    factor = np.vdot(centred, w - w.mean()) / np.vdot(centred, centred).real
    shift = w.mean() - factor * z.mean()
    left = w - factor * z - shift
    similarity = Similarity(
        scale=float(np.abs(factor)),
        rotation_rad=float(np.angle(factor)),
        shift_mm=np.array([shift.real, shift.imag]),
    )
    return similarity, np.stack([left.real, left.imag], axis=-1)


def fit_affine_shape(wanted_mm: Array, measured_mm: Array) -> AffineShape:
    """Least-squares affine map wanted -> measured of (n, 2) points, taken apart by singular values.

    Raises
    ------
    MeasurementError
        When there are fewer than three points or they lie on one line.

    Notes
    -----
    A = U diag(s1, s2) V^T: the stretches are s1 >= s2, the rotation is U V^T (polar decomposition), and the shear
    follows from the angle between A's columns.
    """
    middle = wanted_mm.mean(axis=0)
    centred = wanted_mm - middle
    if len(wanted_mm) < _FEWEST_POINTS or np.linalg.matrix_rank(centred, tol=1e-6 * np.abs(centred).max()) < 2:
        raise MeasurementError("the dots seen lie on one line: they do not tell scale and turn of the picture")
    solved, *_ = np.linalg.lstsq(centred, measured_mm - measured_mm.mean(axis=0), rcond=None)
    A = solved.T
    U, (large, small), Vt = np.linalg.svd(A)
    R = U @ Vt
    along_x, along_y = A.T / np.linalg.norm(A, axis=0)[:, None]
    return AffineShape(
        scale=float(np.sqrt(large * small)),
        anisotropy=float(large / small - 1.0) if small > 0 else float("inf"),
        stretch_rad=float(np.arctan2(U[1, 0], U[0, 0]) % np.pi),
        shear_rad=float(np.arcsin(np.clip(along_x @ along_y, -1.0, 1.0))),
        rotation_rad=float(np.arctan2(R[1, 0], R[0, 0])),
        shift_mm=measured_mm.mean(axis=0) - middle,
    )


def straightness(grid: NDArray[np.int32], measured_mm: Array) -> list[LineFigure]:
    """How straight the grid's lines are on the table.

    Parameters
    ----------
    grid : (n, 2) column and row of each dot.
    measured_mm : (n, 2) where it was seen.

    Returns
    -------
    Rows, columns and both families of diagonals; lines of fewer than four dots are left out.
    """
    column, row = grid.T
    numbers = (row, column, row - column, row + column)
    return [
        _line(family, measured_mm[number == one])
        for family, number in zip(_FAMILIES, numbers, strict=True)
        for one in np.unique(number)
        if np.count_nonzero(number == one) >= _FEWEST_ON_LINE
    ]


def worst_line(lines: Sequence[LineFigure]) -> LineFigure | None:
    """The least straight one, by its largest distance in millimetres."""
    return max(lines, key=lambda line: line.off_mm, default=None)


def _line(family: str, points_mm: Array) -> LineFigure:
    """Distances to the line through the points' middle along their principal direction: the total-least-squares one."""
    centred = points_mm - points_mm.mean(axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    along = centred @ axes[0]
    return LineFigure(
        family=family,
        n=len(points_mm),
        length_mm=float(np.ptp(along)),
        off_mm=float(np.abs(centred @ axes[1]).max()),
    )
