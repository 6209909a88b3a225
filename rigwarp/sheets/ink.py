"""Where the ink of a printed ChArUco board goes: closed outlines in millimetres, ready to be filled."""

from itertools import pairwise

import numpy as np

from rigwarp.camera import charuco_board
from rigwarp.geometry import Array, BoolArray
from rigwarp.rig import Target


def board_outlines(target: Target) -> list[Array]:
    """Outlines of everything black on the board.

    Returns
    -------
    list of (N, 2)
        Corners in board mm at nominal size: origin at the top-left corner of the pattern, x right, y down. To be filled
        by the non-zero winding rule; cells of one marker are merged, so that no hairlines show between them.
    """
    board = charuco_board(target)
    dictionary = board.getDictionary()
    cells = dictionary.markerSize + 2  # the code and one cell of black border around it
    square, marker = target.square_mm, target.marker_mm
    black = np.ones(target.squares[::-1], bool)
    outlines = []
    for number, corners in zip(np.ravel(board.getIds()), board.getObjPoints(), strict=True):
        centre = np.asarray(corners, float)[:, :2].mean(axis=0)
        column, row = np.floor(centre / square).astype(int)
        black[row, column] = False
        ink = dictionary.generateImageMarker(int(number), cells, borderBits=1) < 128
        # the centre is taken from the square, since OpenCV keeps its corners with seven digits only
        start = (np.array([column, row]) + 0.5) * square - marker / 2.0
        outlines += [start + loop * (marker / cells) for loop in cell_outlines(ink)]
    for row, column in np.argwhere(black):
        outlines.append(np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * square + np.array([column, row]) * square)
    return outlines


def cell_outlines(ink: BoolArray) -> list[Array]:
    """Boundaries of the True cells of (rows, columns), in cells, x right and y down, ink always on the same hand.

    Outer boundaries and holes run opposite ways round, as the non-zero rule needs; cells that touch only at a
    corner get separate turns there.
    """
    following: dict[tuple[int, int], list[tuple[int, int]]] = {}
    padded = np.pad(ink, 1)
    for row, column in np.argwhere(ink):
        x, y = int(column), int(row)
        corners = [(x, y), (x + 1, y), (x + 1, y + 1), (x, y + 1), (x, y)]
        beside = (padded[y, x + 1], padded[y + 1, x + 2], padded[y + 2, x + 1], padded[y + 1, x])
        for (start, end), inked in zip(pairwise(corners), beside, strict=True):
            if not inked:
                following.setdefault(start, []).append(end)
    loops = []
    while following:
        start = here = next(iter(following))
        loop, before = [], None
        while True:
            loop.append(here)
            after = _turn(following, before, here)
            before, here = here, after
            if here == start:
                break
        loops.append(np.array(loop, float))
    return loops


def _turn(
    following: dict[tuple[int, int], list[tuple[int, int]]], before: tuple[int, int] | None, here: tuple[int, int]
) -> tuple[int, int]:
    """The next corner of a boundary, taken off the list; where two touch, the one that stays with its cell."""
    choices = following[here]
    chosen = choices[0]
    if len(choices) > 1 and before is not None:
        come = (here[0] - before[0], here[1] - before[1])
        right = (here[0] - come[1], here[1] + come[0])  # y down: turning right keeps to the same cell
        chosen = right if right in choices else chosen
    choices.remove(chosen)
    if not choices:
        del following[here]
    return chosen
