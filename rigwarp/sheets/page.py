"""One sheet of a printed target: the pattern and where its ink goes, rulers along both axes, small print; in mm."""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.transforms import Affine2D

from rigwarp.camera import charuco_board
from rigwarp.camera.boards.sheet_code import code_modules, code_text
from rigwarp.geometry import Array, BoolArray
from rigwarp.rig import Target

QUIET_MM = 7.0
"""White paper between the pattern and anything else that is printed."""

UNPRINTABLE_MM = 6.0
"""What an ordinary printer leaves white along the edges."""

_RULER_EDGE_MM = 5.0  # rulers come this near to the edge, so that 200 mm fit along the short side of A4

_MM_PER_INCH = 25.4
_POINTS_PER_MM = 72.0 / _MM_PER_INCH
HAIRLINE_PT = 0.15 * _POINTS_PER_MM
TEXT_PT = 2.4 * _POINTS_PER_MM
_LEFT_MM, _RIGHT_MM, _TOP_MM, _BOTTOM_MM = 18.0, 9.0, 10.0, 31.0  # room for rulers and text around the pattern
_LARGEST_CODE_MM, _SMALLEST_CODE_MM = 32.0, 20.0
_LEAST_ARROW_MM = 5.0  # wide
_SHAFT = 0.5  # of the arrow's width
_AWAY = "THIS EDGE AWAY FROM YOU"
_ARROW_TEXT, _LARGEST_TEXT_PT = 0.6, 6.0 * _POINTS_PER_MM  # of the shaft's width
_RULERS_MM = (200, 150, 100, 50)


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


@dataclass(frozen=True, kw_only=True)
class SheetLayout:
    """A sheet and where things are on it; sheet mm: origin at the top-left corner, x right, y down."""

    target: Target
    size_mm: tuple[float, float]
    paper: str = ""

    @property
    def board_mm(self) -> Array:
        """(2,) width and height of the pattern."""
        return np.array(self.target.squares) * self.target.square_mm

    @property
    def start_mm(self) -> Array:
        """(2,) top-left corner of the pattern: room that is left over is on its right, for arrow and code, and shared
        out evenly above and below."""
        spare = self.size_mm[1] - least_size(self.target)[1]
        return np.array([_LEFT_MM, _TOP_MM + spare / 2.0])

    @property
    def column_mm(self) -> Array:
        """(2, 2) left top and right bottom of the room beside the pattern; it may be too narrow for anything."""
        start, size = self.start_mm, self.board_mm
        right = self.size_mm[0] - UNPRINTABLE_MM
        return np.array([[start[0] + size[0] + QUIET_MM, start[1]], [right, start[1] + size[1]]])

    @property
    def code_mm(self) -> tuple[Array, float]:
        """Top left corner (2,) and side of the sheet's code: at the lower end of the column, or below the pattern."""
        (left, _), (right, bottom) = self.column_mm
        side = min(right - left, _LARGEST_CODE_MM)
        if side >= _SMALLEST_CODE_MM:
            return np.array([left, bottom - side]), float(side)
        side = self.size_mm[1] - UNPRINTABLE_MM - bottom - QUIET_MM
        return np.array([right - side, bottom + QUIET_MM]), float(side)

    def ruler_mm(self, axis: int) -> int:
        """Length of the ruler along x (0) or y (1)."""
        room = self.size_mm[axis] - 2 * _RULER_EDGE_MM
        return next((length for length in _RULERS_MM if length <= room), _RULERS_MM[-1])


def least_size(target: Target) -> tuple[float, float]:
    """(width, height) in mm of the smallest sheet that holds a board with all that stands beside it."""
    width, height = np.array(target.squares) * target.square_mm
    return float(width + _LEFT_MM + _RIGHT_MM), float(height + _TOP_MM + _BOTTOM_MM)


def target_keys(target: Target) -> str:
    """The lines to put under [target] in rig.toml."""
    return "\n".join(
        [
            'kind = "charuco"',
            f"squares = [{target.squares[0]}, {target.squares[1]}]",
            f"square_mm = {target.square_mm}",
            f"marker_mm = {target.marker_mm}",
            f'dictionary = "{target.dictionary}"',
            *([f'layout = "{target.layout}"'] if target.layout else []),
        ]
    )


def blank_page(size_mm: tuple[float, float]) -> tuple[Figure, Axes]:
    """A page whose axes are millimetres from its top-left corner, y down."""
    figure = Figure(figsize=(size_mm[0] / _MM_PER_INCH, size_mm[1] / _MM_PER_INCH))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(xlim=(0.0, size_mm[0]), ylim=(size_mm[1], 0.0))
    axes.axis("off")
    return figure, axes


def pdf_bytes(pages: Sequence[Figure], title: str) -> bytes:
    """Pages as one PDF: the same pages give the same bytes."""
    buffer = io.BytesIO()
    about = {"Title": title, "Creator": "rigwarp", "Producer": None, "CreationDate": None}
    with mpl.rc_context({"path.simplify": False, "pdf.fonttype": 42}), PdfPages(buffer, metadata=about) as file:
        for page in pages:
            file.savefig(page)
    return buffer.getvalue()


def sheet_page(layout: SheetLayout) -> Figure:
    """A sheet that holds all of the board."""
    figure, axes = blank_page(layout.size_mm)
    draw_sheet(axes, layout, np.zeros(2), None)
    return figure


def draw_sheet(axes: Axes, layout: SheetLayout, shift_mm: Array, window: Rectangle | None) -> None:
    """Everything on a sheet, moved by `shift_mm` and cut at `window`."""
    ink = _filled([loop + layout.start_mm for loop in board_outlines(layout.target)])
    modules = code_modules(code_text(layout.target, layout.paper))  # what the sheet says of itself to a camera
    start, side = layout.code_mm
    code = _filled([start + loop * (side / len(modules)) for loop in cell_outlines(modules)])
    for artist in (ink, code, *_arrow(layout), _rulers(layout)):
        artist.set_transform(Affine2D().translate(*shift_mm) + axes.transData)
        axes.add_artist(artist)
        if window is not None:
            artist.set_clip_path(window)
    for x, y, text, turn, anchor, points in _texts(layout):
        label = axes.text(
            x + shift_mm[0],
            y + shift_mm[1],
            text,
            rotation=turn,
            ha=anchor,
            va="center",
            rotation_mode="anchor",
            fontsize=points,
            clip_on=window is not None,
        )
        if window is not None:
            label.set_clip_path(window)


def _arrow(layout: SheetLayout) -> list[PathPatch]:
    """A large arrow in the column, towards the edge that goes away from whoever stands at the table."""
    (left, top), (right, bottom) = layout.column_mm
    wide = min(right - left, _LARGEST_CODE_MM)
    if wide < _LEAST_ARROW_MM:
        return []
    code, _ = layout.code_mm
    end = min(bottom, code[1] - QUIET_MM) if code[1] < bottom else bottom
    middle, head, shaft = left + wide / 2.0, min(0.8 * wide, 18.0), _SHAFT * wide
    half = np.array([[0.0, top], [wide / 2.0, top + head], [shaft / 2.0, top + head], [shaft / 2.0, end]])
    corners = np.concatenate([half, half[::-1] * [-1.0, 1.0]]) + np.array([middle, 0.0])
    arrow = PathPatch(Outline(np.vstack([corners, corners[:1]]), closed=True))
    arrow.set(facecolor="0.88", edgecolor="black", linewidth=2.0 * HAIRLINE_PT, joinstyle="miter")
    return [arrow]


def _filled(outlines: list[Array]) -> PathPatch:
    path = Outline.make_compound_path(*(Outline(np.vstack([loop, loop[:1]]), closed=True) for loop in outlines))
    return PathPatch(path, facecolor="black", edgecolor="none", linewidth=0.0)


def _ruler_start(layout: SheetLayout, axis: int) -> Array:
    """(2,) zero of the ruler: beside the pattern, and moved so that all of it is on the sheet."""
    beside = np.array([-QUIET_MM, 0.0]) if axis else np.array([0.0, layout.board_mm[1] + QUIET_MM])
    start: Array = layout.start_mm + beside
    last = layout.size_mm[axis] - _RULER_EDGE_MM - layout.ruler_mm(axis)
    start[axis] = min(start[axis], last)
    return start


def _rulers(layout: SheetLayout) -> LineCollection:
    """A ruler below the pattern and one to its left, with a line every 10 mm."""
    lines = []
    for axis in (0, 1):
        start, length = _ruler_start(layout, axis), layout.ruler_mm(axis)
        along = np.eye(2)[axis]
        outwards = np.array([0.0, 1.0]) if axis == 0 else np.array([-1.0, 0.0])
        lines.append([start, start + length * along])
        for mark in range(0, length + 1, 10):
            tick = 4.0 if mark % 50 == 0 else 2.0
            lines.append([start + mark * along, start + mark * along + tick * outwards])
    return LineCollection(lines, colors="black", linewidths=HAIRLINE_PT, capstyle="butt")


def _texts(layout: SheetLayout) -> list[tuple[float, float, str, float, str, float]]:
    """x, y, text, turn in degrees, anchor, size in points."""
    target, found = layout.target, []
    x_length, y_length = lengths = layout.ruler_mm(0), layout.ruler_mm(1)
    for axis, length in enumerate(lengths):
        start = _ruler_start(layout, axis)
        for mark in (0, length):
            at = start + mark * np.eye(2)[axis]
            where = (at[0], at[1] + 5.8, 0.0) if axis == 0 else (at[0] - 5.8, at[1], 90.0)
            inwards = "left" if (mark == 0) == (axis == 0) else "right"  # upright text runs upwards
            found.append((where[0], where[1], f"{mark} mm", where[2], inwards, TEXT_PT))
    left, below = layout.start_mm[0], layout.start_mm[1] + layout.board_mm[1] + QUIET_MM + 9.4
    keys = "   ".join(target_keys(target).split("\n"))
    small_print = [
        "1. Print at 100 % (actual size), never fitted to the page.   2. Measure both rulers with a steel rule, from",
        f"the first line to that of the last: along x .............. mm of {x_length}, along y .............. mm of "
        f"{y_length}.   3. In rig.toml, [target]:",
        f"scale = [along x / {x_length}, along y / {y_length}]   {keys}",
        "In the hand: glued onto something flat and stiff. On the table: flat, this side up.",
    ]
    found += [(left, below + 3.2 * line, text, 0.0, "left", TEXT_PT) for line, text in enumerate(small_print)]
    middle = layout.start_mm[0] + layout.board_mm[0] / 2
    side = f"{_AWAY}: towards +y of the table (rotation_deg = 0)"
    found.append((middle, layout.start_mm[1] - 4.0, side, 0.0, "center", TEXT_PT))
    for arrow in _arrow(layout):
        box = arrow.get_path().get_extents()
        points = min(_ARROW_TEXT * _SHAFT * box.width * _POINTS_PER_MM, _LARGEST_TEXT_PT)
        found.append((box.x0 + box.width / 2.0, box.y0 + box.height / 2.0, _AWAY, 90.0, "center", points))
    return found
