"""The spline that a CAD program drew, found again from the vertices of its triangles.

Freeform faces that were drawn as heights over two of the part's own axes are bicubic splines, on knots that are even
where they came of a grid, and anywhere else. On the right knots such a spline passes through all vertices to their
rounding, on any others it does not. A smooth interpolant cannot know where third derivatives jump.

Knots are put in one by one where that takes away most of what is left (a score test), and Gauss and Newton's steps move
all of them after each, coefficients eliminated (variable projection; Golub and Pereyra 1973, SIAM J. Numer. Anal. 10,
413). That nothing is missing is shown by what is left: no more than the file's rounding or, where that is not known, no
more in vertices that were kept out than in the others, and nothing that neighbours share.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg, sparse

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.arrays import GOLDEN
from rigwarp.geometry.knot_spline import KnotSpline, design_matrix
from rigwarp.geometry.nurbs import SplineAxis

_DEGREE = 3
_LEAST, _PER_UNKNOWN = 300, 5  # points that a stage of the search asks, at least and for each coefficient
_PROVEN, _MOST = 4.0, 700  # points for each coefficient in the end, with fewer wrong knots fit, too; and coefficients
_ON_THE_WAY = 2.0  # points for each coefficient while some knots may be too many
_KEPT_OUT = 8  # one of so many points judges
_PLACES = 40  # where a new knot may be, along each axis
_ALSO = 0.5  # of the largest gain: one along the other axis goes in with it
_FARTHEST = 0.4  # of the way to the next knot, that a step may move one
_STEPS, _TRIES = 8, 5  # Gauss and Newton's, and dampings tried for each
_SETTLED = 0.8  # a step that leaves more of the sum of squares is the last while knots are still missing
_STALLED, _STAGES = 0.8, 6  # of the scatter left after so many stages: more knots are of no use
_AS_CLOSE = 1.1  # times the least scatter: the fewest knots that come so close
_STRAY = 3.0  # sigmas
_HARDLY = 2e-3  # of a point's weight, its root, for one that strays, at least: there may be no others
_GAIN = 0.8  # of the cost is left after another knot that is worth while where points scatter by their rounding
_ROUNDED = 1.3  # times their rounding, that vertices scatter where nothing is missing
_AS_WELL = 1.5  # times as much may points scatter that were kept out, and sums of neighbours vary
_TOO_NEAR, _AT_RIM = 1e-4, 4e-3  # of half the face, knots to each other and to the rim
_MEANING = 1.5  # times the variance for each unknown
_ROUNDS = 4  # in which points of the rim are found to stray
_TOGETHER_POINTS = 5  # that count as neighbours
_APART_STILL = 1e-6  # knots that a step moves towards each other
_RIDGE, _OPEN = 1e-12, 1e-9  # of the normal matrix' mean diagonal, for coefficients that no point supports

Knots = tuple[Array, Array]
"""Those within the face along x and y, in -1..1."""


@dataclass(frozen=True, kw_only=True)
class DrawnSpline:
    """What was found.

    Attributes
    ----------
    solved : on the knots found.
    further : on one or two more.
    middle_mm, half_mm : (2,) of the points' places, which are -1..1 in both.
    left_mm : (N,) of each point's height less the spline's.
    strays : (N,) points of the rim that do not lie on it.
    together : by how much more than independent values neighbours' sums vary, 1 or more.
    """

    solved: "_Solved"
    further: "_Solved"
    middle_mm: Array
    half_mm: Array
    left_mm: Array
    strays: BoolArray
    together: float

    @property
    def spline(self) -> KnotSpline:
        """In the points' own frame."""
        return self.solved.spline(self.middle_mm, self.half_mm)

    def slope_variance(self, x_mm: Array, y_mm: Array, *, least_mm: float) -> Array:
        """(K,) mean variance of both slopes at points, which scatter by so much at least.

        Whether there is one more knot is as open as what the points' scatter may move.
        """
        at = (np.column_stack([x_mm, y_mm]) - self.middle_mm) / self.half_mm
        scatter = max(self.solved.scatter_mm, least_mm)
        noise = scatter**2 * self.together * self.solved.slope_variance(at, self.half_mm)
        further = self.further.spline(self.middle_mm, self.half_mm).gradient(x_mm, y_mm)
        return noise + 0.5 * np.sum((further - self.spline.gradient(x_mm, y_mm)) ** 2, axis=1)


def drawn_spline(points_mm: Array, rim: BoolArray, *, rounding_mm: float) -> DrawnSpline | None:
    """The bicubic spline through points; None where there is none.

    Parameters
    ----------
    points_mm : (N, 3)
    rim : (N,) which of them lie on the face's rim, where a kernel that cut it may have left them off it.
    rounding_mm : how far rounding moved their heights, rms.
    """
    low, high = points_mm[:, :2].min(axis=0), points_mm[:, :2].max(axis=0)
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    order = np.argsort(np.mod(np.arange(len(points_mm)) * GOLDEN, 1.0))  # the file's neighbours are the face's
    points, rim = np.column_stack([(points_mm[:, :2] - middle) / half, points_mm[:, 2]])[order], rim[order]
    asked = np.arange(len(points)) % _KEPT_OUT > 0
    knots = _searched(points[asked], rim[asked], rounding_mm)
    solved = _without_strays(points[asked], rim[asked], knots, rounding_mm, enough=1.0)
    knots = _needed(solved, rounding_mm)
    if len(knots[0]) + len(knots[1]) < solved.by_knots.shape[1]:
        solved = _without_strays(points[asked], rim[asked], knots, rounding_mm, enough=1.0)
    if solved.weights.size * _PROVEN > len(points):
        return None
    left = solved.left_of(points)
    judged, together = _rms(left[~asked & ~rim]), _together(points[~rim], left[~rim])
    if judged > _AS_WELL * rounding_mm and max(judged / solved.scatter_mm, together) > _AS_WELL:
        return None
    solved = _without_strays(points, rim, solved.knots, rounding_mm, enough=1.0)
    left = np.empty(len(points))
    left[order] = solved.left_of(points)
    strays = np.zeros(len(points), bool)
    strays[order] = solved.counts < 1.0
    further = _settled(_Solved.of(points, _with_more(solved), solved.counts), enough=0.0)
    return DrawnSpline(
        solved=solved,
        further=further if _tells(further, solved) else solved,
        middle_mm=middle,
        half_mm=half,
        left_mm=left,
        strays=strays,
        together=together,
    )


def _searched(points: Array, rim: BoolArray, rounding_mm: float) -> Knots:
    """The fewest knots after which points scatter by their rounding, or hardly less with more knots."""
    stages: list[tuple[float, Knots]] = []
    knots: Knots = (np.zeros(0), np.zeros(0))
    while True:
        unknowns = (len(knots[0]) + _DEGREE + 2) * (len(knots[1]) + _DEGREE + 2)
        if unknowns > _MOST or unknowns * _ON_THE_WAY > len(points):
            break
        sample = slice(0, max(_LEAST, _PER_UNKNOWN * unknowns))
        solved = _without_strays(points[sample], rim[sample], knots, rounding_mm, enough=_SETTLED)
        scatter = solved.scatter_mm
        if stages and stages[-1][0] <= _ROUNDED * rounding_mm and scatter > _GAIN * stages[-1][0]:
            return stages[-1][1]
        stages.append((scatter, solved.knots))
        if len(stages) > _STAGES and scatter > _STALLED * stages[-1 - _STAGES][0]:
            break
        knots = _apart(_with_more(solved))
    enough = max(_ROUNDED * rounding_mm, _AS_CLOSE * min(s for s, _ in stages))
    return next(k for s, k in stages if s <= enough)


def _needed(solved: "_Solved", rounding_mm: float) -> Knots:
    """The knots without those, one by one, that points scatter no more without."""
    knots, enough = solved.knots, max(_ROUNDED * rounding_mm, _AS_CLOSE * solved.scatter_mm)
    for axis in (0, 1):
        for knot in solved.knots[axis]:
            fewer = list(knots)
            fewer[axis] = knots[axis][knots[axis] != knot]
            tried = _Solved.of(solved.points, (fewer[0], fewer[1]), solved.counts)
            if tried.scatter_mm <= enough:
                knots = tried.knots
    return knots


def _without_strays(points: Array, rim: BoolArray, knots: Knots, rounding_mm: float, *, enough: float) -> "_Solved":
    """On knots close to given ones; points of the rim count as if they were no farther off than others."""
    counts = np.ones(len(points))
    for _ in range(_ROUNDS):
        solved = _settled(_Solved.of(points, knots, counts), enough=enough)
        left, knots, before = solved.left_of(points), solved.knots, counts
        near = _STRAY * max(_rms(left[~rim]), rounding_mm)
        counts = np.where(rim, np.clip(near / np.maximum(np.abs(left), 1e-300), _HARDLY, 1.0), 1.0)
        if not ((before == 1.0) & (counts < 1.0)).any():
            break
    return solved


def _rms(left_mm: Array) -> float:
    return float(np.sqrt(np.mean(left_mm**2)))


def _tells(further: "_Solved", solved: "_Solved") -> bool:
    """Whether more knots bring the points that do not stray closer than as many unknowns of no meaning would."""
    near, spent = solved.counts == 1.0, further.weights.size - solved.weights.size
    gain = np.sum(solved.left_mm[near] ** 2) - np.sum(further.left_mm[near] ** 2)
    return bool(gain > _MEANING * spent * further.scatter_mm**2)


def _together(points: Array, left_mm: Array) -> float:
    """How many times as much sums over neighbouring points vary as sums of independent values, 1 at least."""
    across = max(int(np.sqrt(len(points) / _TOGETHER_POINTS)), 1)
    cell = np.minimum(((points[:, :2] + 1.0) * 0.5 * across).astype(int), across - 1)
    sums = np.bincount(cell[:, 0] * across + cell[:, 1], weights=left_mm)
    return max(float(sums @ sums / (left_mm @ left_mm)), 1.0)


@dataclass(frozen=True, kw_only=True)
class _Solved:
    """Least squares on given knots.

    Attributes
    ----------
    points : (N, 3) x and y in -1..1, z in mm.
    counts : (N,) roots of the points' weights.
    knots : see `Knots`.
    axes : the basis on them.
    basis : (N, M) its values at the points, times `counts`.
    factor : Cholesky factor of the normal matrix.
    weights : (nx, ny) coefficients, mm.
    left_mm : (N,) heights less the spline's, times `counts`.
    """

    points: Array
    counts: Array
    knots: Knots
    axes: tuple[SplineAxis, SplineAxis]
    basis: sparse.csr_matrix
    factor: tuple[Array, bool]
    weights: Array
    left_mm: Array

    @classmethod
    def of(cls, points: Array, knots: Knots, counts: Array) -> "_Solved":
        axes = _axis(knots[0]), _axis(knots[1])
        basis = sparse.diags_array(counts) @ design_matrix(axes, points[:, 0], points[:, 1])
        normal = (basis.T @ basis).toarray()
        normal.flat[:: len(normal) + 1] += _RIDGE * np.trace(normal) / len(normal)
        factor = linalg.cho_factor(normal, check_finite=False)
        heights = counts * points[:, 2]
        weights, left = np.zeros(len(normal)), heights
        for _ in range(3):  # normal equations square the condition number
            weights = weights + linalg.cho_solve(factor, basis.T @ left, check_finite=False)
            left = heights - basis @ weights
        return cls(
            points=points,
            counts=counts,
            knots=knots,
            axes=axes,
            basis=basis,
            factor=factor,
            weights=weights.reshape(axes[0].count, axes[1].count),
            left_mm=left,
        )

    @property
    def sum_of_squares(self) -> float:
        """Of what is left, mm^2."""
        return float(self.left_mm @ self.left_mm)

    @property
    def scatter_mm(self) -> float:
        """1-sigma of a point that does not stray, the unknowns counted."""
        unknowns = self.weights.size + len(self.knots[0]) + len(self.knots[1])
        near = self.left_mm[self.counts == 1.0]
        return float(np.sqrt(near @ near / max(len(near) - unknowns, 1)))

    def left_of(self, points: Array) -> Array:
        """(N,) heights of other points less the spline's."""
        spline = KnotSpline(axes=self.axes, coefficients_mm=self.weights)
        return np.asarray(points[:, 2] - spline.value(points[:, 0], points[:, 1]))

    def spline(self, middle_mm: Array, half_mm: Array) -> KnotSpline:
        """The same over x and y in mm."""
        axes = [_axis(k, m, h) for k, m, h in zip(self.knots, middle_mm, half_mm, strict=True)]
        return KnotSpline(axes=(axes[0], axes[1]), coefficients_mm=self.weights)

    def free(self, columns: Array) -> Array:
        """(N, K) what of columns no coefficients can follow."""
        return columns - self.basis @ linalg.cho_solve(self.factor, self.basis.T @ columns, check_finite=False)

    @cached_property
    def by_knots(self) -> Array:
        """(N, K) derivatives of the heights by the places of the knots, those along x first, times `counts`; mm."""
        return self.counts[:, None] * self._by_knots(self.points[:, :2], (0, 0))

    def _by_knots(self, at: Array, order: tuple[int, int]) -> Array:
        """(N, K) the same at other places (N, 2), or its derivatives by x or y; what is behind a knot goes along."""
        found = []
        for axis, weights in ((0, self.weights), (1, self.weights.T)):
            jumps = self.axes[axis].jumps() @ weights
            first, *basis = self.axes[1 - axis].basis(at[:, 1 - axis])
            near = jumps[:, first[:, None] + np.arange(_DEGREE + 1)]
            jump = np.einsum("knj,nj->nk", near, basis[order[1 - axis]])
            behind = np.maximum(at[:, axis, None] - self.knots[axis], 0.0)
            found.append(-jump * (behind if order[axis] else 0.5 * behind**2))
        return np.concatenate(found, axis=1)

    def moved(self, by: Array) -> "_Solved":
        """On knots that are moved by (K,), none of them past another."""
        counts = len(self.knots[0])
        moved = []
        for knots, wanted in zip(self.knots, (by[:counts], by[counts:]), strict=True):
            gaps = np.diff(knots, prepend=-1.0, append=1.0)
            room = np.minimum(_FARTHEST * gaps, np.maximum(0.5 * (gaps - _APART_STILL), 0.0))
            moved.append(knots + np.clip(wanted, -room[:-1], room[1:]))
        return _Solved.of(self.points, (moved[0], moved[1]), self.counts)

    def slope_variance(self, at: Array, half_mm: Array) -> Array:
        """(K,) mean variance of both slopes, per mm, at places (K, 2) for unit variance of a point."""
        covariance = linalg.cho_solve(self.factor, np.eye(self.weights.size), check_finite=False)
        follow = covariance @ (self.basis.T @ self.by_knots)
        free = self.free(self.by_knots)
        gaps = [np.diff(k, prepend=-1.0, append=1.0) for k in self.knots]
        room = np.concatenate([np.minimum(g[:-1], g[1:]) for g in gaps])  # one that does nothing is there somewhere
        places = linalg.pinvh(free.T @ free + np.diag((self.scatter_mm / room) ** 2))
        total = np.zeros(len(at))
        for axis, order in enumerate(((1, 0), (0, 1))):
            slope = design_matrix(self.axes, at[:, 0], at[:, 1], nux=order[0], nuy=order[1])
            own, each = (part.reshape(len(at), -1) for part in (slope.indices, slope.data))
            variance = np.einsum("ni,nij,nj->n", each, covariance[own[:, :, None], own[:, None, :]], each)
            moves = self._by_knots(at, order) - slope @ follow
            total += (variance + np.sum((moves @ places) * moves, axis=1)) / half_mm[axis] ** 2
        return 0.5 * total


def _axis(knots: Array, middle: float = 0.0, half: float = 1.0) -> SplineAxis:
    ends = np.ones(_DEGREE + 1)
    whole = np.concatenate([-ends, knots, ends])
    return SplineAxis.of(middle + half * whole, len(knots) + _DEGREE + 1)


def _settled(solved: _Solved, *, enough: float) -> _Solved:
    """On knots nearby that leave least (Levenberg 1944, Marquardt 1963), or until a step leaves more than `enough`."""
    damping = 1e-3
    for _ in range(_STEPS if solved.by_knots.size else 0):
        free = solved.free(solved.by_knots)
        size = np.linalg.norm(free, axis=0) + 1e-300
        free /= size
        normal, right = free.T @ free, free.T @ solved.left_mm
        for _ in range(_TRIES):
            tried = solved.moved(np.linalg.solve(normal + damping * np.eye(len(normal)), right) / size)
            if tried.sum_of_squares < solved.sum_of_squares:
                break
            damping *= 10.0
        else:
            return solved
        damping = max(0.1 * damping, 1e-9)
        done = tried.sum_of_squares > enough * solved.sum_of_squares
        solved = tried
        if done:
            break
    return solved


def _with_more(solved: _Solved) -> Knots:
    """With one more knot where it takes away most of what is left, and one along the other axis if nearly as much."""
    best = []
    for axis in (0, 1):
        places = (np.arange(_PLACES) + 0.5) / _PLACES * 2.0 - 1.0
        taken = np.concatenate([[-1.0], solved.knots[axis], [1.0]])
        cell = np.searchsorted(taken, places)
        at = np.sort(solved.points[solved.counts == 1.0, axis])
        before, here, after = (np.searchsorted(at, p) for p in (taken[cell - 1], places, taken[cell]))
        # functions that no points decide do away with anything
        places = places[np.minimum(here - before, after - here) >= solved.axes[1 - axis].count]
        gains = _gains(solved, axis, places)
        best.append((float(gains.max()), float(places[gains.argmax()])) if len(places) else (0.0, 0.0))
    most = max(gain for gain, _ in best)
    added = [
        np.sort(np.append(knots, place)) if gain > 0.0 and gain >= _ALSO * most else knots
        for knots, (gain, place) in zip(solved.knots, best, strict=True)
    ]
    return added[0], added[1]


def _apart(knots: Knots) -> Knots:
    """Without those that have run into another or out of the face."""
    x, y = (k[(np.diff(k, prepend=-1.0) > _TOO_NEAR) & (np.abs(k) < 1.0 - _AT_RIM)] for k in knots)
    return x, y


def _gains(solved: _Solved, axis: int, places: Array) -> Array:
    """(K,) by how much the sum of squares would fall by a knot at each of some places, mm^2."""
    count = solved.axes[1 - axis].count
    first, near, _ = solved.axes[1 - axis].basis(solved.points[:, 1 - axis])
    across = np.zeros((len(first), count))
    np.put_along_axis(across, first[:, None] + np.arange(_DEGREE + 1), solved.counts[:, None] * near, axis=1)
    behind = np.maximum(solved.points[:, axis, None] - places, 0.0) ** 3
    free = solved.free((behind[:, :, None] * across[:, None]).reshape(len(first), -1))
    gains = []
    for columns in np.split(free, len(places), axis=1):
        normal, right = columns.T @ columns, columns.T @ solved.left_mm
        normal.flat[:: count + 1] += _OPEN * np.trace(normal) / count + _RIDGE
        gains.append(right @ np.linalg.solve(normal, right))
    return np.array(gains)
