"""The way of light: projector pupil, mirror as built and seated, obstacles, table plane."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.geometry import Array, BoolArray, Placement, TriangleMesh
from rigwarp.rig import Rig
from rigwarp.simulation.mirror import NO_PIECE, Piece, reflect_first
from rigwarp.simulation.projector import RealProjector
from rigwarp.simulation.table import TableForm, on_table_top

Blocked = Callable[[Array, Array], BoolArray]
"""Is something between points (3, N) and (3, N), table frame? (N,)"""

_FAR_MM = 1e5  # light that would meet the table plane further out is gone
_GRID = 61  # squared rays that look at the picture as a whole
_FOCUS_STEP_MM = 0.25  # off the pupil's middle: small against the optics, large against rounding
_FOCUS_TRIAL_MM = 500.0
_NEAREST_FOCUS_MM = 20.0
_CLEAR_MM = 1e-3  # an obstacle within this distance of a ray's ends does not block it


@dataclass(frozen=True, kw_only=True)
class Landing:
    """Where (N,) rays meet the table plane, NaN for those that do not, and their last mirror piece.

    `piece` is the number of mirror pieces for light that missed the mirror and fell straight on the table, NO_PIECE for
    light that does not arrive. `on_top` tells whether the spot is on the table top rather than beside it.
    """

    x_mm: Array
    y_mm: Array
    piece: NDArray[np.int16]
    on_top: BoolArray


class LightPath:
    """Follows light from the projector to the table."""

    def __init__(
        self,
        rig: Rig,
        projector: RealProjector,
        pieces: tuple[Piece, ...],
        seat: Placement,
        *,
        form: TableForm,
        table_margin_mm: float,
        focus_mm: float | None,
        meshes: Mapping[str, TriangleMesh],
    ) -> None:
        self.projector = projector
        self.pieces = pieces
        self._seat = seat
        self._table = rig.table
        self._form = form
        self._margin_mm = table_margin_mm
        self._blocked = obstacles_between(rig, meshes)
        self._catches_itself = True
        self._catches_itself = len(pieces) > 1 or self._any_meets_mirror_again()
        self.focus_mm = focus_mm if focus_mm is not None else self._sharpest_focus_mm()

    def land(self, u_px: Array, v_px: Array, pupil: int) -> Landing:
        """Where the rays of (N,) pixel positions from one pupil point land."""
        origin, directions = self.projector.rays(u_px, v_px, self.projector.pupil_mm[pupil], self.focus_mm)
        return self._follow(origin, directions)

    def blocked_from(self, eye_mm: Array, x_mm: Array, y_mm: Array) -> BoolArray:
        """Does an obstacle hide spots (N,) on the table from a point (3,) above it?"""
        if self._blocked is None:
            return np.zeros(x_mm.size, bool)
        spots = np.stack([x_mm, y_mm, self._form.z_mm(x_mm, y_mm)])
        return self._blocked(np.repeat(eye_mm[:, None], x_mm.size, axis=1), spots)

    def _sharpest_focus_mm(self) -> float:
        """Where a patient hand leaves the focus ring: least mean square smear over the area where light is wanted.

        A ray of a pixel that leaves the pupil at p towards the plane at distance f lands A p + B p / f aside of the
        chief ray, to first order; so the best 1/f is that of a linear least-squares problem.
        """
        u, v = self._grid()
        chief, piece = self._landing(u, v, np.zeros(2), _FOCUS_TRIAL_MM)
        wanted = on_table_top(self._table, 0.0, chief[0], chief[1])
        if not wanted.any():
            raise InputError(
                "virtual rig: no light of the projector reaches the table by way of the mirror. "
                "Check the positions and rotations of projector and mirror in rig.toml, and the errors in virtual.toml."
            )
        u, v, chief, piece = u[wanted], v[wanted], chief[:, wanted], piece[wanted]
        still, turned = [], []
        for step in _FOCUS_STEP_MM * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]]):
            # how far aside of the chief rays' landing light lands: two sides of a fold send it where no focus helps
            spots = (self._landing(u, v, step, focus_mm) for focus_mm in (_FAR_MM, _FOCUS_TRIAL_MM))
            far, near = (np.where(own == piece, spot - chief, np.nan) for spot, own in spots)
            still.append(far)
            turned.append((near - far) / (1.0 / _FOCUS_TRIAL_MM - 1.0 / _FAR_MM))
        a, b = np.concatenate(still, axis=1), np.concatenate(turned, axis=1)
        good = np.isfinite(a).all(axis=0) & np.isfinite(b).all(axis=0)
        best = -np.sum(a[:, good] * b[:, good]) / max(np.sum(b[:, good] ** 2), 1e-300) + 1.0 / _FAR_MM
        return float(1.0 / np.clip(best, 1.0 / _FAR_MM, 1.0 / _NEAREST_FOCUS_MM))

    def _landing(self, u_px: Array, v_px: Array, pupil_mm: Array, focus_mm: float) -> tuple[Array, NDArray[np.int16]]:
        """(2, N) landing of rays from a point of the pupil plane, and the piece of mirror (N,) that they came by."""
        landing = self._follow(*self.projector.rays(u_px, v_px, pupil_mm, focus_mm))
        return np.stack([landing.x_mm, landing.y_mm]), landing.piece

    def _follow(self, origin: Array, directions: Array) -> Landing:
        """Rays from one point (3,) along (3, N): where they land."""
        R, place = self._seat.rotation, self._seat.position_mm
        starts = np.repeat((R.T @ (origin - place))[:, None], directions.shape[1], axis=1)
        hit, off, piece = reflect_first(self.pieces, starts, R.T @ directions)
        missed = piece == NO_PIECE
        hit = R @ hit + place[:, None]
        off = R @ off
        if missed.any():
            hit[:, missed] = origin[:, None]
            off[:, missed] = directions[:, missed]
            piece = np.where(missed, np.int16(len(self.pieces)), piece)
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = self._form.reach((hit[0], hit[1], hit[2]), (off[0], off[1], off[2]))
        lands = (reach > 0.0) & (reach < _FAR_MM)
        if self._catches_itself:
            again = lands & ~missed
            lands[again] = ~self._meets_mirror_again(hit[:, again], off[:, again])
        x, y = hit[0] + reach * off[0], hit[1] + reach * off[1]
        if self._blocked is not None and lands.any():
            last = np.stack([x, y, self._form.z_mm(x, y)])
            starts = np.repeat(origin[:, None], directions.shape[1], axis=1)
            lands[lands] = ~(
                self._blocked(starts[:, lands], hit[:, lands]) | self._blocked(hit[:, lands], last[:, lands])
            )
        return Landing(
            x_mm=np.where(lands, x, np.nan),
            y_mm=np.where(lands, y, np.nan),
            piece=np.where(lands, piece, np.int16(NO_PIECE)),
            on_top=lands & on_table_top(self._table, self._margin_mm, x, y),
        )

    def _any_meets_mirror_again(self) -> bool:
        """Does any of a grid of rays meet the mirror a second time? Most mirrors of one piece never do."""
        u, v = self._grid()
        with_check = self._follow(*self.projector.rays(u, v, np.zeros(2), _FOCUS_TRIAL_MM)).piece
        self._catches_itself = False
        return bool((with_check != self._follow(*self.projector.rays(u, v, np.zeros(2), _FOCUS_TRIAL_MM)).piece).any())

    def _grid(self) -> tuple[Array, Array]:
        """A grid of pixel positions over the picture, its rim included."""
        width, height = self.projector.resolution
        share = np.linspace(-0.5, 0.5, _GRID)
        u, v = np.meshgrid((width - 1) / 2 + share * width, (height - 1) / 2 + share * height)
        return u.ravel(), v.ravel()

    def _meets_mirror_again(self, points_mm: Array, directions: Array) -> BoolArray:
        R, place = self._seat.rotation, self._seat.position_mm
        own, turned = R.T @ (points_mm - place[:, None]), R.T @ directions
        met = np.zeros(points_mm.shape[1], bool)
        for piece in self.pieces:
            met |= np.isfinite(piece.meet(own, turned))
        return met


def obstacles_between(rig: Rig, meshes: Mapping[str, TriangleMesh]) -> Blocked | None:
    """Whether one of a rig's obstacles stands between points; None where it has none.

    Raises
    ------
    InputError
        The mesh of an obstacle is missing.
    """
    if not rig.obstacles:
        return None
    import trimesh  # half a second, and few rigs have obstacles

    parts = []
    for number, obstacle in enumerate(rig.obstacles):
        if obstacle.file not in meshes:
            raise InputError(
                f"obstacle[{number}].file: the virtual rig was not given the mesh {obstacle.file!r}. "
                "Put the file into the rig folder or remove the obstacle."
            )
        vertices_mm = obstacle.placement.to_table(meshes[obstacle.file].vertices_mm)
        parts.append(trimesh.Trimesh(vertices_mm, meshes[obstacle.file].faces, process=False, validate=False))
    blocked = partial(_between, trimesh.util.concatenate(parts))
    blocked(np.zeros((3, 1)), np.ones((3, 1)))  # sets up the ray engine before threads share it
    return blocked


def _between(obstacles: Any, starts_mm: Array, ends_mm: Array) -> BoolArray:
    """(N,) whether a `trimesh.Trimesh` stands between (3, N) points."""
    way = (ends_mm - starts_mm).T
    length = np.linalg.norm(way, axis=1)
    far = np.flatnonzero(length > 2 * _CLEAR_MM)
    blocked = np.zeros(length.size, bool)
    if not far.size:
        return blocked
    directions = way[far] / length[far, None]
    origins = starts_mm.T[far] + _CLEAR_MM * directions
    at, ray, _ = obstacles.ray.intersects_location(origins, directions, multiple_hits=False)
    depth = np.sum((at - origins[ray]) * directions[ray], axis=1)
    blocked[far[ray[depth < length[far[ray]] - 2 * _CLEAR_MM]]] = True
    return blocked
