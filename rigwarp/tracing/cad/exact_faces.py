"""A CAD kernel's own faces, where the file holds them: the rim of a mirror, and its surface without a fit."""

import numpy as np

from rigwarp.geometry import Array, ExactFaces, Nurbs
from rigwarp.tracing.cad.faces import near_light
from rigwarp.tracing.cad.patches import Patch
from rigwarp.tracing.cad.welding import Numbers

_ALL_BUT = 0.9  # share of a piece's light: the rest fell on the first rows of a rounding
_EDGE_ON = 0.1  # cosine to the mean normal from which on a face is no height field
_POINTED = 1e-9  # of the largest: where tangents span less, as at a pole, parameters cannot be found again


def on_own_faces(pieces: list[Patch], front: Patch, hits: Numbers, exact: ExactFaces) -> list[Patch]:
    """Each piece of mirror as the whole CAD face that it lies on, up to that face's own rim.

    Kernels cut smooth surfaces at seams, and a face may have creases: pieces on several faces, and several on one, stay
    as they are. `hits` (M,) are the rays that meet each triangle of the whole mesh.
    """
    faces: list[int | None] = []
    for piece in pieces:
        light = np.bincount(exact.face[piece.numbers], weights=hits[piece.numbers])
        faces.append(int(np.argmax(light)) if light.max() > _ALL_BUT * light.sum() else None)
    found = []
    for piece, face in zip(pieces, faces, strict=True):
        if face is not None and faces.count(face) == 1:
            whole = front.part(exact.face[front.numbers] == face)
            piece = whole.part(near_light(whole, hits[whole.numbers]))
        found.append(piece)
    return found


def spline_of(piece: Patch, exact: ExactFaces, T: Array, *, within_mm: float) -> tuple[Nurbs, Array] | None:
    """The spline that a piece of mirror is, in a frame T (4, 4) on its mean plane, and (K, 2) parameters all over it.

    None where it lies on several faces, on none that is a spline, strays from it by more than `within_mm` (rms), or is
    no height field there.
    """
    numbers = np.unique(exact.face[piece.numbers])
    nurbs = exact.surfaces[numbers[0]] if len(numbers) == 1 else None
    if nurbs is None:
        return None
    corners = exact.corners_uv[piece.numbers]
    local = nurbs.moved(np.linalg.inv(T))
    point, by_u, by_v = local.point_and_tangents(*corners.reshape(-1, 2).T)
    middle = T[:3, :3] @ point.reshape(-1, 3, 3).mean(axis=1).T + T[:3, 3:]
    normal = np.cross(by_u, by_v)
    length = np.linalg.norm(normal, axis=1)
    steep = normal[:, 2] * np.sign(np.sum(normal[:, 2])) < _EDGE_ON * length
    if steep.any() or length.min() < _POINTED * length.max():
        return None
    if not np.sqrt(np.mean((middle.T - piece.middles_mm) ** 2)) < within_mm:
        return None
    starts = np.concatenate([corners.reshape(-1, 2), corners.mean(axis=1)])
    return local, np.unique(starts, axis=0)
