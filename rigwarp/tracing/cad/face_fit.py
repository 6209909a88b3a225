"""The surface through a face's vertices: a plane, a closed form where triangles say too little, or a height field."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from rigwarp.geometry import Array, BoolArray, TriangleMesh
from rigwarp.tracing.cad.closed_forms import CLOSE_SHARE, POINTS_PER_UNKNOWN, Kind, closed_form
from rigwarp.tracing.cad.creases import turns
from rigwarp.tracing.cad.exact_faces import spline_of
from rigwarp.tracing.cad.own_axes import own_axes
from rigwarp.tracing.cad.patches import Patch
from rigwarp.tracing.cad.welding import Numbers, lengths
from rigwarp.tracing.surfaces.height_field import (
    PatchFit,
    SplineSurface,
    drawn_fit,
    fit_height,
    or_smoothest,
    spread_sample,
)
from rigwarp.tracing.surfaces.nurbs_surface import NurbsSurface
from rigwarp.tracing.surfaces.outline import Outline
from rigwarp.tracing.surfaces.panel import FlatSurface, frame_on_plane
from rigwarp.tracing.surfaces.quadric import QuadricSurface
from rigwarp.tracing.surfaces.spline_solve import BOW, KERNEL_MM
from rigwarp.tracing.surfaces.surface import Tessellation

_ROUNDINGS = 4.0  # vertices of a plane or another closed form stray from it by rounding alone
_STEEP = np.cos(np.deg2rad(45.0))  # to the mean plane: from there on a height field's cells serve badly
_RULINGS: tuple[Kind, ...] = ("cylinder", "cone")
_ANY: tuple[Kind, ...] = ("sphere", "cylinder", "cone", "conic")
_FEWEST_RULINGS = 5  # through fewer, curves of many kinds run
_ON_FIVE_RULINGS = 2  # points per unknown: a circle through five lines is confirmed by two of them
_TURNS_RAD = 1e-5  # two halves of one flat strip turn by less
_ON_RULING = (8, 40)  # points that stand for a ruling, at least and at most

_MOST_POINTS = 100_000  # fifty for each coefficient of the finest spline

FittedSurface = SplineSurface | NurbsSurface | FlatSurface | QuadricSurface


def patch_surface(
    patch: Patch,
    *,
    zone: int,
    rounding_mm: float,
    body: TriangleMesh | None = None,
) -> FittedSurface:
    """Fit the plain surface that a patch's vertices lie on, in the frame of its mean plane.

    `body` is the whole mesh. It may hold more points of the surface, and the CAD kernel's own faces: a patch that is
    one of these, and a spline, is not fitted at all; and its flat sides may tell along which axes a turned part was
    drawn.
    """
    on_surface_mm, exact = (None, None) if body is None else (body.on_surface_mm, body.exact)
    vectors = patch.area_vectors_mm2
    areas = vectors.sum(axis=0)
    points = patch.vertices_mm[patch.used]
    rim_only = on_surface_mm is None and len(points) == len(np.unique(patch.edges.border))
    rim = _at_rim(patch)
    if on_surface_mm is not None:
        between = on_surface_mm[patch.numbers].reshape(-1, 3)
        points = np.concatenate([points, between[np.isfinite(between[:, 0])]])
        order = np.lexsort(points.T)
        points, rim = points[order], np.append(rim, np.zeros(len(points) - len(rim), bool))[order]
    few = spread_sample(len(points), _MOST_POINTS)
    points, rim = points[few], rim[few]
    flat = _plane_through(points, areas / np.linalg.norm(areas))
    off = (points - flat[:3, 3]) @ flat[:3, 2]
    allowed, size = allowed_mm(patch, rounding_mm), np.ptp(points, axis=0).max()

    def made(
        kind: Callable[..., FittedSurface],
        name: str,
        noise_mm: float,
        *,
        frame: Array = flat,
        too_few: bool = False,
        **more: Any,
    ) -> FittedSurface:
        border = (patch.vertices_mm[patch.edges.border] - frame[:3, 3]) @ frame[:3, :3]
        return kind(
            zone=zone,
            name=f"{name} {zone}",
            T_mirror_from_surface=frame,
            outline=Outline(edges_mm=border[..., :2]),
            tessellation=_tessellation(patch, noise_mm=noise_mm, too_few=too_few),
            **more,
        )

    if np.sqrt(np.mean(off**2)) <= allowed:
        return made(FlatSurface, "panel", float(np.sqrt(np.mean(off**2))))
    own = None if exact is None else spline_of(patch, exact, flat, within_mm=allowed)
    if own is not None:
        return made(NurbsSurface, "spline", 0.0, nurbs=own[0], starts_uv=own[1], sigma=float(BOW * KERNEL_MM / size))
    fit: PatchFit | None = None
    local = (points - flat[:3, 3]) @ flat[:3, :3]
    steep = _is_steep(vectors, flat[:3, 2])
    # the kernel's points lie on a closed form to rounding, or on none
    if not (rim_only or steep or on_surface_mm is not None):
        fit = fit_height(local)
    if fit is None:
        kinds, per_unknown = (_RULINGS, _ON_FIVE_RULINGS) if rim_only else (_ANY, POINTS_PER_UNKNOWN)
        form = closed_form(points, vectors, within_mm=allowed, kinds=kinds, per_unknown=per_unknown)
        if form is not None:
            # vertices of one height (a ring, a ruling) were rounded alike: together they count once
            heights = len(np.unique(points[:, np.argmax(np.abs(flat[:3, 2]))]))
            slope = BOW * max(form.residual_rms_mm, KERNEL_MM) * np.sqrt(form.unknowns / heights) / size
            own_quadric = flat.T @ form.quadric @ flat
            return made(QuadricSurface, form.kind, form.residual_rms_mm, quadric=own_quadric, sigma=float(slope))
        fit = (_through_rulings(patch, points, flat, allowed) if rim_only else None) or fit_height(local)
    frame, fit = (flat, fit) if fit.sure_enough else _drawn_or_smoothest(fit, points, rim, flat, vectors, body, allowed)
    return made(SplineSurface, "patch", fit.residual_rms_mm, frame=frame, too_few=fit.too_few_points, fit=fit)


def _at_rim(patch: Patch) -> BoolArray:
    """(N,) which of the patch's vertices lie on its rim or share a triangle with one that does."""
    border = np.zeros(len(patch.vertices_mm), bool)
    border[patch.edges.border] = True
    near = np.zeros(len(border), bool)
    near[patch.faces[border[patch.faces].any(axis=1)]] = True
    return near[patch.used]


def _drawn_or_smoothest(
    fit: PatchFit,
    points_mm: Array,
    rim: BoolArray,
    flat: Array,
    vectors: Array,
    body: TriangleMesh | None,
    within_mm: float,
) -> tuple[Array, PatchFit]:
    """What knows more than the least-squares spline of points (N, 3) in frame `flat`, and the frame it lies in."""
    best: tuple[Array, PatchFit] | None = None
    # how far rounding to float32 moves the points off the face, rms
    steps = np.mean(np.spacing(points_mm.astype(np.float32)).astype(float) ** 2, axis=0)
    areas = lengths(vectors)
    normals = vectors[areas > 0.0] / areas[areas > 0.0, None]
    rounding = float(np.sqrt(steps @ np.mean(normals**2, axis=0) / 12.0))
    for turned in (np.eye(3),) if body is None else own_axes(body):
        up = int(np.argmax(np.abs(flat[:3, 2] @ turned)))
        normal = np.sign(flat[:3, 2] @ turned[:, up]) * turned[:, up]
        if _is_steep(vectors, normal):
            continue
        x = turned[:, 0 if up else 1]
        frame = np.eye(4)
        frame[:3, :3] = np.stack([x, np.cross(normal, x), normal], axis=1)
        frame[:3, 3] = flat[:3, 3]
        local = (points_mm - frame[:3, 3]) @ frame[:3, :3]
        drawn = drawn_fit(local, rim, within_mm=within_mm, rounding_mm=rounding)
        # along other axes than its own a spline passes the points closely, too
        if drawn is not None and (best is None or drawn.residual_rms_mm < best[1].residual_rms_mm):
            best = frame, drawn
    return best or (flat, or_smoothest(fit, (points_mm - flat[:3, 3]) @ flat[:3, :3]))


def lies_on_one_form(patch: Patch, *, rounding_mm: float) -> bool:
    """Whether a face that turns far is one sphere, cylinder or cone: then there are no creases to be looked for."""
    vectors = patch.area_vectors_mm2
    areas = vectors.sum(axis=0)
    if not _is_steep(vectors, areas / np.linalg.norm(areas)):
        return False
    points = patch.vertices_mm[patch.used]
    allowed = allowed_mm(patch, rounding_mm)
    return closed_form(points, vectors, within_mm=allowed) is not None


def _is_steep(vectors: Array, normal: Array) -> bool:
    return bool((vectors @ normal < _STEEP * lengths(vectors)).any())


def allowed_mm(patch: Patch, rounding_mm: float) -> float:
    """How far a patch's vertices may stray, rms, from what they are said to lie on."""
    size = float(np.ptp(patch.vertices_mm[patch.used], axis=0).max())
    return max(_ROUNDINGS * rounding_mm, CLOSE_SHARE * size)


def _through_rulings(patch: Patch, points_mm: Array, flat: Array, allowed_mm: float) -> PatchFit | None:
    """A height field through the straight lines of a developable surface; None where the long edges are not on one.

    A CAD kernel cuts a bent sheet into strips from rim to rim: vertices lie on the rim alone. Between two strips runs
    a ruling, all of which lies on the surface; the edge that halves a (flat) strip does not turn.
    """
    rulings = patch.vertices_mm[_ruling_ends(patch)]
    if len(rulings) < _FEWEST_RULINGS:
        return None
    count = int(np.clip(len(rulings), *_ON_RULING))
    share = np.linspace(0.0, 1.0, count)[1:-1, None]
    between = (rulings[:, None, 0] * (1.0 - share) + rulings[:, None, 1] * share).reshape(-1, 3)
    local = (np.concatenate([points_mm, between]) - flat[:3, 3]) @ flat[:3, :3]
    fit = fit_height(local[np.lexsort(local[:, :2].T)], rulings=len(rulings))
    coarse = fit.too_few_points and fit.residual_rms_mm > allowed_mm
    return replace(fit, too_few_points=coarse)


def _ruling_ends(patch: Patch) -> Numbers:
    """(K, 2) vertex numbers of the edges between strips, and of the rim's that are as long."""
    edges = patch.edges
    vectors = patch.area_vectors_mm2
    normals = vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-300)
    ends = edges.ends[turns(normals, edges.faces) > _TURNS_RAD]
    if len(ends) == 0:
        return ends
    rim = patch.edges.border
    long = _lengths(patch, rim) > 0.5 * np.median(_lengths(patch, ends))
    return np.concatenate([ends, rim[long]])


def _lengths(patch: Patch, ends: Numbers) -> Array:
    return np.asarray(np.linalg.norm(np.diff(patch.vertices_mm[ends], axis=1)[:, 0], axis=1))


def _tessellation(patch: Patch, *, noise_mm: float, too_few: bool) -> Tessellation:
    corners = patch.vertices_mm[patch.faces[spread_sample(len(patch.faces), _MOST_POINTS)]]
    edges = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=-1)
    return Tessellation(
        triangles=len(patch.faces),
        edge_median_mm=float(np.median(edges)),
        edge_p95_mm=float(np.percentile(edges, 95)),
        noise_mm=noise_mm,
        too_few=too_few,
    )


def _plane_through(points_mm: Array, normal: Array) -> Array:
    """(4, 4) frame on the least-squares plane; on the mean normal of a patch that is not flat at all."""
    centred = points_mm - points_mm.mean(axis=0)
    square, axes = np.linalg.eigh(centred.T @ centred)
    least = axes[:, 0] * np.sign(axes[:, 0] @ normal)
    flat = square[0] < 0.2**2 * square[1]
    return frame_on_plane(points_mm, least if least @ normal > 0.9 and flat else normal)
