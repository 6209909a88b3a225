"""Triangles beside a piece of mirror that are part of it: slivers at a rounding's rim, facets that a hole was cut from.

What the finding of faces leaves out there only costs light, so it is asked again once the surface is known. Cut facets
have corners on the old facets' edges, off the surface by as much as a chord: they widen the outline, and are never
fitted.
"""

from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from rigwarp.geometry import Array, BoolArray
from rigwarp.tracing.cad.face_fit import FittedSurface
from rigwarp.tracing.cad.patches import Patch
from rigwarp.tracing.cad.welding import Numbers, face_groups, lengths
from rigwarp.tracing.surfaces.height_field import spread_sample
from rigwarp.tracing.surfaces.outline import Outline
from rigwarp.tracing.surfaces.surface import unit_normals

_CHORDS = 1.5  # times the largest gap between the surface and its own triangles
_TURNS = 1.5  # times the largest turn of its own triangles against it
_MOST_RAD = 0.1  # more turns a chamfer
_SIGMAS, _ROUNDINGS = 3.0, 4.0
_OWN = 100_000  # of its triangles that are asked
_USUAL = 99.0  # per cent of its triangles that say what is largest


def closed_up(piece: Patch, front: Patch) -> Patch:
    """The piece with those of the front's triangles whose three corners it has already."""
    ours = np.isin(front.numbers, piece.numbers)
    return front.part(ours | piece.used[front.faces].all(axis=1))


def with_sure_corners(piece: Patch, surface: FittedSurface, front: Patch, *, rounding_mm: float) -> Patch:
    """The piece with those triangles around it whose corners lie where the fit foretells them, to its own doubt.

    Worth another fit: large triangles at a rounding, whose few edges say little about where they belong.
    """
    ours = np.isin(front.numbers, piece.numbers)
    free = np.flatnonzero(~ours)
    near = free[_alike(piece, surface, front, free)]
    if not len(near):
        return piece
    corners = front.vertices_mm[front.faces[near]]
    local = _local(corners, surface)
    away = np.asarray(cKDTree(piece.vertices_mm[piece.used]).query(corners.reshape(-1, 3))[0])
    doubt = away.reshape(local.shape[:2]) * surface.slope_sigma(local[..., 0], local[..., 1])
    off = np.abs(surface.sag(local[..., 0], local[..., 1]) - local[..., 2])
    gained = np.zeros(len(front.faces), bool)
    gained[near[(off <= _SIGMAS * doubt + _ROUNDINGS * rounding_mm).all(axis=1)]] = True
    gained = _joined(front, ours, gained)
    return front.part(ours | gained) if gained.any() else piece


def regained(pieces: list[Patch], surfaces: list[FittedSurface], front: Patch) -> list[tuple[Patch, FittedSurface]]:
    """Each piece and its surface, wider by the triangles around it that lie on it as well as its own do."""
    taken = np.isin(front.numbers, np.concatenate([piece.numbers for piece in pieces]))
    found = []
    for piece, surface in zip(pieces, surfaces, strict=True):
        ours = np.isin(front.numbers, piece.numbers)
        free = np.flatnonzero(~taken)
        gained = np.zeros(len(front.faces), bool)
        gained[free] = _alike(piece, surface, front, free)
        gained = _joined(front, ours, gained)
        taken |= gained
        if gained.any():
            piece = front.part(ours | gained)
            border = _local(piece.vertices_mm, surface)[piece.edges.border]
            surface = replace(surface, outline=Outline(edges_mm=border[..., :2]))
        found.append((piece, surface))
    return found


def _local(points_mm: Array, surface: FittedSurface) -> Array:
    T = surface.T_mirror_from_surface
    return np.asarray((points_mm - T[:3, 3]) @ T[:3, :3])


def _alike(piece: Patch, surface: FittedSurface, front: Patch, asked: Numbers) -> BoolArray:
    """(K,) whether triangles (K,) of the front lie as close to a piece's surface, and as flat on it, as its own do."""
    if not len(asked):
        return np.zeros(0, bool)
    own = piece.faces[spread_sample(len(piece.faces), _OWN)]
    gap, turn = _off(surface, piece.vertices_mm[own], whole=True)
    most_mm, most_rad = (float(np.nanpercentile(values, _USUAL)) for values in (gap, turn))
    near_mm, near_rad = _off(surface, front.vertices_mm[front.faces[asked]], whole=False)
    with np.errstate(invalid="ignore"):
        return np.asarray((near_mm <= _CHORDS * most_mm) & (near_rad <= min(_TURNS * most_rad, _MOST_RAD)))


def _off(surface: FittedSurface, corners_mm: Array, *, whole: bool) -> tuple[Array, Array]:
    """(K,) how far triangles' (K, 3, 3) corners stand off, and how far they turn at their middles.

    With `whole`, what any part of them does: their middles stand off, too, and at their corners they turn most.
    """
    local = _local(corners_mm, surface)
    middles = local.mean(axis=1, keepdims=True)
    points = np.concatenate([local, middles], axis=1)
    gap = np.abs(surface.sag(points[..., 0], points[..., 1]) - points[..., 2])
    across = np.cross(local[:, 1] - local[:, 0], local[:, 2] - local[:, 0])
    across /= np.maximum(lengths(across), 1e-300)[:, None]
    cosine = np.abs(np.einsum("kpi,ki->kp", unit_normals(surface, points[..., 0], points[..., 1]), across))
    turn = np.arccos(np.clip(cosine, -1.0, 1.0))
    return (gap.max(axis=1), turn.max(axis=1)) if whole else (gap[:, :3].max(axis=1), turn[:, 3])


def _joined(front: Patch, ours: BoolArray, gained: BoolArray) -> BoolArray:
    """(M,) those gained that hang together with ours, side by side."""
    both = (ours | gained)[front.edges.faces].all(axis=1)
    group = face_groups(len(front.faces), front.edges.faces[both])
    touching = np.zeros(int(group.max()) + 1, bool)
    touching[group[ours]] = True
    return np.asarray(gained & touching[group])
