"""From a rig to its optical model."""

from collections.abc import Mapping

from rigwarp.errors import InputError
from rigwarp.geometry import Array, TriangleMesh
from rigwarp.rig import ConicShape, FacetsShape, MeshShape, Rig
from rigwarp.tracing.conic import ConicSurface
from rigwarp.tracing.mesh_mirror import mesh_surfaces
from rigwarp.tracing.model import OpticalModel
from rigwarp.tracing.panel import flat_panel
from rigwarp.tracing.scan_grid import pixel_grid
from rigwarp.tracing.shadows import Blockers
from rigwarp.tracing.surfaces import Surface

_NO_PROFILES: Mapping[str, Array] = {}


def build_model(
    rig: Rig, *, meshes: Mapping[str, TriangleMesh], profiles: Mapping[str, Array] = _NO_PROFILES
) -> OpticalModel:
    """The light path of a designed rig.

    Parameters
    ----------
    rig : Rig
    meshes : mirror and obstacle meshes by the file name in the rig file.
    profiles : (N, 2) arrays of r_mm, z_mm by file name.

    Raises
    ------
    InputError
        Where a file is missing from the mappings, or the mirror cannot be what the rig says it is.
    """
    obstacles = [(_named(meshes, o.file, f"obstacle[{i}].file"), o.placement) for i, o in enumerate(rig.obstacles)]
    model = OpticalModel(
        projector=rig.projector,
        mirror=rig.mirror.placement,
        surfaces=mirror_surfaces(rig, meshes=meshes, profiles=profiles),
        blockers=Blockers(obstacles),
        table_height_mm=rig.table.height_mm,
    )
    _check_lit(model)
    return model


def mirror_surfaces(
    rig: Rig, *, meshes: Mapping[str, TriangleMesh], profiles: Mapping[str, Array]
) -> tuple[Surface, ...]:
    """The rig's mirror as smooth surfaces, one per zone."""
    shape = rig.mirror.shape
    if isinstance(shape, ConicShape):
        return (
            ConicSurface(
                radius_mm=shape.radius_mm,
                conic_constant=shape.conic_constant,
                coefficients_mm=shape.coefficients_mm,
                aperture_mm=shape.aperture_mm,
            ),
        )
    if isinstance(shape, FacetsShape):
        return tuple(flat_panel(facet, zone=i) for i, facet in enumerate(shape.facets))
    if isinstance(shape, MeshShape):
        return mesh_surfaces(shape, _named(meshes, shape.file, "mirror.file"))
    raise InputError("mirror.kind 'profile' cannot be traced yet. Use a mesh or a conic.")


def _named(meshes: Mapping[str, TriangleMesh], file: str, key: str) -> TriangleMesh:
    if file not in meshes:
        raise InputError(f"{key}: the mesh {file!r} was not read. Put the file next to rig.toml.")
    return meshes[file]


def _check_lit(model: OpticalModel) -> None:
    """InputError if no light of the projector meets the mirror."""
    width, height = model.projector.resolution
    hit = model.mirror_hit(model.pixel_rays(pixel_grid((width, height), step_px=max(width, height) / 64)))
    if (hit.zone >= 0).any():
        return
    raise InputError(
        f"mirror: none of the projector's light meets it (in the table frame the projector stands at "
        f"{_point(model.projector.placement.position_mm)} mm, the mirror at {_point(model.mirror.position_mm)} mm). "
        "Correct projector.position_mm / aim_mm, mirror.position_mm, or the file's units and origin."
    )


def _point(p: Array) -> str:
    return "(" + ", ".join(f"{v:.1f}" for v in p) + ")"
