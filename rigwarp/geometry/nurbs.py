"""Rational B-spline surfaces (NURBS) as CAD files hold them: points and tangents, exactly.

Piegl and Tiller (1997), The NURBS Book, 2nd ed., sections 4.4 and 6.1.
"""

from dataclasses import dataclass
from functools import cached_property
from math import factorial

import numpy as np

from rigwarp.geometry.arrays import Array, IntArray

_CHUNK = 4096  # points evaluated at a time: keeps the gathered poles in the processor's cache


@dataclass(frozen=True, kw_only=True)
class Nurbs:
    """S(u, v) = sum_ij B_i(u) B_j(v) w_ij P_ij / sum_ij B_i(u) B_j(v) w_ij.

    Attributes
    ----------
    poles : (nu, nv, 4) homogeneous: (w x, w y, w z, w), mm.
    knots_u, knots_v : (nu + degree + 1,), (nv + degree + 1,)
        Clamped or not, every knot as often as its multiplicity says.

    Notes
    -----
    Beyond the domain each basis function is continued by its second-order Taylor polynomial, as `HeightSpline` does it.
    """

    poles: Array
    knots_u: Array
    knots_v: Array

    def moved(self, T: Array) -> "Nurbs":
        """The same surface in another frame: T (4, 4) takes today's coordinates there."""
        return Nurbs(poles=self.poles @ T.T, knots_u=self.knots_u, knots_v=self.knots_v)

    def point_and_tangents(self, u: Array, v: Array) -> tuple[Array, Array, Array]:
        """(N, 3) points at parameters (N,), and (N, 3) their derivatives by u and by v; NaN where u or v is."""
        found = np.full((3, len(u), 3), np.nan)
        known = np.flatnonzero(np.isfinite(u) & np.isfinite(v))
        for begin in range(0, len(known), _CHUNK):
            part = known[begin : begin + _CHUNK]
            found[:, part] = self._evaluated(u[part], v[part])
        return found[0], found[1], found[2]

    def _evaluated(self, u: Array, v: Array) -> Array:
        first_u, bu, du = self._axes[0].basis(u)
        first_v, bv, dv = self._axes[1].basis(v)
        rows = first_u[:, None] + np.arange(bu.shape[1])
        columns = first_v[:, None] + np.arange(bv.shape[1])
        near = self.poles[rows[:, :, None], columns[:, None, :]]
        by_v, slope_v = np.einsum("nj,nijc->nic", bv, near), np.einsum("nj,nijc->nic", dv, near)
        whole, by_u, along_v = (np.einsum("ni,nic->nc", b, c) for b, c in ((bu, by_v), (du, by_v), (bu, slope_v)))
        weight = whole[:, 3:]
        point = whole[:, :3] / weight
        return np.stack([point, *((d[:, :3] - d[:, 3:] * point) / weight for d in (by_u, along_v))])

    @cached_property
    def _axes(self) -> tuple["SplineAxis", "SplineAxis"]:
        return SplineAxis.of(self.knots_u, self.poles.shape[0]), SplineAxis.of(self.knots_v, self.poles.shape[1])


@dataclass(frozen=True, kw_only=True)
class SplineAxis:
    """B-splines along one parameter: span by span, those that are not 0 there as polynomials from its start on.

    `breaks` (S + 1,); `first` (S,) number of each span's first function; `powers` (S, degree + 1 functions, degree + 1
    powers, the lowest first).
    """

    breaks: Array
    first: IntArray
    powers: Array

    @classmethod
    def of(cls, knots: Array, count: int) -> "SplineAxis":
        from scipy.interpolate import BSpline  # a fifth of a second, and only CAD faces need it

        degree = len(knots) - count - 1
        spans = degree + np.flatnonzero(np.diff(knots[degree : count + 1]) > 0.0)
        own = spans[:, None] - degree + np.arange(degree + 1)
        basis = BSpline(knots, np.eye(count), degree)
        taylor = [
            basis(knots[spans], nu=n)[np.arange(len(spans))[:, None], own] / factorial(n) for n in range(degree + 1)
        ]
        powers = np.stack(taylor, axis=-1)
        return cls(breaks=np.append(knots[spans], knots[spans[-1] + 1]), first=spans - degree, powers=powers)

    @property
    def count(self) -> int:
        """Of the functions."""
        return int(self.first[-1]) + self.powers.shape[1]

    def jumps(self) -> Array:
        """(S - 1, count) by how much each function's highest derivative jumps where two spans meet."""
        degree = self.powers.shape[1] - 1
        highest = np.zeros((len(self.first), self.count))
        highest[np.arange(len(self.first))[:, None], self.first[:, None] + np.arange(degree + 1)] = self.powers[..., -1]
        return np.asarray(factorial(degree) * np.diff(highest, axis=0))

    def basis(self, at: Array) -> tuple[IntArray, Array, Array]:
        """(N,) number of the first function that is not 0, and (N, degree + 1) values and derivatives from it on."""
        inside = np.clip(at, self.breaks[0], self.breaks[-1])
        span = np.clip(np.searchsorted(self.breaks, inside, side="right") - 1, 0, len(self.first) - 1)
        step, beyond = (inside - self.breaks[span])[:, None], (at - inside)[:, None]
        coefficients = self.powers[span]
        value, slope, bend = (_derivative(coefficients, step, order) for order in range(3))
        return (
            self.first[span],
            value + beyond * (slope + 0.5 * beyond * bend),
            slope + beyond * bend,
        )


def _derivative(coefficients: Array, step: Array, order: int) -> Array:
    """(N, functions) derivative of polynomials (N, functions, powers) at steps (N, 1), by Horner's scheme."""
    total = np.zeros(coefficients.shape[:2])
    for power in range(coefficients.shape[2] - 1, order - 1, -1):
        factor = np.prod(np.arange(power - order + 1, power + 1)) if order else 1.0
        total = total * step + factor * coefficients[..., power]
    return total
