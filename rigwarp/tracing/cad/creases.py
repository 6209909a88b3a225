"""Where a tessellated surface really bends: creases against the turns that come from tessellating a curve.

A triangle mesh turns at every edge. What tells a crease is the slope jump that is left when the vertices around the
edge are explained by a smooth surface: in the frame of the edge (s across, t along) they are fitted by

    q = quadratic(s, t) + J s_+ + K s_+^2,       s_+ = max(s, 0)

with J the slope jump, K a curvature jump. Vertices lie on the CAD surface, so on a smooth one J is small however coarse
the triangles are; between flat panels J is the fold.
"""

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from rigwarp.geometry import Array, BoolArray
from rigwarp.tracing.cad.welding import Edges, Numbers, lengths

SMALLEST_CREASE_RAD = np.deg2rad(0.2)  # half a degree must be found; below this a crease moves light like a seat error
ALWAYS_CREASE_RAD = np.deg2rad(60.0)  # no tessellation that a mirror can be made from turns so much at one edge
_ENOUGH_VERTICES = 24  # three times the unknowns
_MOST_VERTICES = 48
_MOST_RINGS = 6
_ROWS_FOR_SMOOTH = 6  # rows of vertices across an edge (five strips) before a smooth surface counts as evidence
_FAR = 8.0  # widths; rows beyond say nothing about the edge
_ROW = 0.2  # rows of vertices are at least this far apart, in units of the width of the triangles at the edge
_EXPLAINED = 0.02  # smooth fit within this share of (turn x width): the surface is smooth; a kink leaves 0.1 to 0.2
_OF_CURVATURE = 0.25  # a crease jumps by at least this share of the turn that curvature explains
_SIGNIFICANT = 8.0  # J in units of its own standard error
_DETERMINED = 1e-6  # share of an unknown that may lie in the undetermined combinations
_BATCH = 20_000  # edges at a time
_RANK = 1e-10  # relative eigenvalue below which a combination of unknowns is undetermined


def turns(normals: Array, faces: Numbers) -> Array:
    """(E,) angle between the normals of pairs (E, 2) of faces, rad; (M, 3) unit normals, NaN for slivers."""
    a, b = normals[faces[:, 0]], normals[faces[:, 1]]
    return 2.0 * np.arcsin(np.clip(0.5 * lengths(a - b), 0.0, 1.0))


def is_crease(vertices_mm: Array, faces: Numbers, normals: Array, edges: Edges, suspects: Numbers) -> BoolArray:
    """(S,) whether the suspected edges (S,), numbers into `edges`, are creases.

    Parameters
    ----------
    vertices_mm, faces : (N, 3), (M, 3) of the reflecting side.
    normals : (M, 3) unit normals.
    """
    i, j = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    graph = sparse.coo_matrix((np.ones(len(i), np.float32), (i, j)), shape=(len(vertices_mm),) * 2).tocsr()
    neighbours = graph + graph.T + sparse.identity(len(vertices_mm), dtype=np.float32, format="csr")
    answer = np.zeros(len(suspects), bool)
    for begin in range(0, len(suspects), _BATCH):
        part = suspects[begin : begin + _BATCH]
        start = np.concatenate([edges.ends[part], edges.opposite[part]], axis=1)
        near = _local(vertices_mm, normals, edges, part, _rings(neighbours, start, least=2))
        answer[begin : begin + _BATCH] = _judge(near)
        few = np.flatnonzero(_rows(near) < _ROWS_FOR_SMOOTH)  # at a rim the rows lie on one side only
        if len(few):
            wider = _rings(neighbours, start[few], least=_MOST_RINGS)
            answer[begin + few] = _judge(_local(vertices_mm, normals, edges, part[few], wider))
    return answer


@dataclass(frozen=True, kw_only=True)
class _Neighbourhood:
    """Vertices around each edge in its own frame, in units of a row's spacing (`width_mm` across)."""

    s: Array
    t: Array
    height_mm: Array
    weight: Array
    width_mm: Array
    turn_rad: Array


def _rings(neighbours: sparse.csr_matrix, start: Numbers, *, least: int) -> sparse.csr_matrix:
    """(S, N) vertices around each row's start vertices: `least` rings, or more to have enough of them."""
    rows = np.repeat(np.arange(len(start)), start.shape[1])
    around = sparse.csr_matrix(
        (np.ones(start.size, np.float32), (rows, start.ravel())), shape=(len(start), neighbours.shape[0])
    )
    for _ in range(least):
        around = around @ neighbours
    for _ in range(_MOST_RINGS - least):
        few = np.diff(around.indptr) < _ENOUGH_VERTICES
        if not few.any():
            break
        grown = around[few] @ neighbours
        picks = sparse.csr_matrix(
            (np.ones(int(few.sum()), np.float32), (np.flatnonzero(few), np.arange(int(few.sum())))),
            shape=(len(few), int(few.sum())),
        )
        keep = sparse.diags((~few).astype(np.float32), format="csr")
        around = (keep @ around + picks @ grown).tocsr()
        around.eliminate_zeros()
    return around


def _local(
    vertices_mm: Array, normals: Array, edges: Edges, part: Numbers, around: sparse.csr_matrix
) -> _Neighbourhood:
    start, end = (vertices_mm[edges.ends[part, i]] for i in (0, 1))
    length = np.linalg.norm(end - start, axis=1)
    along = (end - start) / length[:, None]
    normal = np.nansum(normals[edges.faces[part]], axis=1)
    normal = normal - along * np.sum(normal * along, axis=1, keepdims=True)
    normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
    across = np.cross(normal, along)
    counts = np.diff(around.indptr)
    slot = np.arange(around.nnz) - np.repeat(around.indptr[:-1], counts)
    row = np.repeat(np.arange(len(part)), counts)
    rel = vertices_mm[around.indices] - 0.5 * (start + end)[row]
    s, t = np.sum(rel * across[row], axis=1), np.sum(rel * along[row], axis=1)
    middle = (around.indptr[:-1] + around.indptr[1:]) // 2
    # about one row's spacing: the median of each neighbourhood's distances, over the 1.5 rows it stands for
    width, depth = (np.maximum(np.abs(v)[np.lexsort((np.abs(v), row))][middle] / 1.5, 1e-3 * length) for v in (s, t))
    s, t = s / width[row], t / depth[row]
    q = np.sum(rel * normal[row], axis=1)
    shape = (len(part), int(counts.max()))
    padded = [np.zeros(shape) for _ in range(4)]
    for array, values in zip(
        padded, (s, t, q, np.where(np.abs(s) < _FAR, (1.0 + 0.25 * (s * s + t * t)) ** -3.0, 0.0)), strict=True
    ):
        array[row, slot] = values
    if shape[1] > _MOST_VERTICES:
        nearest = np.argsort(-padded[3], axis=1)[:, :_MOST_VERTICES]
        padded = [np.take_along_axis(a, nearest, axis=1) for a in padded]
    turn = turns(normals, edges.faces[part])
    return _Neighbourhood(
        s=padded[0], t=padded[1], height_mm=padded[2], weight=padded[3], width_mm=width, turn_rad=turn
    )


def _judge(near: _Neighbourhood) -> BoolArray:
    s, t = near.s, near.t
    rise = np.maximum(s, 0.0)
    smooth_terms = np.stack([np.ones_like(s), s, t, s * s, s * t, t * t], axis=-1)
    terms = np.concatenate([smooth_terms, np.stack([rise, rise * rise], axis=-1)], axis=-1)
    smooth = _weighted_fit(smooth_terms, near)
    kinked, both = _weighted_fit(terms[..., :7], near), _weighted_fit(terms, near)
    # with a single row of vertices on one side (at a rim) K cannot be told from J and is left out
    full = both.determined[:, 6]
    jump = np.abs(np.where(full, both.coefficients[:, 6], kinked.coefficients[:, 6])) / near.width_mm
    sigma = np.where(full, both.sigma[:, 6], kinked.sigma[:, 6]) / near.width_mm
    curved = np.abs(2.0 * smooth.coefficients[:, 3]) / near.width_mm
    found = (jump > SMALLEST_CREASE_RAD) & (jump > _SIGNIFICANT * sigma) & (near.turn_rad > 0.5 * jump)
    found &= jump > _OF_CURVATURE * np.minimum(curved, near.turn_rad)
    found &= smooth.residual_rms > _EXPLAINED * near.turn_rad * near.width_mm
    enough = (_rows(near) >= _ROWS_FOR_SMOOTH) & kinked.determined[:, 6]
    return np.where(enough, found, near.turn_rad > SMALLEST_CREASE_RAD)


def _rows(near: _Neighbourhood) -> Numbers:
    """(S,) how many rows of vertices lie across each edge."""
    s = np.sort(np.where(near.weight > 0.0, near.s, np.inf), axis=1)
    count, last = np.zeros(len(s), np.int64), np.full(len(s), -np.inf)
    for column in s.T:
        new = np.isfinite(column) & (column > last + _ROW)
        count[new] += 1
        last[new] = column[new]
    return count


@dataclass(frozen=True, kw_only=True)
class _Fit:
    coefficients: Array
    sigma: Array
    residual_rms: Array
    determined: BoolArray


def _weighted_fit(terms: Array, near: _Neighbourhood) -> _Fit:
    """Batched weighted least squares by the eigenvectors of the scaled normal matrix, which also gives the rank."""
    root = np.sqrt(near.weight)
    A = terms * root[..., None]
    b = near.height_mm * root
    scale = np.maximum(np.linalg.norm(A, axis=1), 1e-300)
    A = A / scale[:, None, :]
    values, vectors = np.linalg.eigh(np.swapaxes(A, 1, 2) @ A)
    good = values > _RANK * values[:, -1:]
    inverse = np.where(good, 1.0 / np.where(good, values, 1.0), 0.0)
    projected = np.einsum("nki,nk->ni", vectors, np.einsum("nvk,nv->nk", A, b))
    solution = np.einsum("nki,ni->nk", vectors, inverse * projected)
    residual = b - np.einsum("nvk,nk->nv", A, solution)
    spare = np.sum(near.weight > 0.0, axis=1) - good.sum(axis=1)
    total = np.sum(near.weight, axis=1)
    rms = np.sqrt(np.sum(residual**2, axis=1) / total)
    scatter = np.sqrt(np.sum(residual**2, axis=1) / np.maximum(spare, 1))
    determined = np.einsum("nki,ni->nk", vectors**2, ~good) < _DETERMINED
    sigma = scatter[:, None] * np.sqrt(np.einsum("nki,ni->nk", vectors**2, inverse))
    return _Fit(coefficients=solution / scale, sigma=sigma / scale, residual_rms=rms, determined=determined)
