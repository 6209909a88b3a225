"""The corrected mirror as a solid to print or mill: surface, wall, base plate, and a nose that points along its y.

Nothing is cut or united: closed loops of equally many points, one around the next, from the middle of the surface over
its rim and the plate's edge to the underside. Each pair is joined by a strip of triangles, so that every edge has two.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from rigwarp.as_built.describe.footprint import zone_points
from rigwarp.as_built.describe.mould import Correction
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, at_height, transform_points
from rigwarp.geometry.mesh import TriangleMesh
from rigwarp.tracing import Surface

_SPACING_MM = 1.0
_FEWEST = 48  # points of a loop
_STEP_MM = 1.0  # wall between the lowest place of the surface and the plate
_FLANGE_MM = 5.0  # how far the plate reaches beyond the surface
_NOSE_MM = 6.0  # how far its nose stands out, and half its width
_RADII = 200  # tried along each direction for where the surface begins and ends
_HALVINGS = 30
_FROM_CAD = "Export the design from CAD as a closed solid (STL) with its base, and name that as mirror.file."
_GAPS = 0.002  # share of the area between the inner and the outer rim that may not belong to the surface


@dataclass(frozen=True, kw_only=True)
class _Rim:
    """Where a surface begins and ends along rays from its middle (2,), mirror x and y; `inner_mm` is 0 without hole."""

    surface: Surface
    middle_mm: Array
    angle_rad: Array
    inner_mm: Array
    outer_mm: Array


def mould_solid(surfaces: Sequence[Surface], correction: Correction, *, side: int, thickness_mm: float) -> TriangleMesh:
    """A mirror of one piece, or of rings one around the other, as a solid, mirror frame.

    Parameters
    ----------
    side : +1 where the reflecting side looks along the mirror's +z, else -1; the body is on the other side.
    thickness_mm : of the plate; the body is nowhere thinner.

    Raises
    ------
    MeasurementError
        The outline has notches, or the pieces do not lie around each other.
    """
    rims = sorted(_rims(surfaces), key=lambda rim: float(rim.outer_mm.mean()))
    for inner, outer in pairwise(rims):
        if np.abs(outer.inner_mm - inner.outer_mm).max() > _SPACING_MM:
            raise MeasurementError(
                f"corrected mould: {inner.surface.name} and {outer.surface.name} lie beside each other, for which no "
                f"solid can be made by itself. {_FROM_CAD}"
            )
    inmost, outmost = rims[0], rims[-1]
    hole = bool(inmost.inner_mm.max() > 0.0)
    top: list[Array] = []
    for rim in rims:
        rings = max(int(np.ceil(np.max(rim.outer_mm - rim.inner_mm) / _SPACING_MM)), 2)
        shares = np.linspace(0.0, 1.0, rings + 1)[0 if rim is inmost and hole else 1 :]
        radii = rim.inner_mm + shares[:, None] * (rim.outer_mm - rim.inner_mm)
        top += [_lifted(rim.surface, correction, _at(rim, radius)) for radius in radii]
    middle = [] if hole else [_lifted(inmost.surface, correction, inmost.middle_mm[None])]
    step = side * (min(float((side * ring[:, 2]).min()) for ring in (*top, *middle)) - _STEP_MM)
    under = step - side * thickness_mm
    turned = np.angle(np.exp(1j * (outmost.angle_rad - np.pi / 2.0)))  # its nose: a triangle about the direction of +y
    plate = outmost.outer_mm + _FLANGE_MM
    plate = plate + np.maximum(_NOSE_MM - np.abs(turned) * plate, 0.0)
    loops = [
        *top,
        at_height(_at(outmost, outmost.outer_mm), step),
        at_height(_at(outmost, plate), step),
        at_height(_at(outmost, plate), under),
        *([at_height(_at(inmost, inmost.inner_mm), under)] if hole else []),
    ]
    mesh = _joined(loops, ends=[] if hole else [middle[0][0], np.array([*inmost.middle_mm, under])])
    return mesh if side > 0 else TriangleMesh(vertices_mm=mesh.vertices_mm, faces=mesh.faces[:, ::-1])


def _rims(surfaces: Sequence[Surface]) -> list[_Rim]:
    """Each surface's, about the middle of all and along the same rays."""
    edges = []
    for surface in surfaces:
        x, y = surface.rim_points(_SPACING_MM).T
        edges.append(transform_points(surface.T_mirror_from_surface, np.stack([x, y, surface.sag(x, y)], axis=-1)))
    every = np.concatenate(edges)[:, :2]
    middle = (every.min(axis=0) + every.max(axis=0)) / 2.0
    farthest = float(np.linalg.norm(every - middle, axis=1).max()) * 1.01
    angle = np.linspace(0.0, 2.0 * np.pi, max(_FEWEST, int(2.0 * np.pi * farthest / _SPACING_MM)), endpoint=False)
    return [_rim(surface, middle, angle, farthest) for surface in surfaces]


def _rim(surface: Surface, middle: Array, angle: Array, farthest_mm: float) -> _Rim:
    way = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    radius = np.linspace(0.0, farthest_mm, _RADII)
    inside = _inside(surface, middle + radius[:, None, None] * way)
    first, last = inside.argmax(axis=0), _RADII - 1 - inside[::-1].argmax(axis=0)
    between = (np.arange(_RADII)[:, None] >= first) & (np.arange(_RADII)[:, None] <= last)
    if not inside.any(axis=0).all() or np.mean(~inside[between]) > _GAPS:
        raise MeasurementError(
            f"corrected mould: {surface.name} has an outline with notches, for which no solid can be made by itself. "
            f"{_FROM_CAD}"
        )
    hole = not bool(inside[0].all())
    outer = _edge(surface, middle, way, radius[last], radius[1])
    inner = _edge(surface, middle, way, radius[first], -radius[1]) if hole else np.zeros_like(outer)
    return _Rim(surface=surface, middle_mm=middle, angle_rad=angle, inner_mm=inner, outer_mm=outer)


def _edge(surface: Surface, middle: Array, way: Array, inside_mm: Array, step_mm: float) -> Array:
    """(N,) radius of the last place inside, between one that is and another `step_mm` on."""
    known, beyond = inside_mm.copy(), inside_mm + step_mm
    for _ in range(_HALVINGS):
        half = (known + beyond) / 2.0
        held = _inside(surface, middle + half[:, None] * way)
        known, beyond = np.where(held, half, known), np.where(held, beyond, half)
    return known


def _inside(surface: Surface, xy_mm: Array) -> BoolArray:
    """(...,) whether mirror (..., 2) lies above the surface."""
    flat = xy_mm.reshape(-1, 2)
    local = zone_points((surface,), flat[None], np.full((1, len(flat)), surface.zone, np.int16)).local_mm
    return np.asarray(surface.inside(local[:, 0], local[:, 1])).reshape(xy_mm.shape[:-1])


def _lifted(surface: Surface, correction: Correction, xy_mm: Array) -> Array:
    """(N, 3) places of the corrected surface above mirror (N, 2)."""
    zone = np.full(len(xy_mm), surface.zone, np.int16)
    points = zone_points((surface,), xy_mm[None], zone[None]).point_mm
    return points + np.array([0.0, 0.0, 1.0]) * correction.at(xy_mm, zone)[:, None]


def _at(rim: _Rim, radius_mm: Array) -> Array:
    way = np.stack([np.cos(rim.angle_rad), np.sin(rim.angle_rad)], axis=-1)
    return np.asarray(rim.middle_mm + radius_mm[:, None] * way)


def _joined(loops: Sequence[Array], *, ends: Sequence[Array]) -> TriangleMesh:
    """Strips between loops (N, 3) that run counter-clockwise about +z; closed by `ends`, or round."""
    count, n = len(loops), len(loops[0])
    here = np.arange(n)
    after = np.roll(here, -1)
    faces = []
    for k in range(count if not ends else count - 1):
        a, b = k * n, (k + 1) % count * n
        faces += [np.stack([a + here, b + here, b + after], -1), np.stack([a + here, b + after, a + after], -1)]
    if ends:
        first, last = np.full(n, count * n), np.full(n, count * n + 1)
        faces += [np.stack([first, here, after], -1)]
        faces += [np.stack([last, (count - 1) * n + after, (count - 1) * n + here], -1)]
    vertices = np.concatenate([*loops, *([np.stack(ends)] if ends else [])])
    return TriangleMesh(vertices_mm=vertices, faces=np.concatenate(faces).astype(np.int64))


def is_closed(mesh: TriangleMesh) -> bool:
    """Whether each edge belongs to two triangles, vertices at one place being one."""
    welded = np.unique(np.round(mesh.vertices_mm, 6), axis=0, return_inverse=True)[1].reshape(-1)[mesh.faces]
    edges = np.sort(np.concatenate([welded[:, [0, 1]], welded[:, [1, 2]], welded[:, [2, 0]]]), axis=1)
    return bool((np.unique(edges, axis=0, return_counts=True)[1] == 2).all())
