"""Print-ready PDF sheets of a ChArUco board: vector drawing at true size, rulers to check the printer with, tiles."""

from dataclasses import dataclass, replace

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from rigwarp.geometry import Array
from rigwarp.rig import Target
from rigwarp.sheets.page import (
    HAIRLINE_PT,
    QUIET_MM,
    TEXT_PT,
    UNPRINTABLE_MM,
    SheetLayout,
    blank_page,
    draw_sheet,
    least_size,
    pdf_bytes,
    sheet_page,
)

_BLEED_MM = 5.0  # how far a tile is printed past the line where it is cut
_CROSS_MM = 5.0


def _seams(layout: SheetLayout, axis: int, longest_mm: float) -> list[float]:
    """Where a large sheet is cut along one axis, ends included: through the middle of squares, never at corners."""
    square, start = layout.target.square_mm, float(layout.start_mm[axis])
    seams = [0.0]
    while layout.size_mm[axis] - seams[-1] > longest_mm:
        middle = np.floor((seams[-1] + longest_mm - start) / square - 0.5) + 0.5
        cut = start + middle * square
        middle_of_a_square = 0.0 < middle < layout.target.squares[axis] and cut > seams[-1]
        seams.append(cut if middle_of_a_square else seams[-1] + longest_mm)
    return [*seams, layout.size_mm[axis]]


def tile_pages(layout: SheetLayout, paper_mm: tuple[float, float]) -> list[Figure]:
    """Pages that are cut along the marks and joined edge to edge; the orientation that takes fewer of them."""
    plans = []
    for size in (paper_mm[::-1], paper_mm):
        room = [side - 2 * (UNPRINTABLE_MM + _BLEED_MM) for side in size]
        columns, rows = (_seams(layout, axis, room[axis]) for axis in (0, 1))
        plans.append(((len(columns) - 1) * (len(rows) - 1), size, columns, rows))
    n, size, columns, rows = min(plans, key=lambda plan: plan[0])
    pages: list[Figure] = []
    for j in range(len(rows) - 1):
        for i in range(len(columns) - 1):
            figure, axes = blank_page(size)
            low, high = np.array([columns[i], rows[j]]), np.array([columns[i + 1], rows[j + 1]])
            shift = (np.array(size) - (high - low)) / 2.0 - low
            cut_sides = (i > 0, j > 0, i < len(columns) - 2, j < len(rows) - 2)
            _draw_tile(axes, layout, shift, low, high, cut_sides, (columns[1:-1], rows[1:-1]))
            label = (
                f"sheet {len(pages) + 1} of {n}: row {j + 1}, column {i + 1}. Cut along the marks, join edge to edge."
            )
            at = (UNPRINTABLE_MM + 6.0, size[1] - UNPRINTABLE_MM + 1.0)
            axes.text(*at, label, fontsize=TEXT_PT, va="center")
            pages.append(figure)
    return pages


def _draw_tile(
    axes: Axes,
    layout: SheetLayout,
    shift: Array,
    low: Array,
    high: Array,
    cut_sides: tuple[bool, bool, bool, bool],
    seams: tuple[list[float], list[float]],
) -> None:
    """One tile with what lies a bleed past its cuts, crosses where cuts leave the pattern, and marks to cut along."""
    before, after = (_BLEED_MM * np.array(cut_sides[k : k + 2]) for k in (0, 2))
    start, end = low - before + shift, high + after + shift
    window = Rectangle(tuple(start), *(end - start), transform=axes.transData)
    draw_sheet(axes, layout, shift, window)
    lines = [line + shift for line in _crosses(layout, seams)]
    crosses = LineCollection(lines, colors="black", linewidths=HAIRLINE_PT)
    axes.add_collection(crosses)
    crosses.set_clip_path(window)
    marks = []
    for (axis, side), cut in zip(((0, low), (1, low), (0, high), (1, high)), cut_sides, strict=True):
        if cut:
            across, at = 1 - axis, side[axis] + shift[axis]
            for edge, sign in ((start[across], -1.0), (end[across], 1.0)):
                line = np.empty((2, 2))
                line[:, axis], line[:, across] = at, [edge + sign, edge + 4.0 * sign]
                marks.append(line)
    axes.add_collection(LineCollection(marks, colors="black", linewidths=HAIRLINE_PT, capstyle="butt"))


def _crosses(layout: SheetLayout, seams: tuple[list[float], list[float]]) -> list[Array]:
    """Registration crosses: two lines each, on every cut, in the white border on both sides of the pattern."""
    low, high = layout.start_mm - QUIET_MM / 2, layout.start_mm + layout.board_mm + QUIET_MM / 2
    centres = [np.array([cut, y]) for cut in seams[0] for y in (low[1], high[1])]
    centres += [np.array([x, cut]) for cut in seams[1] for x in (low[0], high[0])]
    arms = np.array([[[-1.0, 0.0], [1.0, 0.0]], [[0.0, -1.0], [0.0, 1.0]]]) * _CROSS_MM / 2
    return [centre + arm for centre in centres for arm in arms]


@dataclass(frozen=True, kw_only=True)
class SheetFormat:
    """A sheet of paper; `size_mm` is (short side, long side)."""

    name: str
    size_mm: tuple[float, float]


A4 = SheetFormat(name="A4", size_mm=(210.0, 297.0))  # ISO 216
A3 = SheetFormat(name="A3", size_mm=(297.0, 420.0))  # ISO 216
LETTER = SheetFormat(name="Letter", size_mm=(215.9, 279.4))  # ANSI/ASME Y14.1 size A
SHEET_FORMATS = (A4, LETTER, A3)

_COLUMN_MM = 12.0  # wider than it has to be: room for an arrow beside a board of several sheets

SMALL_TARGET = Target(squares=(10, 7), square_mm=24.0, marker_mm=18.0, dictionary="DICT_5X5_250")
"""A board that fits on A4 and on US Letter."""

STANDARD_TARGET = replace(SMALL_TARGET, square_mm=36.0, marker_mm=27.0)
"""The board that a rig file without other options uses; it fits on A3."""


@dataclass(frozen=True, kw_only=True)
class TargetSheet:
    """A finished file.

    Attributes
    ----------
    name : file name.
    pdf : its contents.
    pages : how many sheets of paper it takes (more than one: tiles to be joined).
    paper : name of the paper.
    target : the board on it, at nominal size.
    """

    name: str
    pdf: bytes
    pages: int
    paper: str
    target: Target


def fits(target: Target, paper: SheetFormat) -> bool:
    """Whether the board goes on one sheet, with its rulers and small print."""
    return _orientation(target, paper) is not None


def draw_target(target: Target, paper: SheetFormat) -> TargetSheet:
    """The board on one sheet, or as tiles on as many as it takes.

    Lengths in the file are exact; what the printer makes of them is what `scale` in rig.toml is for.
    """
    name = f"charuco-{target.squares[0]}x{target.squares[1]}-{target.square_mm:g}mm-{paper.name}"
    size = _orientation(target, paper)
    if size is not None:
        pages = [sheet_page(SheetLayout(target=target, size_mm=size, paper=paper.name))]
    else:
        width, height = least_size(target)
        layout = SheetLayout(target=target, size_mm=(width + _COLUMN_MM, height), paper=f"{paper.name}-tiles")
        name, pages = f"{name}-tiles", tile_pages(layout, paper.size_mm)
    pdf = pdf_bytes(pages, "ChArUco board")
    return TargetSheet(name=f"{name}.pdf", pdf=pdf, pages=len(pages), paper=paper.name, target=target)


def _orientation(target: Target, paper: SheetFormat) -> tuple[float, float] | None:
    """The paper's (width, height) in the orientation that holds the board, or None."""
    needed = least_size(target)
    for size in (paper.size_mm[::-1], paper.size_mm):
        if needed[0] <= size[0] and needed[1] <= size[1]:
            return size
    return None
