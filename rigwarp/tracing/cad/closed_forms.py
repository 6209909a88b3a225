"""Which closed form a face's vertices lie on: sphere, cylinder, cone, or a conic of revolution about any axis.

All are quadrics p Q p = 0 with p = (x, y, z, 1). Distances are exact for sphere, cylinder and cone; a conic's are those
to first order, F / |grad F| (Taubin 1991, IEEE PAMI 13, 1115).
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.optimize import least_squares

from rigwarp.geometry import Array

Kind = Literal["sphere", "cylinder", "cone", "conic"]
_Form = tuple[Array, Array, Array, float, float]  # quadric, point of the axis, axis, radius, conic constant
_MOST_POINTS = 2000
POINTS_PER_UNKNOWN = 3  # two folded panels have six corners, and a cylinder through them
_AS_CLOSE = 1.2  # times the least residual: more unknowns always find a little less
_AXES = np.eye(3)
CLOSE_SHARE = 1e-6
"""Of a face's size, how far points may stray from what they are said to lie on: bends light by 4e-6 rad."""


@dataclass(frozen=True, kw_only=True)
class ClosedForm:
    """A closed form that was fitted.

    Attributes
    ----------
    kind : which.
    quadric : (4, 4) symmetric; positive outside (on the convex side).
    axis_point_mm, axis : (3,) sphere: its centre; cylinder: a point of its axis; cone: its apex; conic: its vertex;
        and the unit direction of the axis, from the vertex or apex into the hollow.
    radius_mm : of the sphere or cylinder, or the conic's radius of curvature at its vertex; NaN for a cone.
    conic_constant : 0 for a sphere, NaN for cylinder and cone.
    residual_rms_mm : of the points about it, corrected for the unknowns.
    unknowns : how many.
    """

    kind: Kind
    quadric: Array
    axis_point_mm: Array
    axis: Array
    radius_mm: float
    conic_constant: float
    residual_rms_mm: float
    unknowns: int


def closed_form(
    points_mm: Array,
    normals: Array,
    *,
    within_mm: float,
    kinds: tuple[Kind, ...] = ("sphere", "cylinder", "cone"),
    per_unknown: int = POINTS_PER_UNKNOWN,
) -> ClosedForm | None:
    """The simplest closed form that the points lie on.

    Parameters
    ----------
    points_mm : (N, 3)
    normals : (M, 3) about normal to the surface, of any length (area vectors of triangles).
    within_mm : how far they may stray from it, rms.
    kinds : which may be tried, the simplest first.
    per_unknown : points that must be there for each unknown.
    """
    fits = _fits(points_mm, normals, kinds, per_unknown)
    return next((form for form in fits if form.residual_rms_mm <= within_mm), None)


def nearest_form(points_mm: Array, normals: Array) -> ClosedForm | None:
    """The simplest form that comes as close to the points as any does; None where none can be fitted."""
    found = list(_fits(points_mm, normals, tuple(_FITS), POINTS_PER_UNKNOWN))
    least = max(
        _AS_CLOSE * min((form.residual_rms_mm for form in found), default=0.0),
        CLOSE_SHARE * float(np.ptp(points_mm, axis=0).max()),
    )
    return next((form for form in found if form.residual_rms_mm <= least), None)


def _fits(points_mm: Array, normals: Array, kinds: Sequence[Kind], per_unknown: int) -> Iterator[ClosedForm]:
    """The closest form of each kind for which the points are enough, worked out in units of their extent."""
    centre, size = points_mm.mean(axis=0), float(np.ptp(points_mm, axis=0).max())
    p = ((points_mm - centre) / size)[:: max(1, len(points_mm) // _MOST_POINTS)]
    back = np.eye(4)
    back[:3, :3] /= size
    back[:3, 3] = -centre / size
    for kind in kinds:
        distances, starts, built, unknowns = _FITS[kind]
        if len(p) < per_unknown * unknowns:
            continue
        exact: dict[str, Any] = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15, "max_nfev": 200}
        tried = [
            least_squares(distances, start, args=(p,), jac="3-point", x_scale="jac", **exact)
            for start in starts(p, normals)
            if np.isfinite(start).all()
        ]
        if not tried:
            continue
        best = min(tried, key=lambda found: float(found.cost))
        quadric, point, axis, radius, conic_constant = built(best.x)
        yield ClosedForm(
            kind=kind,
            quadric=back.T @ quadric @ back,
            axis_point_mm=centre + size * point,
            axis=axis,
            radius_mm=size * radius,
            conic_constant=conic_constant,
            residual_rms_mm=size * float(np.sqrt(2.0 * best.cost / (len(p) - unknowns))),
            unknowns=unknowns,
        )


def _quadric(M: Array, b: Array, c: float) -> Array:
    Q = np.empty((4, 4))
    Q[:3, :3], Q[:3, 3], Q[3, :3], Q[3, 3] = M, b, b, c
    return Q


def _across(axis: Array) -> Array:
    """(3, 2) two directions at right angles to an axis and to each other."""
    first = np.cross(axis, _AXES[int(np.argmin(np.abs(axis)))])
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(axis, first)], axis=1)


def _sphere_distances(v: Array, p: Array) -> Array:
    return np.linalg.norm(p - v[:3], axis=1) - v[3]


def _round(p: Array) -> tuple[Array, float]:
    """Centre and radius of the circle or sphere to which points (N, d) are closest, by the squares of distances."""
    solved = np.linalg.lstsq(np.column_stack([2.0 * p, np.ones(len(p))]), np.sum(p * p, axis=1), rcond=None)[0]
    return solved[:-1], float(np.sqrt(max(solved[-1] + solved[:-1] @ solved[:-1], 0.0)))


def _sphere_starts(p: Array, normals: Array) -> Iterator[Array]:
    del normals
    yield np.append(*_round(p))


def _sphere(v: Array) -> _Form:
    centre, radius = v[:3], abs(float(v[3]))
    return _quadric(np.eye(3), -centre, float(centre @ centre) - radius**2), centre, _AXES[2], radius, 0.0


# cylinder, cone and conic: the axis (3, of any length), then a point of it, the apex or the vertex (3), then numbers
def _cylinder_distances(v: Array, p: Array) -> Array:
    axis, away = v[:3] / np.linalg.norm(v[:3]), p - v[3:6]
    away = away - (away @ axis)[:, None] * axis
    return np.linalg.norm(away, axis=1) - v[6]


def _gauss_axis(normals: Array, *, centred: bool) -> Array:
    """(3,) direction to which all normals are at right angles (or, `centred`, at one angle)."""
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    unit = normals / np.maximum(length, 1e-300)
    if centred:
        unit = unit - np.sum(unit * length, axis=0) / length.sum()
    return np.asarray(np.linalg.eigh((unit * length).T @ unit)[1][:, 0])


def _cylinder_starts(p: Array, normals: Array) -> Iterator[Array]:
    axis = _gauss_axis(normals, centred=False)
    across = _across(axis)
    centre, radius = _round(p @ across)
    yield np.concatenate([axis, across @ centre, [radius]])


def _cylinder(v: Array) -> _Form:
    axis, point, radius = v[:3] / np.linalg.norm(v[:3]), v[3:6], abs(float(v[6]))
    point = point - (point @ axis) * axis
    M = np.eye(3) - np.outer(axis, axis)
    return _quadric(M, -M @ point, point @ M @ point - radius**2), point, axis, radius, np.nan


def _cone_distances(v: Array, p: Array) -> Array:
    axis, away = v[:3] / np.linalg.norm(v[:3]), p - v[3:6]
    along = away @ axis
    across = np.linalg.norm(away - along[:, None] * axis, axis=1)
    return across * np.cos(v[6]) - along * np.sin(v[6])


def _cone_starts(p: Array, normals: Array) -> Iterator[Array]:
    unit = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    axis = _gauss_axis(normals, centred=True)
    # across^2 = tan^2 (h - h0)^2 about this axis, the angle from the normals: two circles alone leave it open
    tangent = np.tan(np.arcsin(min(abs(float(np.mean(unit @ axis))), 0.999)))
    if tangent == 0.0:
        return
    across = _across(axis)
    x, y, h = p @ across[:, 0], p @ across[:, 1], p @ axis
    columns = np.column_stack([2.0 * x, 2.0 * y, h, np.ones(len(p))])
    x0, y0, slope, _ = np.linalg.lstsq(columns, x * x + y * y - (tangent * h) ** 2, rcond=None)[0]
    apex_h = -0.5 * slope / tangent**2
    apex = across @ np.array([x0, y0]) + apex_h * axis
    yield np.concatenate([axis if np.mean(h) > apex_h else -axis, apex, [np.arctan(tangent)]])


def _cone(v: Array) -> _Form:
    axis, apex, half = v[:3] / np.linalg.norm(v[:3]), v[3:6], float(v[6])
    M = np.eye(3) - np.outer(axis, axis) / np.cos(half) ** 2
    return _quadric(M, -M @ apex, apex @ M @ apex), apex, axis, np.nan, np.nan


def _conic_parts(v: Array) -> tuple[Array, Array, Array, float, float]:
    """Axis, vertex, matrix and curvature: c |q|^2 + c k h^2 = 2 h, with q from the vertex and h along the axis."""
    axis = v[:3] / np.linalg.norm(v[:3])
    return axis, v[3:6], np.eye(3) + v[7] * np.outer(axis, axis), float(v[6]), float(v[7])


def _conic_distances(v: Array, p: Array) -> Array:
    axis, vertex, M, curvature, _ = _conic_parts(v)
    q = p - vertex
    value = curvature * np.sum(q @ M * q, axis=1) - 2.0 * (q @ axis)
    slope = 2.0 * curvature * (q @ M) - 2.0 * axis
    return value / np.linalg.norm(slope, axis=1)


def _conic_starts(p: Array, normals: Array) -> Iterator[Array]:
    """From the two axes that a linear fit about fixed directions likes best."""
    mean = normals.sum(axis=0)
    tried = []
    for axis in (*_AXES, mean / np.linalg.norm(mean)):
        across = _across(axis)
        x, y, h = p @ across[:, 0], p @ across[:, 1], p @ axis
        columns = np.column_stack([2.0 * x, 2.0 * y, -h * h, h, np.ones(len(p))])
        solved, *_ = np.linalg.lstsq(columns, x * x + y * y, rcond=None)
        misfit = float(np.linalg.norm(columns @ solved - x * x - y * y))
        x0, y0, one_k, two_r, c = solved
        # (1 + k) h^2 - 2 R h = C': the vertex is the root next to the points
        c = c + x0 * x0 + y0 * y0
        roots = np.roots([one_k, -two_r, -c]) if abs(one_k) > 1e-9 else np.array([-c / two_r])
        roots = roots[np.isreal(roots)].real
        if len(roots) == 0:
            continue
        h0 = float(roots[np.argmin(np.abs(roots - h.mean()))])
        radius = 0.5 * two_r - one_k * h0
        if radius != 0.0:
            vertex = across @ np.array([x0, y0]) + h0 * axis
            tried.append((misfit, np.concatenate([axis, vertex, [1.0 / radius, one_k - 1.0]])))
    for _, start in sorted(tried, key=lambda t: t[0])[:2]:
        yield start


def _conic(v: Array) -> _Form:
    axis, vertex, M, curvature, k = _conic_parts(v)
    if curvature < 0.0:
        axis, curvature = -axis, -curvature
    Q = _quadric(
        curvature * M, -curvature * (M @ vertex) - axis, float(curvature * (vertex @ M @ vertex) + 2.0 * axis @ vertex)
    )
    return Q, vertex, axis, 1.0 / curvature if curvature else np.inf, k


_FITS: dict[
    Kind,
    tuple[Callable[[Array, Array], Array], Callable[[Array, Array], Iterator[Array]], Callable[[Array], _Form], int],
] = {
    "sphere": (_sphere_distances, _sphere_starts, _sphere, 4),
    "cylinder": (_cylinder_distances, _cylinder_starts, _cylinder, 5),
    "cone": (_cone_distances, _cone_starts, _cone, 6),
    "conic": (_conic_distances, _conic_starts, _conic, 7),
}
