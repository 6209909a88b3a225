"""Which of OpenCV's two layouts a board with an even number of rows has, by where its markers lie.

Before version 4.6 OpenCV drew such boards with a marker in the top left square, since then with a black square there.
On boards with an odd number of columns the old layout looks like the new one moved by one square, except at the ends of
the rows: a photograph that does not show these can be read both ways, and the others decide.
"""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any, Final

import cv2
import numpy as np

from rigwarp.camera.boards.board import charuco_board
from rigwarp.geometry import Array, IntArray
from rigwarp.rig.model import BoardLayout, Target

LAYOUTS: Final[tuple[BoardLayout, BoardLayout]] = ("new", "old")
_AT_HOME = 0.35  # squares by which a marker may be off its place: lenses bend a board, wrong places are a square off
_FEWEST = 3  # markers that say something about their places
_OTHERWISE = 0.6  # share of the markers in place below which the board is another one


def layouts_differ(target: Target) -> bool:
    """Whether a board of that size looks different in the old layout."""
    return target.squares[1] % 2 == 0


def markers_in_place(target: Target, ids: IntArray, quads_px: Array) -> tuple[int, int]:
    """How many markers lie where the new layout has them, and the old one, beside a homography.

    Parameters
    ----------
    ids : (M,) numbers; quads_px : (M, 4, 2) corners.
    """
    new, old = (_in_place(replace(target, layout=layout), ids, quads_px) for layout in LAYOUTS)
    return new, old


def decide_layout(votes: Iterable[tuple[int, int]]) -> BoardLayout | None:
    """The layout by all photographs' markers in place (new, old); None where none of them tells.

    A single marker read wrongly decides nothing.
    """
    new, old = np.sum(list(votes), axis=0)
    if abs(new - old) < 2:
        return None
    return "new" if new > old else "old"


def exchanged(target: Target, ids: IntArray, quads_px: Array) -> bool:
    """Whether the markers are those of a board whose rows and columns are exchanged."""
    if target.squares[0] == target.squares[1] or len(ids) < 2 * _FEWEST:
        return False
    other = replace(target, squares=target.squares[::-1], layout=None)
    own = max(markers_in_place(target, ids, quads_px))
    return own < _OTHERWISE * len(ids) and max(markers_in_place(other, ids, quads_px)) > own + _FEWEST


def known_markers(target: Target, ids: Any, quads_px: Any) -> tuple[IntArray, Array]:
    """OpenCV's markers that such a board has: (M,) and (M, 4, 2)."""
    if ids is None or len(ids) == 0:
        return np.zeros(0, np.int64), np.zeros((0, 4, 2))
    numbers = np.ravel(ids).astype(np.int64)
    own = numbers < target.squares[0] * target.squares[1] // 2
    return numbers[own], np.asarray(quads_px, float).reshape(-1, 4, 2)[own]


def _in_place(target: Target, ids: IntArray, quads_px: Array) -> int:
    if len(ids) < _FEWEST:
        return 0
    there = np.array(charuco_board(target).getObjPoints(), float)[ids, :, :2] / target.square_mm
    flat, _ = cv2.findHomography(quads_px.reshape(-1, 2), there.reshape(-1, 2), cv2.RANSAC, _AT_HOME)
    if flat is None:
        return 0
    seen = np.asarray(cv2.perspectiveTransform(quads_px.reshape(-1, 1, 2), flat)).reshape(-1, 4, 2)
    return int(np.sum(np.linalg.norm(seen - there, axis=-1).max(axis=-1) < _AT_HOME))
