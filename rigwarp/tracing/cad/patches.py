"""From a welded CAD export to the smooth patches that reflect: choose the side, split at creases, drop fragments."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import binary_dilation

from rigwarp.errors import InputError
from rigwarp.geometry import Array, BoolArray
from rigwarp.tracing.cad.creases import ALWAYS_CREASE_RAD, SMALLEST_CREASE_RAD, is_crease, turns
from rigwarp.tracing.cad.welding import (
    Edges,
    Numbers,
    area_vectors,
    edges_of,
    face_groups,
    inward_faces,
    lengths,
    used_vertices,
)
from rigwarp.tracing.surfaces.height_field import spline_by_density
from rigwarp.tracing.surfaces.panel import frame_on_plane

_GRAZING = 1e-3  # cosine: faces closer than this to edge-on do not count as reflecting
_SLIVER = 20.0  # a triangle lower than so many roundings has no trustworthy normal
_MANY_EDGES = 3_000  # more suspects than this are first asked whether one smooth surface explains them
_KINK_SHOWS = 0.02  # a kink J within a spline cell of size h leaves at least this times J h as residual there
_FRAGMENT = 1e-3  # share of the area below which a patch is a leftover of its neighbour
_EAR_FACES = 3  # so few triangles at a corner hang on vertices that nothing else can confirm
_SMALL_PART = 0.1  # share of a patch's faces below which it is quicker to find a part's edges anew than among all
_EAR = 0.03  # share of the area up to which they are taken for a corner, not for a panel


@dataclass(frozen=True, kw_only=True)
class Patch:
    """Part of a welded mesh.

    Attributes
    ----------
    vertices_mm : (N, 3) all of the mesh's vertices, mirror frame.
    faces : (M, 3) the patch's triangles; of a reflecting side, wound so that their normals point there.
    numbers : (M,) their numbers in the welded mesh.
    area_vectors_mm2 : (M, 3) area times unit normal of each face.
    edges : of the faces.
    """

    vertices_mm: Array
    faces: Numbers
    numbers: Numbers
    area_vectors_mm2: Array
    edges: Edges

    @classmethod
    def of(cls, vertices_mm: Array, faces: Numbers, numbers: Numbers | None = None) -> "Patch":
        """These faces of a mesh, all of it if their numbers are not given."""
        return cls(
            vertices_mm=vertices_mm,
            faces=faces,
            numbers=np.arange(len(faces)) if numbers is None else numbers,
            area_vectors_mm2=area_vectors(vertices_mm, faces),
            edges=edges_of(faces),
        )

    @property
    def areas_mm2(self) -> Array:
        """(M,) area of each face."""
        return lengths(self.area_vectors_mm2)

    @property
    def middles_mm(self) -> Array:
        """(M, 3) mean of each face's corners."""
        return np.asarray(sum(self.vertices_mm[self.faces[:, i]] for i in range(3)) / 3.0)

    @property
    def longest_mm(self) -> Array:
        """(M,) longest side of each face."""
        longest = np.zeros(len(self.faces))
        for i, k in ((0, 1), (1, 2), (2, 0)):
            side = self.vertices_mm[self.faces[:, i]] - self.vertices_mm[self.faces[:, k]]
            np.maximum(longest, lengths(side), out=longest)
        return longest

    @property
    def used(self) -> BoolArray:
        """(N,) the mesh's vertices that the faces have."""
        return used_vertices(self.faces, len(self.vertices_mm))

    def part(self, chosen: BoolArray) -> "Patch":
        """Only the chosen (M,) faces."""
        if chosen.all():
            return self
        faces, numbers = self.faces[chosen], self.numbers[chosen]
        if not self.edges.manifold or len(faces) < _SMALL_PART * len(chosen):
            return Patch.of(self.vertices_mm, faces, numbers)
        vectors, edges = self.area_vectors_mm2[chosen], self.edges.part(chosen)
        return replace(self, faces=faces, numbers=numbers, area_vectors_mm2=vectors, edges=edges)

    def turned(self, chosen: BoolArray) -> "Patch":
        """The same faces, the chosen (M,) ones wound the other way."""
        if not chosen.any():
            return self
        other_way = chosen[self.edges.faces]
        return replace(
            self,
            faces=np.where(chosen[:, None], self.faces[:, ::-1], self.faces),
            area_vectors_mm2=np.where(chosen[:, None], -self.area_vectors_mm2, self.area_vectors_mm2),
            edges=replace(self.edges, same_way=self.edges.same_way ^ (other_way[:, 0] != other_way[:, 1])),
        )


def reflecting_faces(whole: Patch, reflecting_side: Array, *, file: str) -> Patch:
    """The triangles of a welded mesh that can reflect towards `reflecting_side`.

    Of a closed solid those that look to that side. The faces of an open surface may be wound either way, even each in
    its own way, so all of them are taken and turned to that side; which of them the light meets is found out later.

    Raises
    ------
    InputError
        No triangle looks to that side.
    """
    vectors = whole.area_vectors_mm2
    towards, least = vectors @ reflecting_side, _GRAZING * whole.areas_mm2
    inward = inward_faces(vectors, whole.edges, whole.vertices_mm[whole.faces[:, 0]])
    turn = towards < 0.0 if inward is None else inward
    chosen = np.where(turn, -towards, towards) > least
    if not chosen.any():
        side = ", ".join(f"{s:g}" for s in reflecting_side)
        raise InputError(
            f"mirror.file {file!r}: none of its {len(chosen)} triangles faces the reflecting side ({side}). "
            "Correct mirror.reflecting_side, which is given in the axes of the mesh."
        )
    return whole.part(chosen).turned(turn[chosen])


def smooth_patches(patch: Patch, *, crease_rad: float | None, rounding_mm: float) -> list[Patch]:
    """Split at creases, the largest patch first.

    Parameters
    ----------
    crease_rad : neighbouring faces that turn by more than this form a crease; None finds creases by what the vertices
        around an edge say.
    rounding_mm : how far rounding may have moved a vertex; decides which triangles are slivers.
    """
    edges = patch.edges
    normals = trusted_normals(patch, rounding_mm)
    turn = turns(normals, edges.faces)
    with np.errstate(invalid="ignore"):
        crease = edges.same_way | (turn > (ALWAYS_CREASE_RAD if crease_rad is None else crease_rad))
        suspects = np.flatnonzero(~crease & (turn > SMALLEST_CREASE_RAD))
    if crease_rad is None and len(suspects):
        if len(suspects) > _MANY_EDGES:
            suspects = suspects[_near_misfit(patch, edges, crease)[suspects]]
        crease[suspects[is_crease(patch.vertices_mm, patch.faces, normals, edges, suspects)]] = True
    label: Numbers = face_groups(len(patch.faces), edges.faces[~crease]).astype(np.int64)
    if not label.any():
        return [patch]
    label = _absorb_fragments(patch, edges, label)
    area = np.bincount(label, weights=patch.areas_mm2)
    parts = [patch.part(label == k) for k in np.argsort(-area) if area[k] > 0.0]
    if crease_rad is not None or len(parts) == 1:
        return parts
    # once a neighbour across a crease is out of the way, a piece may show creases of its own
    finer = [q for p in parts for q in smooth_patches(p, crease_rad=None, rounding_mm=rounding_mm)]
    return sorted(finer, key=lambda p: -float(p.areas_mm2.sum()))


def trusted_normals(patch: Patch, rounding_mm: float) -> Array:
    """(M, 3) unit normals, NaN where a triangle is too low to have one."""
    vectors = patch.area_vectors_mm2
    twice_area = 2.0 * lengths(vectors)
    low = twice_area < _SLIVER * rounding_mm * patch.longest_mm
    return np.where(low[:, None], np.nan, 2.0 * vectors / np.maximum(twice_area, 1e-300)[:, None])


def _near_misfit(patch: Patch, edges: Edges, crease: BoolArray) -> BoolArray:
    """(E,) edges near which one smooth surface through all vertices of a connected piece leaves unusual residuals."""
    label = face_groups(len(patch.faces), edges.faces[~crease])
    odd = np.zeros(len(patch.vertices_mm), bool)
    for k in range(label.max() + 1):
        faces = patch.faces[label == k]
        used = np.flatnonzero(used_vertices(faces, len(odd)))
        if len(used) < 100:  # too few vertices for the residuals to say anything: look at every edge
            odd[used] = True
            continue
        odd[used] = _misfit(patch.vertices_mm[used], area_vectors(patch.vertices_mm, faces).sum(axis=0))
    return odd[edges.ends[:, 0]] | odd[edges.ends[:, 1]]


def _misfit(points_mm: Array, direction: Array) -> BoolArray:
    """(N,) points whose spline cell, or a neighbouring one, has residuals that a crease could leave."""
    T = frame_on_plane(points_mm, direction / np.linalg.norm(direction))
    local = (points_mm - T[:3, 3]) @ T[:3, :3]
    spline = spline_by_density(local)
    residual = local[:, 2] - spline.value(local[:, 0], local[:, 1])
    nx, ny = spline.cells
    cell = np.floor((local[:, :2] - spline.start_mm) / spline.cell_mm).astype(int)
    cell = np.ravel_multi_index(cell.T, (nx, ny), mode="clip")
    total, count = (np.bincount(cell, weights, minlength=nx * ny) for weights in (residual**2, None))
    rms = np.sqrt(total / np.maximum(count, 1))
    suspect = rms > _KINK_SHOWS * SMALLEST_CREASE_RAD * spline.cell_mm.min()
    return binary_dilation(suspect.reshape(nx, ny), np.ones((3, 3), bool)).ravel()[cell]


def _absorb_fragments(patch: Patch, edges: Edges, label: Numbers) -> Numbers:
    """Give slivers and single triangles cut off by chance to the neighbour they share the longest border with."""
    size = patch.areas_mm2
    length = lengths(patch.vertices_mm[edges.ends[:, 1]] - patch.vertices_mm[edges.ends[:, 0]])
    for _ in range(3):  # a fragment may border on another one first
        area = np.bincount(label, weights=size)
        single = (np.bincount(label) <= _EAR_FACES) & (area < _EAR * area.sum())
        small = single | (area < _FRAGMENT * area.sum())
        a, b = label[edges.faces[:, 0]], label[edges.faces[:, 1]]
        a, b, weight = np.concatenate([a, b]), np.concatenate([b, a]), np.tile(length * ~edges.same_way, 2)
        moves = small[a] & (a != b) & (area[b] > area[a])
        if not moves.any():
            break
        n = len(area)
        key, which = np.unique(a[moves] * n + b[moves], return_inverse=True)
        shared = np.bincount(which.reshape(-1), weights=weight[moves])
        order = np.argsort(shared)
        target = np.arange(n)
        target[key[order] // n] = key[order] % n
        label = np.unique(target[label], return_inverse=True)[1].reshape(-1)
    return label
