"""What a mirror from CAD is in closed form, as the [mirror] table of rig.toml would give it."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from rigwarp.geometry import Array, Placement
from rigwarp.geometry.frames import turn_of_z
from rigwarp.tracing.cad.closed_forms import CLOSE_SHARE, ClosedForm, nearest_form
from rigwarp.tracing.cad.tessellation import tessellate
from rigwarp.tracing.cad.welding import area_vectors
from rigwarp.tracing.surfaces.panel import FlatSurface, frame_on_plane
from rigwarp.tracing.surfaces.surface import Surface

_LENGTH_DIGITS, _ANGLE_DIGITS = 5, 7  # decimals of mm and degrees: 1e-5 mm at a metre from the vertex
_IN_RIM = 0.99  # of the radius where a sphere or ellipsoid turns vertical: a conic's opening ends before it


@dataclass(frozen=True, kw_only=True)
class FaceForm:
    """What one piece of mirror is.

    Attributes
    ----------
    zone : its number.
    kind : plane, sphere, cylinder, cone or conic; the closest of them, however far.
    radius_mm, conic_constant : as the mirror has them at its vertex; NaN where the kind has none.
    residual_rms_mm : of the traced face about it.
    """

    zone: int
    kind: str
    radius_mm: float
    conic_constant: float
    residual_rms_mm: float


@dataclass(frozen=True, kw_only=True)
class RecognisedMirror:
    """All faces, and the keys of [mirror] that say the same; None where [mirror] has no kind for such faces."""

    faces: tuple[FaceForm, ...]
    keys: dict[str, Any] | None


def recognise(surfaces: tuple[Surface, ...], mount: Placement) -> RecognisedMirror:
    """The closed forms nearest to the traced faces of a CAD mirror.

    The surfaces are asked, not the export's vertices: those of a bent sheet in strips lie on a sphere, too.

    Parameters
    ----------
    surfaces : of the traced model.
    mount : where the mirror's own frame is; that of a conic begins at its vertex instead.
    """
    found = [_Found.of(surface) for surface in surfaces]
    faces = tuple(
        FaceForm(
            zone=surface.zone,
            kind="plane" if one.form is None else one.form.kind,
            radius_mm=np.nan if one.form is None else one.form.radius_mm,
            conic_constant=np.nan if one.form is None else one.form.conic_constant,
            residual_rms_mm=one.residual_rms_mm,
        )
        for surface, one in zip(surfaces, found, strict=True)
    )
    first, panels = found[0].form, [_panel(one) for one in found]
    keys = {"kind": "facets", "facet": panels} if None not in panels else None
    if len(found) == 1 and first is not None and first.kind in ("sphere", "conic"):
        keys = _conic(first, found[0].points_mm, mount)
    return RecognisedMirror(faces=faces, keys=keys)


@dataclass(frozen=True, kw_only=True)
class _Found:
    """Points (N, 3) of a face, its mean normal (3,) on the reflecting side, and the nearest form; None for a plane."""

    points_mm: Array
    normal: Array
    form: ClosedForm | None
    residual_rms_mm: float

    @classmethod
    def of(cls, surface: Surface) -> "_Found":
        T, form = surface.T_mirror_from_surface, None
        if isinstance(surface, FlatSurface):
            points = surface.outline.edges_mm.reshape(-1, 2) @ T[:3, :2].T + T[:3, 3]
        else:
            mesh = tessellate(surface)
            points = mesh.vertices_mm[np.unique(mesh.faces)]
            form = nearest_form(points, area_vectors(mesh.vertices_mm, mesh.faces))
        off_plane_mm = float(np.sqrt(np.mean(((points - points.mean(axis=0)) @ T[:3, 2]) ** 2)))
        residual_rms_mm = off_plane_mm if form is None else form.residual_rms_mm
        return cls(points_mm=points, normal=T[:3, 2], form=form, residual_rms_mm=residual_rms_mm)


def _conic(form: ClosedForm, points_mm: Array, mount: Placement) -> dict[str, Any]:
    """A conic about its own axis; a sphere has its vertex in the middle of the face."""
    axis, vertex = form.axis, form.axis_point_mm
    if form.kind == "sphere":
        away = 0.5 * (points_mm.min(axis=0) + points_mm.max(axis=0)) - form.axis_point_mm
        axis = -away / np.linalg.norm(away)
        vertex = form.axis_point_mm - form.radius_mm * axis
    radius = form.radius_mm
    if axis[2] < 0.0:  # the new z axis is the one closer to the old
        axis, radius = -axis, -radius
    T = turn_of_z(axis)
    x, y, _ = ((points_mm - vertex) @ T).T
    outer = float(np.hypot(x, y).max())
    end = abs(radius) / np.sqrt(1.0 + form.conic_constant) if form.conic_constant > -1.0 else np.inf
    hull = ConvexHull(np.column_stack([x, y]))
    around = bool((hull.equations[:, 2] < 0.0).all())  # the axis passes through the face
    return {
        "kind": "conic",
        "radius_mm": _rounded(radius, _LENGTH_DIGITS),
        "conic_constant": _rounded(form.conic_constant, _ANGLE_DIGITS),
        "aperture_mm": _rounded([0.0 if around else np.hypot(x, y).min(), min(outer, _IN_RIM * end)], _LENGTH_DIGITS),
        "position_mm": _rounded(mount.to_table(vertex), _LENGTH_DIGITS),
        "rotation_deg": _rounded(
            Rotation.from_matrix(mount.rotation @ T).as_euler("ZYX", degrees=True)[::-1], _ANGLE_DIGITS
        ),
    }


def _panel(found: _Found) -> dict[str, Any] | None:
    """A flat panel by the corners around it, a bent one by those of the rectangle around it; None for others."""
    points, form = found.points_mm, found.form
    if form is None:
        T = frame_on_plane(points, found.normal)
        local = (points - T[:3, 3]) @ T[:3, :3]
        corners = _corners(local) @ T[:3, :3].T + T[:3, 3]
        return {"corners_mm": _rounded(corners, _LENGTH_DIGITS)}
    if form.kind != "cylinder":
        return None
    upright = found.normal - form.axis * (found.normal @ form.axis)
    upright /= np.linalg.norm(upright)
    R = np.stack([np.cross(form.axis, upright), form.axis, upright], axis=1)
    x, y, z = ((points - form.axis_point_mm) @ R).T
    hollow = 1.0 if z.mean() < 0.0 else -1.0  # the centre lies on the reflecting side
    corners = np.array([[x.min(), y.min()], [x.max(), y.min()], [x.max(), y.max()], [x.min(), y.max()]])
    height = -hollow * np.sqrt(form.radius_mm**2 - corners[:, 0] ** 2)
    return {
        "corners_mm": _rounded(np.column_stack([corners, height]) @ R.T + form.axis_point_mm, _LENGTH_DIGITS),
        "bend_radius_mm": _rounded(hollow * form.radius_mm, _LENGTH_DIGITS),
        "bend_axis": _rounded(form.axis, _ANGLE_DIGITS + 2),
    }


def _corners(points_mm: Array) -> Array:
    """(K, 3) those of (N, 3) points that the outline around all of them turns at; rounding makes no corners."""
    hull = points_mm[ConvexHull(points_mm[:, :2]).vertices]
    along = np.roll(hull, -1, axis=0)[:, :2] - np.roll(hull, 1, axis=0)[:, :2]
    away = hull[:, :2] - np.roll(hull, 1, axis=0)[:, :2]
    off = np.abs(along[:, 0] * away[:, 1] - along[:, 1] * away[:, 0]) / np.linalg.norm(along, axis=1)
    return np.asarray(hull[off > CLOSE_SHARE * np.ptp(hull, axis=0).max()])


def _rounded(values: Any, digits: int) -> Any:
    """Plain numbers for a file; no minus before a zero."""
    return (np.round(values, digits) + 0.0).tolist()
