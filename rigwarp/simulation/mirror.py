"""Pieces of mirror with their own frames and outlines, met by rays on the full height field.

Inside the light transport points are component-first, (3, N): each component lies in one piece of memory.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.simulation.surface import BuiltSurface

Inside = Callable[[Array, Array, float], BoolArray]
"""Is (x, y) within an outline that was widened by some mm?"""

NO_PIECE = -1
_SETTLED_MM = 1e-6  # a Newton step below this ends the search: the next one would be its square, below 1e-11 mm
_STEPS = 40  # normal surfaces need 3 to 5
_LONGEST_STEP_MM = 50.0  # keeps a wild step near grazing incidence from leaving the mirror for good
_MARGIN_MM = 3.0  # by how much the built surface may meet a ray aside of where its base does
_LEAVING_MM = 1e-4  # a ray that starts on a mirror has left it after this path


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One smooth piece of mirror: z = surface(x, y) in its own frame, within an outline.

    `widened` gives a panel's outline with the edges that no other panel shares so many mm further out; None for pieces
    whose margin does the same all around.
    """

    origin_mm: Array
    R_mirror_from_piece: Array
    surface: BuiltSurface
    inside: Inside
    widened: Callable[[float], Inside] | None = None

    def meet(self, origins_mm: Array, directions: Array) -> Array:
        """Path length (N,) to the first hit of rays (3, N) with unit directions, mirror frame; inf for a miss."""
        o, d = self.to_own(origins_mm), self.R_mirror_from_piece.T @ directions
        t = self._base_hit(o, d)
        found = np.flatnonzero(np.isfinite(t))
        if found.size == t.size:  # the usual case without the copies
            return self._settle(o, d, t)
        t[found] = self._settle(o[:, found], d[:, found], t[found])
        return t

    def normals(self, points_mm: Array) -> Array:
        """Unit normals (3, N) in the mirror frame at (3, N) points of this piece."""
        own = self.to_own(points_mm)
        _, zx, zy = self.surface.height_and_slopes(own[0], own[1])
        scale = 1.0 / np.sqrt(1.0 + zx * zx + zy * zy)
        return self.R_mirror_from_piece @ np.stack([-zx * scale, -zy * scale, scale])

    def to_own(self, points_mm: Array) -> Array:
        """(3, N) mirror frame to the piece's own frame."""
        return self.R_mirror_from_piece.T @ (points_mm - self.origin_mm[:, None])

    def _base_hit(self, o: Array, d: Array) -> Array:
        """Where rays first meet the base conic, on the sheet that holds its vertex and near the outline; else inf."""
        c, k = self.surface.base.curvature_per_mm, self.surface.base.conic_constant
        a = c * (d[0] * d[0] + d[1] * d[1] + (1.0 + k) * d[2] * d[2])
        b = c * (o[0] * d[0] + o[1] * d[1] + (1.0 + k) * o[2] * d[2]) - d[2]
        e = c * (o[0] * o[0] + o[1] * o[1] + (1.0 + k) * o[2] * o[2]) - 2.0 * o[2]
        best = np.full(o.shape[1], np.inf)
        with np.errstate(all="ignore"):
            q = -(b + np.copysign(np.sqrt(b * b - a * e), b))
            for t in (e / q, q / a):
                x, y, z = o[0] + t * d[0], o[1] + t * d[1], o[2] + t * d[2]
                valid = (t > _LEAVING_MM) & (t < best) & ((1.0 + k) * c * z < 1.0)
                valid &= self.inside(x, y, _MARGIN_MM)
                np.copyto(best, t, where=valid)
        return best

    def _settle(self, o: Array, d: Array, t: Array) -> Array:
        """Newton's method along the ray on z - surface(x, y), from the base's hit; inf where it misses the outline."""
        t = t.copy()
        busy = np.arange(t.size)
        for _ in range(_STEPS):
            if busy.size == t.size:
                ob, db, tb = o, d, t
            else:
                ob, db, tb = o[:, busy], d[:, busy], t[busy]
            x, y = ob[0] + tb * db[0], ob[1] + tb * db[1]
            height, zx, zy = self.surface.height_and_slopes(x, y)
            with np.errstate(all="ignore"):
                step = (height - (ob[2] + tb * db[2])) / (db[2] - zx * db[0] - zy * db[1])
            step = np.clip(step, -_LONGEST_STEP_MM, _LONGEST_STEP_MM)
            t[busy] = tb + step
            busy = busy[~(np.abs(step) < _SETTLED_MM)]  # NaN stays busy and ends as a miss
            if not busy.size:
                break
        t[busy] = np.inf
        x, y = o[0] + t * d[0], o[1] + t * d[1]
        with np.errstate(invalid="ignore"):
            t[~(self.inside(x, y, 0.0) & (t > _LEAVING_MM))] = np.inf
        return t


def reflect_first(
    pieces: tuple[Piece, ...], origins_mm: Array, directions: Array
) -> tuple[Array, Array, NDArray[np.int16]]:
    """Follow rays to the first piece they meet and off it.

    Parameters
    ----------
    pieces : the mirror.
    origins_mm, directions : (3, N), mirror frame, unit directions.

    Returns
    -------
    points_mm, directions : (3, N)
        Hit points and reflected directions; NaN for rays that miss.
    piece : (N,) number of the piece, NO_PIECE for a miss. Light that meets the mirror a second time is lost.
    """
    path = np.full(origins_mm.shape[1], np.inf)
    piece = np.full(origins_mm.shape[1], NO_PIECE, np.int16)
    for number, one in enumerate(pieces):
        t = one.meet(origins_mm, directions)
        nearer = t < path
        np.copyto(path, t, where=nearer)
        piece[nearer] = number
    with np.errstate(invalid="ignore"):
        points = np.where(piece == NO_PIECE, np.nan, origins_mm + path * directions)
    out = np.full_like(points, np.nan)
    for number, one in enumerate(pieces):
        mine = np.flatnonzero(piece == number)
        everything = mine.size == piece.size
        p, d = (points, directions) if everything else (points[:, mine], directions[:, mine])
        n = one.normals(p)
        off = d - 2.0 * (d[0] * n[0] + d[1] * n[1] + d[2] * n[2]) * n
        if everything:
            out = off
        else:
            out[:, mine] = off
    return points, out, piece


def height_difference(design: Piece, built: Piece, x_mm: Array, y_mm: Array) -> Array:
    """Built minus design height along the mirror's z at mirror-frame positions (any shape); NaN off either surface."""
    x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
    below = np.stack([x.ravel(), y.ravel(), np.full(x.size, design.origin_mm[2] - 1e4)])
    up = np.zeros_like(below)
    up[2] = 1.0
    heights = [np.where(np.isfinite(t), t, np.nan) for t in (piece.meet(below, up) for piece in (built, design))]
    return (heights[0] - heights[1]).reshape(x.shape)


def means_by_piece(
    rays: Iterable[tuple[NDArray[np.int16], Sequence[Array]]], pieces: int
) -> tuple[NDArray[np.intp], Array, list[Array]]:
    """Means over bundles of rays, each over those that come by one piece of mirror: the one by which most come.

    Parameters
    ----------
    rays : for each point of the pupil, piece (N,) and any number of values (N,) of the N bundles.
    pieces : how many there are.

    Returns
    -------
    piece, share, means : (N,) that piece, the share of the pupil whose rays come by it, and the mean of each value;
        NaN where no ray arrives.
    """
    points = 0
    for points, (piece, values) in enumerate(rays, start=1):
        if points == 1:
            count, *sums = (np.zeros((pieces, piece.size)) for _ in range(1 + len(values)))
        arrives = np.flatnonzero(piece != NO_PIECE)
        place = (piece[arrives], arrives)
        count[place] += 1.0
        for total, value in zip(sums, values, strict=True):
            total[place] += value[arrives]
    most = np.argmax(count, axis=0)
    count, *sums = (np.take_along_axis(one, most[None], axis=0)[0] for one in (count, *sums))
    with np.errstate(invalid="ignore"):
        return most, count / points, [total / count for total in sums]
