"""The spline that a CAD program drew, found again from the vertices of its triangles.

Freeform faces that were drawn through a grid of heights are cubic splines over two of the part's own axes, on even
knots. On the right knots such a spline passes through all vertices to their rounding, on any others it does not: that
many more vertices than it has unknowns lie on it is the proof. A smooth interpolant cannot know where third
derivatives jump.

Knots are looked for along one axis at a time, in a strip where the other axis has knots enough of any kind; from there
on Gauss and Newton's steps move them, coefficients eliminated (variable projection; Golub and Pereyra 1973, SIAM J.
Numer. Anal. 10, 413).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from rigwarp.geometry import Array
from rigwarp.geometry.height_spline import HeightSpline

_DEGREE = 3
_FEWEST, _MOST = 1.0, 24.0  # cells along a strip
_APART = 0.3  # cells that may be missing or left over between one number tried and the next
_PHASES = 4  # places of the knots tried for each number of cells
_STRIP, _ACROSS = 0.35, 6  # of the face's width, and cells across where nothing is known
_KNOWN_ACROSS = 3.0  # cells across where the knots are known
_LEFT_OVER = 1.3  # points for each coefficient in a strip
_PROVEN = 2.0  # and on the whole face
_TRIED = 2  # of the best places of one axis' knots
_STEPS = 10  # Gauss-Newton's
_FARTHEST = 0.2  # of a cell, that a step may move a knot
_NEAR = 30.0  # times what is allowed: farther off before the last steps there are no such knots
_HALVINGS = 10  # of both axes' knots together
_AS_WELL = 1.5  # times the rms that is left
_SAMPLE = 4_000
_RIDGE = 1e-11  # of the normal matrix' mean diagonal, for coefficients that no point supports


@dataclass(frozen=True, kw_only=True)
class Knots:
    """Even knots along x and y: one of them (2,), and how far they lie apart (2,)."""

    start_mm: Array
    step_mm: Array

    def flat(self, points_mm: Array) -> HeightSpline:
        """A cubic spline on them, wide enough for points (N, 2+); all coefficients zero."""
        low, high = points_mm[:, :2].min(axis=0), points_mm[:, :2].max(axis=0)
        first = np.floor((low - self.start_mm) / self.step_mm + 1e-9)
        cells = np.maximum(np.ceil((high - self.start_mm) / self.step_mm - 1e-9) - first, 1).astype(int)
        return HeightSpline(
            start_mm=self.start_mm + first * self.step_mm,
            cell_mm=self.step_mm,
            coefficients_mm=np.zeros(cells + _DEGREE),
            degree=_DEGREE,
        )

    def along(self, axis: int, start_mm: float, step_mm: float) -> "Knots":
        """With others along one axis."""
        start, step = self.start_mm.copy(), self.step_mm.copy()
        start[axis], step[axis] = start_mm, step_mm
        return Knots(start_mm=start, step_mm=step)


def drawn_knots(points_mm: Array, *, within_mm: float) -> Knots | None:
    """The even knots on which a cubic spline passes (N, 3) points within so much, rms; None where there are none."""
    sample = points_mm[:: max(len(points_mm) // _SAMPLE, 1)]
    for axis in (0, 1):
        for found in _scanned(sample, axis, None, within_mm):
            strip = _strip(sample, axis, found, _STRIP)
            one = _settled(strip, found, axes=(axis,))[0]
            other = next(_scanned(sample, 1 - axis, one, within_mm), None)
            if other is None:
                continue
            both, rms = _settled(_strip(sample, 1 - axis, other, None), other, axes=(1 - axis,))
            if rms > _NEAR * within_mm:
                continue
            both, rms = _settled(sample, both, axes=(0, 1))
            both, rms = _coarsest(sample, both, rms)
            if rms <= within_mm and both.flat(sample).coefficients_mm.size * _PROVEN <= len(sample):
                return both
    return None


def settled_knots(points_mm: Array, knots: Knots) -> Knots:
    """Knots close to given ones on which the spline passes other points (N, 3) most closely."""
    return _settled(points_mm[:: max(len(points_mm) // _SAMPLE, 1)], knots, axes=(0, 1))[0]


def _coarsest(points_mm: Array, knots: Knots, rms_mm: float, left: int = _HALVINGS) -> tuple[Knots, float]:
    """The same, without every second knot along an axis if it does as well: the scan may find halves."""
    if not left:
        return knots, rms_mm
    for axis in (0, 1):
        for phase in (0, 1):
            start, step = knots.start_mm[axis] + phase * knots.step_mm[axis], 2.0 * knots.step_mm[axis]
            wider, rms = _settled(points_mm, knots.along(axis, float(start), float(step)), axes=(0, 1))
            if rms <= _AS_WELL * rms_mm:
                return _coarsest(points_mm, wider, max(rms, rms_mm), left - 1)
    return knots, rms_mm


def _strip(points_mm: Array, axis: int, knots: Knots, share: float | None) -> Array:
    """Points in the middle, all along one axis: a share of the face's width, or some cells of known knots."""
    across = points_mm[:, 1 - axis]
    low, high = across.min(), across.max()
    width = _KNOWN_ACROSS * knots.step_mm[1 - axis] if share is None else share * (high - low)
    return points_mm[np.abs(across - 0.5 * (low + high)) <= 0.5 * width]


def _scanned(points_mm: Array, axis: int, known: Knots | None, within_mm: float) -> Iterator[Knots]:
    """Knots along an axis, the likeliest first; across are those known, or fine ones of no meaning."""
    low, size = points_mm[:, :2].min(axis=0), np.ptp(points_mm[:, :2], axis=0)
    knots = known or Knots(start_mm=low, step_mm=_STRIP * size / _ACROSS)
    strip = _strip(points_mm, axis, knots, None if known else _STRIP)
    if not len(strip):
        return
    found: list[tuple[float, int, Knots]] = []
    for cells in np.arange(_FEWEST, _MOST, _APART):
        step = float(size[axis] / cells)
        for phase in range(_PHASES):
            tried = knots.along(axis, float(low[axis] + 0.5 * size[axis] + phase / _PHASES * step), step)
            unknowns = tried.flat(strip).coefficients_mm.size
            if unknowns * _LEFT_OVER <= len(strip):
                left = _Solved.of(strip, tried).left_mm
                rms = float(np.sqrt(left @ left / (len(strip) - unknowns)))
                if rms <= _NEAR * within_mm:
                    found.append((rms, len(found), tried))
    yield from (tried for _, _, tried in sorted(found, key=lambda f: f[:2])[:_TRIED])


@dataclass(frozen=True, kw_only=True)
class _Solved:
    """Least squares on given knots: the basis (N, M) at the points, its normal matrix' factor, the spline, the rest."""

    basis: Array
    factor: tuple[Array, bool]
    spline: HeightSpline
    left_mm: Array

    @classmethod
    def of(cls, points_mm: Array, knots: Knots) -> "_Solved":
        flat = knots.flat(points_mm)
        basis = flat.design_matrix(points_mm[:, 0], points_mm[:, 1]).toarray()
        normal = basis.T @ basis
        normal.flat[:: len(normal) + 1] += _RIDGE * np.trace(normal) / len(normal)
        factor = linalg.cho_factor(normal, check_finite=False)
        weights, left = np.zeros(len(normal)), points_mm[:, 2]
        for _ in range(2):  # normal equations square the condition number
            weights = weights + linalg.cho_solve(factor, basis.T @ left, check_finite=False)
            left = points_mm[:, 2] - basis @ weights
        return cls(basis=basis, factor=factor, spline=flat.with_coefficients(weights), left_mm=left)

    def step(self, points_mm: Array, middle_mm: Array, axes: tuple[int, ...]) -> Array:
        """(2 axes,) by how much the knots along each should shift, and stretch about the middle, to fit better."""
        slope = self.spline.gradient(points_mm[:, 0], points_mm[:, 1])
        moved = [-slope[:, a] * by for a in axes for by in (1.0, points_mm[:, a] - middle_mm[a])]
        free = np.stack(moved, axis=-1)
        free -= self.basis @ linalg.cho_solve(self.factor, self.basis.T @ free, check_finite=False)
        return np.asarray(np.linalg.lstsq(free, self.left_mm, rcond=None)[0])


def _settled(points_mm: Array, knots: Knots, *, axes: tuple[int, ...]) -> tuple[Knots, float]:
    """Knots nearby on which the spline passes the points most closely, and how closely, rms mm."""
    low, high = points_mm[:, :2].min(axis=0), points_mm[:, :2].max(axis=0)
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    best, best_rms = knots, np.inf
    for _ in range(_STEPS):
        solved = _Solved.of(points_mm, knots)
        rms = float(np.sqrt(np.mean(solved.left_mm**2)))
        if rms > 0.99 * best_rms:
            break
        best, best_rms = knots, rms
        moves = solved.step(points_mm, middle, axes).reshape(-1, 2)
        for axis, (shift, stretch) in zip(axes, moves, strict=True):
            most = _FARTHEST * knots.step_mm[axis]
            shift, stretch = np.clip(shift, -most, most), np.clip(stretch, -most / half[axis], most / half[axis])
            start = middle[axis] + (knots.start_mm[axis] - middle[axis]) * (1.0 + stretch) + shift
            knots = knots.along(axis, float(start), float(knots.step_mm[axis] * (1.0 + stretch)))
    return best, best_rms
