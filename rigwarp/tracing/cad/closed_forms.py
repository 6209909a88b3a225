"""Which closed form a face's vertices lie on: sphere, cylinder, cone, or a conic of revolution about any axis.

All are quadrics p Q p = 0 with p = (x, y, z, 1). Distances are exact for sphere, cylinder and cone; a conic's are those
to first order, F / |grad F| (Taubin 1991, IEEE PAMI 13, 1115).
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import least_squares

from rigwarp.geometry import Array

Kind = Literal["sphere", "cylinder", "cone", "conic"]
_MOST_POINTS = 2000
_POINTS_PER_UNKNOWN = 3  # two folded panels have six corners, and a cylinder through them
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
    per_unknown: int = _POINTS_PER_UNKNOWN,
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
    centre, size = points_mm.mean(axis=0), float(np.ptp(points_mm, axis=0).max())
    unit = (points_mm - centre) / size
    chosen = unit[:: max(1, len(unit) // _MOST_POINTS)]
    for kind in kinds:
        found = _fit(kind, chosen, normals, per_unknown)
        if found is not None and found.residual_rms_mm * size <= within_mm:
            return _placed(found, centre, size)
    return None


def nearest_form(points_mm: Array, normals: Array) -> ClosedForm | None:
    """The simplest form that comes as close to the points as any does; None where none can be fitted."""
    centre, size = points_mm.mean(axis=0), float(np.ptp(points_mm, axis=0).max())
    unit = ((points_mm - centre) / size)[:: max(1, len(points_mm) // _MOST_POINTS)]
    found = [f for kind in _FITS if (f := _fit(kind, unit, normals)) is not None]
    if not found:
        return None
    least = max(_AS_CLOSE * min(f.residual_rms_mm for f in found), CLOSE_SHARE)
    return _placed(next(f for f in found if f.residual_rms_mm <= least), centre, size)


def _placed(form: ClosedForm, centre: Array, size: float) -> ClosedForm:
    """A form in units of `size` about `centre`, in mm."""
    back = np.eye(4)
    back[:3, :3] /= size
    back[:3, 3] = -centre / size
    return ClosedForm(
        kind=form.kind,
        quadric=back.T @ form.quadric @ back,
        axis_point_mm=centre + size * form.axis_point_mm,
        axis=form.axis,
        radius_mm=size * form.radius_mm,
        conic_constant=form.conic_constant,
        residual_rms_mm=size * form.residual_rms_mm,
        unknowns=form.unknowns,
    )


def _quadric(M: Array, b: Array, c: float) -> Array:
    Q = np.empty((4, 4))
    Q[:3, :3], Q[:3, 3], Q[3, :3], Q[3, 3] = M, b, b, c
    return Q


def _fit(kind: Kind, p: Array, normals: Array, per_unknown: int = _POINTS_PER_UNKNOWN) -> ClosedForm | None:
    distances, starts, built, unknowns = _FITS[kind]
    if len(p) < per_unknown * unknowns:
        return None
    best, least = None, np.inf
    for start in starts(p, normals):
        if not np.isfinite(start).all():
            continue
        found = least_squares(
            distances, start, args=(p,), jac="3-point", x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=200
        )
        if found.cost < least:
            best, least = found.x, found.cost
    if best is None:
        return None
    return built(best, float(np.sqrt(2.0 * least / (len(p) - unknowns))))


def _across(axis: Array) -> Array:
    """(3, 2) two directions at right angles to an axis and to each other."""
    first = np.cross(axis, _AXES[int(np.argmin(np.abs(axis)))])
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(axis, first)], axis=1)


def _sphere_distances(v: Array, p: Array) -> Array:
    return np.linalg.norm(p - v[:3], axis=1) - v[3]


def _sphere_starts(p: Array, normals: Array) -> Iterator[Array]:
    del normals
    solved = np.linalg.lstsq(np.column_stack([2.0 * p, np.ones(len(p))]), np.sum(p * p, axis=1), rcond=None)[0]
    yield np.append(solved[:3], np.sqrt(max(solved[3] + solved[:3] @ solved[:3], 0.0)))


def _sphere(v: Array, rms: float) -> ClosedForm:
    centre, radius = v[:3], abs(float(v[3]))
    return ClosedForm(
        kind="sphere",
        quadric=_quadric(np.eye(3), -centre, float(centre @ centre) - radius**2),
        axis_point_mm=centre,
        axis=_AXES[2],
        radius_mm=radius,
        conic_constant=0.0,
        residual_rms_mm=rms,
        unknowns=4,
    )


# cylinder, cone and conic: the axis (3, of any length), then a point of it, the apex or the vertex (3), then numbers
def _cylinder_distances(v: Array, p: Array) -> Array:
    axis, away = v[:3] / np.linalg.norm(v[:3]), p - v[3:6]
    away = away - (away @ axis)[:, None] * axis
    return np.linalg.norm(away, axis=1) - v[6]


def _gauss_axes(normals: Array, *, centred: bool) -> Iterator[Array]:
    """Directions to which all normals are at right angles (or, `centred`, at one angle)."""
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    unit = normals / np.maximum(length, 1e-300)
    if centred:
        unit = unit - np.sum(unit * length, axis=0) / length.sum()
    yield np.linalg.eigh((unit * length).T @ unit)[1][:, 0]


def _cylinder_starts(p: Array, normals: Array) -> Iterator[Array]:
    for axis in _gauss_axes(normals, centred=False):
        across = _across(axis)
        flat = p @ across
        solved = np.linalg.lstsq(np.column_stack([2.0 * flat, np.ones(len(p))]), np.sum(flat**2, axis=1), rcond=None)[0]
        radius = np.sqrt(max(solved[2] + solved[:2] @ solved[:2], 0.0))
        yield np.concatenate([axis, across @ solved[:2], [radius]])


def _cylinder(v: Array, rms: float) -> ClosedForm:
    axis, point, radius = v[:3] / np.linalg.norm(v[:3]), v[3:6], abs(float(v[6]))
    point = point - (point @ axis) * axis
    M = np.eye(3) - np.outer(axis, axis)
    return ClosedForm(
        kind="cylinder",
        quadric=_quadric(M, -M @ point, point @ M @ point - radius**2),
        axis_point_mm=point,
        axis=axis,
        radius_mm=radius,
        conic_constant=np.nan,
        residual_rms_mm=rms,
        unknowns=5,
    )


def _cone_distances(v: Array, p: Array) -> Array:
    axis, away = v[:3] / np.linalg.norm(v[:3]), p - v[3:6]
    along = away @ axis
    across = np.linalg.norm(away - along[:, None] * axis, axis=1)
    return across * np.cos(v[6]) - along * np.sin(v[6])


def _cone_starts(p: Array, normals: Array) -> Iterator[Array]:
    unit = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    for axis in _gauss_axes(normals, centred=True):
        # across^2 = tan^2 (h - h0)^2 about this axis, the angle from the normals: two circles alone leave it open
        tangent = np.tan(np.arcsin(min(abs(float(np.mean(unit @ axis))), 0.999)))
        across = _across(axis)
        x, y, h = p @ across[:, 0], p @ across[:, 1], p @ axis
        columns = np.column_stack([2.0 * x, 2.0 * y, h, np.ones(len(p))])
        x0, y0, slope, _ = np.linalg.lstsq(columns, x * x + y * y - (tangent * h) ** 2, rcond=None)[0]
        if tangent == 0.0:
            continue
        apex_h = -0.5 * slope / tangent**2
        apex = across @ np.array([x0, y0]) + apex_h * axis
        yield np.concatenate([axis if np.mean(h) > apex_h else -axis, apex, [np.arctan(tangent)]])


def _cone(v: Array, rms: float) -> ClosedForm:
    axis, apex, half = v[:3] / np.linalg.norm(v[:3]), v[3:6], float(v[6])
    M = np.eye(3) - np.outer(axis, axis) / np.cos(half) ** 2
    return ClosedForm(
        kind="cone",
        quadric=_quadric(M, -M @ apex, apex @ M @ apex),
        axis_point_mm=apex,
        axis=axis,
        radius_mm=np.nan,
        conic_constant=np.nan,
        residual_rms_mm=rms,
        unknowns=6,
    )


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


def _conic(v: Array, rms: float) -> ClosedForm:
    axis, vertex, M, curvature, k = _conic_parts(v)
    if curvature < 0.0:
        axis, curvature = -axis, -curvature
    Q = _quadric(
        curvature * M, -curvature * (M @ vertex) - axis, float(curvature * (vertex @ M @ vertex) + 2.0 * axis @ vertex)
    )
    return ClosedForm(
        kind="conic",
        quadric=Q,
        axis_point_mm=vertex,
        axis=axis,
        radius_mm=1.0 / curvature if curvature else np.inf,
        conic_constant=k,
        residual_rms_mm=rms,
        unknowns=7,
    )


_Distances = Callable[[Array, Array], Array]
_Starts = Callable[[Array, Array], Iterator[Array]]
_Built = Callable[[Array, float], ClosedForm]
_FITS: dict[Kind, tuple[_Distances, _Starts, _Built, int]] = {
    "sphere": (_sphere_distances, _sphere_starts, _sphere, 4),
    "cylinder": (_cylinder_distances, _cylinder_starts, _cylinder, 5),
    "cone": (_cone_distances, _cone_starts, _cone, 6),
    "conic": (_conic_distances, _conic_starts, _conic, 7),
}
