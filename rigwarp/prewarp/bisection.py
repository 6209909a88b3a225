"""A crack-free triangle mesh over a pixel grid, fine only where linear interpolation needs it.

Right triangles are halved at the middle of their longest side (the "4-8" hierarchy of Evans, Kirkpatrick and Townsend,
Right-triangulated irregular networks, 1997). Every lattice point is the middle of exactly one longest side, so the mesh
is described by which points are used. Where a point is used those that it needs are used, too, hence any set of them
gives a mesh without T-junctions.

Names below: on a lattice of step s, a *centre* lies in the middle of an s-square, an *edge point* in the middle of an
s-square's side. Centres of step s need the edge points of step 2 s; edge points of step s need the centres of step s.
"""

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray, IntArray
from rigwarp.geometry.threads import in_two_threads

TILE_PX = 64
"""Side of the coarsest squares: at 1280 x 720 a flat map needs 1008 triangles, few enough."""


def lattice_size(pixels: int) -> int:
    """Number of lattice points that cover `pixels` pixel centres with whole tiles."""
    return -(-max(pixels - 1, 1) // TILE_PX) * TILE_PX + 1


def straying_points(values: Array, counts: BoolArray, tolerance: float) -> BoolArray:
    """(n, m) lattice points whose value is far from the mean of the ends of the side that they halve.

    Corners and centres of the tiles, which are always used, are among them.

    Parameters
    ----------
    values : (n, m, C) what the mesh interpolates; n and m are multiples of TILE_PX plus one. NaN counts as no error.
    counts : (n, m) where an error matters.
    tolerance : the distance that is still near.
    """
    found = np.zeros(counts.shape, bool)

    def judge(top: int) -> None:
        rows = slice(top, top + 2 * TILE_PX + 1)  # two tiles, since halves turn the other way in every second one
        np.greater(_midpoint_errors(values[rows]), tolerance, out=found[rows])

    in_two_threads(judge, range(0, len(found) - 1, 2 * TILE_PX))
    found &= counts
    found[::TILE_PX, ::TILE_PX] = True
    found[TILE_PX // 2 :: TILE_PX, TILE_PX // 2 :: TILE_PX] = True
    return found


def with_dependants(own: BoolArray) -> BoolArray:
    """(n, m) the points that are used, those that some of these need included: they make a whole mesh."""
    used = own.copy()
    step = 2
    while step <= TILE_PX:
        _use_what_neighbours_need(used, step)
        step *= 2
    return used


def _midpoint_errors(values: Array) -> Array:
    """Distance between each lattice point's value and the mean of the ends of the side it halves."""
    errors = np.zeros(values.shape[:2])
    step = TILE_PX
    while step >= 2:
        half = step // 2
        corner = values[::step, ::step]
        centre = values[half::step, half::step]
        rising = (np.arange(centre.shape[0])[:, None] + np.arange(centre.shape[1])) % 2 == 1
        main = 0.5 * (corner[:-1, :-1] + corner[1:, 1:])
        anti = 0.5 * (corner[:-1, 1:] + corner[1:, :-1])
        errors[half::step, half::step] = _distance(centre, np.where(rising[..., None], anti, main))
        errors[::step, half::step] = _distance(values[::step, half::step], 0.5 * (corner[:, :-1] + corner[:, 1:]))
        errors[half::step, ::step] = _distance(values[half::step, ::step], 0.5 * (corner[:-1] + corner[1:]))
        step = half
    return errors


def _distance(a: Array, b: Array) -> Array:
    apart = a - b
    square = sum(apart[..., i] ** 2 for i in range(a.shape[-1]))  # along so short an axis NumPy's sums are slow
    return np.asarray(np.sqrt(square))


def _use_what_neighbours_need(used: BoolArray, step: int) -> None:
    """Centres of `step` for their four edge points, then edge points of 2 step for their centres; in place."""
    half = step // 2
    centre = used[half::step, half::step]
    for side in (used[:-1:step, half::step], used[step::step, half::step]):
        centre |= side
    for side in (used[half::step, :-1:step], used[half::step, step::step]):
        centre |= side
    if step == TILE_PX:
        return
    double = 2 * step
    # an edge point of 2 step has up to four centres of `step` around it, two on the lattice's rim
    padded = np.zeros((used.shape[0] + double, used.shape[1] + double), bool)
    padded[step:-step, step:-step] = used
    n, m = used.shape
    for start_v, start_u in ((0, step), (step, 0)):
        target = used[start_v::double, start_u::double]
        for dv in (-half, half):
            for du in (-half, half):
                v, u = step + start_v + dv, step + start_u + du
                target |= padded[v : v + n - start_v : double, u : u + m - start_u : double]


def triangles_of(used: BoolArray) -> IntArray:
    """The triangles of the mesh whose used points are given; (n, m) -> (M, 3, 2) lattice (row, column).

    Each begins with its right angle; all turn the same way. `used` must be `with_dependants(...)`.
    """
    parts = []
    step = TILE_PX
    while step >= 1:
        if step >= 2:
            parts.append(_edge_triangles(used, step))
        if step < TILE_PX:
            parts.append(_diagonal_triangles(used, step))
        step //= 2
    return np.concatenate(parts)


def _edge_triangles(used: BoolArray, step: int) -> IntArray:
    """Triangles on a side of an s-square with their right angle in its centre, unless the side's middle is used."""
    half = step // 2
    rows, columns = np.nonzero(used[half::step, half::step])
    centre = np.stack([rows, columns], axis=-1) * step + half
    corners = np.array([[-half, -half], [-half, half], [half, half], [half, -half]])
    found = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        middle = centre + (a + b) // 2
        leaf = ~used[middle[:, 0], middle[:, 1]]
        found.append(np.stack([centre[leaf], centre[leaf] + a, centre[leaf] + b], axis=1))
    return np.concatenate(found)


def _diagonal_triangles(used: BoolArray, step: int) -> IntArray:
    """Halves of an s-square with their right angle in an edge point of 2 s, unless the square's centre is used."""
    n, m = (used.shape[0] - 1) // step, (used.shape[1] - 1) // step
    half = step // 2
    open_squares = ~used[half::step, half::step] if half else np.ones((n, m), bool)
    odd = (np.arange(n)[:, None] + np.arange(m)) % 2 == 1
    ring = np.array([[0, 0], [0, 1], [1, 1], [1, 0]])
    found = []
    for rising in (0, 1):
        square = open_squares & (odd == bool(rising))
        # the diagonal joins ring[rising] and ring[rising + 2]; the right angles are at the other two
        for apex in (rising + 1, rising + 3):
            down, across = ring[apex % 4]
            exists = used[down * step :: step, across * step :: step][:n, :m]
            base = np.stack(np.nonzero(square & exists), axis=-1) * step
            corners = [base + ring[(apex + turn) % 4] * step for turn in (0, 1, 3)]
            found.append(np.stack(corners, axis=1))
    return np.concatenate(found)


def compact(triangles: IntArray, shape: tuple[int, int]) -> tuple[Array, NDArray[np.int32]]:
    """Number the lattice points that triangles use: (M, 3, 2) -> points (N, 2) as (column, row), triangles (M, 3)."""
    flat = triangles[..., 0] * shape[1] + triangles[..., 1]
    points, numbers = np.unique(flat, return_inverse=True)
    rows, columns = np.divmod(points, shape[1])
    return np.stack([columns, rows], axis=-1).astype(np.float64), numbers.reshape(-1, 3).astype(np.int32)
