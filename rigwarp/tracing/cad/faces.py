"""The faces of a CAD export: pieces of mesh within which neither the slope nor the curvature jumps.

At an edge of length L, between triangles whose third vertices lie w_1 and w_2 away from it and t_1, t_2 along it (from
its middle), a surface of curvature k turns by at most

    k g,     g = (w_1 + w_2) / 2 + |t_2 - t_1| + (|t_1^2 - L^2/4| / w_1 + |t_2^2 - L^2/4| / w_2) / 2

(vertices on the surface, its second fundamental form no larger than k). So turn / g is a lower bound of the curvature
there, whatever the triangles look like. Where it exceeds what both neighbours and the lit mirror have by a factor, a
face ends: at a crease, and as well where a rounding begins without one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array, BoolArray, TriangleMesh
from rigwarp.tracing.cad.cad_faces import NO_FACE, FaceNote
from rigwarp.tracing.cad.creases import turns
from rigwarp.tracing.cad.patches import Patch, trusted_normals
from rigwarp.tracing.cad.welding import Edges, Numbers, edges_of, face_groups, lengths

_JUMP = 2.5  # times the curvature at which a face ends; triangles of one sphere differ by two or so
_FLATTEST = 0.1  # curvature, in units of 1 / the front's size, below which a face counts as flat
_GENTLE = 4.0  # curvature, in the same unit, that no rounding has: a quarter of the size as radius
_STRIP = 3.0  # times the mean width of its triangles: longer edges are those of strips
_ENOUGH = 0.98  # share of the light that must lie on faces worth a name, or else curvature is judged anew without them
_NARROW_MM = 3.0  # chamfers, roundings and engraved walls are narrower,
_NARROW = 0.05  # and narrower than this share of the mirror
_ROUND, _ROUND_RAD = 0.1, 0.5  # a wider band, up to this share, is a rounding if it turns so far across
_PASSES = 3
_AT_ONCE = 200_000  # edges; what belongs to so many stays in a processor's cache
LEAST_LIGHT = 0.002
"""Share of the light on the front: with less a face is no piece of mirror."""


@dataclass(frozen=True, kw_only=True)
class Face:
    """A piece of the front within which the surface is smooth.

    Attributes
    ----------
    patch : its triangles.
    light : share of the light on the front that meets it first.
    width_mm : 2 area / perimeter: about that of a long band, half that of a square.
    """

    patch: Patch
    light: float
    width_mm: float


def faces_of(front: Patch, hits: Numbers, *, rounding_mm: float) -> list[Face]:
    """The front's lit faces, the most lit one first.

    Parameters
    ----------
    front : the triangles that can reflect.
    hits : (M,) how many rays meet each of them first.
    rounding_mm : how far rounding may have moved a vertex.
    """
    edges = front.edges
    bend = _Bends.of(front, edges, trusted_normals(front, rounding_mm))
    label = _labels(front, edges, bend, hits)
    light = np.bincount(label, weights=hits) / max(int(hits.sum()), 1)
    lit = [k for k in np.argsort(-light, kind="stable") if light[k] > 0.0]
    return [_face(front.part(label == k), float(light[k])) for k in lit]


def is_stray(face: Face, size_mm: float) -> bool:
    """Whether light on a face is astray: hardly any meets it, or it is the narrow band of a chamfer or rounding."""
    return face.light <= LEAST_LIGHT or _is_band(face, size_mm)


def _is_band(face: Face, size_mm: float) -> bool:
    if face.width_mm < min(_NARROW_MM, _NARROW * size_mm):
        return True
    return face.width_mm < _ROUND * size_mm and _curvature(face.patch) * face.width_mm > _ROUND_RAD


def _curvature(patch: Patch) -> float:
    """1/mm, rms over the edges: of a round band about its larger one, since most edges run along it."""
    bend = _Bends.of(patch, patch.edges, trusted_normals(patch, 0.0))
    known = bend.apparent[np.isfinite(bend.at_edge)]
    return float(np.sqrt(np.mean(known**2))) if len(known) else 0.0


def described(
    mesh: TriangleMesh, mirrors: list[Patch], names: list[str], light: Array, facets: Sequence[Numbers] = ()
) -> tuple[Numbers, tuple[FaceNote, ...]]:
    """(M,) number of each triangle's face, and what to say of each: pieces of mirror, then all else that light meets.

    Triangles beside the mirror that light meets and that hang together are one stray face. `light` (M,) is what falls
    on each; `facets` are the triangles of facets within the mirror.
    """
    label: Numbers = np.full(len(mesh.faces), NO_FACE)
    for zone, patch in enumerate(mirrors):
        label[patch.numbers] = zone
    astray = np.flatnonzero((label == NO_FACE) & (light > 0))
    if len(astray):
        group = face_groups(len(astray), edges_of(mesh.faces[astray]).faces)
        order = np.argsort(-np.bincount(group, weights=light[astray]), kind="stable")
        label[astray] = len(mirrors) + np.argsort(order)[group]
    on_facet = np.isin(np.arange(len(label)), np.concatenate([np.empty(0, np.int64), *facets]))
    total = max(float(light.sum()), 1e-300)
    size_mm = max(float(np.ptp(patch.vertices_mm[patch.used], axis=0).max()) for patch in mirrors)
    notes = []
    for number in range(int(label.max()) + 1):
        stray = number >= len(mirrors)
        own = np.flatnonzero(label == number)
        patch = Patch.of(mesh.vertices_mm, mesh.faces[own], own) if stray else mirrors[number]
        face = _face(patch, float(light[own].sum() / total))
        if not stray:
            name = names[number]
        elif on_facet[own].all():
            name = "flat facet in the mirror"
        else:
            band = face.width_mm < _NARROW_MM or _is_band(face, size_mm)
            name = "edge, chamfer or rounding" if band else "another part of the body"
        middles = patch.middles_mm  # the one next to their mean is on the face even where it runs around a mirror
        notes.append(
            FaceNote(
                number=number,
                name=name,
                stray=stray,
                light=face.light,
                middle_mm=middles[np.argmin(lengths(middles - middles.mean(axis=0)))],
                width_mm=face.width_mm,
            )
        )
    return label, tuple(notes)


def _face(patch: Patch, light: float) -> Face:
    area = float(patch.areas_mm2.sum())
    rim = np.diff(patch.vertices_mm[patch.edges.border], axis=1)[:, 0]
    around = float(np.linalg.norm(rim, axis=1).sum())
    return Face(patch=patch, light=light, width_mm=2.0 * area / around if around else np.inf)


@dataclass(frozen=True, kw_only=True)
class _Bends:
    """Lower bounds of the curvature, 1/mm.

    Attributes
    ----------
    at_edge : (E,) NaN next to a triangle without trusted normal.
    of_triangle : (M, 3) at its edges; infinite for edges that it shares with none.
    apparent : (E,) turn over the mean width of both triangles: the curvature if they are well shaped.
    long : (E,) edges of strips, many times as long as their triangles are wide: there the bound is a weak one, by a
        factor that depends on which way the strips are halved, and `apparent` is the curvature.
    """

    at_edge: Array
    of_triangle: Array
    apparent: Array
    long: BoolArray

    @classmethod
    def of(cls, patch: Patch, edges: Edges, normals: Array) -> "_Bends":
        at_edge, apparent = np.empty(len(edges.ends)), np.empty(len(edges.ends))
        long = np.empty(len(edges.ends), bool)
        for begin in range(0, len(at_edge), _AT_ONCE):
            part = slice(begin, begin + _AT_ONCE)
            with np.errstate(invalid="ignore", divide="ignore"):
                turn = turns(normals, edges.faces[part])
                reach, width, length = _reach_mm(patch.vertices_mm, edges.ends[part], edges.opposite[part])
                at_edge[part], apparent[part], long[part] = turn / reach, turn / width, length > _STRIP * width
        slots = np.full((len(patch.faces), 3), np.inf)
        for side in (0, 1):
            owner = edges.faces[:, side]
            slots[owner, (patch.faces[owner] == edges.opposite[:, side, None]).argmax(axis=1)] = np.nan_to_num(at_edge)
        return cls(at_edge=at_edge, of_triangle=slots, apparent=np.nan_to_num(apparent), long=long)

    @property
    def largest(self) -> Array:
        """(M,) of each triangle's shared edges."""
        return np.where(np.isfinite(self.of_triangle), self.of_triangle, 0.0).max(axis=1)

    def around(self, patch: Patch, edges: Edges, asked: BoolArray) -> Array:
        """(E,) what both sides of an edge show in all their surroundings, for the edges (E,) that are asked for.

        Of the edges of all triangles around a vertex the lower quartile counts, of a triangle's vertices the least, and
        of an edge's triangles the lesser: a triangle whose corners lie on a rounding's rim still shows the mirror.
        """
        wanted = np.zeros(len(patch.vertices_mm), bool)
        wanted[patch.faces[edges.faces[asked]]] = True
        corner, slot = np.nonzero(wanted[patch.faces].repeat(3, axis=1) & np.isfinite(np.tile(self.of_triangle, 3)))
        vertex, value = patch.faces[corner, slot // 3], self.of_triangle[corner, slot % 3].astype(np.float32)
        # both in one number: bits of positive floats sort as the floats do, and sorting is ten times as fast as lexsort
        both = np.sort(vertex.astype(np.uint64) << np.uint64(32) | value.view(np.uint32).astype(np.uint64))
        count = np.bincount(vertex, minlength=len(wanted))
        first = np.cumsum(count) - count
        at_vertex = np.zeros(len(count))
        quartile = both[(first + count // 4)[count > 0]].astype(np.uint32)  # the lower half
        at_vertex[count > 0] = quartile.view(np.float32)
        around = np.zeros(len(edges.ends))
        around[asked] = at_vertex[patch.faces[edges.faces[asked]]].min(axis=(1, 2))
        return around


def _reach_mm(vertices_mm: Array, ends: Numbers, opposite: Numbers) -> tuple[Array, Array, Array]:
    """(E,) g of the module's docstring, (w_1 + w_2) / 2, and L, of edges between `ends` (E, 2)."""
    start, end = vertices_mm[ends[:, 0]], vertices_mm[ends[:, 1]]
    along = end - start
    length = lengths(along)
    along = along / length[:, None]
    width, reach, places = np.zeros(len(length)), np.zeros(len(length)), []
    for side in (0, 1):
        away = vertices_mm[opposite[:, side]] - 0.5 * (start + end)
        t = np.einsum("ei,ei->e", away, along)
        w = np.sqrt(np.maximum(np.einsum("ei,ei->e", away, away) - t * t, 0.0))
        width += 0.5 * w
        reach += 0.5 * np.abs(t * t - 0.25 * length**2) / w
        places.append(t)
    return width + reach + np.abs(places[1] - places[0]), width, length


def _labels(front: Patch, edges: Edges, bend: _Bends, hits: Numbers) -> Numbers:
    """(M,) number of the face that each triangle belongs to."""
    size = float(np.ptp(front.vertices_mm[front.used], axis=0).max())
    flat = _FLATTEST / size
    bent = bend.long & (bend.apparent > flat)  # not those that halve a strip
    in_strips = max(_weighted_median(bend.apparent[bent], hits[edges.faces[bent]].sum(axis=1)), flat)
    joined = ~edges.same_way & bend.long & (bend.apparent <= _JUMP * in_strips)
    named = np.zeros(len(hits), bool)  # triangles of faces that are found
    label: Numbers = np.arange(len(hits))
    beside = np.zeros(len(edges.ends))
    for _ in range(_PASSES):
        usual = max(_weighted_median(bend.largest, np.where(named, 0, hits)), flat)
        free = ~named[edges.faces].any(axis=1)
        with np.errstate(invalid="ignore"):
            joined |= free & ~edges.same_way & (bend.at_edge <= _JUMP * np.maximum(usual, beside))
        label = _with_slivers(edges, bend, face_groups(len(hits), edges.faces[joined]).astype(np.int64))
        light = np.bincount(label, weights=hits) / max(int(hits.sum()), 1)
        named = (light > LEAST_LIGHT)[label]
        if hits[named].sum() > _ENOUGH * hits.sum():
            break
        beside = bend.around(front, edges, np.asarray(~named[edges.faces].any(axis=1)))
    gentle = _gentle(front, edges, bend, label, _GENTLE / size)
    if not gentle.any():
        return label
    joined |= gentle
    return _with_slivers(edges, bend, face_groups(len(hits), edges.faces[joined]).astype(np.int64))


def _gentle(front: Patch, edges: Edges, bend: _Bends, label: Numbers, most: float) -> BoolArray:
    """(E,) edges of pieces within the front that nowhere bend as a rounding does: a dent or bump of the mirror."""
    rim = np.zeros(len(front.vertices_mm), bool)
    rim[front.edges.border] = True
    apart = np.zeros(int(label.max()) + 1, bool)
    apart[label[rim[front.faces].any(axis=1)]] = True
    apart[np.argmax(np.bincount(label))] = True  # the mirror itself: what joins it must be gentle
    weak = ~edges.same_way & (bend.apparent <= most)
    apart[label[edges.faces[bend.apparent > most]]] = True
    return weak & ~apart[label[edges.faces]].all(axis=1)


def _with_slivers(edges: Edges, bend: _Bends, label: Numbers) -> Numbers:
    """Triangles too low to have a normal go with a neighbour."""
    unsure = np.isnan(bend.at_edge)
    if not unsure.any():
        return label
    count = np.bincount(label)
    label = label.copy()
    a, b = edges.faces[unsure].T
    for one, other in ((a, b), (b, a)):
        single = count[label[one]] == 1
        label[one[single]] = label[other[single]]
    return label


def _weighted_median(values: Array, weights: Numbers) -> float:
    values, weights = values[weights > 0], weights[weights > 0]
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])]) if len(total) else 0.0


def near_light(patch: Patch, hits: Numbers) -> BoolArray:
    """(M,) the patch's triangles that light meets, and those within half the lit piece's size around them.

    All of them unless the patch turns so far from where light meets it that one height field cannot describe it.
    """
    from scipy.spatial import cKDTree

    vectors = patch.area_vectors_mm2
    areas = patch.areas_mm2
    lit = hits > 0
    mean = (vectors[lit] * (hits[lit] / np.maximum(areas[lit], 1e-300))[:, None]).sum(axis=0)
    facing = vectors @ (mean / np.linalg.norm(mean)) > _STEEP * areas
    if facing.all():
        return np.asarray(facing)
    middles = patch.middles_mm
    reach = _MARGIN * float(np.linalg.norm(np.ptp(middles[lit], axis=0)))
    asked = facing & ~lit & _in_box(middles, middles[lit], reach)
    gap, _ = cKDTree(middles[lit]).query(middles[asked], distance_upper_bound=reach)
    lit[asked] = np.isfinite(gap)
    return lit


def in_lights_box(patch: Patch, hits: Numbers) -> BoolArray:
    """(M,) the patch's triangles in the box around those that light meets, half its diagonal wider to all sides."""
    middles = patch.middles_mm
    lit = middles[hits > 0]
    return _in_box(middles, lit, _MARGIN * float(np.linalg.norm(np.ptp(lit, axis=0))))


def _in_box(points: Array, inner: Array, margin: float) -> BoolArray:
    return np.asarray(((points > inner.min(axis=0) - margin) & (points < inner.max(axis=0) + margin)).all(axis=1))


_STEEP = 0.5  # cosine of the angle to the mean lit normal beyond which a face is left out where no light meets it
_MARGIN = 0.5
