"""Which photos of the hand-held board are worth keeping: sharp ones, held still, of poses that are new.

Looked at one photo after the other, like somebody who watches the camera's live picture; the time is told, not read.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from rigwarp.camera.boards.detection import BoardView
from rigwarp.camera.lens.judgement import cell_counts
from rigwarp.camera.table.planar import planar_poses
from rigwarp.geometry import Array, BoolArray, IntArray

ShotState = Literal["no board", "mirrored", "blurred", "moving", "known", "counting", "kept", "done"]
SIDES: Final = ("left", "right", "top", "bottom")
"""Which side of the picture the board leans towards the camera, for the tilts that a lens needs."""

HOLD_S: Final = 1.5
"""How long a board has to be held still."""

WANTED_SHOTS: Final = 12
WANTED_CELLS: Final = 0.8
"""Share of the picture's cells that some shot reaches."""

WANTED_TILTS: Final = 2
"""Shots leaning to each side."""

_ENOUGH_CORNERS = 0.4  # of the board's: what leaves the picture a little is welcome
_SHARP_PX = 1.6  # sigma; 1.0 is a good webcam, 2 spoils the corners
_SHARP_SQUARE = 0.03  # or this share of a square, for large squares
_STILL = 0.003  # of the picture's width: from one look to the next, and over the whole count-down
_NEW_PLACE, _NEW_SIZE, _NEW_TILT_DEG = 0.1, 0.2, 10.0  # share of the width, logarithm, between normals
_LEANS_DEG = 12.0
_GUESSED_FOCAL = 1.0  # of the picture's width: good enough to tell poses apart


@dataclass(frozen=True, kw_only=True)
class PoseSketch:
    """A board's pose as far as it matters for being new; made with a guessed lens.

    Attributes
    ----------
    place : (2,) middle of the corners found, share of the picture's width.
    size : logarithm of the magnification, px per mm.
    normal : (3,) unit vector, camera axes, away from the camera.
    """

    place: Array
    size: float
    normal: Array

    def leans(self) -> str | None:
        """Which side of the board is clearly nearer to the camera: one of SIDES, or None when it faces the camera."""
        x, y = (np.degrees(np.arctan2(-n, self.normal[2])) for n in self.normal[:2])
        if max(abs(x), abs(y)) < _LEANS_DEG:
            return None
        # depth grows to the right where the plane's normal points to the left: then the left side is nearer
        return ("left" if x > 0 else "right") if abs(x) > abs(y) else ("top" if y > 0 else "bottom")

    def is_new(self, others: Sequence["PoseSketch"]) -> bool:
        """Whether it differs from all others in place, distance or tilt."""
        return all(
            np.linalg.norm(self.place - other.place) > _NEW_PLACE
            or abs(self.size - other.size) > _NEW_SIZE
            or np.degrees(np.arccos(np.clip(self.normal @ other.normal, -1.0, 1.0))) > _NEW_TILT_DEG
            for other in others
        )


def sketch_pose(view: BoardView) -> PoseSketch | None:
    """The pose in a view; None when its corners do not tell one."""
    width, height = view.resolution
    lens = np.array([_GUESSED_FOCAL * width] * 2 + [(width - 1) / 2, (height - 1) / 2, 0, 0, 0, 0, 0])
    poses = planar_poses(view.object_mm, view.image_px, lens) if view.n >= 4 else ()
    if not poses:
        return None
    normal = poses[0].R[:, 2]
    return PoseSketch(
        place=view.image_px.mean(axis=0) / width,
        size=float(np.log(_spread(view.image_px) / _spread(view.object_mm))),
        normal=normal * np.sign(normal[2]) if normal[2] else normal,
    )


@dataclass(frozen=True, kw_only=True)
class Looked:
    """What came of looking at one photo: its state, and how long the board still has to be held (0 unless counting).

    "kept": this photo is a new shot; "done": the pose is still the one that was kept last; "known": an earlier one.
    """

    state: ShotState
    left_s: float = 0.0


class BoardShots:
    """The shots kept so far, and the count-down for the next one.

    Parameters
    ----------
    corners : how many corners the whole board has.
    """

    def __init__(self, corners: int) -> None:
        self._corners = corners
        self._sketches: list[PoseSketch] = []
        self._before: BoardView | None = None
        self._held: tuple[BoardView, float] | None = None
        self.views: list[BoardView] = []

    def look(self, view: BoardView, blur_px: float, time_s: float) -> Looked:
        """Judge the next photo; with state "kept" it has been counted among the shots.

        Parameters
        ----------
        blur_px : sigma, see `board_blur_px`; NaN counts as blurred.
        time_s : when it was taken, any clock that only goes forward.
        """
        before, self._before = self._before, view
        sketch = None
        if view.mirrored:
            state: ShotState = "mirrored"
        elif view.n < max(6, _ENOUGH_CORNERS * self._corners) or (sketch := sketch_pose(view)) is None:
            state = "no board"
        elif not blur_px <= max(_SHARP_PX, _SHARP_SQUARE * float(np.median(view.square_px))):
            state = "blurred"
        elif before is None or _moved(before, view) > _STILL:
            state = "moving"
        elif not sketch.is_new(self._sketches):
            state = "known" if sketch.is_new(self._sketches[-1:]) else "done"
        else:
            return self._count(view, sketch, time_s)
        self._held = None
        return Looked(state=state)

    def _count(self, view: BoardView, sketch: PoseSketch, time_s: float) -> Looked:
        if self._held is None or _moved(self._held[0], view) > _STILL:
            self._held = (view, time_s)
        left_s = HOLD_S - (time_s - self._held[1])
        if left_s > 0.0:
            return Looked(state="counting", left_s=left_s)
        self._held = None
        self.views.append(view)
        self._sketches.append(sketch)
        return Looked(state="kept")

    def cells(self) -> IntArray:
        """(6, 8) corners that the shots have in each cell of the picture, rows from the top."""
        return cell_counts([view.image_px for view in self.views], self.views[0].resolution if self.views else (8, 6))

    def empty_cells(self) -> BoolArray:
        """(6, 8) cells that no shot reaches."""
        return self.cells() == 0

    def leaning(self) -> dict[str, int]:
        """How many shots lean to each side."""
        sides = [sketch.leans() for sketch in self._sketches]
        return {side: sides.count(side) for side in SIDES}

    def wants(self) -> tuple[str, ...]:
        """What is still missing, in words; empty when there is enough."""
        missing = []
        if len(self.views) < WANTED_SHOTS:
            missing.append(f"{WANTED_SHOTS - len(self.views)} more shots")
        if self.views and float(np.mean(~self.empty_cells())) < WANTED_CELLS:
            missing.append("shots in the hatched cells")
        flat = [side for side, count in self.leaning().items() if count < WANTED_TILTS]
        if flat:
            missing.append(f"{' and '.join(flat)} side nearer")
        return tuple(missing)


def _spread(points: Array) -> float:
    """RMS distance from the middle."""
    return float(np.sqrt(np.mean(np.sum((points - points.mean(axis=0)) ** 2, axis=-1))))


def _moved(one: BoardView, other: BoardView) -> float:
    """Mean distance of the corners that both views have, as a share of the picture's width; inf without any."""
    _, a, b = np.intersect1d(one.ids, other.ids, return_indices=True)
    if not len(a):
        return float("inf")
    return float(np.linalg.norm(one.image_px[a] - other.image_px[b], axis=-1).mean() / other.resolution[0])
