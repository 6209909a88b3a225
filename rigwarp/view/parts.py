"""What a view looks through: each mirror, and the table past them, as an optical model with the camera as its source.

Light's way can be turned round, so a camera that looks over a mirror is a projector that shines over it; all that is
known of tracing, registering and fitting holds for it. A table that is seen directly is one, too: see `_direct_part`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.geometry import Array, Placement, TriangleMesh
from rigwarp.rig import ConicShape, Facet, FacetsShape, Lens, Mirror, Obstacle, Projector, Rig, view_as_projector
from rigwarp.table_map import rig_tolerances
from rigwarp.tracing import OpticalModel, build_model
from rigwarp.tracing.coarse import mirror_triangles
from rigwarp.tracing.pinhole import pixel_rays

_FAR = 1e4  # the auxiliary mirror of a direct view is this many times as large as the camera is high over it
_FIXED_MM, _FIXED_RAD = 1e-3, 1e-6  # it cannot move


@dataclass(frozen=True, kw_only=True)
class ViewPart:
    """One mirror of the view, or the table seen directly.

    Attributes
    ----------
    mirror : number of the [[view.mirror]]; None for the table seen directly.
    camera : the view's camera, as a projector.
    model : the light path, with the camera in the projector's place.
    tolerances : (12,) of the mounting of camera and mirror.
    first_zone : number that the first of its surfaces has in the view.
    flipped : whether the model's pictures are the camera's, flipped left to right.
    plane_mm : height of the auxiliary mirror of a table seen directly.
    """

    mirror: int | None
    camera: Projector
    model: OpticalModel
    tolerances: Array
    first_zone: int
    flipped: bool = False
    plane_mm: float = 0.0

    @property
    def zones(self) -> range:
        """Numbers that its surfaces have in the view."""
        return range(self.first_zone, self.first_zone + len(self.model.surfaces))

    @property
    def parity(self) -> int:
        """Sign of d(table mm) / d(pixel): +1 seen by a mirror, -1 seen directly."""
        return -1 if self.flipped else 1

    def source(self, camera: Projector) -> Projector:
        """The camera as the model has it."""
        return _mirrored(camera, self.plane_mm) if self.flipped else camera

    def own_pixels(self, pixels_px: Array) -> Array:
        """(N, 2) pixels of the camera as the model counts them, and back."""
        if not self.flipped:
            return pixels_px
        return np.stack([self.model.projector.resolution[0] - 1 - pixels_px[..., 0], pixels_px[..., 1]], axis=-1)

    def own_picture(self, picture: NDArray[Any]) -> NDArray[Any]:
        """(H, W, ...) picture of the camera as the model has it, and back."""
        return picture[:, ::-1] if self.flipped else picture

    @property
    def name(self) -> str:
        """For people."""
        return "the table seen directly" if self.mirror is None else f"view.mirror[{self.mirror}]"


def view_parts(
    rig: Rig,
    lens: Lens | None,
    *,
    meshes: Mapping[str, TriangleMesh],
    profiles: Mapping[str, Array],
    direct: bool = True,
) -> tuple[ViewPart, ...]:
    """All that a rig's view looks through; the table seen directly comes last, and only if the camera looks down at it.

    Raises
    ------
    InputError
        The rig has no view, a file is missing, or a mirror is not seen.
    """
    if rig.view is None:
        raise InputError("rig.toml: found no [view], expected the camera that sees the table through mirrors. Add it.")
    camera = view_as_projector(rig.view, lens)
    parts: list[ViewPart] = []
    for number, mirror in enumerate(rig.view.mirrors):
        own = replace(rig, projector=camera, mirror=mirror)
        others = [one for other, one in enumerate(rig.view.mirrors) if other != number]
        around = [rig.mirror, *others] if rig.projects else others
        try:
            hindered, known = _hidden_by(own, around, meshes, profiles)
            model = build_model(hindered, meshes=known, profiles=profiles)
        except InputError as error:
            told = str(error).replace("projector's light", "camera's sight").replace("projector", "view")
            told = told.replace(", mirror.position_mm", f", view.mirror[{number}].position_mm")
            raise InputError(f"view.mirror[{number}]: {told.removeprefix('mirror: ')}") from error
        first = sum(len(part.model.surfaces) for part in parts)
        parts.append(
            ViewPart(mirror=number, camera=camera, model=model, tolerances=rig_tolerances(own), first_zone=first)
        )
    if direct and _looks_down(camera, rig.table.height_mm):
        first = sum(len(part.model.surfaces) for part in parts)
        parts.append(_direct_part(rig, camera, first))
    return tuple(parts)


def _hidden_by(
    own: Rig, mirrors: Sequence[Mirror], meshes: Mapping[str, TriangleMesh], profiles: Mapping[str, Array]
) -> tuple[Rig, dict[str, TriangleMesh]]:
    """A rig, and its meshes, in which other mirrors as designed stand in the way of sights like any obstacle."""
    known, standing = dict(meshes), list(own.obstacles)
    for number, mirror in enumerate(mirrors):
        if not isinstance(mirror.shape, FacetsShape | ConicShape) and mirror.shape.file not in {**meshes, **profiles}:
            continue  # its own part tells that the file is missing
        name = f"another mirror, {number}"
        known[name] = mirror_triangles(replace(own, mirror=mirror), meshes, profiles)
        standing.append(Obstacle(file=name, placement=mirror.placement))
    return replace(own, obstacles=tuple(standing)), known


def _looks_down(camera: Projector, table_mm: float) -> bool:
    """Whether any corner of the picture looks down at the table."""
    width, height = camera.resolution
    sides = [np.linspace(0.0, n - 1.0, 3) for n in (width, height)]
    corners = np.stack(np.meshgrid(*sides), axis=-1)
    down = bool((pixel_rays(camera, corners)[..., 2] < -1e-3).any())
    return down and float(camera.placement.position_mm[2]) > table_mm


def _direct_part(rig: Rig, camera: Projector, first_zone: int) -> ViewPart:
    """The table seen directly, over an auxiliary mirror halfway down: see `_mirrored`."""
    x, y, z = camera.placement.position_mm
    plane_mm = (rig.table.height_mm + float(z)) / 2.0
    half = _FAR * (plane_mm - rig.table.height_mm)
    corners = np.array([[-half, -half, 0.0], [-half, half, 0.0], [half, half, 0.0], [half, -half, 0.0]])
    facet = Facet(corners_mm=corners, bend_radius_mm=None, bend_axis=None)
    mirror = Mirror(
        shape=FacetsShape(facets=(facet,)),
        placement=Placement(position_mm=np.array([x, y, plane_mm]), rotation=np.eye(3)),
        position_tolerance_mm=_FIXED_MM,
        rotation_tolerance_rad=_FIXED_RAD,
    )
    own = replace(rig, projector=_mirrored(camera, plane_mm), mirror=mirror, obstacles=())
    return ViewPart(
        mirror=None,
        camera=camera,
        model=build_model(own, meshes={}),
        tolerances=rig_tolerances(own),
        first_zone=first_zone,
        flipped=True,
        plane_mm=plane_mm,
    )


def _mirrored(camera: Projector, plane_mm: float) -> Projector:
    """A camera mirrored in a level plane that lies between it and the table, its picture flipped left to right.

    A ray from the mirrored camera meets the real one where that crosses the plane, and goes on as it does. The mirrored
    camera would be left-handed; with its picture flipped (u' = W - 1 - u, p2' = -p2) it is an ordinary one.
    """
    eye, width = camera.placement, camera.resolution[0]
    placement = Placement(
        position_mm=np.array([*eye.position_mm[:2], 2.0 * plane_mm - float(eye.position_mm[2])]),
        rotation=np.diag([1.0, 1.0, -1.0]) @ eye.rotation @ np.diag([-1.0, 1.0, 1.0]),
    )
    lens = camera.lens
    if lens is not None:
        matrix, distortion = lens.matrix.copy(), lens.distortion.copy()
        matrix[0, 2], distortion[3] = width - 1 - matrix[0, 2], -distortion[3]
        sign = np.array([1, 1, -1, 1, 1, 1, 1, -1, 1])  # of fx, fy, cx, cy, k1, k2, p1, p2, k3
        covariance = None if lens.covariance is None else lens.covariance * np.outer(sign, sign)
        lens = replace(lens, matrix=matrix, distortion=distortion, covariance=covariance)
    return replace(camera, placement=placement, lens=lens)
