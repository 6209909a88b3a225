"""The mirror of a CAD export: each smooth patch becomes a height field with the patch's real outline."""

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array, TriangleMesh
from rigwarp.rig import MeshShape
from rigwarp.tracing.height_field import SplineSurface, fit_height
from rigwarp.tracing.outline import Outline
from rigwarp.tracing.panel import frame_on_plane
from rigwarp.tracing.patches import Patch, border_edges, reflecting_faces, smooth_patches, weld

_SHARP_RAD = np.deg2rad(30.0)  # neighbouring faces that turn by more than this form an edge
_SMALLEST_MIRROR_MM = 5.0  # nothing smaller spreads a projector's picture; a mesh in metres or inches is
_LARGEST_MIRROR_MM = 5000.0
_CELLS = 10  # per side of the bounding box: 8 mm on an 80 mm mirror
_POINTS_PER_COEFFICIENT = 2.0  # fewer vertices than this per coefficient and cells get larger


def mesh_surfaces(shape: MeshShape, mesh: TriangleMesh) -> tuple[SplineSurface, ...]:
    """The reflecting patches of a CAD export as surfaces; InputError where it cannot be a mirror in millimetres."""
    _check_size(mesh, shape.file)
    welded = weld(mesh)
    front = reflecting_faces(welded, shape.reflecting_side, file=shape.file)
    crease_rad = _SHARP_RAD if shape.crease_rad is None else shape.crease_rad
    largest = smooth_patches(front, crease_rad=crease_rad)[0]
    return (patch_surface(largest, zone=0),)


def patch_surface(patch: Patch, *, zone: int) -> SplineSurface:
    """Fit a height field through a patch's vertices, in the frame of its mean plane."""
    areas = patch.area_vectors_mm2
    normal = areas.sum(axis=0) / np.linalg.norm(areas.sum(axis=0))
    used = np.unique(patch.faces)
    points = patch.vertices_mm[used]
    T = frame_on_plane(points, normal)
    local = (patch.vertices_mm - T[:3, 3]) @ T[:3, :3]
    edges = local[border_edges(patch.faces)][..., :2]
    fit = fit_height(local[used], cells=_cells_for(local[used]))
    return SplineSurface(
        zone=zone, name=f"patch {zone}", T_mirror_from_surface=T, fit=fit, outline=Outline(edges_mm=edges)
    )


def _cells_for(points_mm: Array, degree: int = 5) -> tuple[int, int]:
    """Cells along x and y: square, and no more than the vertices can carry."""
    width, depth = np.ptp(points_mm[:, 0]), np.ptp(points_mm[:, 1])
    carried = np.sqrt(len(points_mm) / _POINTS_PER_COEFFICIENT) - degree
    along = int(np.clip(carried, 1, _CELLS))
    cell = max(width, depth) / along
    return max(1, round(width / cell)), max(1, round(depth / cell))


def _check_size(mesh: TriangleMesh, file: str) -> None:
    used = mesh.vertices_mm[np.unique(mesh.faces)] if len(mesh.faces) else np.empty((0, 3))
    if len(used) == 0:
        raise InputError(f"mirror.file {file!r}: it has no triangles. Export the mirror again.")
    if not np.isfinite(used).all():
        raise InputError(f"mirror.file {file!r}: it has vertices that are not numbers. Export the mirror again.")
    size = float(np.ptp(used, axis=0).max())
    if size < _SMALLEST_MIRROR_MM:
        raise InputError(
            f"mirror.file {file!r}: the mesh measures {size:.4g} mm across, too small for a mirror; in inches it would "
            f"be {25.4 * size:.4g} mm, in metres {1000 * size:.4g} mm. Export it in millimetres."
        )
    if size > _LARGEST_MIRROR_MM:
        raise InputError(
            f"mirror.file {file!r}: the mesh measures {size:.4g} mm across, too large for a mirror; in micrometres it "
            f"would be {size / 1000:.4g} mm. Export it in millimetres."
        )
