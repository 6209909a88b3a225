"""What the light finds on a CAD model: pieces of mirror, and faces on which it goes astray."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, TriangleMesh
from rigwarp.tracing.shadows import RayTracer

NO_FACE = -1


@dataclass(frozen=True, kw_only=True)
class FaceNote:
    """A face that light meets.

    Attributes
    ----------
    number : its own; pieces of mirror have their zone's.
    name : what to call it.
    stray : whether it is no piece of mirror.
    light : share of the light on the CAD model (the picture and a tenth around it) that meets it first.
    middle_mm : (3,) where it lies, mirror frame.
    width_mm : of a long band: its width.
    """

    number: int
    name: str
    stray: bool
    light: float
    middle_mm: Array
    width_mm: float


@dataclass(frozen=True, kw_only=True)
class CadFaces:
    """A CAD model as a body, and its faces; mirror frame.

    Attributes
    ----------
    body : its triangles, ready for rays.
    mesh : the same triangles.
    label : (M,) number of each triangle's face, NO_FACE where no light comes.
    notes : the faces, the mirror's first.
    reflecting_side : (3,) unit vector.
    """

    body: RayTracer
    mesh: TriangleMesh
    label: NDArray[np.int64]
    notes: tuple[FaceNote, ...]
    reflecting_side: Array

    def glints(self, origin_mm: Array, rays: Array) -> tuple[Array, Array]:
        """Where rays (N, 3) from a point (3,) first meet a triangle, (N, 3), and their directions after it; or NaN."""
        return self.body.glints(np.broadcast_to(origin_mm, rays.shape), rays)
