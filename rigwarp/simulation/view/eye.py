"""The view's rays: from every point of the lens's aperture over the first mirror in their way down to the table."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, Placement
from rigwarp.simulation.lens import Lens
from rigwarp.simulation.light_path import Blocked
from rigwarp.simulation.mirror import NO_PIECE, Piece, reflect_first


@dataclass(frozen=True, kw_only=True)
class Wing:
    """One of the view's mirrors as built and where it hangs; `first` is the number of its first piece in the view."""

    pieces: tuple[Piece, ...]
    seat: Placement
    first: int


@dataclass(frozen=True, kw_only=True)
class Sights:
    """Where (N,) lines of sight end on the plane of the table; NaN for those that do not see it.

    `lean_x`, `lean_y` are mm sideways per mm of height; `piece` counts through all mirrors, the number after the last
    is the table seen directly, NO_PIECE what sees no table.
    """

    x_mm: Array
    y_mm: Array
    lean_x: Array
    lean_y: Array
    piece: NDArray[np.int16]


class Eye:
    """The camera with its aperture, among its mirrors."""

    def __init__(
        self,
        lens: Lens,
        placement: Placement,
        wings: tuple[Wing, ...],
        *,
        focus_mm: float,
        table_mm: float,
        blocked: Blocked | None,
    ) -> None:
        self._lens, self._placement, self._wings = lens, placement, wings
        self._focus_mm, self._table_mm, self._blocked = focus_mm, table_mm, blocked
        self.pieces = sum(len(wing.pieces) for wing in wings)

    def look(self, u_px: Array, v_px: Array, aperture_mm: Array) -> Sights:
        """Lines of sight of (N,) pixels through one point (2,) of the aperture."""
        x, y = self._lens.rays(u_px, v_px)
        own = np.array([aperture_mm[0], aperture_mm[1], 0.0])
        to_focus = np.stack([x, y, np.ones_like(x)]) * self._focus_mm - own[:, None]
        origin = self._placement.to_table(own)
        start = np.repeat(origin[:, None], x.size, axis=1)
        sight = self._placement.rotation @ (to_focus / np.linalg.norm(to_focus, axis=0))
        at, off, piece = self._first_mirror(start, sight)
        direct = piece == NO_PIECE
        at, off = np.where(direct, start, at), np.where(direct, sight, off)
        piece = np.where(direct, np.int16(self.pieces), piece)
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = (self._table_mm - at[2]) / off[2]
            lean = -off[:2] / off[2]
        sees = np.isfinite(reach) & (off[2] < 0.0) & (reach > 0.0)
        down = at + np.where(sees, reach, np.nan) * off
        asked = np.flatnonzero(sees)
        _, _, again = self._first_mirror(at[:, asked], off[:, asked])
        hidden = again != NO_PIECE
        if self._blocked is not None:
            hidden |= self._blocked(start[:, asked], at[:, asked]) | self._blocked(at[:, asked], down[:, asked])
        sees[asked[hidden]] = False
        return Sights(
            x_mm=np.where(sees, down[0], np.nan),
            y_mm=np.where(sees, down[1], np.nan),
            lean_x=np.where(sees, lean[0], np.nan),
            lean_y=np.where(sees, lean[1], np.nan),
            piece=np.where(sees, piece, np.int16(NO_PIECE)).astype(np.int16),
        )

    def _first_mirror(self, start: Array, sight: Array) -> tuple[Array, Array, NDArray[np.int16]]:
        """Points, directions off them (3, N) and pieces (N,) of the nearest mirror in the way, table frame."""
        path = np.full(start.shape[1], np.inf)
        at, off = np.full_like(start, np.nan), np.full_like(start, np.nan)
        piece = np.full(start.shape[1], NO_PIECE, np.int16)
        for wing in self._wings:
            R, place = wing.seat.rotation, wing.seat.position_mm
            hit, out, number = reflect_first(wing.pieces, R.T @ (start - place[:, None]), R.T @ sight)
            hit = R @ hit + place[:, None]
            with np.errstate(invalid="ignore"):
                length = np.where(number == NO_PIECE, np.inf, np.linalg.norm(hit - start, axis=0))
            nearer = length < path
            at[:, nearer], off[:, nearer] = hit[:, nearer], (R @ out)[:, nearer]
            piece[nearer], path[nearer] = number[nearer] + wing.first, length[nearer]
        return at, off, piece
