"""The mirror of a CAD export: each smooth patch that the light meets becomes a surface."""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array, TriangleMesh
from rigwarp.rig import MeshShape
from rigwarp.tracing.cad.cad_faces import CadFaces
from rigwarp.tracing.cad.exact_faces import on_own_faces
from rigwarp.tracing.cad.face_fit import FittedSurface, allowed_mm, lies_on_one_form, patch_surface
from rigwarp.tracing.cad.faces import LEAST_LIGHT, described, faces_of, in_lights_box, is_stray, near_light
from rigwarp.tracing.cad.flat_spots import away_from, flat_spots
from rigwarp.tracing.cad.patches import Patch, reflecting_faces, smooth_patches
from rigwarp.tracing.cad.peeling import peeled
from rigwarp.tracing.cad.regained import closed_up, regained, with_sure_corners
from rigwarp.tracing.cad.tessellation import chord_errors_mm
from rigwarp.tracing.cad.welding import Numbers, rounding_mm, used_vertices, weld
from rigwarp.tracing.shadows import RayTracer
from rigwarp.tracing.surfaces.height_field import SplineSurface
from rigwarp.words import number

_SMALLEST_MIRROR_MM = 5.0  # nothing smaller spreads a projector's picture; a mesh in metres or inches is
_LARGEST_MIRROR_MM = 5000.0
_JOINED = 0.5  # share of the triangles' sides that must be shared for a mesh to be a surface
_FEW = 12  # so many triangles may stand alone
_MANY = 100_000  # from so many triangles on, those that no light comes near are left out at once


@dataclass(frozen=True, kw_only=True)
class Light:
    """The projector's light in the mirror frame: from one point (3,) along (N, 3) unit directions, each its share."""

    origin_mm: Array
    directions: Array
    share: Array


@dataclass(frozen=True, kw_only=True)
class MeshMirror:
    """A CAD export's reflecting surfaces, one per zone, and all of it, welded, as a body with its faces.

    `chord_error_mm` is how far the surfaces stand off their triangles.
    """

    surfaces: tuple[FittedSurface, ...]
    faces: CadFaces
    chord_error_mm: float


def mesh_mirror(shape: MeshShape, mesh: TriangleMesh, light: Light) -> MeshMirror:
    """The patches of a CAD export that the light meets first, the most lit one first.

    Raises
    ------
    InputError
        Where the mesh cannot be a mirror in millimetres, has no face on the reflecting side, or the light misses it or
        meets its back.
    """
    _check_size(mesh, shape.file)
    rounding = rounding_mm(mesh)
    welded = weld(mesh)
    whole = Patch.of(welded.vertices_mm, welded.faces)
    _check_joined(whole, shape.file)
    front = reflecting_faces(whole, shape.reflecting_side, file=shape.file)
    del whole  # of five million triangles it takes half a gigabyte
    origins = np.broadcast_to(light.origin_mm, light.directions.shape)
    body = RayTracer(welded)
    met, _ = body.first(origins, light.directions)
    _check_light(met, front, shape.file)
    hits = np.bincount(met[met >= 0], minlength=len(welded.faces))
    carried = np.bincount(met[met >= 0], weights=light.share[met >= 0], minlength=len(welded.faces)).astype(float)
    if len(front.faces) > _MANY:
        front = front.part(in_lights_box(front, hits[front.numbers]))
    flats = [] if shape.crease_rad is not None else flat_spots(front, hits[front.numbers], rounding_mm=rounding)
    spots = [front.part(flat) for flat in flats]
    if spots:
        front = front.part(~np.any(flats, axis=0))
    lit = _lit_patches(front, hits, shape, rounding, float(np.ptp(welded.vertices_mm, axis=0).max()))
    if spots:
        lit = [part for p in lit if hits[(part := away_from(p, spots)).numbers].any()] or lit
    lit = [peeled(p, hits, least_mm=allowed_mm(p, rounding), on_surface_mm=welded.on_surface_mm) for p in lit]
    lit = [closed_up(p, front) for p in lit]
    if welded.exact is not None:
        lit = on_own_faces(lit, front, hits, welded.exact)
    lit += [spot for spot in spots if hits[spot.numbers].sum() > LEAST_LIGHT * hits.sum()]
    fitted: list[FittedSurface] = []
    for zone, piece in enumerate(lit):
        fit = partial(patch_surface, zone=zone, rounding_mm=rounding, body=welded)
        surface = fit(piece)
        if isinstance(surface, SplineSurface):
            wider = with_sure_corners(piece, surface, front, rounding_mm=rounding)
            if len(wider.faces) > len(piece.faces):
                lit[zone], surface = wider, fit(wider)
        fitted.append(surface)
    pieces = regained(lit, fitted, front)
    chords = [chord_errors_mm(_largest(piece), surface) for piece, surface in pieces]
    lit = [piece for piece, _ in pieces]
    surfaces = tuple(_with_chord(surface, found) for (_, surface), found in zip(pieces, chords, strict=True))
    error = float(np.nanmax(np.concatenate(chords), initial=0.0))
    label, notes = described(welded, lit, [s.name for s in surfaces], carried, [spot.numbers for spot in spots])
    faces = CadFaces(body=body, mesh=welded, label=label, notes=notes, reflecting_side=shape.reflecting_side)
    return MeshMirror(surfaces=surfaces, faces=faces, chord_error_mm=error)


def _lit_patches(front: Patch, hits: Numbers, shape: MeshShape, rounding_mm: float, size_mm: float) -> list[Patch]:
    """The pieces of mirror, the most lit one first."""
    found = faces_of(front, hits[front.numbers], rounding_mm=rounding_mm)
    patches = [p for f in found if not is_stray(f, size_mm) for p in _pieces(f.patch, hits, shape, rounding_mm)]
    share = np.array([hits[p.numbers].sum() for p in patches]) / hits[front.numbers].sum()
    lit = [patches[i] for i in np.argsort(-share, kind="stable") if share[i] > LEAST_LIGHT]
    if lit:
        return lit
    raise InputError(
        f"mirror.file {shape.file!r}: the light falls on {len(found)} pieces, none of which is a mirror: each catches "
        f"less than {100 * LEAST_LIGHT:g} % of it or is a narrow band. Export the mirror as one smooth surface, or "
        "correct the projector's and the mirror's positions."
    )


def _pieces(patch: Patch, hits: Numbers, shape: MeshShape, rounding_mm: float) -> list[Patch]:
    """What a face near the light consists of, once slight creases are found, too."""
    near = patch.part(near_light(patch, hits[patch.numbers]))
    if shape.crease_rad is None and lies_on_one_form(near, rounding_mm=rounding_mm):
        return [near]
    return smooth_patches(near, crease_rad=shape.crease_rad, rounding_mm=rounding_mm)


def _largest(patch: Patch) -> TriangleMesh:
    """The patch's largest triangles, which stand off its surface the farthest."""
    faces = patch.faces
    if len(faces) > _MANY:
        faces = faces[np.argpartition(patch.areas_mm2, -_MANY)[-_MANY:]]
    return TriangleMesh(vertices_mm=patch.vertices_mm, faces=faces)


def _with_chord(surface: FittedSurface, chords_mm: Array) -> FittedSurface:
    if surface.tessellation is None:
        return surface
    known = chords_mm[np.isfinite(chords_mm)]
    chord = float(np.percentile(known, 95)) if len(known) else float("nan")
    return replace(surface, tessellation=replace(surface.tessellation, chord_mm=chord))


def _check_joined(whole: Patch, file: str) -> None:
    """InputError unless the triangles that have an area make up a surface."""
    count = len(whole.faces)
    if count == 0:
        raise InputError(
            f"mirror.file {file!r}: none of its triangles has an area: their corners coincide. Export the mirror again."
        )
    shared = len(whole.edges.ends)
    if count > _FEW and 2 * shared < _JOINED * 3 * count:
        raise InputError(
            f"mirror.file {file!r}: its {count} triangles share {shared} sides, a surface's about {3 * count // 2}: "
            "they do not join. Sew the surface in the CAD program, with a tolerance of 0.001 mm, and export it again."
        )


def _check_light(met: Numbers, front: Patch, file: str) -> None:
    """InputError unless the light first meets faces of the reflecting side."""
    on_mesh = met[met >= 0]
    if len(on_mesh) == 0:
        raise InputError(
            f"mirror.file {file!r}: none of {len(met)} rays of the projector meets the mesh. Correct the projector's "
            "and the mirror's position and rotation, or the mesh's origin and units."
        )
    on_front = int(np.isin(on_mesh, front.numbers).sum())
    if on_front == 0:
        raise InputError(
            f"mirror.file {file!r}: all {len(on_mesh)} rays that meet the mesh meet its back first, faces that look "
            "away from mirror.reflecting_side. Correct reflecting_side (in the mesh's axes) or mirror.rotation_deg."
        )


def _check_size(mesh: TriangleMesh, file: str) -> None:
    asked = used_vertices(mesh.faces, len(mesh.vertices_mm))
    used = mesh.vertices_mm if asked.all() else mesh.vertices_mm[asked]
    if len(used) == 0:
        raise InputError(f"mirror.file {file!r}: it has no triangles. Export the mirror again.")
    if not np.isfinite(used).all():
        raise InputError(f"mirror.file {file!r}: it has vertices that are not numbers. Export the mirror again.")
    size = max(float(np.ptp(along)) for along in used.T)
    metres = file.lower().endswith((".glb", ".gltf"))
    export = "Export it in metres, as glTF wants it." if metres else "Export it in millimetres."
    if size < _SMALLEST_MIRROR_MM:
        raise InputError(
            f"mirror.file {file!r}: the mesh measures {size:.3g} mm across, too small for a mirror; in inches "
            f"it would be {number(25.4 * size, 4)} mm, in metres {number(1000 * size, 4)} mm. {export}"
        )
    if size > _LARGEST_MIRROR_MM:
        raise InputError(
            f"mirror.file {file!r}: the mesh measures {number(size)} mm across, too large for a mirror; in "
            f"micrometres it would be {number(size / 1000, 4)} mm. {export}"
        )
