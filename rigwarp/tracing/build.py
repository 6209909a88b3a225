"""From a rig to its optical model."""

from collections.abc import Mapping

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array, TriangleMesh
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.rig import ConicShape, FacetsShape, MeshShape, ProfileShape, Rig
from rigwarp.tracing.cad.cad_faces import CadFaces
from rigwarp.tracing.cad.mesh_mirror import Light, mesh_mirror
from rigwarp.tracing.cad.tessellation import chord_errors_mm, join, tessellate
from rigwarp.tracing.model import OpticalModel
from rigwarp.tracing.pinhole import pixel_rays
from rigwarp.tracing.scan_grid import pixel_grid
from rigwarp.tracing.shadows import Blockers, MirrorShade, RayTracer
from rigwarp.tracing.surfaces.bent_panel import bent_panel
from rigwarp.tracing.surfaces.conic import ConicSurface
from rigwarp.tracing.surfaces.panel import flat_panel
from rigwarp.tracing.surfaces.profile import profile_surfaces
from rigwarp.tracing.surfaces.surface import Surface

_RAYS_ACROSS = 320  # rays across the picture that look for the patches of a mesh which the light meets
_BEYOND = 0.1  # how far past the picture's rim they look, in picture sizes
_CLEARANCE = 1.5  # times the triangles' chord error: how far light must pass from the mirror's own triangles
_CLEARANCE_MM = 1e-3  # for flat panels, against rounding in a single-precision tracer
_NO_PROFILES: Mapping[str, Array] = {}


def build_model(
    rig: Rig, *, meshes: Mapping[str, TriangleMesh], profiles: Mapping[str, Array] = _NO_PROFILES
) -> OpticalModel:
    """The light path of a designed rig.

    Parameters
    ----------
    meshes : mirror and obstacle meshes by the file name in the rig file.
    profiles : (N, 2) arrays of r_mm, z_mm by file name.

    Raises
    ------
    InputError
        Where a file is missing from the mappings, or the mirror cannot be what the rig says it is.
    """
    obstacles = [(_named(meshes, o.file, f"obstacle[{i}].file"), o.placement) for i, o in enumerate(rig.obstacles)]
    shape = rig.mirror.shape
    cad: CadFaces | None = None
    if isinstance(shape, MeshShape):
        exported = mesh_mirror(shape, _named(meshes, shape.file, "mirror.file"), _light(rig))
        surfaces: tuple[Surface, ...] = exported.surfaces
        body, chord_error, cad = exported.faces.body, exported.chord_error_mm, exported.faces
    else:
        surfaces = closed_forms(shape, profiles)
        pieces = [tessellate(s) for s in surfaces]
        body = RayTracer(join(pieces))
        chords = [chord_errors_mm(piece, s) for piece, s in zip(pieces, surfaces, strict=True)]
        chord_error = float(np.nanmax(np.concatenate(chords), initial=0.0))
    model = OpticalModel(
        projector=rig.projector,
        mirror=rig.mirror.placement,
        surfaces=surfaces,
        blockers=Blockers(obstacles),
        shade=MirrorShade(body, clearance_mm=_CLEARANCE * chord_error + _CLEARANCE_MM),
        table_height_mm=rig.table.height_mm,
        cad=cad,
    )
    _check_lit(model)
    return model


def closed_forms(shape: ConicShape | ProfileShape | FacetsShape, profiles: Mapping[str, Array]) -> tuple[Surface, ...]:
    """A mirror that is not a mesh as smooth surfaces, one per zone."""
    if isinstance(shape, ConicShape):
        return (ConicSurface(**vars(shape)),)
    if isinstance(shape, FacetsShape):
        return tuple(
            (flat_panel if facet.bend_radius_mm is None else bent_panel)(facet, zone=i)
            for i, facet in enumerate(shape.facets)
        )
    if shape.file not in profiles:
        raise InputError(f"mirror.file: the profile {shape.file!r} was not read. Put the file next to rig.toml.")
    return profile_surfaces(profiles[shape.file], file=shape.file)


def _light(rig: Rig) -> Light:
    """The projector's light and a little beyond its picture (for mounting errors), mirror frame."""
    width, height = rig.projector.resolution
    step = max(width, height) / _RAYS_ACROSS
    u, v = (np.arange(-_BEYOND * n, (1.0 + _BEYOND) * n, step) for n in (width, height))
    directions = pixel_rays(rig.projector, np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2))
    mirror, projector = rig.mirror.placement, rig.projector.placement
    weight = (directions @ projector.rotation[:, 2]) ** 3  # as `pixel_light` has it
    return Light(
        origin_mm=mirror.to_part(projector.position_mm),
        directions=directions @ mirror.rotation,
        share=weight / weight.sum(),
    )


def _named(meshes: Mapping[str, TriangleMesh], file: str, key: str) -> TriangleMesh:
    if file not in meshes:
        raise InputError(f"{key}: the mesh {file!r} was not read. Put the file next to rig.toml.")
    return meshes[file]


def _check_lit(model: OpticalModel) -> None:
    """InputError if no light of the projector meets the mirror."""
    width, height = model.projector.resolution
    pixels = pixel_grid((width, height), step_px=max(width, height) / 64).reshape(-1, 2)
    if (model.reflection(model.pixel_rays(pixels)).zone != NO_LIGHT).any():
        return
    raise InputError(
        f"mirror: none of the projector's light meets it (in the table frame the projector stands at "
        f"{_point(model.projector.placement.position_mm)} mm, the mirror at {_point(model.mirror.position_mm)} mm). "
        "Correct projector.position_mm / aim_mm, mirror.position_mm, or the file's units and origin."
    )


def _point(p: Array) -> str:
    return "(" + ", ".join(f"{v:.1f}" for v in p) + ")"
